"""Owns: the bytes of Modbus RTU as a device on the line hears and sends them.

Must not know: drivers.modbus_frame and drivers.crc, against which it is an independent second writing; what a
register means; ports.
How it works: `Ear` collects bytes and gives back whole requests. A known function tells the length of its request
early; for any other the silence after it does (`gap`). What has no sound checksum is thrown away byte by byte until
a request begins, as a device does that was switched on in the middle of a talk. `framed` is a reply on its way back,
with what a broken wire does to it.
Rules: "MODBUS over Serial Line V1.02" (2006), section 2.5; "MODBUS Application Protocol V1.1b3" (2012).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

_LONGEST: Final = 256
_SHORTEST: Final = 4  # unit, function, checksum
_STRANGE_UNIT: Final = 0x5A


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a master asks of a unit: function and data, without checksum."""

    unit: int
    pdu: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """What a unit says, and the fault of its wire. `turn` counts all replies."""

    unit: int
    pdu: bytes
    fault: str
    turn: int


def crc16(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            low = crc & 1
            crc >>= 1
            if low:
                crc ^= 0xA001
    return crc


def sealed(unit: int, pdu: bytes) -> bytes:
    """A frame with its checksum, low byte first."""
    body = bytes((unit,)) + pdu
    return body + crc16(body).to_bytes(2, "little")


def framed(reply: Reply) -> bytes | None:
    """A reply as it leaves a unit; None is silence. Torn frames are cut and bent in turn."""
    if reply.fault == "silence":
        return None
    if reply.fault == "foreign":
        return sealed(_STRANGE_UNIT if reply.unit != _STRANGE_UNIT else _STRANGE_UNIT + 1, reply.pdu)
    frame = sealed(reply.unit, reply.pdu)
    if reply.fault == "torn" and reply.turn % 2:
        return frame[:-3]
    if reply.fault == "torn":
        middle = len(frame) // 2
        return frame[:middle] + bytes((frame[middle] ^ 0x10,)) + frame[middle + 1 :]
    return frame


class Ear:
    """Finds requests in what comes over the line."""

    def __init__(self) -> None:
        self._heard = bytearray()

    def feed(self, data: bytes) -> tuple[Request, ...]:
        """The requests that are complete with `data`."""
        self._heard += data
        found: list[Request] = []
        while (size := _request_bytes(self._heard)) and size <= len(self._heard):
            self._take(size, found)
        del self._heard[:-_LONGEST]
        return tuple(found)

    def gap(self) -> tuple[Request, ...]:
        """The line was silent: what is there is whole, or it is noise."""
        found: list[Request] = []
        while len(self._heard) >= _SHORTEST:
            size = _request_bytes(self._heard) or len(self._heard)
            self._take(min(size, len(self._heard)), found)
        self._heard.clear()
        return tuple(found)

    def _take(self, size: int, found: list[Request]) -> None:
        frame = bytes(self._heard[:size])
        if crc16(frame[:-2]) == int.from_bytes(frame[-2:], "little"):
            found.append(Request(unit=frame[0], pdu=frame[1:-2]))
            del self._heard[:size]
        else:
            del self._heard[0]


def _request_bytes(heard: bytearray) -> int | None:
    """How long the request at the beginning is; None while that cannot be known."""
    if len(heard) < _SHORTEST:
        return None
    if 1 <= heard[1] <= 6:
        return 8
    if heard[1] in (15, 16) and len(heard) > 6:
        return 9 + heard[6]
    return None
