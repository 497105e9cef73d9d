"""Owns: going through a long stretch of the history from its beginning to its end.

Must not know: files that are written, formats.
How it works: page by page, each a question of its own, so that the write-ahead log is never held back for long. Coarse
rows go in pieces of six hours. What comes back is in the order of the history, with wall times put right.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from gateway.store.clocks import Clock, Clocks, Span
from gateway.store.queries import History
from gateway.store.rollup import MINUTE_MS, QUARTER_MS

PAGE_ROWS = 5000
PIECE_MS = 6 * 3_600_000
WIDTHS = {"minute": MINUTE_MS, "quarter": QUARTER_MS}
_RAW = "SELECT t.mono_ms, t.channel, t.value, t.quality, t.wall_ms, t.trusted FROM readings t\
 WHERE t.boot = ? AND (t.mono_ms, t.channel) > (?, ?) AND t.mono_ms < ? ORDER BY t.mono_ms, t.channel LIMIT ?"
_COARSE = (
    "SELECT slot, channel, low, mean, high, count FROM {0} WHERE channel = ? AND boot = ? AND slot >= ? AND slot < ?"
)
_NOT_ROLLED = "SELECT mono_ms / {0} AS slot, channel, min(value), avg(value), max(value), count(value) FROM readings\
 WHERE boot = ? AND mono_ms >= ? AND mono_ms < ? AND value IS NOT NULL GROUP BY slot, channel"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A channel as it was listed at a place."""

    id: int
    name: str
    sensor: str
    place: str
    quantity: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What one channel had at one instant, or in the minute or quarter that begins there."""

    wall_ms: int
    clock: Clock
    channel: Listed
    quality: str
    low: float | None
    mean: float | None
    high: float | None
    count: int


class Extract(History):
    """Read-only, as `History`."""

    def listed(self) -> tuple[Listed, ...]:
        """Every channel that the history knows."""
        with self._open() as connection:
            found = connection.execute("SELECT id, name, sensor, place, quantity FROM channels ORDER BY id").fetchall()
        return tuple(Listed(id=r[0], name=r[1], sensor=r[2], place=r[3], quantity=r[4]) for r in found)

    def told(
        self, channels: Sequence[Listed], *, from_wall_ms: int, to_wall_ms: int, resolution: str
    ) -> Iterator[tuple[Told, ...]]:
        """What each instant has, in the order of the history. `resolution` is raw, minute or quarter."""
        wanted = {channel.id: channel for channel in channels}
        with self._open() as connection:
            spans = tuple(Clocks(connection).spans(from_wall_ms, to_wall_ms))
        for span in spans:
            if resolution == "raw":
                yield from self._raw(span, wanted)
            else:
                yield from self._coarse(span, wanted, resolution)

    def _raw(self, span: Span, wanted: dict[int, Listed]) -> Iterator[tuple[Told, ...]]:
        for _, rows in groupby(self._raw_rows(span), key=lambda row: row[0]):
            if told := tuple(_told(row, span, wanted[row[1]]) for row in rows if row[1] in wanted):
                yield told

    def _raw_rows(self, span: Span) -> Iterator[tuple[int, int, float | None, str, int, int]]:
        mono_ms, channel = max(span.from_ms, 0) - 1, 2**62
        while True:
            with self._open() as connection:
                rows = connection.execute(_RAW, (span.boot_id, mono_ms, channel, span.to_ms, PAGE_ROWS)).fetchall()
            yield from rows
            if len(rows) < PAGE_ROWS:
                return
            mono_ms, channel = rows[-1][:2]

    def _coarse(self, span: Span, wanted: dict[int, Listed], resolution: str) -> Iterator[tuple[Told, ...]]:
        width_ms = WIDTHS[resolution]
        for from_ms, to_ms in self._pieces(span):
            with self._open() as connection:
                found = _piece(connection, span.boot_id, from_ms, to_ms, wanted, resolution)
            for slot, rows in groupby(sorted(found), key=lambda row: row[0]):
                wall_ms = slot * width_ms + span.offset_ms
                yield tuple(
                    Told(
                        wall_ms=wall_ms, clock=span.clock, channel=wanted[row[1]], quality="good", low=row[2],
                        mean=row[3], high=row[4], count=row[5],
                    )
                    for row in rows
                )  # fmt: skip

    def _pieces(self, span: Span) -> Iterator[tuple[int, int]]:
        """Ends where the boot ends, which is not known of the running one."""
        with self._open() as connection:
            newest = "SELECT max(mono_ms) FROM readings WHERE boot = ?"
            last_ms = connection.execute(newest, (span.boot_id,)).fetchone()[0] or 0
            rolled = connection.execute("SELECT boot, mono_ms FROM rolled").fetchone()
            lasted = connection.execute("SELECT last_ms FROM boots WHERE id = ?", (span.boot_id,)).fetchone()[0] or 0
        end_ms = min(span.to_ms, max(last_ms, lasted, rolled[1] if rolled[0] == span.boot_id else 0) + 1)
        for from_ms in range(max(0, span.from_ms), end_ms, PIECE_MS):
            yield from_ms, min(from_ms + PIECE_MS, end_ms)


def _told(row: tuple[int, int, float | None, str, int, int], span: Span, channel: Listed) -> Told:
    mono_ms, _, value, quality, wall_ms, trusted = row
    corrected = not trusted and span.clock is not Clock.UNSYNCED
    return Told(
        wall_ms=mono_ms + span.offset_ms if corrected else wall_ms,
        clock=Clock.SYNCED if trusted else Clock.CORRECTED if corrected else Clock.UNSYNCED,
        channel=channel, quality=quality, low=value, mean=value, high=value, count=int(value is not None),
    )  # fmt: skip


def _piece(
    connection: sqlite3.Connection, boot_id: int, from_ms: int, to_ms: int, wanted: dict[int, Listed], resolution: str
) -> list[tuple[int, int, float, float, float, int]]:
    """Coarse rows whose slot begins in a piece of a boot, from the coarse table and from what is not rolled up yet."""
    width_ms = WIDTHS[resolution]
    rolled = connection.execute("SELECT boot, mono_ms FROM rolled").fetchone()
    edge_ms = to_ms if boot_id < rolled[0] else from_ms if boot_id > rolled[0] else min(max(rolled[1], from_ms), to_ms)
    first, edge, end = (-(-ms // width_ms) for ms in (from_ms, edge_ms, to_ms))
    found: list[tuple[int, int, float, float, float, int]] = []
    for channel in wanted:
        table = _COARSE.format(f"{resolution}s")
        found += connection.execute(table, (channel, boot_id, first, edge)).fetchall()
    rest = connection.execute(_NOT_ROLLED.format(width_ms), (boot_id, edge * width_ms, end * width_ms))
    return found + [row for row in rest if row[1] in wanted]
