"""Owns: how the history looks in the time-series store: line protocol, measurements, tags, fields.

Must not know: the store, HTTP, cursors.
How it works: tags never change for a series (barn, place, sensor); numbers are fields, named as quantities with their
unit, always as decimal fractions, because a store keeps the type of the first one for ever. Times are Unix
milliseconds. A reading without value is told in a measurement of its own, with the reason as a tag.

    loosebox_reading,barn=..,place=..,sensor=..          temp_c=31.25 1780000000000     (unsure=1: clock not set)
    loosebox_lost,barn=..,place=..,sensor=..,why=silent  temp_c=1.0 ...
    loosebox_level,barn=..,place=..                      level=2.0,sum_f_pct=151.2 ...  (known=0.0: no level)
    loosebox_kit,barn=..,kit=..                          on=1.0 ...
    loosebox_fault,barn=..,subject=..,code=..            active=1.0 ...
    loosebox_hand,barn=..,subject=..                     on=0.0,off=1.0,cool_out=0.0 ...  (all 0.0: given back)
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from gateway.model import AlarmChange, CommandChange, Event, FaultChange, HandChange, HandKind, LevelChange, Stamp

Place = tuple[str, str, str, str]  # channel, sensor, place, quantity
# channel id, mono ms, wall ms, value, quality, wall time is sure (1 yes, 0 will never be, -1 may yet be), boot id
Row = tuple[int, int, int, float | None, str, int, int]
_ESCAPES = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\\": "/", "\n": r"\ ", "\r": r"\ ", "\t": r"\ "})
_HUGE = 1e300


class LineWriter:
    """Lines of one barn. Keeps the beginning of each channel's line, which is most of its letters."""

    def __init__(self, barn: str) -> None:
        self._barn = barn
        self._begins: dict[int, str] = {}

    def readings(self, rows: Sequence[Row], channels: Mapping[int, Place]) -> list[str]:
        """One line for each row, in order."""
        begins = self._begins
        for channel_id in {row[0] for row in rows}:
            if channel_id not in begins:
                begins[channel_id] = self._begin(channels[channel_id])
        return [
            f"{begins[number]}{value} {wall_ms}"
            if sure == 1 and value is not None and -_HUGE < value < _HUGE
            else self._rare(channels[number], value, quality, sure, wall_ms)
            for number, _, wall_ms, value, quality, sure, _ in rows
        ]

    def reading(self, channel: Place, *, wall_ms: int, value: float | None, quality: str, sure: bool) -> str:
        """The line of one reading."""
        if sure and value is not None and -_HUGE < value < _HUGE:
            return f"{self._begin(channel)}{value} {wall_ms}"
        return self._rare(channel, value, quality, int(sure), wall_ms)

    def event(self, event: Event) -> str:
        """The line of one event."""
        match event:
            case LevelChange(place=place, after=after):
                fields = {"known": float(after is not None)}
                fields |= {} if after is None else {"level": float(after)}
                fields |= _number("sum_f_pct", event.sum_f_pct)
                return self._line("level", {"place": place}, fields, event.stamp)
            case CommandChange(kit=kit):
                return self._line("kit", {"kit": kit}, {"on": float(event.on)}, event.stamp)
            case FaultChange(subject=subject, code=code):
                tags = {"subject": subject, "code": code}
                return self._line("fault", tags, {"active": float(event.active)}, event.stamp)
            case HandChange(subject=subject, kind=kind):
                fields = {
                    one.value.replace("-", "_"): float(one is kind) for one in HandKind if one is not HandKind.AUTO
                }
                return self._line("hand", {"subject": subject}, fields, event.stamp)
            case AlarmChange(alarm=alarm, what=what):
                fields = {"priority": float(event.priority), "episode": float(event.episode)}
                return self._line("alarm", {"alarm": alarm, "what": what.value}, fields, event.stamp)

    def _begin(self, channel: Place) -> str:
        _, sensor, place, quantity = channel
        return f"{self._head('reading', {'place': place, 'sensor': sensor or channel[0]})} {_tag(quantity) or 'value'}="

    def _rare(self, channel: Place, value: float | None, quality: str, sure: int, wall_ms: int) -> str:
        name, sensor, place, quantity = channel
        tags, field = {"place": place, "sensor": sensor or name}, _tag(quantity) or "value"
        flag = "" if sure == 1 else ",unsure=1.0"
        if value is not None and -_HUGE < value < _HUGE:
            return f"{self._head('reading', tags)} {field}={value}{flag} {wall_ms}"
        why = quality if value is None else "not-a-number"
        return f"{self._head('lost', tags | {'why': why})} {field}=1.0{flag} {wall_ms}"

    def _head(self, what: str, tags: Mapping[str, str]) -> str:
        told = "".join(f",{key}={_tag(value)}" for key, value in tags.items() if value)
        return f"loosebox_{what},barn={_tag(self._barn)}{told}"

    def _line(self, what: str, tags: Mapping[str, str], fields: Mapping[str, float], stamp: Stamp) -> str:
        told = fields if stamp.trusted else {**fields, "unsure": 1.0}
        numbers = ",".join(f"{name}={value}" for name, value in told.items())
        return f"{self._head(what, tags)} {numbers} {round(stamp.wall_s * 1000)}"


def _number(name: str, value: float | None) -> dict[str, float]:
    return {name: float(value)} if value is not None and math.isfinite(value) else {}


def _tag(text: str) -> str:
    return text.translate(_ESCAPES)
