"""Owns: every clock of the program. No other module may ask the machine for the time.

Must not know: who uses the time.
How it works: `BoardClock` counts with CLOCK_BOOTTIME, which runs through suspend and never steps, and labels with
wall time, saying whether the kernel thinks that wall time is right. `FastClock` is the clock of an emulated barn:
it starts at a chosen wall time and may run faster; core and bench share its start so that a restarted core finds
the time where it was.
"""

from __future__ import annotations

import ctypes
import datetime
import json
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from gateway.errors import SiteError
from gateway.model import Stamp

_ADJTIMEX_BYTES = 512  # larger than struct timex on every Linux; modes = 0 only reads
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised


def machine_s() -> float:
    """Monotonic seconds of the machine itself; for deadlines of real hardware and of sockets."""
    return time.monotonic()


def boot_id() -> str:
    """The kernel's name for this boot; a fixed word where the kernel gives none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return "boot-without-id"


def local_time(stamp: Stamp, zone: str) -> tuple[int, int] | None:
    """The minute of the day and the number of the day on the barn's own clock; None while the clock is not set."""
    if not stamp.trusted:
        return None
    there = datetime.datetime.fromtimestamp(stamp.wall_s, ZoneInfo(zone))
    return there.hour * 60 + there.minute, there.toordinal()


class BoardClock:
    """The clock of a real barn."""

    def __init__(self) -> None:
        self._boot = boot_id()
        self._libc = ctypes.CDLL(None, use_errno=True)

    def now_s(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def real_s(self, seconds: float) -> float:
        return seconds

    def stamp(self) -> Stamp:
        return Stamp(mono_s=self.now_s(), wall_s=time.time(), boot=self._boot, trusted=self._synchronised())

    def _synchronised(self) -> bool:
        return int(self._libc.adjtimex(ctypes.create_string_buffer(_ADJTIMEX_BYTES))) not in (-1, _TIME_ERROR)


@dataclass(frozen=True, slots=True, kw_only=True)
class FastStart:
    """Where an emulated clock began: machine time, its wall time then, and how many times faster it runs.

    `trusted` is false for a barn whose clock nobody has set.
    """

    machine_s: float
    wall_s: float
    speed: float
    trusted: bool = True

    def save(self, path: Path) -> None:
        """Write it where the other roles of the bench look for it."""
        path.write_text(json.dumps(asdict(self)))


def load_start(path: Path) -> FastStart:
    """The start that `save` wrote. Raises SiteError when there is none: the bench is not running there."""
    try:
        return FastStart(**json.loads(path.read_text()))
    except (OSError, ValueError, TypeError) as error:
        problem = f"{path}: no emulated barn has been started here ({error}); start one with: loosebox run"
        raise SiteError((problem,)) from error


class FastClock:
    """The clock of an emulated barn."""

    def __init__(self, start: FastStart) -> None:
        self._start = start
        # Another start is another boot, else its times would run over those of the bench before.
        self._boot = f"bench-{boot_id()}-{start.machine_s:.3f}"

    def now_s(self) -> float:
        """Barn seconds since the bench began."""
        return (machine_s() - self._start.machine_s) * self._start.speed

    def real_s(self, seconds: float) -> float:
        return seconds / self._start.speed

    def stamp(self) -> Stamp:
        now_s = self.now_s()
        wall_s = self._start.wall_s + now_s
        return Stamp(mono_s=now_s, wall_s=wall_s, boot=self._boot, trusted=self._start.trusted)
