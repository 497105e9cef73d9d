"""Owns: asking on a bus who is there: Modbus units on a serial line, addresses of an I2C adapter.

Must not know: other corners.
How it works: only when a person has named the bus. Everything that will be sent is told before the first byte goes
out. Modbus units are asked for one register, which changes nothing; a refusal is an answer too. I2C addresses are asked
for one byte; those that a driver of the kernel has taken are left alone.
"""

from __future__ import annotations

import argparse
import errno
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from smbus2 import i2c_msg

from drivers.i2c_wire import Adapter, opened
from drivers.modbus_frame import RtuFrame
from drivers.modbus_pdu import read_registers
from drivers.wire import SerialWire
from gateway.app.look_found import Paste, Table, Value
from gateway.app.look_ports import claimed
from gateway.barn import BusSpec
from gateway.errors import FrameError, GatewayError, PortGone, ReadError, Refused
from gateway.site_words import BAUDS

WITHIN_S: Final = 0.3  # the site file's default for the slowest device on a line
_UNITS: Final = re.compile("([0-9]{1,3})(?:-([0-9]{1,3}))?")
_LAST_UNIT: Final = 247
FIRST_ADDRESS, LAST_ADDRESS = 0x08, 0x77  # others are reserved: I2C-bus specification, 3.1.12
_NOBODY: Final = (errno.ENXIO, errno.EREMOTEIO)
# Addresses of the chips that we know, by their data sheets.
_KNOWN: Final = {
    0x44: ("sht4x", "sht4x or sht3x: the print on the chip tells"),
    0x45: ("sht4x", "sht4x or sht3x: the print on the chip tells"),
    0x46: ("sht4x", ""),
    0x76: ("bme280", ""),
    0x77: ("bme280", ""),
}


def ask(args: argparse.Namespace, paste: Paste, open_adapter: Callable[[str], Adapter] = opened) -> Iterator[str]:
    """Lines as they come. Raises GatewayError."""
    match = re.fullmatch("i2c-([0-9]+)", Path(args.ask_bus).name)
    if match:
        return _i2c(args.ask_bus, claimed(args.root, match[1]), open_adapter, paste)
    return _modbus(args, _units(args.units), paste)


# --- Modbus ---------------------------------------------------------------------------------------------


def _units(text: str) -> range:
    match = _UNITS.fullmatch(text)
    first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
    if not 1 <= first <= last <= _LAST_UNIT:
        raise GatewayError(f"--units {text}: say one unit or a span from 1 to {_LAST_UNIT}, as 3 or 1-10")
    return range(first, last + 1)


def _modbus(args: argparse.Namespace, units: range, paste: Paste) -> Iterator[str]:
    if args.baud not in BAUDS:
        raise GatewayError(f"--baud {args.baud}: say one of {', '.join(map(str, BAUDS))}")
    line = {"baud": args.baud, "parity": args.parity, "stop_bits": args.stop_bits}
    requests = {unit: RtuFrame(read_registers(unit=unit, function=3, address=0, count=1)) for unit in units}
    yield f"On {args.ask_bus} ({args.baud} baud, parity {args.parity}) this is sent, once for each unit:"
    yield from (f"  unit {unit}: {request.frame.hex(' ')}" for unit, request in requests.items())
    options = {"port": args.ask_bus, "answer_within_s": WITHIN_S, **line}
    wire = SerialWire(BusSpec(name="look", kind="serial", options=options))
    try:
        for unit, request in requests.items():
            said, is_there = _unit(wire, request)
            yield f"  unit {unit}: {said}"
            if is_there:
                bus = paste.bus("line", "serial", "port", args.ask_bus, **line)
                told: dict[str, Value] = {
                    "unit": unit,
                    "function": 3,
                    "base": 0,
                    "temp": Table.of(register=0, type="int16", scale=0.1),
                    "rh": Table.of(register=1, type="int16", scale=0.1),
                }
                paste.sensor(f"unit-{unit}", bus, "modbus-registers", told, "registers: as its data sheet says")
    finally:
        wire.close()


def _unit(wire: SerialWire, request: RtuFrame[tuple[int, ...]]) -> tuple[str, bool]:
    try:
        (word,) = wire.ask(request)
    except Refused as error:
        return f"answers, but refuses: {error}", True
    except PortGone:
        raise  # nothing more can be asked
    except FrameError as error:
        return f"something answers that is not whole ({error}): wrong baud or parity, or two of one unit?", False
    except ReadError:
        return "silent", False
    return f"answers; its first register holds {word}", True


# --- I2C ------------------------------------------------------------------------------------------------


def _i2c(path: str, taken: dict[int, str], open_adapter: Callable[[str], Adapter], paste: Paste) -> Iterator[str]:
    free = [address for address in range(FIRST_ADDRESS, LAST_ADDRESS + 1) if address not in taken]
    yield f"On {path} one byte is read at each address from 0x{FIRST_ADDRESS:02x} to 0x{LAST_ADDRESS:02x},"
    left_alone = ", ".join(f"0x{address:02x}" for address in taken)
    yield f"  {f'but not at {left_alone}, which the kernel has taken; ' if left_alone else ''}nothing is written."
    try:
        adapter = open_adapter(path)
    except OSError as error:
        raise PortGone(f"{path}: {error.strerror}") from error
    try:
        found = [address for address in free if _answers(adapter, address, path)]
    finally:
        adapter.close()
    yield from (f"  0x{address:02x} answers" for address in found)
    if not found:
        yield "  nobody answers"
    for address in found:
        if address in _KNOWN:
            kind, note = _KNOWN[address]
            bus = paste.bus("i2c", "i2c", "device", path)
            paste.sensor(f"chip-{address:02x}", bus, kind, {"address": address}, note)


def _answers(adapter: Adapter, address: int, path: str) -> bool:
    try:
        adapter.i2c_rdwr(i2c_msg.read(address, 1))
    except OSError as error:
        if error.errno in _NOBODY:
            return False
        raise PortGone(f"{path}: at 0x{address:02x} {error.strerror}; is a line held low?") from error
    return True
