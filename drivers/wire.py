"""Owns: a serial line from opening to closing, and the rules that tie an answer to its request.

Must not know: Modbus, sensors, quantities. What is asked comes as an `Exchange`.
How it works: the port opens at first use, for this process alone. Each `ask` waits for a silent line, sends,
and collects bytes until the length is reached or the deadline passes. Everything here runs in one bus thread.

Theory of operation. A frame of this kind of line carries no number that says which request it answers. So a
late answer must never meet the next request: after a time-out or a bad frame, and after any byte that nobody
asked for, the line must first be silent for as long as its slowest device may take (`answer_within_s`), and
what arrives meanwhile is thrown away. A device slower than twice that time cannot be told apart: the site
file must name the slowest.

    closed --first ask--> open --answer, refusal--> open
      ^                    |  --time-out, bad frame--> open, restless --silence--> open
      |                    v
      +----(1 .. 4 s)--- gone   calls in between fail at once
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any, Final, Protocol, TypeVar

import serial

from drivers.serial_port import PARITY, SerialPort
from gateway.barn import BusSpec
from gateway.errors import BusTimeout, FrameError

T_co = TypeVar("T_co", covariant=True)
T = TypeVar("T")

_SLICE_S: Final = 0.02  # how long one look at the port may take; bounds how far a deadline is overrun


class Exchange(Protocol[T_co]):
    """One request as a value: what to send, how long the answer is, what it means."""

    @property
    def what(self) -> str: ...

    @property
    def frame(self) -> bytes: ...

    def length(self, received: bytes) -> int: ...

    def parse(self, raw: bytes) -> T_co: ...


def frame_gap_s(*, baud: int, char_bits: int) -> float:
    """The silence between two frames: 3.5 characters, above 19200 baud fixed.

    Reference: MODBUS over Serial Line V1.02 (2006), section 2.5.1.1.
    """
    return 0.00175 if baud > 19200 else 3.5 * char_bits / baud


class SerialWire:
    """A serial line held by this process alone."""

    def __init__(
        self, spec: BusSpec, *, now_s: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._name = spec.name
        self._options = spec.options
        self._within_s = float(spec.options["answer_within_s"])
        char_bits = _char_bits(spec.options)
        self._char_s = char_bits / spec.options["baud"]
        self._gap_s = frame_gap_s(baud=spec.options["baud"], char_bits=char_bits)
        self._now_s, self._sleep = now_s, sleep
        settings = {
            "baudrate": spec.options["baud"],
            "parity": PARITY[spec.options["parity"]],
            "stopbits": spec.options["stop_bits"],
            "timeout": _SLICE_S,
            "write_timeout": self._within_s,
        }
        self._port = SerialPort(bus=spec.name, path=spec.options["port"], settings=settings, now_s=now_s)
        self._silent_from_s = float("-inf")  # the line must have no byte until then

    def ask(self, exchange: Exchange[T]) -> T:
        """One request and its checked answer. Raises ReadError; blocks for about 4 times `answer_within_s` at most."""
        fresh = not self._port.is_open
        with self._port.use() as port:
            if fresh:
                self._rest()
            self._settle(port)
            self._send(port, exchange.frame)
            raw = self._collect(port, exchange)
        return self._judge(exchange, raw)

    def close(self) -> None:
        """Release the port for good; idempotent."""
        self._port.close()

    def _settle(self, port: serial.Serial) -> None:
        """Throw away what nobody asked for and wait until the line is silent."""
        give_up_s = self._now_s() + 2 * self._within_s
        thrown = b""
        while True:
            if waiting := port.in_waiting:
                thrown += port.read(waiting)
                self._rest()
            now_s = self._now_s()
            if now_s >= self._silent_from_s:
                return
            if now_s >= give_up_s:
                raise FrameError(f"{self._name}: somebody speaks without being asked", thrown[-32:])
            self._sleep(min(self._silent_from_s - now_s, _SLICE_S))

    def _send(self, port: serial.Serial, frame: bytes) -> None:
        port.reset_input_buffer()
        port.write(frame)

    def _collect(self, port: serial.Serial, exchange: Exchange[Any]) -> bytes:
        raw = b""
        on_the_line_s = (len(exchange.frame) + exchange.length(raw)) * self._char_s
        wait_s = self._within_s + on_the_line_s
        until_s = self._now_s() + wait_s
        while (missing := exchange.length(raw) - len(raw)) > 0:
            if self._now_s() >= until_s:
                self._rest()
                raise BusTimeout(exchange.what, wait_s, raw)
            raw += port.read(missing)
        self._silent_from_s = self._now_s() + self._gap_s
        return raw

    def _judge(self, exchange: Exchange[T], raw: bytes) -> T:
        try:
            return exchange.parse(raw)
        except FrameError:
            self._rest()
            raise

    def _rest(self) -> None:
        self._silent_from_s = self._now_s() + self._within_s


def _char_bits(options: Mapping[str, Any]) -> int:
    """Start bit, eight data bits, parity, stop bits."""
    return 9 + int(options["parity"] != "none") + int(options["stop_bits"])
