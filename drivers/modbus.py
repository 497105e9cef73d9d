"""Owns: sensors and relay blocks that speak Modbus RTU.

Must not know: how bytes travel, whether a value is plausible, when to read or switch.
How it works: a register map from the site file becomes one or two requests, made once. A value is word times
scale plus offset, as the device gave it: no clamping, and a float that is not a number stays one. A relay
block is written, its echo is compared by the frame codec, and what it holds is read back on request.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

from drivers.modbus_frame import Request, number, read_bits, read_registers, registers_of, write_coil
from drivers.wire import SerialWire
from gateway.errors import CommandError, ReadError
from gateway.model import Channel, KitSpec, Quantity, Raw, RelaySpec, SensorSpec

# Values as close as this come in one request. Wider blocks would touch registers that a device may not have,
# and it would then refuse the whole request.
_NEAR_REGISTERS: Final = 8

_TRIES_AT_CLOSE: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """Where one value stands and how it is made from its words."""

    channel: Channel
    address: int
    kind: str
    scale: float
    offset: float

    @property
    def end(self) -> int:
        return self.address + registers_of(self.kind)


class ModbusAir:
    """Temperature and humidity out of registers."""

    def __init__(self, spec: SensorSpec, wire: SerialWire) -> None:
        self._wire = wire
        self._low_first = spec.options["word_order"] == "low-first"
        self._fields = (
            _field(spec, spec.options["temp"], Quantity.TEMP),
            _field(spec, spec.options["rh"], Quantity.RH),
        )
        self._blocks = tuple((_request(spec, block), block) for block in _blocks(self._fields))

    @property
    def channels(self) -> tuple[Channel, ...]:
        return tuple(field.channel for field in self._fields)

    def read(self) -> tuple[Raw, ...]:
        return tuple(raw for request, block in self._blocks for raw in self._read_block(request, block))

    def close(self) -> None:
        """The line belongs to the bus: nothing to release."""

    def _read_block(self, request: Request[tuple[int, ...]], block: tuple[_Field, ...]) -> list[Raw]:
        words = self._wire.ask(request)
        first = min(field.address for field in block)
        return [self._raw(field, words[field.address - first : field.end - first]) for field in block]

    def _raw(self, field: _Field, words: tuple[int, ...]) -> Raw:
        value = number(words, kind=field.kind, low_first=self._low_first) * field.scale + field.offset
        return Raw(channel=field.channel.name, value=value)


class ModbusCoil:
    """One piece of kit on one coil of a relay block. An energised normally-closed contact holds the kit off."""

    def __init__(self, spec: KitSpec, relay: RelaySpec, wire: SerialWire) -> None:
        self._name = spec.name
        self._wire = wire
        self._safe_on = spec.safe_on
        self._closed = False
        unit, address = relay.options["unit"], spec.coil - relay.options["base"]
        self._energise = write_coil(unit=unit, address=address, on=True)
        self._release = write_coil(unit=unit, address=address, on=False)
        self._look = read_bits(unit=unit, function=1, address=address, count=1)

    @property
    def safe_on(self) -> bool:
        return self._safe_on

    def set(self, on: bool) -> None:
        if self._closed:
            raise CommandError(f"{self._name}: is closed")
        try:
            self._wire.ask(self._release if on == self._safe_on else self._energise)
        except ReadError as error:
            raise CommandError(f"{self._name}: {error}") from error

    def readback(self) -> bool | None:
        """What the block's coil says of the kit. It proves the coil register, not the contact."""
        (energised,) = self._wire.ask(self._look)
        return energised != self._safe_on

    def close(self) -> None:
        """Release the coil, so that the wiring decides. One lost frame must not leave water running."""
        if self._closed:
            return
        self._closed = True
        for _ in range(_TRIES_AT_CLOSE):
            with suppress(ReadError):
                self._wire.ask(self._release)
                return


def _field(spec: SensorSpec, value: Mapping[str, Any], quantity: Quantity) -> _Field:
    channel = Channel(name=f"{spec.name}.{quantity}", sensor=spec.name, place=spec.place, quantity=quantity)
    return _Field(
        channel=channel,
        address=value["register"] - spec.options["base"],
        kind=value["type"],
        scale=float(value["scale"]),
        offset=float(value["offset"]),
    )


def _blocks(fields: tuple[_Field, _Field]) -> tuple[tuple[_Field, ...], ...]:
    span = max(field.end for field in fields) - min(field.address for field in fields)
    return (fields,) if span <= _NEAR_REGISTERS else tuple((field,) for field in fields)


def _request(spec: SensorSpec, block: tuple[_Field, ...]) -> Request[tuple[int, ...]]:
    first = min(field.address for field in block)
    count = max(field.end for field in block) - first
    return read_registers(unit=spec.options["unit"], function=spec.options["function"], address=first, count=count)
