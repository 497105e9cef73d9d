"""Owns: the past as the screens ask for it, made of the history.

Must not know: SQL, pages.
How it works: the air of a place is that of the first of its sensors that has both numbers in a step; its carries come
from the same formulas as live, with the air of the place and without a fan. Levels, commands and what people asked for
are changes in the history; here they become stretches that begin before the span and end in it. More than
`MOST_CHANGES` of them in one span are not read: the newest are, and the days say that they are cut.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dashboards.past import AirPoint, PlaceDay, Stretch
from gateway.barn import Barn, Place
from gateway.control.heatload import heat_load
from gateway.errors import RangeError
from gateway.heat.indices import heat_sum
from gateway.model import AIR, CommandChange, HandChange, HandKind, LevelChange
from gateway.store.changes import changes
from gateway.store.series import Pictures, Series

# Of levels, of commands and of hands, in one question. A day of a large barn has a few hundred.
MOST_CHANGES = 20_000
MOST_KEPT = 4000


@dataclass(frozen=True, slots=True)
class _Change:
    at_s: float
    what: str
    by: str = ""


class HistoryPast:
    """What `dashboards.past.Past` asks for."""

    def __init__(self, barn: Barn, history: Pictures) -> None:
        self._barn, self._history = barn, history
        self._known: dict[tuple[str, float, int], Mapping[str, float]] = {}

    def days(self, begin_s: float, end_s: float, step_s: float) -> Mapping[str, PlaceDay]:
        """Every place over a span. Raises StoreError."""
        if end_s <= begin_s:
            return {place.name: PlaceDay(begin_s=begin_s, end_s=end_s) for place in self._barn.places}
        kit, places = [each.name for each in self._barn.kit], [place.name for place in self._barn.places]
        found = changes(self._history, begin_s, end_s, places=places, kit=kit, most=MOST_CHANGES)
        return {
            place.name: PlaceDay(
                begin_s=begin_s,
                end_s=end_s,
                air=tuple(sorted(self._air(place, begin_s, end_s, step_s), key=lambda point: point.wall_s)),
                levels=_levels(found.levels, place.name, begin_s, end_s),
                kit={kit.name: _kit(found.commands, kit.name, begin_s, end_s)
                     for kit in self._barn.kit if kit.place == place.name},
                hands={kit.name: _hands(found.hands, kit.name, begin_s, end_s)
                       for kit in self._barn.kit if kit.place == place.name},
                cut=found.cut,
            )
            for place in self._barn.places
        }  # fmt: skip

    def _air(self, place: Place, begin_s: float, end_s: float, step_s: float) -> Iterable[AirPoint]:
        whole_s = begin_s + -(-(end_s - begin_s) // step_s) * step_s  # steps lie still while the day goes on
        points = max(1, round((whole_s - begin_s) / step_s))
        found = {each.channel: each for each in self._history.series(
            place.name, from_wall_s=begin_s, to_wall_s=whole_s, points=points)}  # fmt: skip
        seen: set[float] = set()
        for sensor in self._barn.sensors:
            if sensor.place != place.name or not sensor.tells_air:
                continue
            pair = [found.get(f"{sensor.name}.{quantity}") for quantity in AIR]
            for wall_s, temp_c, rh_pct in _both(pair):
                if wall_s not in seen:
                    with contextlib.suppress(RangeError):
                        yield self._point(place, wall_s, temp_c, rh_pct)
                        seen.add(wall_s)

    def _point(self, place: Place, wall_s: float, temp_c: float, rh_pct: float) -> AirPoint:
        return AirPoint(
            wall_s=wall_s,
            temp_c=temp_c,
            rh_pct=rh_pct,
            sum_f_pct=heat_sum(temp_c=temp_c, rh_pct=rh_pct),
            carries=self._carries(place, round(temp_c, 1), round(rh_pct)),
        )

    def _carries(self, place: Place, temp_c: float, rh_pct: int) -> Mapping[str, float]:
        """Of air rounded to what can be seen in a picture: few are different, and each is reckoned once."""
        key = (place.name, temp_c, rh_pct)
        if key not in self._known:
            if len(self._known) >= MOST_KEPT:
                self._known.clear()
            carries = heat_load(temp_c, float(rh_pct), place, self._barn).carries
            self._known[key] = {str(pace): value for pace, value in carries.items()}
        return self._known[key]


def _both(pair: Sequence[Series | None]) -> Iterable[tuple[float, float, float]]:
    """The steps in which a sensor has both numbers."""
    temp, rh = pair
    if temp is None or rh is None:
        return
    damp = {point.wall_s: point.mean for point in rh.points}
    for point in temp.points:
        rh_pct = damp.get(point.wall_s)
        if point.mean is not None and rh_pct is not None:
            yield point.wall_s, point.mean, rh_pct


def _levels(changes: Iterable[LevelChange], place: str, begin_s: float, end_s: float) -> tuple[Stretch, ...]:
    own = [_Change(c.stamp.wall_s, "" if c.after is None else str(c.after)) for c in changes if c.place == place]
    return _stretches(own, begin_s, end_s)


def _kit(changes: Iterable[CommandChange], kit: str, begin_s: float, end_s: float) -> tuple[Stretch, ...]:
    own = [_Change(c.stamp.wall_s, "on" if c.on else "off") for c in changes if c.kit == kit]
    return tuple(stretch for stretch in _stretches(own, begin_s, end_s) if stretch.what == "on")


def _hands(changes: Iterable[HandChange], kit: str, begin_s: float, end_s: float) -> tuple[Stretch, ...]:
    """Each until its end, or until the next one, whichever comes first."""
    own: list[_Change] = []
    until_s = 0.0
    for change in (c for c in changes if c.subject == kit):
        at_s = change.stamp.wall_s
        if own and own[-1].what and until_s < at_s:
            own.append(_Change(until_s, ""))
        what = "" if change.kind is HandKind.AUTO else str(change.kind)
        own.append(_Change(at_s, what, change.by))
        until_s = change.until_wall_s
    if own and own[-1].what:
        own.append(_Change(until_s, ""))
    return tuple(stretch for stretch in _stretches(own, begin_s, end_s) if stretch.what)


def _stretches(changes: Sequence[_Change], begin_s: float, end_s: float) -> tuple[Stretch, ...]:
    """From each change to the next, cut to the span. Before the first one nothing is known."""
    found = []
    for index, change in enumerate(changes):
        after_s = changes[index + 1].at_s if index + 1 < len(changes) else end_s
        first_s, last_s = max(change.at_s, begin_s), min(after_s, end_s)
        if first_s < last_s:
            found.append(Stretch(begin_s=first_s, end_s=last_s, what=change.what, by=change.by))
    return tuple(found)
