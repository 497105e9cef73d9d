"""Owns: that a call goes out whatever the disk does, and that it is said when it could not be kept.

Must not know: who is told when, how a message travels.
How it works: everything is written to the ledger at once. What the disk does not take waits in memory, in order, and is
written when the disk takes it again; meanwhile calls go on from memory. After a power cut what was only in memory is
planned anew. A damaged file is set aside and a fresh one begun: after the next start, whatever still stands is called
once more. One call too many is better than one too few.
"""

from __future__ import annotations

import logging
import sqlite3
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path

from gateway.alarms.notices import Notice
from gateway.errors import GatewayError
from gateway.model import Stamp
from gateway.uplink.calls_ledger import CallsLedger, Pending, is_damage, set_aside
from gateway.uplink.tries import Change, Entry

log = logging.getLogger(__name__)

AGAIN_S = 30.0
MOST_WAITING = 5_000


class KeptCalls:
    """One thread. Never raises. `trouble` is a sentence while calls are not kept, or were lost at this start."""

    def __init__(self, path: Path, *, stamp: Callable[[], Stamp], clock: Callable[[], float]) -> None:
        self._path, self._stamp, self._clock = path, stamp, clock
        self._waiting: deque[Entry | Change] = deque()
        self._ledger: CallsLedger | None = None
        self._tried_s = clock()
        self._unkept = self._lost = ""
        self._open()

    @property
    def trouble(self) -> str:
        return self._unkept or self._lost

    @property
    def waiting(self) -> int:
        """How much is in memory only."""
        return len(self._waiting)

    def write(self, entries: Sequence[Entry], changes: Sequence[Change]) -> bool:
        """Keep it, or say that it is in memory only: then False."""
        self._waiting.extend((*entries, *changes))
        if self._ledger is not None and (not self._unkept or self._is_time()):
            self._flush()
        while len(self._waiting) > MOST_WAITING:
            self._waiting.popleft()
        return not self._waiting

    def again(self) -> bool:
        """Try what could not be done, now and then. True when a file that could not be opened was opened only now."""
        if not self._unkept or not self._is_time():
            return False
        self._tried_s = self._clock()
        is_new = self._ledger is None
        if is_new:
            self._open()
        if self._ledger is not None:
            self._flush()
        return is_new and self._ledger is not None

    def on_record(self) -> tuple[list[Notice], list[Pending]]:
        """All messages in order, and what of them is not at its end; nothing when the file cannot be read."""
        for _ in range(2):
            if self._ledger is None:
                break
            try:
                return list(self._ledger.told()), self._ledger.pending()
            except (sqlite3.Error, ValueError, KeyError, TypeError) as error:
                self._renew(error)
        return [], []

    def close(self) -> None:
        if self._ledger is not None:
            self._flush()
            self._ledger.close()
            self._ledger = None

    def _is_time(self) -> bool:
        return self._clock() - self._tried_s >= AGAIN_S

    def _open(self) -> None:
        try:
            self._ledger = CallsLedger(self._path)
        except (sqlite3.Error, OSError, GatewayError) as error:
            if is_damage(error):
                self._renew(error)
            else:
                self._fail(error)

    def _renew(self, error: Exception) -> None:
        """Begin a fresh file in place of a damaged one."""
        try:
            if self._ledger is not None:
                self._ledger.close()
                self._ledger = None
            aside = set_aside(self._path)
            self._ledger = CallsLedger(self._path)
        except (sqlite3.Error, OSError, GatewayError) as other:
            return self._fail(other)
        what = f"The record of calls was damaged ({error}) and set aside as {aside.name}."
        self._lost = f"{what} Somebody may be called twice."
        log.error("%s", self._lost)

    def _flush(self) -> None:
        """Write all that waits, in order, in one transaction."""
        for _ in range(2):
            if self._ledger is None or not self._waiting:
                return
            try:
                self._write_all(self._ledger)
                return
            except (sqlite3.Error, OSError) as error:
                if not is_damage(error):
                    return self._fail(error)
                self._renew(error)

    def _write_all(self, ledger: CallsLedger) -> None:
        entries = [one for one in self._waiting if isinstance(one, Entry)]
        changes = [one for one in self._waiting if isinstance(one, Change)]
        ledger.write(entries, changes, self._stamp())
        self._waiting.clear()
        if self._unkept:
            log.info("calls are kept again in %s", self._path)
        self._unkept = ""

    def _fail(self, error: Exception) -> None:
        self._tried_s = self._clock()
        if not self._unkept:
            self._unkept = f"Calls are not kept on the disk: {self._path.name}: {error}. They go out all the same."
            log.error("%s Look at the free space and the rights of its folder.", self._unkept)
