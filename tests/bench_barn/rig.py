"""Owns: what the bench tests share: a clock moved by hand, a running bench of the example barn, bounded waiting.

Must not know: how the bench works inside.
How it works: `HandClock` stands still until `pass_s`; `fresh_barn` loads the example site file from a copy in a
folder of its own, so that every path of the bench lies in that folder.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

from hypothesis import settings

from gateway import site
from gateway.barn import Barn
from gateway.model import Stamp

patient = settings(deadline=None)  # the computer may be busy; how long one example takes says nothing here

EXAMPLE = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"
TEN_O_CLOCK_S = 1_784_124_000.0  # 2026-07-15 10:00 in New York, from `date -u -d '2026-07-15T14:00Z' +%s`
NEW_YORK_SUMMER_H = -4.0


class HandClock:
    """A clock that moves only when told to; waiting on it takes next to nothing."""

    def __init__(self, wall_s: float = TEN_O_CLOCK_S) -> None:
        self._start_s, self._now_s = wall_s, 0.0

    def pass_s(self, seconds: float) -> None:
        self._now_s += seconds

    def now_s(self) -> float:
        return self._now_s

    def real_s(self, seconds: float) -> float:
        return 0.002 * min(seconds, 1.0)

    def stamp(self) -> Stamp:
        now_s = self._now_s
        return Stamp(mono_s=now_s, wall_s=self._start_s + now_s, boot="hand", trusted=True)


def fresh_barn(folder: Path) -> Barn:
    return site.load(Path(shutil.copy(EXAMPLE, folder / "barn.toml"))).barn


def until(true: Callable[[], bool], what: str, *, within_s: float = 5.0) -> None:
    """Poll a real thread until it has done something, or fail."""
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s, f"not within {within_s} s: {what}"
        time.sleep(0.01)
