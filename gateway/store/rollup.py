"""Owns: the coarser tables: one row for a minute and for a quarter of an hour of each channel.

Must not know: threads, what is dropped.
How it works: an hour of a boot is rolled up when the readings have gone a minute past it, or when the boot is over.
It is read in bites of five minutes, and written with its mark in one transaction, so that a kill repeats it and
nothing is counted twice. Minutes and hours are those of the monotonic clock, which never steps; what wall time they
were is known only when somebody asks. A reading that comes more than a minute late is not in the coarser tables.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field

from gateway.store.position import Position

MINUTE_MS, QUARTER_MS, HOUR_MS = 60_000, 900_000, 3_600_000
BITE_MS = 300_000
SETTLE_MS = 60_000
Coarse = tuple[int, int, int, float, float, float, int]  # channel, boot, slot, low, mean, high, count

_NEXT = "SELECT boot, mono_ms FROM readings WHERE (boot, mono_ms) >= (?, ?) ORDER BY boot, mono_ms LIMIT 1"
_MINUTES = f"SELECT channel, boot, mono_ms / {MINUTE_MS} AS slot, min(value), avg(value), max(value), count(value)\
 FROM readings WHERE boot = ? AND mono_ms >= ? AND mono_ms < ? AND value IS NOT NULL GROUP BY channel, slot"
_PUT = "INSERT OR REPLACE INTO {} (channel, boot, slot, low, mean, high, count) VALUES (?, ?, ?, ?, ?, ?, ?)"


@dataclass(slots=True)
class _Hour:
    boot_id: int
    read_to_ms: int
    end_ms: int
    minutes: list[Coarse] = field(default_factory=list)


class RollUp:
    """Belongs to one open file."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        boot_id, mono_ms = connection.execute("SELECT boot, mono_ms FROM rolled").fetchone()
        self.done: Position = (boot_id, mono_ms)
        self._hour: _Hour | None = None

    def bite(self, newest: Position) -> bool:
        """Do a little; False when there is nothing to do up to `newest`."""
        if self._hour is None:
            self._hour = self._begin(newest)
        if self._hour is None:
            return False
        if self._hour.read_to_ms < self._hour.end_ms:
            self._read(self._hour)
        else:
            self._write(self._hour)
            self._hour = None
        return True

    def _begin(self, newest: Position) -> _Hour | None:
        found = self._connection.execute(_NEXT, self.done).fetchone()
        if found is None:
            return None
        boot_id, mono_ms = found
        begin_ms = mono_ms // HOUR_MS * HOUR_MS
        end_ms = begin_ms + HOUR_MS
        if boot_id >= newest[0] and newest[1] < end_ms + SETTLE_MS:
            return None
        return _Hour(boot_id, mono_ms // MINUTE_MS * MINUTE_MS, end_ms)

    def _read(self, hour: _Hour) -> None:
        to_ms = min(hour.read_to_ms + BITE_MS, hour.end_ms)
        hour.minutes += self._connection.execute(_MINUTES, (hour.boot_id, hour.read_to_ms, to_ms)).fetchall()
        hour.read_to_ms = to_ms

    def _write(self, hour: _Hour) -> None:
        run = self._connection
        run.execute("BEGIN IMMEDIATE")
        run.executemany(_PUT.format("minutes"), sorted(hour.minutes))
        run.executemany(_PUT.format("quarters"), quarters(hour.minutes))
        run.execute("UPDATE rolled SET boot = ?, mono_ms = ?", (hour.boot_id, hour.end_ms))
        run.execute("COMMIT")
        self.done = (hour.boot_id, hour.end_ms)


def quarters(minutes: Iterable[Coarse]) -> list[Coarse]:
    """The rows of quarters of an hour that minutes make."""
    found: dict[tuple[int, int, int], list[Coarse]] = {}
    for row in minutes:
        found.setdefault((row[0], row[1], row[2] * MINUTE_MS // QUARTER_MS), []).append(row)
    return [(*key, *merged([row[3:] for row in rows])) for key, rows in sorted(found.items())]


def merged(rows: Iterable[tuple[float, float, float, int]]) -> tuple[float, float, float, int]:
    """Least, mean, largest and number of what (low, mean, high, count) stand for; `rows` is not empty."""
    rows = list(rows)
    count = sum(row[3] for row in rows)
    mean = sum(row[1] * row[3] for row in rows) / count
    low, high = min(row[0] for row in rows), max(row[2] for row in rows)
    return low, min(max(mean, low), high), high, count  # rounding must not carry a mean past its limits
