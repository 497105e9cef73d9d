"""Owns: what waits in memory to be written, and its limit.

Must not know: threads, SQLite, time.
How it works: three queues. `take` empties them into a batch; a batch that could not be written is given back and
goes in front of what came since. Over the limit the oldest reading goes first, an event only when no reading is
left. What went is counted in a gap, which is written like everything else. Of beats only the newest waits, since
each one counts all steps of the run. While a batch is out, the queues hold up to `limit_rows` beside it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.model import Beat, Event, Reading, Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """So many `what` ("readings" or "events") between two instants were lost from memory."""

    what: str
    first: Stamp
    last: Stamp
    lost: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What goes to the file in one transaction. Each event has its number in this run, from 1."""

    readings: tuple[Reading, ...]
    events: tuple[tuple[int, Event], ...]
    beat: Beat | None
    gaps: tuple[Gap, ...]

    @property
    def empty(self) -> bool:
        return not (self.readings or self.events or self.beat or self.gaps)


class Backlog:
    """Not thread safe: its owner holds a lock."""

    def __init__(self, limit_rows: int) -> None:
        self._limit_rows = limit_rows
        self._readings: deque[Reading] = deque()
        self._events: deque[tuple[int, Event]] = deque()
        self._beat: Beat | None = None
        self._gaps: dict[str, Gap] = {}
        self._numbered = 0
        self.lost_readings = 0
        self.lost_events = 0

    @property
    def has_events(self) -> bool:
        return bool(self._events)

    @property
    def empty(self) -> bool:
        return not (self._readings or self._events or self._beat or self._gaps)

    def reading(self, reading: Reading) -> None:
        self._readings.append(reading)
        self._trim()

    def events(self, events: Sequence[Event]) -> None:
        for event in events:
            self._numbered += 1
            self._events.append((self._numbered, event))
        self._trim()

    def beat(self, beat: Beat) -> None:
        self._beat = beat

    def take(self) -> Batch:
        """Everything that waits; the backlog is empty afterwards."""
        batch = Batch(
            readings=tuple(self._readings),
            events=tuple(self._events),
            beat=self._beat,
            gaps=tuple(self._gaps.values()),
        )
        self._readings.clear()
        self._events.clear()
        self._beat = None
        self._gaps.clear()
        return batch

    def give_back(self, batch: Batch) -> None:
        """The batch was not written, or nobody knows whether it was."""
        self._readings.extendleft(reversed(batch.readings))
        self._events.extendleft(reversed(batch.events))
        self._beat = self._beat or batch.beat
        for older in batch.gaps:
            newer = self._gaps.get(older.what)
            self._gaps[older.what] = _joined(older, newer) if newer else older
        self._trim()

    def _trim(self) -> None:
        while len(self._readings) + len(self._events) > self._limit_rows:
            if self._readings:
                self._note_loss("readings", self._readings.popleft().stamp)
                self.lost_readings += 1
            else:
                self._note_loss("events", self._events.popleft()[1].stamp)
                self.lost_events += 1

    def _note_loss(self, what: str, stamp: Stamp) -> None:
        gap = Gap(what=what, first=stamp, last=stamp, lost=1)
        before = self._gaps.get(what)
        self._gaps[what] = _joined(before, gap) if before else gap


def _joined(older: Gap, newer: Gap) -> Gap:
    return Gap(what=older.what, first=older.first, last=newer.last, lost=older.lost + newer.lost)
