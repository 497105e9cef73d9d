"""Owns: fans and misters on the coils of a Modbus relay block, and fans on drives that take their speed by register.

Must not know: how bytes travel, when to switch, why.
How it works: each command is one write whose echo the codec compares; what the block holds is read back on request,
which proves the block's memory, not the contact. Before anything but the safe state is asked for, the block's own
watchdog must be set. `close` leaves the safe state, tried twice: one lost frame must not leave water running.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Final, TypeVar

from drivers.modbus_pdu import ModbusWire, Request, read_bits, read_registers, write_coil, write_register
from drivers.modbus_watchdog import BlockWatchdog
from gateway.barn import KitSpec, RelaySpec, Switched
from gateway.errors import CommandError, DeviceFault, ReadError, Refused

T = TypeVar("T")

_TRIES_AT_CLOSE: Final = 2
_SAME_SPEED: Final = 0.02  # share of full speed that a drive may round by


class _Output:
    """One output of a block: writes, with the watchdog before them, until it is closed."""

    def __init__(self, spec: Switched, relay: RelaySpec, wire: ModbusWire, safe: Request[None]) -> None:
        self._name, self._wire, self._safe = spec.name, wire, safe
        self._watchdog = BlockWatchdog(relay, wire)
        self._closed = False

    def write(self, request: Request[None]) -> None:
        """Raises CommandError. The safe state is written even to a block that holds no watchdog."""
        if self._closed:
            raise CommandError(f"{self._name}: is closed")
        try:
            self._write(request)
        except (ReadError, DeviceFault) as error:
            if isinstance(error, ReadError) and not isinstance(error, Refused):
                self._watchdog.doubt()
            raise CommandError(f"{self._name}: {error}") from error

    def look(self, request: Request[T]) -> T:
        try:
            return self._wire.ask(request)
        except Refused:
            raise
        except ReadError:
            self._watchdog.doubt()
            raise

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        for _ in range(_TRIES_AT_CLOSE):
            with suppress(ReadError):
                self._wire.ask(self._safe)
                return

    def _write(self, request: Request[None]) -> None:
        try:
            self._watchdog.keep()
        except (Refused, DeviceFault):  # the block is there, so it can be made safe
            if request is self._safe:
                self._wire.ask(request)
            raise
        self._wire.ask(request)


class ModbusCoil:
    """One piece of kit on one coil of a relay block. An energised normally-closed contact holds the kit off."""

    def __init__(self, spec: Switched, relay: RelaySpec, wire: ModbusWire) -> None:
        self._safe_on = spec.safe_on
        unit, address = relay.options["unit"], int(spec.output) - relay.options["base"]
        self._energise = write_coil(unit=unit, address=address, on=True)
        self._release = write_coil(unit=unit, address=address, on=False)
        self._look = read_bits(unit=unit, function=1, address=address, count=1)
        self._output = _Output(spec, relay, wire, self._release)

    @property
    def safe_on(self) -> bool:
        return self._safe_on

    def set(self, on: bool, speed: float = 1.0) -> None:
        self._output.write(self._release if on == self._safe_on else self._energise)

    def readback(self) -> bool | None:
        """What the block's coil says of the kit. It proves the coil register, not the contact."""
        (energised,) = self._output.look(self._look)
        return energised != self._safe_on

    def close(self) -> None:
        """Release the coil, so that the wiring decides."""
        self._output.close()


class ModbusSpeed:
    """A fan whose drive takes its speed from a holding register: 0 stands still, `full` is full speed.

    Safe is full speed: it is written at close, and the drive must be set to go there when it hears nothing.
    """

    def __init__(self, spec: KitSpec, relay: RelaySpec, wire: ModbusWire) -> None:
        self._name, self._full = spec.name, int(relay.options["full"])
        self._unit, self._address = relay.options["unit"], int(spec.output) - relay.options["base"]
        self._look = read_registers(unit=self._unit, function=3, address=self._address, count=1)
        self._fastest = self._request(self._full)
        self._output = _Output(spec, relay, wire, self._fastest)
        self._asked: int | None = None

    @property
    def safe_on(self) -> bool:
        return True

    def set(self, on: bool, speed: float = 1.0) -> None:
        if not 0 < speed <= 1:
            raise CommandError(f"{self._name}: a speed of {speed:g} is no share of full speed")
        asked = max(1, round(self._full * speed)) if on else 0
        self._output.write(self._fastest if asked == self._full else self._request(asked))
        self._asked = asked

    def readback(self) -> bool | None:
        """Whether the drive is told to turn. Raises DeviceFault when it turns at another speed than was written."""
        (held,) = self._output.look(self._look)
        asked = self._asked
        if asked and held and abs(held - asked) > max(1, _SAME_SPEED * self._full):
            raise DeviceFault(f"{self._name}: the drive holds a speed of {held}, {asked} was written")
        return held > 0

    def close(self) -> None:
        """Full speed."""
        self._output.close()

    def _request(self, value: int) -> Request[None]:
        return write_register(unit=self._unit, address=self._address, value=value)
