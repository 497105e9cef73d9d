"""Owns: what a Modbus client asks and what the answer says, without the frame around it.

Must not know: checksums, headers, ports, time, what a number means in a barn.
How it works: a function for each kind of request returns a `Request`: the bytes to send (the standard calls them
PDU), how a normal answer begins, how long it is, and `content`, which checks both before it decodes. The frames of
`modbus_frame` carry it over a serial line or TCP.
Rules: "MODBUS Application Protocol Specification V1.1b3" (2012).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final, Generic, Protocol, TypeVar

from gateway.errors import BusTimeout, FrameError, RangeError, ReadError, Refused

T = TypeVar("T")

REFUSAL_BYTES: Final = 2  # function + 80h, code
_READ_BITS: Final = (1, 2)
_READ_REGISTERS: Final = (3, 4)
_TARGET_SILENT: Final = 11

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
}

_REGISTERS_OF: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
_FORMAT_OF: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


class TargetSilent(BusTimeout):
    """A gateway answered that the device behind it does not. The gateway is alive, the device is lost."""

    def __init__(self, what: str, raw: bytes) -> None:
        ReadError.__init__(self, f"{what}: the gateway says that the device behind it is silent")
        self.waited_s, self.raw, self.quality = 0.0, raw, "silent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Request(Generic[T]):
    """One exchange as a value. `head` is how a normal answer must begin, `answer_bytes` how long it must be."""

    what: str
    unit: int
    pdu: bytes
    head: bytes
    answer_bytes: int
    decode: Callable[[bytes], T]

    def is_refusal(self, pdu: bytes) -> bool:
        return pdu[:1] == bytes((self.head[0] | 0x80,))

    def check_head(self, pdu: bytes, raw: bytes) -> None:
        """Raises FrameError, with the whole frame `raw`, when a normal answer cannot begin so."""
        if pdu.startswith(self.head):
            return
        if pdu[:1] != self.head[:1]:
            raise FrameError(f"{self.what}: answer to function {pdu[0]} instead of {self.head[0]}", raw)
        raise FrameError(f"{self.what}: answer begins otherwise than {self.head.hex(' ')}", raw)

    def content(self, pdu: bytes) -> T:
        """What a whole answer says, the frame around it being sound. Raises FrameError, Refused or TargetSilent."""
        if self.is_refusal(pdu):
            _check_size(pdu, REFUSAL_BYTES)
            if pdu[1] == _TARGET_SILENT:
                raise TargetSilent(self.what, pdu)
            raise Refused(self.what, pdu[1], _MEANINGS.get(pdu[1], "unknown code"))
        self.check_head(pdu, pdu)
        _check_size(pdu, self.answer_bytes)
        return self.decode(pdu)


class ModbusWire(Protocol):
    """What a driver needs of a bus of either kind."""

    def ask(self, request: Request[T]) -> T:
        """One request and its checked answer. Raises ReadError."""
        ...


def read_bits(*, unit: int, function: int, address: int, count: int) -> Request[tuple[bool, ...]]:
    """Ask for coils (function 1) or discrete inputs (function 2)."""
    if function not in _READ_BITS:
        raise RangeError("function that reads bits", function, 1, 2)
    _check_span(unit, address, count, most=2000)
    pdu = struct.pack(">BHH", function, address, count)
    what = f"unit {unit}, function {function}, bit {address}"
    return _read(what, unit, pdu, (count + 7) // 8, partial(_bits, count=count))


def read_registers(*, unit: int, function: int, address: int, count: int) -> Request[tuple[int, ...]]:
    """Ask for holding registers (function 3) or input registers (function 4)."""
    if function not in _READ_REGISTERS:
        raise RangeError("function that reads registers", function, 3, 4)
    _check_span(unit, address, count, most=125)
    pdu = struct.pack(">BHH", function, address, count)
    what = f"unit {unit}, function {function}, register {address}"
    return _read(what, unit, pdu, 2 * count, partial(_words, count=count))


def write_coil(*, unit: int, address: int, on: bool) -> Request[None]:
    """Set one coil (function 5). The answer must echo address and value."""
    _check_span(unit, address, 1, most=1)
    pdu = struct.pack(">BHH", 5, address, 0xFF00 if on else 0x0000)
    return _write(f"unit {unit}, coil {address}", unit, pdu)


def write_register(*, unit: int, address: int, value: int) -> Request[None]:
    """Set one holding register (function 6). The answer must echo address and value."""
    _check_span(unit, address, 1, most=1)
    return _write(f"unit {unit}, register {address}", unit, struct.pack(">BHH", 6, address, _word(value)))


def write_coils(*, unit: int, address: int, values: Sequence[bool]) -> Request[None]:
    """Set coils in one go (function 15). The answer must echo address and count."""
    _check_span(unit, address, len(values), most=1968)
    packed = sum(1 << place for place, on in enumerate(values) if on).to_bytes((len(values) + 7) // 8, "little")
    pdu = struct.pack(">BHHB", 15, address, len(values), len(packed)) + packed
    return _write(f"unit {unit}, coils from {address}", unit, pdu)


def write_registers(*, unit: int, address: int, values: Sequence[int]) -> Request[None]:
    """Set holding registers in one go (function 16). The answer must echo address and count."""
    _check_span(unit, address, len(values), most=123)
    words = b"".join(struct.pack(">H", _word(value)) for value in values)
    pdu = struct.pack(">BHHB", 16, address, len(values), len(words)) + words
    return _write(f"unit {unit}, registers from {address}", unit, pdu)


def registers_of(kind: str) -> int:
    """How many registers a number of this type fills."""
    return _REGISTERS_OF[kind]


def number(words: Sequence[int], *, kind: str, low_first: bool) -> float:
    """The number in `words`: one of int16, uint16, int32, uint32, float32. Words are big-endian inside."""
    ordered = tuple(reversed(words)) if low_first else tuple(words)
    raw = struct.pack(f">{len(ordered)}H", *ordered)
    return float(struct.unpack(_FORMAT_OF[kind], raw)[0])


def _read(what: str, unit: int, pdu: bytes, data_bytes: int, decode: Callable[[bytes], T]) -> Request[T]:
    head = pdu[:1] + bytes((data_bytes,))
    return Request(what=what, unit=unit, pdu=pdu, head=head, answer_bytes=data_bytes + 2, decode=decode)


def _write(what: str, unit: int, pdu: bytes) -> Request[None]:
    return Request(what=what, unit=unit, pdu=pdu, head=pdu[:5], answer_bytes=5, decode=_nothing)


def _check_size(pdu: bytes, size: int) -> None:
    if len(pdu) != size:
        raise FrameError(f"answer of {len(pdu)} bytes instead of {size}", pdu)


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


def _bits(pdu: bytes, *, count: int) -> tuple[bool, ...]:
    packed = int.from_bytes(pdu[2:], "little")
    return tuple(bool(packed >> place & 1) for place in range(count))


def _words(pdu: bytes, *, count: int) -> tuple[int, ...]:
    return struct.unpack(f">{count}H", pdu[2:])


def _nothing(pdu: bytes) -> None:
    return None
