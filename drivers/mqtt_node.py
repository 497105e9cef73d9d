"""Owns: sensors behind an MQTT broker: what their messages mean, and which are too old to count.

Must not know: brokers, how a message travels, whether a value is plausible.
How it works: a sensor takes the newest message of its topic, once, and refuses one that is old, from the future, heard
before, or only kept by the broker. Its age is counted from arrival, and from its own time where it says one: in SenML
always (none means now), in JSON where the site file says so. An absolute time is judged only while our clock is right.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from drivers import senml
from drivers.json_pointer import document, number_at, tokens
from drivers.mqtt_postbox import Letter, MqttPostbox
from gateway.barn import SensorSpec
from gateway.errors import BadText, NoNews, Outdated, SiteError
from gateway.model import Channel, Quantity, Raw

_FUTURE_S: Final = 60.0  # how far a node's clock may be ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spot:
    """Where a quantity stands in a message, and what turns it into our unit."""

    channel: Channel
    quantity: Quantity
    where: str
    scale: float
    offset: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """The values of a message, and its own time if it has one: from arrival, or Unix time if `absolute`."""

    values: tuple[float, ...]
    time_s: float | None = None
    absolute: bool = False


class MqttSensor:
    """A sensor that speaks when it likes."""

    def __init__(self, spec: SensorSpec, postbox: MqttPostbox) -> None:
        self._spec, self._postbox = spec, postbox
        self._topic: str = spec.options["topic"]
        self._spots = tuple(_spot(spec, channel) for channel in spec.channels)
        self._read_payload = self._senml if spec.options["format"] == "senml" else self._json
        paths = () if spec.options["format"] == "senml" else (*(s.where for s in self._spots), self._time_at)
        self._paths = {where: _path(spec.name, where) for where in paths if where is not None}
        self._taken = 0
        self._newest_s: dict[bool, float] = {}  # by whether it is absolute: the newest time that was accepted
        postbox.expect(self._topic)

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._spec.channels

    def read(self) -> tuple[Raw, ...]:
        letter = self._postbox.newest(self._topic)
        if letter is None or letter.number == self._taken:
            self._postbox.check()
            raise self._nothing(letter)
        ago_s = self._postbox.now_s() - letter.arrived_s
        if letter.retained:
            raise Outdated(f"{self._topic}: only a message that the broker has kept, of whatever age")
        if ago_s > self._spec.late_after_s:  # it would be shown as fresh
            raise Outdated(f"{self._topic}: heard {ago_s:.0f} s ago")
        told = self._read_payload(letter.payload)
        moment_s = self._moment_s(told, letter, ago_s)
        self._taken = letter.number
        self._newest_s[told.absolute] = moment_s
        return tuple(
            Raw(channel=spot.channel.name, value=value * spot.scale + spot.offset)
            for spot, value in zip(self._spots, told.values, strict=True)
        )

    def close(self) -> None:
        """The postbox belongs to the bus: nothing to release."""

    @property
    def _time_at(self) -> str | None:
        return self._spec.options.get("time")

    def _nothing(self, letter: Letter | None) -> NoNews:
        waited_s = self._spec.every_s if letter is None else self._postbox.now_s() - letter.arrived_s
        return NoNews(f"{self._topic}: nothing new", waited_s)

    def _json(self, payload: bytes) -> _Told:
        found = document(payload)
        values = tuple(number_at(found, self._paths[spot.where], spot.where) for spot in self._spots)
        if self._time_at is None:
            return _Told(values=values)
        time_s = number_at(found, self._paths[self._time_at], self._time_at)
        return _Told(values=values, time_s=time_s, absolute=True)

    def _senml(self, payload: bytes) -> _Told:
        """The newest record of each name. The measurement is as old as its oldest part."""
        newest: dict[str, senml.Record] = {}
        for record in senml.decode(payload):
            if record.name not in newest or record.time_s >= newest[record.name].time_s:
                newest[record.name] = record
        if lacking := [spot.where for spot in self._spots if spot.where not in newest]:
            raise BadText(f"{self._topic}: no record named {', '.join(lacking)}")
        records = [newest[spot.where] for spot in self._spots]
        if len({record.is_absolute for record in records}) > 1:
            raise BadText(f"{self._topic}: relative and absolute times in one measurement")
        pairs = zip(records, self._spots, strict=True)
        return _Told(
            values=tuple(senml.measured(record, spot.quantity) for record, spot in pairs),
            time_s=min(record.time_s for record in records),
            absolute=records[0].is_absolute,
        )

    def _moment_s(self, told: _Told, letter: Letter, ago_s: float) -> float:
        """The moment of the measurement on its own scale. Raises Outdated."""
        if told.time_s is None:
            return letter.arrived_s
        moment_s = told.time_s if told.absolute else letter.arrived_s + told.time_s
        ahead_s = self._ahead_s(told, ago_s)
        if ahead_s > _FUTURE_S:
            raise Outdated(f"{self._topic}: its time is {ahead_s:.0f} s ahead of ours")
        if ago_s - ahead_s > self._spec.late_after_s:
            raise Outdated(f"{self._topic}: measured {ago_s - ahead_s:.0f} s ago by its own time")
        newest_s = self._newest_s.get(told.absolute, float("-inf"))
        if moment_s < newest_s or (told.absolute and moment_s == newest_s):  # what says "now" twice is not a replay
            raise Outdated(f"{self._topic}: heard before: its time is not later than the last one")
        return moment_s

    def _ahead_s(self, told: _Told, ago_s: float) -> float:
        """By how much its own time lies after its arrival; negative when before."""
        assert told.time_s is not None
        if not told.absolute:
            return told.time_s
        stamp = self._postbox.stamp()
        if not stamp.trusted:  # then only arrival and order can be judged
            return 0.0
        return told.time_s - (stamp.wall_s - ago_s)


def _spot(spec: SensorSpec, channel: Channel) -> _Spot:
    place = spec.options[channel.quantity.key]
    return _Spot(
        channel=channel,
        quantity=channel.quantity,
        where=place["name"] if spec.options["format"] == "senml" else place["pointer"],
        scale=float(place["scale"]),
        offset=float(place["offset"]),
    )


def _path(sensor: str, pointer: str) -> tuple[str, ...]:
    try:
        return tokens(pointer)
    except ValueError as error:
        raise SiteError((f"sensor {sensor}: {error}",)) from error
