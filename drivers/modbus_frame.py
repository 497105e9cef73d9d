"""Owns: the bytes of Modbus RTU as a client sends and receives them.

Must not know: ports, time, what a number means in a barn.
How it works: a function for each kind of request returns a `Request`: the bytes to send, how many bytes the
answer has, and `parse`, which checks unit, function, byte count or echo, length and checksum before it decodes.
RTU has no transaction number, so these checks are all that ties an answer to its request; none is optional.
Rules: "MODBUS Application Protocol Specification V1.1b3" (2012) and "MODBUS over Serial Line V1.02" (2006).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final, Generic, TypeVar

from drivers.crc import crc16_modbus
from gateway.errors import ChecksumError, FrameError, RangeError, Refused

T = TypeVar("T")

_EXCEPTION_BYTES: Final = 5  # unit, function + 80h, code, checksum; no answer is shorter
_READ_BITS: Final = (1, 2)
_READ_REGISTERS: Final = (3, 4)

# Application Protocol V1.1b3, section 7.
_MEANINGS: Final = {
    1: "illegal function",
    2: "illegal address",
    3: "illegal value",
    4: "device failure",
    5: "accepted, still working",
    6: "busy",
    8: "memory parity error",
    10: "gateway has no path",
    11: "the device behind the gateway is silent",
}

_REGISTERS_OF: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
_FORMAT_OF: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Request(Generic[T]):
    """One exchange as a value. `head` is how a normal answer must begin, `answer_bytes` how long it must be."""

    what: str
    frame: bytes
    head: bytes
    answer_bytes: int
    decode: Callable[[bytes], T]

    def length(self, received: bytes) -> int:
        """How many bytes the answer has in all, judged by those that have come so far."""
        if received[: len(self.head)] == self.head[: len(received)]:
            return self.answer_bytes
        return _EXCEPTION_BYTES  # an exception, or not ours: waiting for more would not make it ours

    def parse(self, raw: bytes) -> T:
        """The checked content of the whole answer. Raises FrameError, ChecksumError or Refused."""
        self._check_sender(raw)
        if raw[1] == self.head[1] | 0x80:
            self._refuse(raw)
        self._check_head(raw)
        _check_ending(raw, self.answer_bytes)
        return self.decode(raw[2:-2])

    def _check_sender(self, raw: bytes) -> None:
        if len(raw) < _EXCEPTION_BYTES:
            raise FrameError(f"{self.what}: only {len(raw)} bytes", raw)
        if raw[0] != self.head[0]:
            raise FrameError(f"{self.what}: unit {raw[0]} answered instead of unit {self.head[0]}", raw)

    def _refuse(self, raw: bytes) -> None:
        _check_ending(raw, _EXCEPTION_BYTES)
        raise Refused(self.what, raw[2], _MEANINGS.get(raw[2], "unknown code"))

    def _check_head(self, raw: bytes) -> None:
        if raw.startswith(self.head):
            return
        if self.frame.startswith(raw[:_EXCEPTION_BYTES]):
            raise FrameError(f"{self.what}: our own request came back, the adapter's local echo must be off", raw)
        if raw[1] != self.head[1]:
            raise FrameError(f"{self.what}: answer to function {raw[1]} instead of {self.head[1]}", raw)
        raise FrameError(f"{self.what}: answer begins otherwise than {self.head.hex(' ')}", raw)


def read_bits(*, unit: int, function: int, address: int, count: int) -> Request[tuple[bool, ...]]:
    """Ask for coils (function 1) or discrete inputs (function 2)."""
    if function not in _READ_BITS:
        raise RangeError("function that reads bits", function, 1, 2)
    _check_span(unit, address, count, most=2000)
    data_bytes = (count + 7) // 8
    what = f"unit {unit}, function {function}, bit {address}"
    body = struct.pack(">BBHH", unit, function, address, count)
    return _read(what, body, data_bytes, partial(_bits, count=count))


def read_registers(*, unit: int, function: int, address: int, count: int) -> Request[tuple[int, ...]]:
    """Ask for holding registers (function 3) or input registers (function 4)."""
    if function not in _READ_REGISTERS:
        raise RangeError("function that reads registers", function, 3, 4)
    _check_span(unit, address, count, most=125)
    what = f"unit {unit}, function {function}, register {address}"
    body = struct.pack(">BBHH", unit, function, address, count)
    return _read(what, body, 2 * count, partial(_words, count=count))


def write_coil(*, unit: int, address: int, on: bool) -> Request[None]:
    """Set one coil (function 5). The answer must echo address and value."""
    _check_span(unit, address, 1, most=1)
    body = struct.pack(">BBHH", unit, 5, address, 0xFF00 if on else 0x0000)
    return _write(f"unit {unit}, coil {address}", body)


def write_register(*, unit: int, address: int, value: int) -> Request[None]:
    """Set one holding register (function 6). The answer must echo address and value."""
    _check_span(unit, address, 1, most=1)
    body = struct.pack(">BBHH", unit, 6, address, _word(value))
    return _write(f"unit {unit}, register {address}", body)


def write_coils(*, unit: int, address: int, values: Sequence[bool]) -> Request[None]:
    """Set coils in one go (function 15). The answer must echo address and count."""
    _check_span(unit, address, len(values), most=1968)
    packed = sum(1 << place for place, on in enumerate(values) if on).to_bytes((len(values) + 7) // 8, "little")
    body = struct.pack(">BBHHB", unit, 15, address, len(values), len(packed)) + packed
    return _write(f"unit {unit}, coils from {address}", body)


def write_registers(*, unit: int, address: int, values: Sequence[int]) -> Request[None]:
    """Set holding registers in one go (function 16). The answer must echo address and count."""
    _check_span(unit, address, len(values), most=123)
    words = b"".join(struct.pack(">H", _word(value)) for value in values)
    body = struct.pack(">BBHHB", unit, 16, address, len(values), len(words)) + words
    return _write(f"unit {unit}, registers from {address}", body)


def registers_of(kind: str) -> int:
    """How many registers a number of this type fills."""
    return _REGISTERS_OF[kind]


def number(words: Sequence[int], *, kind: str, low_first: bool) -> float:
    """The number in `words`: one of int16, uint16, int32, uint32, float32. Words are big-endian inside."""
    ordered = tuple(reversed(words)) if low_first else tuple(words)
    raw = struct.pack(f">{len(ordered)}H", *ordered)
    return float(struct.unpack(_FORMAT_OF[kind], raw)[0])


def _read(what: str, body: bytes, data_bytes: int, decode: Callable[[bytes], T]) -> Request[T]:
    head = body[:2] + bytes((data_bytes,))
    return Request(what=what, frame=_sealed(body), head=head, answer_bytes=data_bytes + 5, decode=decode)


def _write(what: str, body: bytes) -> Request[None]:
    return Request(what=what, frame=_sealed(body), head=body[:6], answer_bytes=8, decode=_nothing)


def _sealed(body: bytes) -> bytes:
    return body + struct.pack("<H", crc16_modbus(body))


def _check_ending(raw: bytes, answer_bytes: int) -> None:
    if len(raw) != answer_bytes:
        raise FrameError(f"{len(raw)} bytes instead of {answer_bytes}", raw)
    received = int.from_bytes(raw[-2:], "little")
    computed = crc16_modbus(raw[:-2])
    if received != computed:
        raise ChecksumError(received, computed, raw)


def _check_span(unit: int, address: int, count: int, *, most: int) -> None:
    for name, value, low, high in (
        ("unit", unit, 1, 247),  # 0 speaks to all and gets no answer, above 247 is reserved
        ("address", address, 0, 0xFFFF),
        ("count", count, 1, most),
        ("last address", address + count - 1, 0, 0xFFFF),
    ):
        if not low <= value <= high:
            raise RangeError(name, value, low, high)


def _word(value: int) -> int:
    if not 0 <= value <= 0xFFFF:
        raise RangeError("register value", value, 0, 0xFFFF)
    return value


def _bits(payload: bytes, *, count: int) -> tuple[bool, ...]:
    packed = int.from_bytes(payload[1:], "little")
    return tuple(bool(packed >> place & 1) for place in range(count))


def _words(payload: bytes, *, count: int) -> tuple[int, ...]:
    return struct.unpack(f">{count}H", payload[1:])


def _nothing(payload: bytes) -> None:
    return None
