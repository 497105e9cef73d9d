"""Owns: the devices on an emulated line: air transmitters and a relay block, as functions of a request.

Must not know: ports, threads, zones, faults of the wire.
How it works: `answer` takes the function and data of one request and returns those of the reply; what the device
does not do comes back as an exception reply with its code. Values lie in registers as the site file orders them. The
relay block starts with every coil released, and releases all again when nobody wrote to it for `watchdog_s`.
Rules: "MODBUS Application Protocol V1.1b3" (2012), sections 6 and 7.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any, Final, Protocol

from gateway.model import RelaySpec, SensorSpec

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3

WATCHDOG_REGISTER: Final = 8
_WATCHDOG_S: Final = 30
_LONGEST_WATCHDOG_S: Final = 3600

# struct letter, lowest and highest count
_INTEGERS: Final = {
    "int16": ("h", -(2**15), 2**15 - 1),
    "uint16": ("H", 0, 2**16 - 1),
    "int32": ("i", -(2**31), 2**31 - 1),
    "uint32": ("I", 0, 2**32 - 1),
}


class Slave(Protocol):
    """A device on a line. Its functions may be called by one thread at a time."""

    @property
    def name(self) -> str: ...

    @property
    def unit(self) -> int: ...

    def answer(self, pdu: bytes, now_s: float) -> bytes: ...


def refusal(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))


class AirTransmitter:
    """A transmitter of temperature and humidity that holds what it last measured."""

    def __init__(self, spec: SensorSpec) -> None:
        self.name, self.unit = spec.name, int(spec.options["unit"])
        self._options = spec.options
        self.temp_c, self.rh_pct = 20.0, 50.0

    def answer(self, pdu: bytes, now_s: float) -> bytes:
        if pdu[0] != self._options["function"]:
            return refusal(pdu[0], ILLEGAL_FUNCTION)
        if len(pdu) != 5:
            return refusal(pdu[0], ILLEGAL_VALUE)
        start, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= 125:
            return refusal(pdu[0], ILLEGAL_VALUE)
        words = self._words()
        if start < min(words) or start + count - 1 > max(words):
            return refusal(pdu[0], ILLEGAL_ADDRESS)
        data = b"".join(words.get(address, b"\0\0") for address in range(start, start + count))
        return bytes((pdu[0], len(data))) + data

    def _words(self) -> dict[int, bytes]:
        low_first = self._options["word_order"] == "low-first"
        words: dict[int, bytes] = {}
        for key, value in (("temp", self.temp_c), ("rh", self.rh_pct)):
            layout = self._options[key]
            data = encoded(value, layout)
            pieces = [data[at : at + 2] for at in range(0, len(data), 2)]
            first = int(layout["register"]) - int(self._options["base"])
            words.update(enumerate(reversed(pieces) if low_first else pieces, start=first))
        return words


def encoded(value: float, layout: Mapping[str, Any]) -> bytes:
    """A value as big-endian bytes of its type; an integer stops at the ends of its range."""
    raw = (value - layout["offset"]) / layout["scale"]
    if layout["type"] == "float32":
        return struct.pack(">f", raw)
    letter, low, high = _INTEGERS[layout["type"]]
    return struct.pack(f">{letter}", min(high, max(low, round(raw))))


class RelayBlock:
    """Relays with a watchdog of their own. A coil in `deaf` is answered for and does not follow."""

    def __init__(self, spec: RelaySpec, *, coils: int, now_s: float) -> None:
        self.name, self.unit = spec.name, int(spec.options["unit"])
        self._coils = [False] * coils
        self._watchdog_s = _WATCHDOG_S
        self._written_s = now_s
        self.deaf: frozenset[int] = frozenset()

    @property
    def size(self) -> int:
        return len(self._coils)

    def energised(self, address: int, now_s: float) -> bool:
        """Whether the coil at an address of the wire pulls its contact."""
        self._watch(now_s)
        return self._coils[address]

    def answer(self, pdu: bytes, now_s: float) -> bytes:
        self._watch(now_s)
        reads = {1: self._read_coils, 3: self._read_register}
        writes = {5: self._write_coil, 6: self._write_register, 15: self._write_coils}
        function = pdu[0]
        handler = reads.get(function) or writes.get(function)
        if handler is None:
            return refusal(function, ILLEGAL_FUNCTION)
        if len(pdu) < 5 or (function != 15 and len(pdu) != 5):
            return refusal(function, ILLEGAL_VALUE)
        reply = handler(pdu)
        if isinstance(reply, int):
            return refusal(function, reply)
        if function in writes:
            self._written_s = now_s
        return reply

    def _watch(self, now_s: float) -> None:
        if self._watchdog_s and now_s - self._written_s >= self._watchdog_s:
            self._coils = [False] * len(self._coils)

    def _read_coils(self, pdu: bytes) -> bytes | int:
        start, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= 2000:
            return ILLEGAL_VALUE
        if start + count > len(self._coils):
            return ILLEGAL_ADDRESS
        bits = sum(on << at for at, on in enumerate(self._coils[start : start + count]))
        size = (count + 7) // 8
        return bytes((1, size)) + bits.to_bytes(size, "little")

    def _write_coil(self, pdu: bytes) -> bytes | int:
        address, value = struct.unpack(">HH", pdu[1:])
        if value not in (0x0000, 0xFF00):
            return ILLEGAL_VALUE
        if address >= len(self._coils):
            return ILLEGAL_ADDRESS
        self._move(address, value == 0xFF00)
        return pdu

    def _write_coils(self, pdu: bytes) -> bytes | int:
        start, count = struct.unpack(">HH", pdu[1:5])
        size = (count + 7) // 8
        if not 1 <= count <= 1968 or len(pdu) != 6 + size or pdu[5] != size:
            return ILLEGAL_VALUE
        if start + count > len(self._coils):
            return ILLEGAL_ADDRESS
        bits = int.from_bytes(pdu[6:], "little")
        for at in range(count):
            self._move(start + at, bool(bits >> at & 1))
        return pdu[:5]

    def _read_register(self, pdu: bytes) -> bytes | int:
        start, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= 125:
            return ILLEGAL_VALUE
        if (start, count) != (WATCHDOG_REGISTER, 1):
            return ILLEGAL_ADDRESS
        return bytes((3, 2)) + struct.pack(">H", self._watchdog_s)

    def _write_register(self, pdu: bytes) -> bytes | int:
        address, value = struct.unpack(">HH", pdu[1:])
        if address != WATCHDOG_REGISTER:
            return ILLEGAL_ADDRESS
        if value > _LONGEST_WATCHDOG_S:
            return ILLEGAL_VALUE
        self._watchdog_s = value
        return pdu

    def _move(self, address: int, on: bool) -> None:
        if address not in self.deaf:
            self._coils[address] = on
