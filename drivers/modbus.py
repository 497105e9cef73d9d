"""Owns: sensors that hold their values in Modbus registers.

Must not know: how bytes travel, whether a value is plausible, when to read.
How it works: the register map of the site file becomes as few requests as its gaps allow, made once. A value is its
words as a number, times scale, plus offset, as the device gave it: no clamping, and a float that is not a number
stays one. A value that has a status register counts only while that holds its good word: anything else is the
device's own word that it is broken, and then none of its values counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from drivers.modbus_blocks import Cells, blocks_of
from drivers.modbus_pdu import ModbusWire, number, read_registers, registers_of
from gateway.barn import SensorSpec
from gateway.errors import DeviceFault
from gateway.model import Channel, Raw

_WIDEST_GAP: Final = 6  # registers between two values that are still asked for together
_LONGEST: Final = 125  # MODBUS Application Protocol V1.1b3, 6.3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Status:
    register: int  # as the site file counts, for people
    address: int
    good: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """Where one value stands and how it is made from its words."""

    channel: Channel
    cells: Cells
    kind: str
    scale: float
    offset: float
    status: _Status | None

    def needs(self) -> Iterator[Cells]:
        yield self.cells
        if self.status:
            yield Cells(first=self.status.address, count=1)


class ModbusRegisters:
    """Any quantities out of holding or input registers."""

    def __init__(self, spec: SensorSpec, wire: ModbusWire) -> None:
        self._wire, self._channels = wire, spec.channels
        self._low_first = spec.options["word_order"] == "low-first"
        base = spec.options["base"]
        self._fields = tuple(_field(channel, spec.options[channel.quantity.key], base) for channel in spec.channels)
        needed = (cells for field in self._fields for cells in field.needs())
        unit, function = spec.options["unit"], spec.options["function"]
        self._requests = tuple(
            (block.first, read_registers(unit=unit, function=function, address=block.first, count=block.count))
            for block in blocks_of(needed, widest_gap=_WIDEST_GAP, longest=_LONGEST)
        )

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        words: dict[int, int] = {}
        for first, request in self._requests:
            block = self._wire.ask(request)
            words.update(enumerate(block, start=first))
        for field in self._fields:
            _check_status(field, words)
        return tuple(Raw(channel=field.channel.name, value=self._value(field, words)) for field in self._fields)

    def close(self) -> None:
        """The wire belongs to the bus: nothing to release."""

    def _value(self, field: _Field, words: Mapping[int, int]) -> float:
        own = [words[address] for address in range(field.cells.first, field.cells.end)]
        return number(own, kind=field.kind, low_first=self._low_first) * field.scale + field.offset


def _field(channel: Channel, value: Mapping[str, Any], base: int) -> _Field:
    register = value.get("status")
    return _Field(
        channel=channel,
        cells=Cells(first=value["register"] - base, count=registers_of(value["type"])),
        kind=value["type"],
        scale=float(value["scale"]),
        offset=float(value["offset"]),
        status=None if register is None else _Status(register=register, address=register - base, good=value["good"]),
    )


def _check_status(field: _Field, words: Mapping[int, int]) -> None:
    status = field.status
    if status and words[status.address] != status.good:
        found = words[status.address]
        raise DeviceFault(
            f"{field.channel.name}: the device does not trust it: status register {status.register} holds {found}, "
            f"good is {status.good}"
        )
