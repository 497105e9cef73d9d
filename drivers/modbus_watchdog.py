"""Owns: the watchdog that a relay block or a drive has of its own.

Must not know: what hangs on the block.
How it works: the block lets go by itself when nobody has written to it for the time in one of its registers. That
time is written and read back before the first command and again after the block was silent, since it may have lost
power meanwhile. A block that does not hold it cannot be trusted to let go when this program dies.
"""

from __future__ import annotations

from drivers.modbus_pdu import ModbusWire, read_registers, write_register
from gateway.barn import RelaySpec
from gateway.errors import DeviceFault


class BlockWatchdog:
    """The watchdog of one block, as one piece of kit on it sees to it."""

    def __init__(self, relay: RelaySpec, wire: ModbusWire) -> None:
        self._wire, self._relay = wire, relay
        self._set = False
        wanted = relay.options.get("watchdog")
        self._wanted = wanted is not None
        if wanted is None:
            return
        unit, address = relay.options["unit"], wanted["register"] - relay.options["base"]
        self._register, self._count = wanted["register"], round(wanted["seconds"] * wanted["per_second"])
        self._write = write_register(unit=unit, address=address, value=self._count)
        self._look = read_registers(unit=unit, function=3, address=address, count=1)

    def keep(self) -> None:
        """Set and verify it unless that is done. Raises DeviceFault when it is not held, else ReadError."""
        if self._set or not self._wanted:
            return
        self._wire.ask(self._write)
        (held,) = self._wire.ask(self._look)
        if held != self._count:
            raise DeviceFault(
                f"relay {self._relay.name}: register {self._register} does not hold its watchdog: "
                f"{self._count} was written, it holds {held}"
            )
        self._set = True

    def doubt(self) -> None:
        """The block was silent: whether it still holds its watchdog must be seen again."""
        self._set = False
