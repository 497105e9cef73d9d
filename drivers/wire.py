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

import errno
import termios
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any, Final, Protocol, TypeVar

import serial

from drivers.pause import Pause
from gateway.barn import BusSpec
from gateway.errors import BusTimeout, FrameError, PortGone, ReadError

T_co = TypeVar("T_co", covariant=True)
T = TypeVar("T")

_SLICE_S: Final = 0.02  # how long one look at the port may take; bounds how far a deadline is overrun
_PARITY: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}

# The operating system reports a vanished port as either, pyserial an impossible setting as ValueError.
_PORT_ERRORS: Final = (OSError, termios.error, ValueError)


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
        self._port: serial.Serial | None = None
        self._pause = Pause()
        self._trouble = ""
        self._closed = False
        self._silent_from_s = float("-inf")  # the line must have no byte until then

    def ask(self, exchange: Exchange[T]) -> T:
        """One request and its checked answer. Raises ReadError; blocks for about 4 times `answer_within_s` at most."""
        port = self._opened()
        try:
            self._settle(port)
            self._send(port, exchange.frame)
            raw = self._collect(port, exchange)
        except ReadError:
            raise
        except serial.SerialTimeoutException as error:
            raise self._gone("takes no bytes") from error
        except _PORT_ERRORS as error:
            raise self._gone(f"vanished: {error}") from error
        return self._judge(exchange, raw)

    def close(self) -> None:
        """Release the port for good; idempotent."""
        self._closed = True
        self._drop()

    def _opened(self) -> serial.Serial:
        if self._closed:
            raise PortGone(f"{self._name}: closed")
        if self._port is None:
            left_s = self._pause.left_s(self._now_s())
            if left_s > 0:
                raise PortGone(f"{self._trouble}; next try in {left_s:.0f} s")
            try:
                self._port = self._open()
            except _PORT_ERRORS as error:
                raise self._gone(_why(error)) from error
            self._rest()
        return self._port

    def _open(self) -> serial.Serial:
        options = self._options
        return serial.Serial(
            port=options["port"],
            baudrate=options["baud"],
            parity=_PARITY[options["parity"]],
            stopbits=options["stop_bits"],
            timeout=_SLICE_S,
            write_timeout=self._within_s,
            exclusive=True,
        )

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
                self._pause.worked()  # a silent device is no reason to reopen the port
                self._rest()
                raise BusTimeout(exchange.what, wait_s, raw)
            raw += port.read(missing)
        self._pause.worked()
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

    def _gone(self, why: str) -> PortGone:
        self._drop()
        self._pause.failed(self._now_s())
        self._trouble = f"{self._name}: {self._options['port']} {why}"
        return PortGone(self._trouble)

    def _drop(self) -> None:
        """Close at once: a held descriptor would make the adapter come back under another number."""
        port, self._port = self._port, None
        if port is not None:
            with suppress(*_PORT_ERRORS):
                port.reset_output_buffer()  # unsent bytes would delay the close
            with suppress(*_PORT_ERRORS):
                port.close()


def _char_bits(options: Mapping[str, Any]) -> int:
    """Start bit, eight data bits, parity, stop bits."""
    return 9 + int(options["parity"] != "none") + int(options["stop_bits"])


def _why(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno in (errno.EAGAIN, errno.EBUSY):
        return "is held by another process"
    return f"cannot be opened: {error}"
