"""Owns: an invented transmitter that answers "?" with "31.2 64.5 D1": °C, %, and the sum of the bytes before.

Must not know: ports, whether a number is plausible, when it is read.
How it works: the codec `ask` is bytes in, values out; `PuffAir` hands it to the wire of its bus.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from drivers.wire import SerialWire
from gateway.barn import SensorSpec
from gateway.errors import ChecksumError, FrameError
from gateway.model import Channel, Raw

_ANSWER = re.compile(rb"(-?\d\d?\.\d) (\d\d?\.\d) ([0-9A-F]{2})\r\n")


@dataclass(frozen=True, slots=True)
class Ask:
    """One request; the answer ends with a line feed."""

    what: str
    frame: bytes = b"?"

    def length(self, received: bytes) -> int:
        return len(received) + (0 if received.endswith(b"\n") else 1)

    def parse(self, raw: bytes) -> tuple[float, float]:
        match = _ANSWER.fullmatch(raw)
        if match is None:
            raise FrameError("no answer of ours", raw)
        expected = sum(raw[: match.start(3)]) % 256
        if int(match[3], 16) != expected:
            raise ChecksumError(int(match[3], 16), expected, raw)
        return float(match[1]), float(match[2])


class PuffAir:
    """Temperature and humidity of one transmitter that has its line to itself."""

    def __init__(self, spec: SensorSpec, wire: SerialWire) -> None:
        self.channels: tuple[Channel, ...] = spec.channels
        self._wire, self._ask = wire, Ask(what=spec.name)

    def read(self) -> tuple[Raw, ...]:
        values = self._wire.ask(self._ask)
        return tuple(Raw(channel=c.name, value=v) for c, v in zip(self.channels, values, strict=True))

    def close(self) -> None:
        """The line belongs to its bus."""
