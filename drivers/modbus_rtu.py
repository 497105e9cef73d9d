"""Owns: Modbus on a serial line: each request in an RTU frame.

Must not know: what is asked; when a line may speak, which `SerialWire` knows.
How it works: frame, ask, done. Every device of the line shares this wire.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from drivers.modbus_frame import RtuFrame
from drivers.modbus_pdu import Request
from drivers.wire import SerialWire
from gateway.barn import BusSpec

T = TypeVar("T")


class ModbusRtuWire:
    """A serial line with Modbus devices."""

    def __init__(
        self, spec: BusSpec, *, now_s: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._line = SerialWire(spec, now_s=now_s, sleep=sleep)

    def ask(self, request: Request[T]) -> T:
        """One request and its checked answer. Raises ReadError; blocks for about 4 times `answer_within_s` at most."""
        return self._line.ask(RtuFrame(request))

    def close(self) -> None:
        """Release the port for good; idempotent."""
        self._line.close()
