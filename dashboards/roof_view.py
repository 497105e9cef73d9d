"""Owns: which hours, points and times the roof of a place shows.

Must not know: SVG, HTML, files.
How it works: today's past of the place and the snapshot's own carry as the last point. The line is that of the raw
carries; the level beside it may be held a few minutes longer, which is why the roof is said to be "about".
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from dashboards.air_text import roof_text
from dashboards.clock_text import local_of, time_text, zone_of
from dashboards.past import STEP_S, PlaceDay
from dashboards.roof import PACES, Hours, Size, crossings, lasting, roof, roof_height
from dashboards.rows import label_of
from dashboards.words import Words
from gateway.engine.snapshot import PlaceView, Snapshot

FIRST_HOUR, LAST_HOUR = 5, 22
LEAST_S = 20 * 60.0  # a crossing that is undone sooner is not worth a time
PHONE = Size(width=352, height=200, left=62, foot=26, letters=16)
WALL = Size(width=1840, height=600, left=270, foot=80, letters=60)


def roof_of(
    place: PlaceView, day: PlaceDay | None, snapshot: Snapshot, texts: Sequence[Words], *, size: Size, every: int
) -> str:
    """The picture; `every` is how many hours lie between two labels. Empty while nobody knows the time."""
    words, others = texts[0], texts[1:]
    hours = _hours(snapshot, words, every)
    if hours is None:
        return ""
    points = _points(place, day, snapshot)
    marks = [
        (mark, time_text(mark.at_s, snapshot.zone, words))
        for mark in lasting(crossings(points, 2, STEP_S), LEAST_S)
        if mark.at_s >= hours.begin_s
    ]
    return roof(
        name=f"roof-{place.name}",
        said=words.yard["roof_said"].format(
            place=label_of(place, words.lang), air=roof_text(place, words) or words.no_reading
        ),
        points=[point for point in points if point[0] >= hours.begin_s],
        hours=hours,
        paces=[words.pace[pace] for pace in PACES],
        second=[other.pace[pace] for other in others[:1] for pace in PACES],
        marks=marks[-4:],
        size=size,
    )


def _points(place: PlaceView, day: PlaceDay | None, snapshot: Snapshot) -> Sequence[tuple[float, float]]:
    known = [(point.wall_s, roof_height(point.carries)) for point in (day.air if day else ())]
    points = [(at_s, height) for at_s, height in known if height is not None and at_s < snapshot.wall_s]
    now = roof_height(place.carries)
    if place.level is not None and now is not None:
        points.append((snapshot.wall_s, now))
    return points


def _hours(snapshot: Snapshot, words: Words, every: int) -> Hours | None:
    """The working day, or from midnight on when it has not begun, or to midnight when it is over."""
    local, where = local_of(snapshot.wall_s, snapshot.zone), zone_of(snapshot.zone)
    if local is None or where is None or not snapshot.clock_trusted:
        return None
    first = FIRST_HOUR if local.hour >= FIRST_HOUR else 0
    last = LAST_HOUR if local.hour < LAST_HOUR else 24
    midnight = datetime(local.year, local.month, local.day, tzinfo=where)

    def at(hour: int) -> float:
        day, rest = divmod(hour, 24)
        return (midnight.replace(hour=rest) + timedelta(days=day)).timestamp()

    begin, end = at(first), at(last)
    ticks = tuple((at(hour), hour_text(hour, words)) for hour in range(first + (-first) % every, last + 1, every))
    return Hours(begin_s=begin, end_s=end, now_s=snapshot.wall_s, step_s=STEP_S, ticks=ticks)


def hour_text(hour: int, words: Words) -> str:
    """A full hour on an axis."""
    if "{hour24}" in words.clock:
        return words.yard["morning"].format(n=hour % 24)
    if hour % 24 == 12:
        return words.yard["noon"]
    return words.yard["morning" if hour % 24 < 12 else "evening"].format(n=(hour + 11) % 12 + 1)
