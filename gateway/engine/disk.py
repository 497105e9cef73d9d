"""Owns: whether there is room where the history is kept.

Must not know: what is kept there, what an alarm is.
How it works: a thread of its own looks every half minute: a dying card or a network disk may let it wait for minutes,
and the tick must not. It counts what a program without special rights may still use. `shortage` judges and is pure.

Limits, our own choice: low is 500 MB, full 50 MB; a disk so small that a twentieth, a hundredth of it is less has that
as its limit. A share alone would call people for 50 GB of room on a large disk, a number alone for every small card.
40 channels read every 5 s were measured to take 29 MB a day before they are thinned out, so 500 MB are two weeks.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from pathlib import Path

from gateway.engine.troubles import Trouble

log = logging.getLogger(__name__)

LOOK_EVERY_S = 30.0
LOW_BYTES, LOW_SHARE = 500e6, 0.05
FULL_BYTES, FULL_SHARE = 50e6, 0.01
BACK_AT = 1.2  # times the limit: room that comes and goes around it is one trouble


def shortage(size_bytes: float, free_bytes: float, before: str = "") -> str:
    """disk-full, disk-low, or empty. `before` is what it was: that ends a little above its limit."""
    for code, limit in (("disk-full", _limit(size_bytes, FULL_BYTES, FULL_SHARE)),
                        ("disk-low", _limit(size_bytes, LOW_BYTES, LOW_SHARE))):  # fmt: skip
        if free_bytes < (limit * BACK_AT if before == code else limit):
            return code
    return ""


def _limit(size_bytes: float, most_bytes: float, share: float) -> float:
    return min(most_bytes, share * size_bytes)


class DiskWatch:
    """Looks at the file system of a folder until it is closed."""

    def __init__(
        self, folder: Path, *, every_s: float = LOOK_EVERY_S, statvfs: Callable[[Path], os.statvfs_result] = os.statvfs
    ) -> None:
        self._folder, self._every_s, self._statvfs = folder, every_s, statvfs
        self._trouble: Trouble | None = None  # replaced as a whole by the thread: any other may look
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="disk", daemon=True)
        self._thread.start()

    def trouble(self) -> Trouble | None:
        """What is wrong, as it was last seen. Never waits."""
        return self._trouble

    def close(self) -> None:
        """End the thread soon; nobody waits for a disk that does not answer."""
        self._ended.set()

    def _run(self) -> None:
        while not self._ended.is_set():
            try:
                self._trouble = self._look()
            except OSError as error:
                log.debug("disk: %s", error)  # the history itself says so, and what to do
            self._ended.wait(self._every_s)

    def _look(self) -> Trouble | None:
        seen = self._statvfs(self._folder)
        size, free = seen.f_blocks * seen.f_frsize, seen.f_bavail * seen.f_frsize
        code = shortage(size, free, "" if self._trouble is None else self._trouble.code)
        if not code:
            return None
        remedy = "make room, or put in a larger disk"
        text = f"{free / 1e6:.0f} of {size / 1e6:.0f} MB are left where the history is kept: {remedy}"
        return Trouble(subject="disk", code=code, text=text)
