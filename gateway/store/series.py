"""Owns: the past of a channel or a place as points for a picture: least, mean and largest value of equal steps.

Must not know: screens.
How it works: wall time is asked for; it is turned into stretches of (boot, mono_ms), along which the tables are keyed.
The step is the range divided by the points asked for, but never shorter than what a channel can fill, so that a gap is
a gap. Steps of a minute and more are made from minutes, of a quarter of an hour and more from quarters; what has not
been rolled up yet comes from the readings, and what has been dropped from the next coarser table. A step without a
value is there as a point with nothing in it. Two stretches that claim the same wall time, after a clock was set back,
both count in it.
"""

from __future__ import annotations

import math
import sqlite3
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median_low

from gateway.store.clocks import Clock, Clocks, Span
from gateway.store.position import Position
from gateway.store.queries import History
from gateway.store.rollup import MINUTE_MS, QUARTER_MS, merged

MOST_POINTS = 5000
_WIDTHS = {"raw": 0, "minute": MINUTE_MS, "quarter": QUARTER_MS}
_TABLES = {"minute": "minutes", "quarter": "quarters"}
_CHANNELS = "SELECT id, name, place, quantity FROM channels WHERE name = ? OR place = ? ORDER BY id"
_COARSE = "SELECT slot, low, mean, high, count FROM {} WHERE channel = ? AND boot = ? AND slot >= ? AND slot < ?"
_RAW = "SELECT mono_ms, value, value, value, 1 FROM readings\
 WHERE boot = ? AND mono_ms >= ? AND mono_ms < ? AND channel = ? AND value IS NOT NULL"
_NOT_ROLLED = "SELECT mono_ms / {0}, min(value), avg(value), max(value), count(value) FROM readings\
 WHERE boot = ? AND mono_ms >= ? AND mono_ms < ? AND channel = ? AND value IS NOT NULL GROUP BY mono_ms / {0}"
_Row = tuple[int, float, float, float, int, bool]  # wall_ms, low, mean, high, count, trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One step. Without a value `count` is 0. `trusted`: no clock was unset in it."""

    wall_s: float
    low: float | None
    mean: float | None
    high: float | None
    count: int
    trusted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A channel at a place. `wall_s` of a point is when its step of `step_s` begins. `resolution` is what it is made
    from: raw, minute or quarter."""

    channel: str
    place: str
    quantity: str
    resolution: str
    step_s: float
    points: tuple[Point, ...]


class Pictures(History):
    """Read-only, as `History`."""

    def series(self, name: str, *, from_wall_s: float, to_wall_s: float, points: int) -> tuple[Series, ...]:
        """The channel or the channels of the place called `name`, each with at most `points` steps.

        Raises ValueError when the range is empty or `points` is not between 1 and `MOST_POINTS`.
        """
        from_ms, to_ms = math.floor(from_wall_s * 1000), math.ceil(to_wall_s * 1000)
        if to_ms <= from_ms or not 1 <= points <= MOST_POINTS:
            raise ValueError(f"a range that ends after it begins, and 1 to {MOST_POINTS} points")
        step_ms = math.ceil((to_ms - from_ms) / points)
        with self._open() as connection:
            connection.execute("BEGIN")  # all questions see the same history
            spans = tuple(Clocks(connection).spans(from_ms, to_ms))
            resolution = _resolution(connection, step_ms, spans)
            channels = connection.execute(_CHANNELS, (name, name)).fetchall()
            rows = {key: _rows(connection, key[0], spans, resolution) for key in channels}
        return tuple(
            Series(
                channel=channel, place=place, quantity=quantity, resolution=resolution, step_s=wide_ms / 1000,
                points=_points(rows[key_id, channel, place, quantity], from_ms, to_ms, wide_ms),
            )
            for key_id, channel, place, quantity in channels
            for wide_ms in [_step_ms(rows[key_id, channel, place, quantity], step_ms, _WIDTHS[resolution])]
        )  # fmt: skip


def _resolution(connection: sqlite3.Connection, step_ms: int, spans: Sequence[Span]) -> str:
    """The coarsest that fills the steps; a coarser one where the finer does not reach back far enough."""
    wanted = "quarter" if step_ms >= QUARTER_MS else "minute" if step_ms >= MINUTE_MS else "raw"
    if not spans:
        return wanted
    begin: Position = (spans[0].boot_id, spans[0].from_ms)
    raw = connection.execute(
        "SELECT boot, last_mono_ms FROM dropped WHERE what = 'readings' ORDER BY boot DESC LIMIT 1"
    ).fetchone()
    minutes = connection.execute(
        "SELECT boot, last_mono_ms FROM dropped WHERE what = 'minutes' ORDER BY boot DESC LIMIT 1"
    ).fetchone()
    if wanted == "raw" and raw and begin <= tuple(raw):
        wanted = "minute"
    if wanted == "minute" and minutes and begin <= tuple(minutes):
        wanted = "quarter"
    return wanted


def _rows(connection: sqlite3.Connection, channel: int, spans: Sequence[Span], resolution: str) -> list[_Row]:
    """What a channel has in some stretches, in the order of wall time."""
    rolled: Position = tuple(connection.execute("SELECT boot, mono_ms FROM rolled").fetchone())
    found: list[_Row] = []
    for span in spans:
        trusted = span.clock is not Clock.UNSYNCED
        width_ms = _WIDTHS[resolution]
        middle_ms = span.offset_ms + width_ms // 2
        for slot, low, mean, high, count in _in_span(connection, channel, span, resolution, rolled):
            found.append((slot * (width_ms or 1) + middle_ms, low, mean, high, count, trusted))
    return sorted(found)


def _in_span(
    connection: sqlite3.Connection, channel: int, span: Span, resolution: str, rolled: Position
) -> Iterable[tuple[int, float, float, float, int]]:
    run = connection.execute
    boot_id, from_ms, to_ms = span.boot_id, span.from_ms, span.to_ms
    if resolution == "raw":
        return run(_RAW, (boot_id, from_ms, to_ms, channel))
    width_ms = _WIDTHS[resolution]
    edge_ms = to_ms if boot_id < rolled[0] else from_ms if boot_id > rolled[0] else min(max(rolled[1], from_ms), to_ms)
    slots = (channel, boot_id, from_ms // width_ms, -(-edge_ms // width_ms))
    coarse = run(_COARSE.format(_TABLES[resolution]), slots).fetchall()
    return coarse + run(_NOT_ROLLED.format(width_ms), (boot_id, edge_ms, to_ms, channel)).fetchall()


def _step_ms(rows: Sequence[_Row], step_ms: int, width_ms: int) -> int:
    """Wide enough that a channel which is read regularly has a value in every step."""
    spacing = [after[0] - before[0] for before, after in pairwise(rows) if after[0] > before[0]]
    usual_ms = median_low(spacing) if spacing else 0
    return max(step_ms, width_ms if usual_ms <= width_ms else 2 * usual_ms)


def _points(rows: Sequence[_Row], from_ms: int, to_ms: int, step_ms: int) -> tuple[Point, ...]:
    edges = range(from_ms, to_ms, step_ms)
    steps: dict[int, list[_Row]] = {}
    for row in rows:
        if from_ms <= row[0] < to_ms:
            steps.setdefault(bisect_right(edges, row[0]) - 1, []).append(row)
    return tuple(_point(edge_ms, steps.get(number, ())) for number, edge_ms in enumerate(edges))


def _point(edge_ms: int, rows: Sequence[_Row]) -> Point:
    if not rows:
        return Point(wall_s=edge_ms / 1000, low=None, mean=None, high=None, count=0, trusted=True)
    low, mean, high, count = merged([row[1:5] for row in rows])
    trusted = all(row[5] for row in rows)
    return Point(wall_s=edge_ms / 1000, low=low, mean=mean, high=high, count=count, trusted=trusted)
