"""Owns: contacts, hand/off/auto switches and pulse counters on GPIO lines, and kit on GPIO lines.

Must not know: chips and requests (that is the wire), whether a value is plausible, when to read or switch.
How it works: each announces its line when it is made. A contact is closed when its line is active; whether that means
high or low is the line's setting. A pulse counter tells pulses per second times a factor; no pulse is zero, a value
like any other, so a reed that has stuck looks like calm air: only a second sensor can tell. Kit is a relay on a line:
released is its safe state, whatever hangs on it, because the wiring is chosen so.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from drivers.gpio_wire import GpioWire
from gateway.barn import RelaySpec, SensorSpec, Switched
from gateway.errors import CommandError, DeviceFault, ReadError
from gateway.model import Channel, Quantity, Raw, SwitchAt


class GpioContact:
    """A contact, a hand/off/auto switch, or both."""

    def __init__(self, spec: SensorSpec, wire: GpioWire) -> None:
        self._name, self._channels, self._wire = spec.name, spec.channels, wire
        self._contact: Mapping[str, Any] = spec.options.get("contact", {})
        self._switch: Mapping[str, Any] = spec.options.get("switch", {})
        debounce_s = spec.options["debounce_ms"] / 1000
        for options, key in ((self._contact, "line"), (self._switch, "hand"), (self._switch, "auto")):
            if options:
                wire.take_input(
                    options[key], active_low=options["active_low"], bias=options["bias"], debounce_s=debounce_s
                )

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        return tuple(Raw(channel=channel.name, value=self._value(channel.quantity)) for channel in self._channels)

    def close(self) -> None:
        """The lines belong to the bus: nothing to release."""

    def _value(self, quantity: Quantity) -> float:
        if quantity is Quantity.CONTACT:
            return float(self._wire.level(self._contact["line"]))
        hand, auto = self._wire.level(self._switch["hand"]), self._wire.level(self._switch["auto"])
        if hand and auto:
            raise DeviceFault(f"{self._name}: the switch stands in hand and in auto at once; look at its wires")
        return float(SwitchAt.HAND if hand else SwitchAt.AUTO if auto else SwitchAt.OFF)


class GpioPulse:
    """Wind, flow or speed of what gives pulses."""

    def __init__(self, spec: SensorSpec, wire: GpioWire) -> None:
        self._channels, self._wire = spec.channels, wire
        self._window_s = float(spec.options["window_s"])
        self._options: dict[Quantity, Mapping[str, Any]] = {
            channel.quantity: spec.options[channel.quantity.key] for channel in spec.channels
        }
        for options in self._options.values():
            wire.take_input(
                options["line"], bias=options["bias"], debounce_s=spec.options["debounce_ms"] / 1000, edges=True
            )

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        return tuple(Raw(channel=channel.name, value=self._value(channel.quantity)) for channel in self._channels)

    def close(self) -> None:
        """The lines belong to the bus: nothing to release."""

    def _value(self, quantity: Quantity) -> float:
        options = self._options[quantity]
        per_s = self._wire.per_second(options["line"], window_s=self._window_s)
        # The offset is where a cup begins to turn: at standstill it is not there.
        return per_s * float(options["per_hz"]) + float(options["offset"]) if per_s > 0 else 0.0


class GpioKit:
    """One piece of kit on one line. An energised normally-closed contact holds the kit off."""

    def __init__(self, spec: Switched, relay: RelaySpec, wire: GpioWire) -> None:
        self._name, self._line, self._safe_on, self._wire = spec.name, str(spec.output), spec.safe_on, wire
        self._closed = False
        wire.take_output(self._line, active_low=relay.options["active_low"])

    @property
    def safe_on(self) -> bool:
        return self._safe_on

    def set(self, on: bool, speed: float = 1.0) -> None:
        if self._closed:
            raise CommandError(f"{self._name}: is closed")
        try:
            self._wire.drive(self._line, on != self._safe_on)
        except ReadError as error:
            raise CommandError(f"{self._name}: {error}") from error

    def readback(self) -> bool | None:
        """What the line says of the kit. It proves the pin, not the contact."""
        return self._wire.level(self._line) != self._safe_on

    def close(self) -> None:
        """Release the relay, so that the wiring decides."""
        if self._closed:
            return
        self._closed = True
        with suppress(ReadError):
            self._wire.drive(self._line, False)
