"""Owns: an SDI-12 line behind a serial port: waking it, asking, waiting for a measurement over several reads.

Must not know: what the letters of an answer mean (drivers.sdi12), whether a value is plausible.
How it works: each question is sent behind a break and a pause, which wakes every sensor, and is asked up to three
times. A sensor's `read` begins a measurement, waits a little for it and fetches its values; when the sensor needs
longer than a bus thread may wait, the read ends as a silent one and a later read goes on where it stopped.
Rules: "SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors", version 1.4, sections 3 (line),
4.4 (commands) and 7 (timing, retries). Nothing is promised for adapters; one that makes its own break loses nothing
by ours, and one that echoes what we send is understood.

Theory of operation. While an M measurement runs, a break of anybody would end it, so the line is kept for its sensor
(`hold`) until its time is over; others wait or read nothing. C measurements run side by side and need no hold; when
one needs longer than a read may wait, the next is begun as soon as the last was fetched, so that every read has one.

    idle --start--> measuring --service request or time over--> ready --D0..D9--> idle
                     |    ^
                     +----+ next read
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

import serial

from drivers.sdi12 import LONGEST_LINE, PAGES, Question, is_request, is_sealed, page, start
from drivers.serial_port import SerialPort
from gateway.barn import BusSpec, SensorSpec
from gateway.errors import BusTimeout, EmptyText, FrameError, ReadError, Refused
from gateway.model import Channel, Raw

T = TypeVar("T")

_BAUD: Final = 1200
_CHAR_S: Final = 10 / _BAUD
_BREAK_S: Final = 0.015  # the standard asks for 12 ms at least
_MARK_S: Final = 0.010  # 8.33 ms at least
_GAP_S: Final = 0.15  # between two bytes of an answer: 1.66 ms by the standard, more behind an adapter
_SLICE_S: Final = 0.02
_TRIES: Final = 3

# A bus thread that is busy for 10 s counts as stuck. A whole read stays below, with one question's time to spare.
_LONGEST_READ_S: Final = 4.0
_LONGEST_WAIT_S: Final = 2.5  # for an M: nobody else may speak meanwhile
_SHORTEST_WAIT_S: Final = 1.0  # for a C: others can speak meanwhile
_OLDEST_S: Final = 45.0  # the poller asks even a dead sensor more often than this

# What a port says that can make no break: a pseudo-terminal, some adapters.
_NO_BREAK: Final = (errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP)


class Sdi12Wire:
    """A line on which one asks and one answers. Everything here runs in one bus thread."""

    def __init__(
        self, spec: BusSpec, *, now_s: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self.name = spec.name
        self._within_s = float(spec.options["answer_within_s"])
        self.now_s, self.sleep = now_s, sleep
        settings = {
            "baudrate": _BAUD,
            "bytesize": serial.SEVENBITS,
            "parity": serial.PARITY_EVEN,
            "timeout": _SLICE_S,
            "write_timeout": 1.0,
        }
        self._port = SerialPort(bus=spec.name, path=spec.options["port"], settings=settings, now_s=now_s)
        self._holder, self._held_until_s = "", float("-inf")

    def ask(self, question: Question[T], *, holder: str, until_s: float) -> T:
        """A question and its checked answer; nothing is begun after `until_s`. Raises ReadError."""
        self._wait_for_the_line(holder, until_s)
        with self._port.use() as port:
            for left in reversed(range(_TRIES)):
                try:
                    return question.parse(self._exchange(port, question))
                except (BusTimeout, FrameError):
                    if not left or self.now_s() + self._within_s > until_s:
                        raise
        raise AssertionError("the last try returns or raises")

    def hold(self, holder: str, until_s: float) -> None:
        """Keep the line for one sensor until then."""
        self._holder, self._held_until_s = holder, until_s

    def release(self, holder: str) -> None:
        """Its measurement is over; the line of another stays kept."""
        if holder == self._holder:
            self._held_until_s = float("-inf")

    def hears_request(self, address: str, until_s: float) -> bool:
        """Wait for the service request of a sensor. Raises PortGone."""
        heard = b""
        with self._port.use() as port:
            while True:
                heard = (heard + port.read(max(1, port.in_waiting)))[-LONGEST_LINE:]
                lines = heard.split(b"\r\n")[:-1]
                if any(is_request(line.lstrip(b"\0"), address=address) for line in lines):
                    return True
                if self.now_s() >= until_s:
                    return False

    def close(self) -> None:
        self._port.close()

    def _wait_for_the_line(self, holder: str, until_s: float) -> None:
        now_s = self.now_s()
        if now_s >= until_s:
            raise BusTimeout(f"{self.name}: no time left for {holder}", 0.0)
        left_s = self._held_until_s - now_s
        if holder == self._holder or left_s <= 0:
            return
        if now_s + left_s >= until_s:
            raise BusTimeout(f"{self.name}: kept for the measurement of {self._holder}", 0.0)
        self.sleep(left_s)

    def _exchange(self, port: serial.Serial, question: Question[T]) -> bytes:
        wake(port, self.sleep)
        port.reset_input_buffer()
        port.write(question.frame)
        begun_s = self.now_s()
        until_s = begun_s + self._within_s + len(question.frame) * _CHAR_S
        raw = b""
        while not raw.endswith(b"\n"):
            if byte := port.read(1):  # no more than this line: a service request may follow at once
                raw += byte
                until_s = max(until_s, self.now_s() + _GAP_S)
            elif self.now_s() >= until_s:
                raise BusTimeout(question.what, self.now_s() - begun_s, raw)
            if len(raw) > 2 * LONGEST_LINE:
                raise FrameError("an answer without an end", raw)
        return _bare(raw, question.frame)


class Breaks(Protocol):
    """What of a port makes a break."""

    break_condition: bool


def wake(port: Breaks, sleep: Callable[[float], None]) -> None:
    """A break and a pause. Raises OSError when the port is gone."""
    for on, pause_s in ((True, _BREAK_S), (False, _MARK_S)):
        try:
            port.break_condition = on
        except OSError as error:
            if error.errno not in _NO_BREAK:
                raise
        sleep(pause_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measurement:
    """A measurement under way."""

    begun_s: float
    ready_s: float
    count: int


class Sdi12Sensor:
    """A sensor with an address on an SDI-12 line."""

    def __init__(self, spec: SensorSpec, wire: Sdi12Wire) -> None:
        self._name, self._wire, self._channels = spec.name, wire, spec.channels
        self._address, self._command = spec.options["address"], spec.options["command"]
        self._alone, self._sealed = self._command.startswith("M"), is_sealed(self._command)
        self._fields = [spec.options[quantity.key] for quantity in spec.quantities]
        self._start = start(address=self._address, command=self._command)
        self._measurement: _Measurement | None = None

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        """Blocks for `_LONGEST_READ_S` and one more question at most."""
        until_s = self._wire.now_s() + _LONGEST_READ_S
        going, self._measurement = self._measurement, None
        if going is None or self._wire.now_s() - going.begun_s > max(_OLDEST_S, 2 * (going.ready_s - going.begun_s)):
            going = self._begin(until_s)
        if not self._is_ready(going):
            self._measurement = going
            raise BusTimeout(f"{self._name}: still measures", self._wire.now_s() - going.begun_s)
        values = self._fetch(going.count, until_s)
        if not self._alone and going.ready_s - going.begun_s > _SHORTEST_WAIT_S:
            with suppress(ReadError):  # what was measured counts; the next read tries again
                self._measurement = self._begin(until_s)
        return self._raws(values)

    def close(self) -> None:
        """The line belongs to the bus: nothing to release."""

    def _begin(self, until_s: float) -> _Measurement:
        promise = self._wire.ask(self._start, holder=self._name, until_s=until_s)
        if not promise.count:
            raise Refused(self._start.what, 0, "it has no values for this command")
        now_s = self._wire.now_s()
        if self._alone:
            self._wire.hold(self._name, now_s + promise.wait_s)
        return _Measurement(begun_s=now_s, ready_s=now_s + promise.wait_s, count=promise.count)

    def _is_ready(self, going: _Measurement) -> bool:
        """Wait for it as long as a read may. Raises PortGone."""
        now_s = self._wire.now_s()
        left_s = going.ready_s - now_s
        if left_s <= 0:
            return True
        if self._alone:
            wait_s = min(left_s, _LONGEST_WAIT_S)
            return self._wire.hears_request(self._address, now_s + wait_s) or wait_s == left_s
        if left_s > _SHORTEST_WAIT_S:
            return False
        self._wire.sleep(left_s)
        return True

    def _fetch(self, count: int, until_s: float) -> tuple[float, ...]:
        self._wire.release(self._name)
        values: tuple[float, ...] = ()
        for number in range(PAGES):
            most = count - len(values)
            question = page(address=self._address, number=number, sealed=self._sealed, most=most)
            more = self._wire.ask(question, holder=self._name, until_s=until_s)
            values += more
            if not more or len(values) == count:
                break
        if len(values) < count:
            raise EmptyText(f"{self._name}: gave {len(values)} of the {count} values that it promised")
        return values

    def _raws(self, values: tuple[float, ...]) -> tuple[Raw, ...]:
        most = max(field["value"] for field in self._fields)
        if most > len(values):
            raise EmptyText(f"{self._name}: has {len(values)} values, number {most} is asked for")
        return tuple(
            Raw(channel=channel.name, value=values[field["value"] - 1] * field["scale"] + field["offset"])
            for channel, field in zip(self._channels, self._fields, strict=True)
        )


def _bare(raw: bytes, frame: bytes) -> bytes:
    """An answer without its end, without the echo of what we sent, and without what an echoed break looks like."""
    return raw.lstrip(b"\0").removeprefix(frame).removesuffix(b"\n").removesuffix(b"\r")
