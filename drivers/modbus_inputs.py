"""Owns: contacts and hand/off/auto switches on the inputs of a Modbus I/O block.

Must not know: how bytes travel, what a contact is for, when to read.
How it works: all inputs of a sensor that stand near one another are read in one request, so that a switch is seen
at one moment. Neither hand nor auto closed is off. Both closed at once is no position of any switch but a wiring
fault, and gives no reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from drivers.modbus_blocks import Cells, blocks_of
from drivers.modbus_pdu import ModbusWire, read_bits
from gateway.barn import SensorSpec
from gateway.errors import DeviceFault
from gateway.model import Channel, Quantity, Raw, SwitchAt

_WIDEST_GAP: Final = 14  # inputs between two that are still asked for together: blocks have 4, 8 or 16
_LONGEST: Final = 2000  # MODBUS Application Protocol V1.1b3, 6.1


class ModbusInputs:
    """A contact, a switch, or both, out of coils or discrete inputs."""

    def __init__(self, spec: SensorSpec, wire: ModbusWire) -> None:
        self._wire, self._channels = wire, spec.channels
        self._contact: Mapping[str, int] = spec.options.get("contact", {})
        self._switch: Mapping[str, int] = spec.options.get("switch", {})
        self._base = int(spec.options["base"])
        inputs = [*self._switch.values(), *([self._contact["input"]] if self._contact else [])]
        unit, function = spec.options["unit"], spec.options["function"]
        self._requests = tuple(
            (block.first, read_bits(unit=unit, function=function, address=block.first, count=block.count))
            for block in blocks_of(
                (Cells(first=number - self._base, count=1) for number in inputs),
                widest_gap=_WIDEST_GAP,
                longest=_LONGEST,
            )
        )

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        bits: dict[int, bool] = {}
        for first, request in self._requests:
            block = self._wire.ask(request)
            bits.update(enumerate(block, start=first + self._base))
        return tuple(Raw(channel=channel.name, value=self._value(channel, bits)) for channel in self._channels)

    def close(self) -> None:
        """The wire belongs to the bus: nothing to release."""

    def _value(self, channel: Channel, bits: Mapping[int, bool]) -> float:
        if channel.quantity is Quantity.CONTACT:
            return float(bits[self._contact["input"]] == bool(self._contact["closed_is"]))
        hand, auto = bits[self._switch["hand"]], bits[self._switch["auto"]]
        if hand and auto:
            raise DeviceFault(f"{channel.name}: hand and auto are closed at once, which no switch can show: wiring")
        return float(SwitchAt.HAND if hand else SwitchAt.AUTO if auto else SwitchAt.OFF)
