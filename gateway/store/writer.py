"""Owns: the thread that writes the history, and the truth about how far it has come.

Must not know: what the rows mean, how they are queried.
How it works: callers put values into a backlog under a lock that is never held during disk work, so control never
waits. One thread takes all that waits and writes it in one transaction:

    event or flush ---> at once            commit worked ---> counters rise, flushers wake
    reading, beat ----> within batch_s     commit failed ---> rows go back in front, file closed,
                                                              next try after 0.5, 1, 2 ... 30 s

After a commit the same thread tidies up, bite by bite, for as long as nothing else is due. A large file that was not
closed in order is looked through by a second thread, which only reads, while core runs; what it finds is obeyed here.

The thread never ends by an error: any failure is a sentence in `trouble` and another try.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.barn import Barn
from gateway.engine.clock import machine_s
from gateway.model import Beat, Channel, Event, Reading, Stamp
from gateway.site_history import KEEP, Keep
from gateway.store import failure, schema
from gateway.store.backlog import Backlog, Batch
from gateway.store.inspector import Inspector
from gateway.store.pen import Pen
from gateway.store.schema import DAMAGE, primary_code

# About 2 h of 40 channels read every 5 s; 20 to 40 MB.
LIMIT_ROWS = 60_000
FIRST_RETRY_S, LAST_RETRY_S = 0.5, 30.0
STALL_S = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What this run has put on the disk, what it had to drop, and how often writing failed."""

    readings: int
    events: int
    beats: int
    lost_readings: int
    lost_events: int
    failures: int


class Writer:
    """Implements `ports.Recorder`. The file may be missing or broken at any time, also at the start."""

    def __init__(
        self,
        path: Path,
        barn: Barn,
        channels: tuple[Channel, ...],
        batch_s: float = 10.0,
        *,
        keep: Keep = KEEP,
        limit_rows: int = LIMIT_ROWS,
        stall_s: float = STALL_S,
    ) -> None:
        self._path, self._barn, self._channels = path, barn, channels
        self._batch_s, self._stall_s, self._keep = batch_s, stall_s, keep
        self._wake = (
            threading.Condition()
        )  # guards all below but _pen, _check, _inspector, _numbers_after: the thread's own
        self._backlog = Backlog(limit_rows)
        self._newest: Stamp | None = None
        self._handed = self._settled = 0  # values handed in, and how many of them are written or lost
        self._oldest_waits_since: float | None = None
        self._hurry = self._stopping = self._last_try = self._healthy = self._no_room = False
        self._retry_at, self._retry_s = 0.0, FIRST_RETRY_S
        self._busy_since: float | None = None
        self._since, self._failing, self._aside, self._squeezed = "since the start", "", "", ""
        self._readings = self._events = self._beats = self._failures = 0
        self._pen: Pen | None = None
        self._inspector: Inspector | None = None
        self._check = True
        self._numbers_after: int | None = None
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)
        self._thread.start()

    # --- called by control: short, never raises -----------------------------------------------------

    def reading(self, reading: Reading) -> None:
        with self._wake:
            self._backlog.reading(reading)
            self._note(1, reading.stamp)

    def events(self, events: Sequence[Event]) -> None:
        """Written at once. They are on the disk when `events_committed` has risen by their number."""
        if not events:
            return
        with self._wake:
            self._backlog.events(events)
            self._note(len(events), events[-1].stamp)

    def beat(self, steps: int, late: int, stamp: Stamp) -> None:
        """Counts are of the whole run, so only the newest beat of a batch is stored."""
        with self._wake:
            self._backlog.beat(Beat(steps=steps, late=late, stamp=stamp))
            self._note(1, stamp)

    def troubles(self) -> Mapping[str, str]:
        """As `ports.Recorder` says. That a file was set aside stands for the run: a fresh start does not know it."""
        with self._wake:
            busy, found = self._busy_since, {}
            if self._failing:
                found["history-unwritten"] = self._failing
            elif busy is not None and machine_s() - busy > self._stall_s:
                found["history-unwritten"] = failure.stalled(self._path, self._since)
            if self._failing and self._no_room:
                found["disk-full"] = self._failing
            if self._aside:
                found["history-damaged"] = self._aside
            if self._squeezed:
                found["disk-low"] = self._squeezed
            return found

    def trouble(self) -> str:
        """The first of them, the worst; empty when all is well."""
        return next(iter(self.troubles().values()), "")

    @property
    def events_committed(self) -> int:
        """How many events of this run are on the disk, fully synced."""
        with self._wake:
            return self._events

    def written(self) -> Written:
        with self._wake:
            return Written(
                readings=self._readings,
                events=self._events,
                beats=self._beats,
                lost_readings=self._backlog.lost_readings,
                lost_events=self._backlog.lost_events,
                failures=self._failures,
            )

    # --- called at the start and the end ------------------------------------------------------------

    def flush(self, timeout_s: float) -> bool:
        """Waits until the file is open and all that was handed in so far is written. False: not in time."""
        with self._wake:
            goal = self._handed
            self._hurry = True
            self._wake.notify_all()
            return self._wake.wait_for(lambda: self._healthy and self._settled >= goal, timeout_s)

    def close(self, timeout_s: float) -> bool:
        """Writes what waits, if the file can be written, and ends the thread. True: nothing was left over."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        self._thread.join(timeout_s)
        with self._wake:
            return not self._thread.is_alive() and self._healthy and self._settled == self._handed

    def _note(self, count: int, stamp: Stamp) -> None:
        self._handed += count
        self._newest = stamp
        if self._oldest_waits_since is None:
            self._oldest_waits_since = machine_s()
            self._wake.notify_all()
        elif self._backlog.has_events:
            self._wake.notify_all()

    # --- the thread ---------------------------------------------------------------------------------

    def _run(self) -> None:
        while (taken := self._next()) is not None:
            batch, goal = taken
            try:
                self._write(batch)
            except Exception as error:  # whatever it is: it is said in `trouble`, and the thread lives on
                self._failed(batch, error)
            else:
                self._succeeded(batch, goal)
                self._tidy()
        # A file that could not be looked through to its end is looked through again after the next start.
        self._lay_down(in_order=self._inspector is None or self._inspector.sound)
        self._end_inspection()

    def _next(self) -> tuple[Batch, int] | None:
        """Waits until something is to be done; None after the last try of a stop."""
        with self._wake:
            while not self._due():
                self._wake.wait(self._wait_s())
            if self._last_try:
                return None
            self._last_try = self._stopping
            self._hurry = False
            self._oldest_waits_since = None
            self._busy_since = machine_s()
            if self._healthy:
                self._since = failure.since(self._newest, self._barn.zone)
            return self._backlog.take(), self._handed

    def _due(self) -> bool:
        if self._stopping or self._hurry:
            return True
        if not self._healthy:
            return machine_s() >= self._retry_at
        return self._backlog.has_events or self._wait_s() == 0.0

    def _wait_s(self) -> float | None:
        if not self._healthy:
            return max(0.0, self._retry_at - machine_s())
        if self._oldest_waits_since is None:
            return None
        return max(0.0, self._oldest_waits_since + self._batch_s - machine_s())

    def _write(self, batch: Batch) -> None:
        if self._inspector is not None and self._inspector.found:
            self._put_aside()
        pen = self._pen = self._pen or self._open()
        if self._numbers_after is None:
            self._numbers_after = pen.last_event_id()
        pen.write(batch, numbers_after=self._numbers_after)

    def _open(self) -> Pen:
        pen = Pen(self._path, self._barn, self._channels, check=self._check, keep=self._keep)
        self._check = False
        if pen.set_aside:
            with self._wake:
                self._aside = failure.was_damaged(pen.set_aside)
        if pen.unchecked:
            self._inspector = Inspector(self._path, on_damage=self._hasten)
        return pen

    def _put_aside(self) -> None:
        """What was open is damaged, as it turned out: keep it, and begin a fresh one."""
        self._lay_down()
        self._end_inspection()
        aside = schema.set_aside(self._path)
        with self._wake:
            self._aside = failure.was_damaged(aside)

    def _end_inspection(self) -> None:
        if self._inspector is not None:
            self._inspector.close()
        self._inspector = None

    def _hasten(self) -> None:
        with self._wake:
            self._hurry = True
            self._wake.notify_all()

    def _tidy(self) -> None:
        """Housekeeping while nothing is due. An error is that of a commit: the file is closed and tried again."""
        pen, nothing = self._pen, Batch(readings=(), events=(), beat=None, gaps=())
        try:
            while pen is not None and self._may_tidy() and pen.tidy():
                pass
        except Exception as error:
            self._failed(nothing, error)
        with self._wake:
            self._busy_since = None
            if pen is not None and pen.lost_wanted:
                self._squeezed = failure.squeezed(self._path)

    def _may_tidy(self) -> bool:
        with self._wake:
            self._busy_since = machine_s()
            return not self._due()

    def _succeeded(self, batch: Batch, goal: int) -> None:
        with self._wake:
            self._readings += len(batch.readings)
            self._events += len(batch.events)
            self._beats += batch.beat is not None
            self._settled = goal
            self._healthy, self._failing, self._busy_since = True, "", None
            self._retry_s = FIRST_RETRY_S
            self._wake.notify_all()

    def _failed(self, batch: Batch, error: Exception) -> None:
        self._lay_down()
        if isinstance(error, sqlite3.Error) and primary_code(error) in DAMAGE:
            self._check = True
        with self._wake:
            self._backlog.give_back(batch)
            self._failures += 1
            self._healthy, self._busy_since = False, None
            self._failing = failure.not_written(error, self._path, self._since)
            self._no_room = failure.for_lack_of_room(error)
            self._retry_at = machine_s() + self._retry_s
            self._retry_s = min(2 * self._retry_s, LAST_RETRY_S)

    def _lay_down(self, *, in_order: bool = False) -> None:
        pen, self._pen = self._pen, None
        if pen is None:
            return
        try:
            pen.close(in_order=in_order)
        except sqlite3.Error:
            # The file is gone or broken, which is why it is being closed; the next try opens it afresh.
            return
