"""Owns: the two frames in which Modbus travels: RTU on a serial line, and the header of Modbus TCP.

Must not know: ports, time, what is asked.
How it works: a frame is made of one `Request` and is what a wire sends: the bytes, how many bytes come back by what
has come so far, and `parse`, which checks everything around the answer before the request decodes it. RTU has no
transaction number: unit, function, byte count or echo, length and checksum are all that tie an answer to its
request, and none is optional. TCP has one, and no checksum of its own.
Rules: "MODBUS over Serial Line V1.02" (2006) and "MODBUS Messaging on TCP/IP Implementation Guide V1.0b" (2006).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from drivers.crc import crc16_modbus
from drivers.modbus_pdu import REFUSAL_BYTES, Request
from gateway.errors import ChecksumError, FrameError

T = TypeVar("T")

_RTU_AROUND: Final = 3  # unit, checksum
_SHORTEST_RTU: Final = REFUSAL_BYTES + _RTU_AROUND
_MBAP: Final = 7  # transaction, protocol, length, unit
_SHORTEST_TCP: Final = REFUSAL_BYTES + _MBAP
_LONGEST_PDU: Final = 253


@dataclass(frozen=True, slots=True)
class RtuFrame(Generic[T]):
    """A request on a serial line."""

    request: Request[T]

    @property
    def what(self) -> str:
        return self.request.what

    @property
    def frame(self) -> bytes:
        body = bytes((self.request.unit,)) + self.request.pdu
        return body + struct.pack("<H", crc16_modbus(body))

    def length(self, received: bytes) -> int:
        """How many bytes the answer has in all, judged by those that have come so far."""
        head = bytes((self.request.unit,)) + self.request.head
        if received[: len(head)] == head[: len(received)]:
            return self.request.answer_bytes + _RTU_AROUND
        return _SHORTEST_RTU  # a refusal, or not ours: waiting for more would not make it ours

    def parse(self, raw: bytes) -> T:
        """The checked content of the whole answer. Raises FrameError, ChecksumError, Refused or TargetSilent."""
        if len(raw) < _SHORTEST_RTU:
            raise FrameError(f"{self.what}: only {len(raw)} bytes", raw)
        if raw[0] != self.request.unit:
            raise FrameError(f"{self.what}: unit {raw[0]} answered instead of unit {self.request.unit}", raw)
        pdu = raw[1:-2]
        if not self.request.is_refusal(pdu):
            self._check_echo(raw)
            self.request.check_head(pdu, raw)
        received, computed = int.from_bytes(raw[-2:], "little"), crc16_modbus(raw[:-2])
        if received != computed:
            raise ChecksumError(received, computed, raw)
        return self.request.content(pdu)

    def _check_echo(self, raw: bytes) -> None:
        answers_like_this = raw[1:].startswith(self.request.head)  # a write is answered by its echo
        if not answers_like_this and self.frame.startswith(raw[:_SHORTEST_RTU]):
            raise FrameError(f"{self.what}: our own request came back, the adapter's local echo must be off", raw)


@dataclass(frozen=True, slots=True)
class TcpFrame(Generic[T]):
    """A request over TCP. `transaction` comes back with its answer."""

    request: Request[T]
    transaction: int

    @property
    def what(self) -> str:
        return self.request.what

    @property
    def frame(self) -> bytes:
        pdu = self.request.pdu
        return struct.pack(">HHHB", self.transaction, 0, len(pdu) + 1, self.request.unit) + pdu

    def length(self, received: bytes) -> int:
        """As the header says; what is no header of ours gets no more than has come."""
        if len(received) < _MBAP - 1:
            return _SHORTEST_TCP
        transaction, protocol, length = struct.unpack(">HHH", received[: _MBAP - 1])
        ours = transaction == self.transaction and protocol == 0 and REFUSAL_BYTES < length <= _LONGEST_PDU + 1
        return int(length) + _MBAP - 1 if ours else len(received)

    def parse(self, raw: bytes) -> T:
        """The checked content of the whole answer. Raises FrameError, Refused or TargetSilent."""
        if len(raw) < _SHORTEST_TCP:
            raise FrameError(f"{self.what}: only {len(raw)} bytes", raw)
        transaction, protocol, length, unit = struct.unpack(">HHHB", raw[:_MBAP])
        for name, found, wanted in (
            ("transaction", transaction, self.transaction),
            ("protocol", protocol, 0),
            ("length", length, len(raw) - _MBAP + 1),
            ("unit", unit, self.request.unit),
        ):
            if found != wanted:
                raise FrameError(f"{self.what}: {name} {found} in the header instead of {wanted}", raw)
        return self.request.content(raw[_MBAP:])
