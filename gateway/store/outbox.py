"""Owns: questions of whoever carries the history elsewhere: what comes after a cursor.

Must not know: where it goes, how cursors are stored, threads.
How it works: readings have one order, (boot, mono, channel), and a cursor is a place in it. One that was committed
behind the front is listed in `late`; the cursor also counts how many of those it has seen, and they come first in the
next page. So none is passed over and none comes twice, and rows that were dropped meanwhile do no harm. Events go by
their number. Wall times are put right where a boot got its time late.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace
from operator import itemgetter

from gateway.model import Event
from gateway.store import rows
from gateway.store.clocks import Clock, Clocks
from gateway.store.position import START, Cursor, identity
from gateway.store.queries import WHEN, History

_KEY = "(t.boot, t.mono_ms, t.channel)"
_COLUMNS = "t.channel, t.mono_ms, t.wall_ms, t.value, t.quality, t.trusted, t.boot"
_PAGE = f"SELECT {_COLUMNS} FROM readings t WHERE {_KEY} > (?, ?, ?) AND {_KEY} <= (?, ?, ?)\
 ORDER BY t.boot, t.mono_ms, t.channel LIMIT ?"
# CROSS JOIN keeps the order of the loops: along the few late ones.
_LATE = f"SELECT {_COLUMNS}, l.id FROM late l CROSS JOIN readings t ON {_KEY} = (l.boot, l.mono_ms, l.channel)\
 WHERE l.id > ? AND l.id <= ? AND {_KEY} <= (?, ?, ?) ORDER BY l.id LIMIT ?"
_NEWEST = "SELECT boot, mono_ms, channel, (SELECT coalesce(max(id), 0) FROM late) FROM readings\
 ORDER BY boot DESC, mono_ms DESC, channel DESC LIMIT 1"
_EVENTS = (
    ("levels", "t.place, t.level_before, t.level_after, t.sum_f_pct, t.code, t.text", rows.level),
    ("commands", "t.kit, t.is_on, t.reasons", rows.command),
    ("faults", "t.subject, t.code, t.text, t.active", rows.fault),
    ("hands", "t.subject, t.kind, t.until_mono_ms, t.until_wall_ms, t.person, t.why", rows.hand),
    (
        "alarms",
        "t.alarm, t.what, t.episode, t.priority, t.until_mono_ms, t.until_wall_ms, t.person, t.why",
        rows.alarm,
    ),
)
_LAST = 2**62
_TRUSTED = itemgetter(5)


# channel id, mono_ms, wall_ms put right, value, quality, how sure the wall time is (`SURE` and the others), boot id.
# Plain tuples, as SQLite gives them: they come by the million when a destination was away.
Channel = tuple[str, str, str, str]  # channel, sensor, place, quantity
Row = tuple[int, int, int, float | None, str, int, int]
SURE, UNSURE, NOT_YET = 1, 0, -1  # UNSURE: of a boot whose clock never was set; NOT_YET: it may yet be


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped:
    """So many rows of `what` were dropped from one boot; `wanted`: a destination still waited for them."""

    what: str
    why: str
    wanted: bool
    boot: str
    first_mono_ms: int
    last_mono_ms: int
    rows: int


class Outbox(History):
    """Read-only, as `History`."""

    def identity(self) -> str:
        """The name of this file: another one after a restore, or after a damaged file was set aside."""
        with self._open() as connection:
            return identity(connection)

    def channels(self) -> dict[int, Channel]:
        """What the channel ids of `page` stand for."""
        with self._open() as connection:
            found = connection.execute("SELECT id, name, sensor, place, quantity FROM channels").fetchall()
        return {row[0]: (row[1], row[2], row[3], row[4]) for row in found}

    def page(self, cursor: Cursor, limit: int, until: Cursor | None = None) -> tuple[list[Row], Cursor]:
        """The next readings, at most `limit` and not beyond `until`, and the cursor after them."""
        *key, seen = cursor
        *last, last_seen = until or (_LAST, _LAST, _LAST, _LAST)
        with self._open() as connection:
            connection.execute("BEGIN")  # all questions see the same history
            # Those that lie ahead of the key come in their order. The key stays while one behind it may be left.
            late = connection.execute(_LATE, (seen, last_seen, *key, limit)).fetchall()
            page = connection.execute(_PAGE, (*key, *last, limit - len(late))).fetchall()
            (newest_late,) = connection.execute("SELECT max(id) FROM late WHERE id <= ?", (last_seen,)).fetchone()
            rows_found = [row[:7] for row in late] + page if late else page
            if UNSURE in map(_TRUSTED, rows_found):
                right = _Right(connection)
                rows_found = [row if row[5] else right(row) for row in rows_found]
        boot_id, mono_ms, channel_id = _key(page[-1]) if page else key
        after = (boot_id, mono_ms, channel_id, late[-1][-1] if len(late) == limit else max(seen, newest_late or 0))
        return rows_found, after

    def newest(self) -> Cursor:
        """The end as it is now."""
        with self._open() as connection:
            found = connection.execute(_NEWEST).fetchone()
        return (found[0], found[1], found[2], found[3]) if found else START

    def pending(self, cursor: Cursor, until: Cursor | None = None) -> int:
        """How many readings lie behind a cursor, up to another."""
        *last, last_seen = until or (_LAST, _LAST, _LAST, _LAST)
        ahead = f"SELECT count(*) FROM readings t WHERE {_KEY} > (?, ?, ?) AND {_KEY} <= (?, ?, ?)"
        behind = f"SELECT count(*) FROM late t WHERE id > ? AND id <= ? AND {_KEY} <= (?, ?, ?)"
        with self._open() as connection:
            (in_order,) = connection.execute(ahead, (*cursor[:3], *last)).fetchone()
            (late,) = connection.execute(behind, (cursor[3], last_seen, *cursor[:3])).fetchone()
        return int(in_order + late)

    def events_after(self, number: int, limit: int) -> tuple[tuple[int, Event], ...]:
        """The next events, each with its number, in the order of their numbers."""
        found: list[tuple[int, Event]] = []
        with self._open() as connection:
            connection.execute("BEGIN")  # else one that is committed between two questions is passed over
            clocks = Clocks(connection)
            for table, columns, made in _EVENTS:
                tables = f"{table} t JOIN boots b ON b.id = t.boot"
                query = f"SELECT {WHEN}, {columns}, t.id FROM {tables} WHERE t.id > ? ORDER BY t.id LIMIT ?"
                for row in connection.execute(query, (number, limit)):
                    event = made(row)
                    found.append((row[-1], replace(event, stamp=clocks.right(event.stamp)[0])))
        return tuple(sorted(found, key=lambda each: each[0])[:limit])

    def newest_event(self) -> int:
        """The number of the newest event, 0 when there is none."""
        newest = " UNION ALL ".join(f"SELECT max(id) AS id FROM {table}" for table, _, _ in _EVENTS)
        with self._open() as connection:
            return int(connection.execute(f"SELECT max(id) FROM ({newest})").fetchone()[0] or 0)

    def dropped(self) -> tuple[Dropped, ...]:
        """What retention and the disk budget took, on record."""
        query = "SELECT t.what, t.why, t.wanted, b.boot, t.first_mono_ms, t.last_mono_ms, t.rows FROM dropped t\
 JOIN boots b ON b.id = t.boot ORDER BY t.boot, t.what"
        with self._open() as connection:
            return tuple(_dropped(row) for row in connection.execute(query))


def _key(row: rows.Row) -> tuple[int, int, int]:
    return row[6], row[1], row[0]


class _Right:
    """Puts right the wall time of readings that were taken without a set clock."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._clocks = Clocks(connection)
        self._names = dict(connection.execute("SELECT id, boot FROM boots").fetchall())

    def __call__(self, row: rows.Row) -> Row:
        channel, mono_ms, wall_ms, value, quality, _, boot_id, *_ = row
        boot = self._names[boot_id]
        stretch = self._clocks.at(boot, mono_ms)
        if stretch is not None and stretch.clock is Clock.CORRECTED:
            return channel, mono_ms, mono_ms + stretch.offset_ms, value, quality, SURE, boot_id
        sure = NOT_YET if boot == self._clocks.newest_boot else UNSURE
        return channel, mono_ms, wall_ms, value, quality, sure, boot_id


def _dropped(row: rows.Row) -> Dropped:
    return Dropped(
        what=row[0], why=row[1], wanted=bool(row[2]), boot=row[3], first_mono_ms=row[4], last_mono_ms=row[5],
        rows=row[6],
    )  # fmt: skip
