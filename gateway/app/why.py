"""Owns: `loosebox why`: the story of one past decision, told from the history.

Must not know: SQL, the live state.
How it works: the last command of the kit before the asked time with its reasons, and beside it everything that the
history knows of that moment: level, readings, faults, hands, and what came next. What is not known is said so.
"""

from __future__ import annotations

import datetime
import zoneinfo
from collections.abc import Iterator

from gateway.barn import Barn, KitSpec, SensorSpec
from gateway.control.inputs import UNITS
from gateway.errors import SiteError
from gateway.heat.indices import heat_sum
from gateway.model import AIR, HandKind, Quantity, Reading, Stamp
from gateway.store.past import Moment, Past

_ASKED = {HandKind.ON: "on", HandKind.OFF: "off", HandKind.COOL_OUT: "a horse cooled here"}


def parse_time(text: str, zone: str) -> datetime.datetime:
    """An ISO 8601 time; without a zone it is meant in the zone of the barn. Raises SiteError."""
    try:
        when = datetime.datetime.fromisoformat(text)
    except ValueError as error:
        raise SiteError((f"{text!r} is no time; write it as 2026-07-14T14:05 (in the barn's zone)",)) from error
    return when if when.tzinfo else when.replace(tzinfo=zoneinfo.ZoneInfo(zone))


def story(barn: Barn, past: Past, kit: str, when: datetime.datetime) -> str:
    """Why a piece of kit was as it was. Raises SiteError for an unknown kit, StoreError without a history."""
    spec = next((each for each in barn.kit if each.name == kit), None)
    if spec is None:
        raise SiteError((f"there is no kit {kit}; kit is {', '.join(each.name for each in barn.kit) or 'none'}",))
    return "\n".join(_lines(_Teller(barn, past, when), spec))


class _Teller:
    """How times and values of one barn are said."""

    def __init__(self, barn: Barn, past: Past, when: datetime.datetime) -> None:
        self.barn, self.past = barn, past
        self.zone = zoneinfo.ZoneInfo(barn.zone)
        self.at = past.moment(when.timestamp())
        self.when = when.astimezone(self.zone)

    def clock(self, wall_s: float) -> str:
        """A time of day; with its date when that is another one."""
        there = datetime.datetime.fromtimestamp(wall_s, self.zone)
        return f"{there:%H:%M:%S}" if there.date() == self.when.date() else f"{there:%Y-%m-%d %H:%M:%S}"

    def stamp(self, stamp: Stamp) -> str:
        return self.clock(stamp.wall_s) + ("" if stamp.trusted else " (the clock was not set)")


def _lines(tell: _Teller, spec: KitSpec) -> Iterator[str]:
    title = f"{spec.name} ({spec.kind} at {spec.place}), {tell.when:%Y-%m-%d %H:%M:%S %Z}"
    command = None if tell.at is None else tell.past.command_at(spec.name, tell.at)
    if tell.at is None or command is None:
        first = tell.past.first()
        begins = f"; the history begins at {tell.stamp(first)}" if first else ""
        yield f"{title}: nothing is known of it at that time{begins}."
        return
    yield f"{title}: {_on(command.on)}, since {tell.stamp(command.stamp)}."
    if tell.at.began_ms is None:
        yield f"  But core gave no sign of life in the minute before: by its wiring it is then {_on(spec.safe_on)}."
    yield from (f"  because {reason.text}  [{reason.code}]" for reason in command.reasons)
    yield from _place(tell, tell.at, spec)
    yield from _people(tell, tell.at, spec)
    faults = tell.past.faults_at(tell.at)
    yield from (f"  fault since {tell.stamp(fault.stamp)}: {fault.text}  [{fault.code}]" for fault in faults)
    if not faults:
        yield "  no fault stood"
    after = tell.past.command_after(spec.name, tell.at)
    if after is None:
        yield "  it has not changed since"
        return
    why = "; ".join(reason.text for reason in after.reasons)
    yield f"  next: {_on(after.on)} at {tell.stamp(after.stamp)}, because {why}"


def _place(tell: _Teller, at: Moment, spec: KitSpec) -> Iterator[str]:
    level = tell.past.level_at(spec.place, at)
    if level is not None:
        name = "unknown" if level.after is None else str(level.after)
        yield f"  {spec.place}: level {name} since {tell.stamp(level.stamp)} ({level.reason.text})"
    for sensor in tell.barn.sensors:
        if sensor.place == spec.place:
            readings = {q: tell.past.reading_at(f"{sensor.name}.{q}", at) for q in sensor.quantities}
            yield f"  {sensor.name}: {', '.join(_said(tell, q, reading) for q, reading in readings.items())}" + _sum(
                sensor, readings
            )


def _said(tell: _Teller, quantity: Quantity, reading: Reading | None) -> str:
    if reading is None:
        return f"{quantity.key} not read in the ten minutes before"
    if reading.value is None:
        return f"{quantity.key} without value at {tell.stamp(reading.stamp)} ({reading.detail or reading.quality})"
    return f"{reading.value:g} {UNITS[quantity]}".rstrip() + f" at {tell.stamp(reading.stamp)}"


def _sum(sensor: SensorSpec, readings: dict[Quantity, Reading | None]) -> str:
    if not sensor.tells_air:
        return ""
    temp, rh = (reading.value if (reading := readings[quantity]) else None for quantity in AIR)
    return "" if temp is None or rh is None else f", sum {heat_sum(temp_c=temp, rh_pct=rh):.1f}"


def _people(tell: _Teller, at: Moment, spec: KitSpec) -> Iterator[str]:
    hands = [hand for subject in (spec.name, spec.place) if (hand := tell.past.hand_at(subject, at))]
    for hand in hands:
        why = f": {hand.why}" if hand.why else ""
        yield f"  by hand: {_ASKED[hand.kind]} by {hand.by}, until {tell.clock(hand.until_wall_s)}{why}"
    if not hands:
        yield "  nobody had it by hand"


def _on(on: bool) -> str:
    return "on" if on else "off"
