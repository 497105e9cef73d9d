"""Owns: what is dropped from the history, in which order, and the record of it.

Must not know: threads, why a budget is what it is.
How it works: a bite drops a few thousand rows of one boot, oldest first, and notes in the same transaction what it
dropped. By age: readings that every destination has had, minutes, quarters, beats, events. When the file is larger
than its budget, in this order, each until only its newest stretch is left:

    1  readings that every destination has had       the coarser tables keep their picture
    2  minutes                                       the quarters keep their picture
    3  readings that a destination still waits for   "wanted" stands in the record, and it is said aloud
    4  quarters

Levels, commands, faults, hands and alarms are never dropped for space. Readings that are not yet rolled up stay.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from gateway.site_history import Keep
from gateway.store.position import END, Delivered, Position, older_than
from gateway.store.rollup import MINUTE_MS, QUARTER_MS

BITE_ROWS = 4000
DAY_MS = 86_400_000
AGE, SPACE = "age", "space"
# How much of a coarse table goes at once, in slots of one boot: a day, and thirty days.
_CHUNKS = {"minutes": (MINUTE_MS, DAY_MS // MINUTE_MS), "quarters": (QUARTER_MS, 30 * DAY_MS // QUARTER_MS)}
_EVENTS = ("levels", "commands", "faults", "hands", "alarms")
_NOTE = "INSERT INTO dropped (what, why, wanted, boot, first_mono_ms, last_mono_ms, rows) VALUES (?, ?, ?, ?, ?, ?, ?)\
 ON CONFLICT (what, why, wanted, boot) DO UPDATE SET rows = rows + excluded.rows,\
 first_mono_ms = min(first_mono_ms, excluded.first_mono_ms), last_mono_ms = max(last_mono_ms, excluded.last_mono_ms)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Where the history stands when something is to be dropped."""

    newest: Position
    rolled: Position
    delivered: Delivered


class Dropper:
    """Belongs to one open file."""

    def __init__(self, connection: sqlite3.Connection, keep: Keep) -> None:
        self._connection, self._keep = connection, keep
        self.lost_wanted = 0

    def by_age(self, at: Limits) -> bool:
        """Drop a little of what is too old; False when nothing is."""

        def cut(days: float) -> Position:
            return older_than(self._connection, at.newest, days * DAY_MS)

        raw = min(cut(self._keep.raw_days), at.rolled, at.delivered.readings)
        return (
            self._timed("readings", raw, AGE, wanted=False)
            or self._coarse("minutes", cut(self._keep.minute_days), AGE)
            or self._coarse("quarters", cut(self._keep.quarter_days), AGE)
            or self._timed("beats", cut(self._keep.event_days), AGE, wanted=False)
            or any(self._events(table, cut(self._keep.event_days), at.delivered.event) for table in _EVENTS)
        )

    def for_space(self, at: Limits) -> bool:
        """Drop a little of what is missed least; False when nothing may go."""
        return (
            self._timed("readings", min(at.rolled, at.delivered.readings), SPACE, wanted=False)
            or self._coarse("minutes", END, SPACE)
            or self._timed("readings", at.rolled, SPACE, wanted=True)
            or self._coarse("quarters", END, SPACE)
        )

    def _timed(self, table: str, before: Position, why: str, *, wanted: bool) -> bool:
        run = self._connection.execute
        first = run(f"SELECT boot, mono_ms FROM {table} ORDER BY boot, mono_ms LIMIT 1").fetchone()
        if first is None or tuple(first) >= before:
            return False
        boot_id, first_ms = first
        beyond = run(f"SELECT boot, mono_ms FROM {table} ORDER BY boot, mono_ms LIMIT 1 OFFSET {BITE_ROWS}").fetchone()
        to = min(before, beyond or before)
        to_ms = to[1] if to[0] == boot_id else 2**62
        if to_ms == first_ms:  # more rows than a bite at one instant
            to_ms += 1
        run("BEGIN IMMEDIATE")
        (last_ms,) = run(
            f"SELECT max(mono_ms) FROM {table} WHERE boot = ? AND mono_ms < ?", (boot_id, to_ms)
        ).fetchone()
        rows = run(f"DELETE FROM {table} WHERE boot = ? AND mono_ms < ?", (boot_id, to_ms)).rowcount
        if table == "readings":
            run("DELETE FROM late WHERE boot = ? AND mono_ms < ?", (boot_id, to_ms))
        run(_NOTE, (table, why, int(wanted), boot_id, first_ms, last_ms, rows))
        run("COMMIT")
        self.lost_wanted += rows if wanted else 0
        return True

    def _coarse(self, table: str, before: Position, why: str) -> bool:
        run = self._connection.execute
        width_ms, slots = _CHUNKS[table]
        ids = [row[0] for row in run("SELECT id FROM channels")]
        first = f"SELECT boot, slot FROM {table} WHERE channel = ? ORDER BY boot, slot LIMIT 1"
        firsts = {channel: found for channel in ids if (found := run(first, (channel,)).fetchone())}
        if not firsts:
            return False
        boot_id, slot = min(firsts.values())
        to = slot // slots * slots + slots
        over = (boot_id, to * width_ms) <= before or boot_id < before[0]
        if not over or (before == END and self._is_last(table, boot_id, to)):
            return False
        run("BEGIN IMMEDIATE")
        gone = f"DELETE FROM {table} WHERE channel = ? AND boot = ? AND slot < ?"
        rows = sum(run(gone, (channel, boot_id, to)).rowcount for channel in firsts)
        run(_NOTE, (table, why, 0, boot_id, slot * width_ms, to * width_ms - 1, rows))
        run("COMMIT")
        return True

    def _is_last(self, table: str, boot_id: int, to: int) -> bool:
        """Whether nothing would be left of a coarse table: the newest stretch is worth more than what it takes up."""
        found = self._connection.execute(
            f"SELECT 1 FROM {table} WHERE boot > ? OR (boot = ? AND slot >= ?) LIMIT 1", (boot_id, boot_id, to)
        )
        return found.fetchone() is None

    def _events(self, table: str, before: Position, delivered: int) -> bool:
        """The newest command of each kit stays, whatever its age: a restart goes on from it."""
        run = self._connection.execute
        oldest = run(f"SELECT boot, mono_ms FROM {table} ORDER BY id LIMIT 1").fetchone()
        if oldest is None or tuple(oldest) >= before:
            return False
        stays = " AND id NOT IN (SELECT max(id) FROM commands GROUP BY kit)" if table == "commands" else ""
        where = f"(boot, mono_ms) < (?, ?) AND id <= ?{stays} ORDER BY id LIMIT {BITE_ROWS}"
        old = run(f"SELECT id, boot, mono_ms FROM {table} WHERE {where}", (*before, delivered)).fetchall()
        if not old:
            return False
        run("BEGIN IMMEDIATE")
        self._connection.executemany(f"DELETE FROM {table} WHERE id = ?", [(row[0],) for row in old])
        self._connection.executemany(_NOTE, [(table, AGE, 0, boot_id, ms, ms, 1) for _, boot_id, ms in old])
        run("COMMIT")
        return True
