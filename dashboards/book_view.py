"""Owns: what the day book says of one place on one day, and the rows of its table.

Must not know: HTML, HTTP, files.
How it works: a place's past, the words of a language and a unit go in; sentence, picture and rows come out. What was
not recorded is said to be so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from dashboards.clock_text import local_of, time_text, zone_of
from dashboards.device import Unit
from dashboards.past import STEP_S, AirPoint, PlaceDay, Stretch, worst_point
from dashboards.roof_view import hour_text
from dashboards.rows import label_of, shown_sum, temp_f_of
from dashboards.sheet import kit_title
from dashboards.slope import Trail, cut, slope
from dashboards.strip import KitBar, Span, Strip, gaps, strip
from dashboards.words import Words
from gateway.engine.snapshot import PlaceView, Snapshot


@dataclass(frozen=True, slots=True, kw_only=True)
class BookPlace:
    """One place on one day."""

    name: str
    sentence: str
    picture: str
    slope: str
    hands: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def book_place(
    place: PlaceView, day: PlaceDay, snapshot: Snapshot, words: Words, unit: Unit, *, end_s: float
) -> BookPlace:
    """Sentence, picture and table. `end_s` is the end of the day, which may be still to come."""
    drawn = _strip(place, day, snapshot, words, end_s)
    sentence = _sentence(place, day, drawn, snapshot, words)
    name = label_of(place, words.lang)
    return BookPlace(
        name=name,
        sentence=sentence,
        picture=strip(drawn, words.book["strip"].format(place=name, state=sentence)),
        slope=slope(
            _trail(day, snapshot, words),
            snapshot.posts,
            celsius=unit == "c",
            names=(f"{words.book['temp']} °{unit.upper()}", f"{words.book['rh']} %"),
            said=words.book["slope"].format(place=name, state=sentence),
        ),
        hands=tuple(_hands(place, day, snapshot, words)),
        rows=tuple(_rows(day, snapshot, words, unit)),
    )


def span_text(seconds: float) -> str:
    """How long something lasted."""
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def _sentence(place: PlaceView, day: PlaceDay, drawn: Strip, snapshot: Snapshot, words: Words) -> str:
    book, worst = words.book, worst_point(day.air)
    if worst is None:
        return book["nothing"]
    parts = []
    for level in (3, 2):
        lasted_s = sum(each.end_s - each.begin_s for each in day.levels if each.what == str(level))
        if lasted_s >= 30:
            parts.append(book["level"].format(word=words.verdict(place.kind, level), time=span_text(lasted_s)))
    total = shown_sum(worst.sum_f_pct, snapshot.posts)
    parts = parts or [book["calm"]]
    parts.append(book["worst"].format(sum=total, time=time_text(worst.wall_s, snapshot.zone, words)))
    for bar in drawn.kit:
        lasted_s = sum(each.end_s - each.begin_s for each in bar.ran)
        if lasted_s >= 30:
            parts.append(book["ran"].format(kit=bar.name[0].upper() + bar.name[1:], time=span_text(lasted_s)))
    lost_s = sum(b - a for a, b in gaps(drawn))
    if lost_s >= 2 * STEP_S:
        parts.append(book["gap"].format(time=span_text(lost_s)))
    if day.cut:
        parts.append(book["cut"])
    return " ".join(parts)


def _hands(place: PlaceView, day: PlaceDay, snapshot: Snapshot, words: Words) -> Iterator[str]:
    for kit in place.kit:
        for each in day.hands.get(kit.name, ()):
            times = f"{time_text(each.begin_s, snapshot.zone, words)} – {time_text(each.end_s, snapshot.zone, words)}"
            state = words.yard["hand_on" if each.what == "on" else "hand_off"]
            yield words.book["hand"].format(
                name=each.by, kit=words.kit.get(kit.kind, kit.name), state=state, time=times
            )


def _strip(place: PlaceView, day: PlaceDay, snapshot: Snapshot, words: Words, end_s: float) -> Strip:
    worst = worst_point(day.air)
    return Strip(
        begin_s=day.begin_s,
        end_s=end_s,
        until_s=day.end_s,
        step_s=STEP_S,
        points=tuple((point.wall_s, point.sum_f_pct) for point in day.air),
        posts=snapshot.posts,
        levels=tuple(
            Span(begin_s=each.begin_s, end_s=each.end_s, level=int(each.what) if each.what else None)
            for each in day.levels
        ),
        kit=tuple(
            KitBar(name=_short(kit_title(kit, place, words)),
                   ran=_spans(day.kit.get(kit.name, ())), hands=_spans(day.hands.get(kit.name, ())))
            for kit in place.kit
        ),
        worst=None if worst is None else (
            worst.wall_s, worst.sum_f_pct,
            f"{shown_sum(worst.sum_f_pct, snapshot.posts)} {time_text(worst.wall_s, snapshot.zone, words)}"),
        ticks=tuple(_ticks(day.begin_s, end_s, snapshot, words)),
    )  # fmt: skip


def _spans(stretches: Iterable[Stretch]) -> tuple[Span, ...]:
    return tuple(Span(begin_s=each.begin_s, end_s=each.end_s) for each in stretches)


def _short(title: str) -> str:
    """Without the place, which stands above."""
    return title.split(": ", 1)[-1]


def _ticks(begin_s: float, end_s: float, snapshot: Snapshot, words: Words) -> Iterator[tuple[float, str]]:
    local, where = local_of(begin_s, snapshot.zone), zone_of(snapshot.zone)
    if local is None or where is None:
        return
    for hour in (0, 6, 12, 18):
        at = datetime(local.year, local.month, local.day, hour, tzinfo=where)
        yield at.timestamp(), hour_text(hour, words)
    yield end_s, hour_text(24, words)


def _trail(day: PlaceDay, snapshot: Snapshot, words: Words) -> Trail:
    """The day's trail, with every sixth hour and the worst named."""
    known = {point.wall_s: point for point in day.air}
    named = [point for at_s, _ in _ticks(day.begin_s, day.end_s, snapshot, words) if (point := known.get(at_s))]
    return Trail(
        runs=cut([(point.wall_s, _fahrenheit(point), point.rh_pct) for point in day.air], STEP_S),
        marks=tuple(
            (_fahrenheit(point), point.rh_pct, time_text(point.wall_s, snapshot.zone, words)) for point in named
        ),
    )


def _fahrenheit(point: AirPoint) -> float:
    return point.temp_c * 9 / 5 + 32


def _rows(day: PlaceDay, snapshot: Snapshot, words: Words, unit: Unit) -> Iterator[tuple[str, ...]]:
    """One row for each half hour; a dash where nothing was read."""
    known = {point.wall_s: point for point in day.air}
    at_s = day.begin_s
    while at_s < day.end_s:
        yield (time_text(at_s, snapshot.zone, words), *_cells(known.get(at_s), snapshot, unit))
        at_s += timedelta(minutes=30).total_seconds()


def _cells(point: AirPoint | None, snapshot: Snapshot, unit: Unit) -> tuple[str, str, str]:
    if point is None:
        return "–", "–", "–"
    temp = f"{temp_f_of(point.temp_c)} °F" if unit == "f" else f"{math.floor(point.temp_c + 0.5)} °C"
    return temp, f"{math.floor(point.rh_pct + 0.5)} %", str(shown_sum(point.sum_f_pct, snapshot.posts))
