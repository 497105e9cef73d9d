"""Owns: how readings and events look at the broker: SenML (RFC 8428) and JSON, their topics and units.

Must not know: connections, cursors.
How it works: each row of the history becomes records of its sensor's pack, with absolute times, so that a reading of
last week cannot be taken for one of now. Units are those of RFC 8428, section 12.1, and of RFC 8798. Names of persons
stay in the barn.

    PREFIX/readings/PLACE/SENSOR   [{"bn": "PREFIX/PLACE/SENSOR/", "n": "temp", "u": "Cel", "v": 31.25, "t": ...}, ...]
                                   no value: {"n": "temp/lost", "vs": "silent", ...}
                                   a clock that was not set: {"n": "temp/unsure", "vb": true, ...} beside the value
    PREFIX/events                  {"kind": "level", "time": ..., "time_trusted": ..., ...}
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gateway.model import AlarmChange, CommandChange, Event, FaultChange, HandChange, LevelChange, Quantity, Stamp
from gateway.uplink.lines import Place, Row
from gateway.uplink.mailbag import Letter

MOST_RECORDS = 40  # in one pack: about 3 kB
# Unit, and the factor from that of the quantity to it. A contact is a truth value, a switch a bare number.
UNITS: Mapping[Quantity, tuple[str, float]] = {
    Quantity.TEMP: ("Cel", 1.0),
    Quantity.GLOBE: ("Cel", 1.0),
    Quantity.SKIN: ("Cel", 1.0),
    Quantity.RH: ("%RH", 1.0),
    Quantity.WIND: ("m/s", 1.0),
    Quantity.DIRECTION: ("deg", 1.0),
    Quantity.PRESSURE: ("Pa", 1.0),
    Quantity.SUN: ("W/m2", 1.0),
    Quantity.CURRENT: ("A", 1.0),
    Quantity.SPEED: ("1/min", 1.0),
    Quantity.FLOW: ("l/s", 1 / 60),
    Quantity.SUPPLY: ("V", 1.0),
}
_HUGE = 1e300
_NO_NAME = re.compile("[^A-Za-z0-9:./_-]")  # RFC 8428, section 4.5.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What one row of the history adds to a topic."""

    topic: str
    base: str
    records: tuple[dict[str, Any], ...]


class Packer:
    """Packs of one barn; `prefix` begins every topic."""

    def __init__(self, prefix: str) -> None:
        self._prefix = prefix

    def reading(self, row: Row, channel: Place) -> Part:
        """The records of one row."""
        _, _, wall_ms, value, quality, sure, _ = row
        name, sensor, place, quantity = channel
        where = f"{place or 'no-place'}/{sensor or name}"
        when = {"t": wall_ms / 1000}
        word = quantity.split("_")[0] or "value"
        records: list[dict[str, Any]] = [{"n": word, **_said(quantity, value), **when}]
        if value is None or not -_HUGE < value < _HUGE:
            records = [{"n": f"{word}/lost", "vs": quality if value is None else "not-a-number", **when}]
        if sure != 1:
            records.append({"n": f"{word}/unsure", "vb": True, **when})
        base = _NO_NAME.sub("-", f"{self._prefix}/{where}/").lstrip("-:./_")
        return Part(topic=f"{self._prefix}/readings/{where}", base=base, records=tuple(records))

    def event(self, event: Event) -> Part:
        """The record of one event."""
        told = {**_told(event), **_when(event.stamp)}
        return Part(topic=f"{self._prefix}/events", base="", records=(told,))


def letters(parts: Sequence[Part]) -> Iterator[Letter]:
    """Readings of a sensor travel together; each event alone, in order."""
    packs: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for part in parts:
        if part.base:
            packs.setdefault((part.topic, part.base), []).extend(part.records)
        else:
            yield Letter(topic=part.topic, payload=json.dumps(part.records[0]).encode())
    for (topic, base), records in packs.items():
        for first in range(0, len(records), MOST_RECORDS):
            pack = records[first : first + MOST_RECORDS]
            yield Letter(topic=topic, payload=json.dumps([{"bn": base, **pack[0]}, *pack[1:]]).encode())


def _said(quantity: str, value: float | None) -> dict[str, Any]:
    if quantity == Quantity.CONTACT:
        return {"vb": bool(value)}
    if quantity not in UNITS or value is None:
        return {"v": value}
    unit, factor = UNITS[Quantity(quantity)]
    return {"u": unit, "v": value * factor}


def _told(event: Event) -> dict[str, Any]:
    match event:
        case LevelChange(place=place, before=before, after=after, reason=reason):
            told = {"kind": "level", "place": place, "before": before, "level": after}
            return {**told, "sum_f_pct": event.sum_f_pct, "code": reason.code, "text": reason.text}
        case CommandChange(kit=kit, on=on, reasons=reasons):
            return {"kind": "kit", "kit": kit, "on": on, "reasons": [reason.text for reason in reasons]}
        case FaultChange(subject=subject, code=code, text=text, active=active):
            return {"kind": "fault", "subject": subject, "code": code, "text": text, "active": active}
        case HandChange(subject=subject, kind=kind, until_wall_s=until_s):
            return {"kind": "hand", "subject": subject, "hand": kind.value, "until": round(until_s, 3)}
        case AlarmChange(alarm=alarm, what=what, episode=episode, priority=priority):
            told = {"kind": "alarm", "alarm": alarm, "what": what.value, "episode": episode}
            return {**told, "priority": priority.name.lower().replace("_", "-"), "text": event.why}


def _when(stamp: Stamp) -> dict[str, Any]:
    return {"time": round(stamp.wall_s, 3), "time_trusted": stamp.trusted}
