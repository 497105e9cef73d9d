"""Owns: a serial port that comes and goes, and what devices send over it unasked, line by line.

Must not know: what a line means. A sensor brings a `parse` that does.
How it works: no thread of its own. Each read of any sensor takes what the port has gathered, cuts it into lines and
offers each line to the mailbox of every sensor on the bus, so that no read takes another sensor's line away. A mailbox
holds the newest word only; it is handed out once, and a read without news is a silent one: an old number never looks
fresh. A device slower than the polling thus ages by its own time between two of its lines.

    port -> LineSplitter -> parse of sensor 1 -> Mailbox 1 -> read of sensor 1
                         -> parse of sensor 2 -> Mailbox 2 -> read of sensor 2

Theory of operation. What the device says last counts, be it a value or that it has none. A torn line is noise: it is
told only when no sound one came since the last read. A read without news waits `_PATIENCE_S` for some, if the read
before had any or the port has just been opened; so a device in the rhythm of the polling is heard each time, and a
silent or slow one costs its neighbours no time. Lines carry no time: one that lay in the port between two reads gets
the time of the second. When the port's buffer was full its lines are old and a newer one is awaited; lines that may
lie there since before `_OLDEST_S` (a bus that hung, a computer that slept) are not handed out.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any, Final, Generic, TypeVar

import serial

from drivers.nmea import parser as nmea_parser
from drivers.serial_port import PARITY, SerialPort
from drivers.text_line import parser as text_line_parser
from gateway.barn import BusSpec, SensorSpec
from gateway.errors import FrameError, NoNews, ReadError
from gateway.model import Channel, Raw

T = TypeVar("T")

_LONGEST_LINE: Final = 1024  # a line of JSON from a microcontroller is a few hundred bytes
_SLICE_S: Final = 0.02
_PATIENCE_S: Final = 1.2  # most instruments speak once a second or faster
_OLDEST_S: Final = 45.0  # the poller asks even a dead sensor more often than this
_CHUNK: Final = 4096
_FULL_BYTES: Final = 4000  # Linux keeps at most 4095 bytes that nobody read, and then loses the newest
_MOST_BYTES: Final = 65536  # of one look; a port that gives more without an end must not hold the bus


class LineSplitter:
    """Bytes in any pieces become whole lines. What stands before the first line end is a part, and is dropped."""

    def __init__(self) -> None:
        self._part = bytearray()
        self._skips = True

    def restart(self) -> None:
        """What comes next may begin in the midst of a line."""
        self._part.clear()
        self._skips = True

    def feed(self, data: bytes) -> list[bytes]:
        """The lines that end within `data`, without their ends; empty ones and too long ones are left out."""
        lines = []
        *ended, rest = re.split(rb"[\r\n]", data)
        for piece in ended:
            self._add(piece)
            if self._part:
                lines.append(bytes(self._part))
            self._part.clear()
            self._skips = False
        self._add(rest)
        return lines

    def _add(self, piece: bytes) -> None:
        if not self._skips:
            self._part += piece
        if len(self._part) > _LONGEST_LINE:
            self.restart()


class Mailbox(Generic[T]):
    """The newest word for one sensor. `parse` gives None for a line that is not for it."""

    def __init__(self, what: str, parse: Callable[[bytes], T | None]) -> None:
        self._what, self._parse = what, parse
        self._news: T | ReadError | None = None
        self._noise: FrameError | None = None
        self._since_s = 0.0
        self._asked_s: float | None = None
        self.heard = 0  # how many sound lines ever came
        self.hopeful = True  # whether there was news at the last look

    @property
    def has_news(self) -> bool:
        return self._news is not None

    def offer(self, line: bytes, since_s: float) -> None:
        """A line that arrived after `since_s`."""
        try:
            word: T | ReadError | None = self._parse(line)
        except FrameError as error:
            self._noise = error
            return
        except ReadError as error:
            word = error
        if word is not None:
            self._news, self._since_s = word, since_s
            self.heard += 1

    def take(self, now_s: float) -> T:
        """Hand it out once. Raises what the device said instead of a value, or NoNews."""
        news, noise, old = self._news, self._noise, now_s - self._since_s > _OLDEST_S
        waited_s = 0.0 if self._asked_s is None else now_s - self._asked_s
        self._asked_s = now_s
        self._news = self._noise = None
        self.hopeful = news is not None
        if news is None or old:
            raise noise or NoNews(self._what, waited_s)
        if isinstance(news, ReadError):
            raise news
        return news


class LinesWire:
    """A line on which devices speak unasked. Everything here runs in one bus thread."""

    def __init__(
        self, spec: BusSpec, *, now_s: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._now_s, self._sleep = now_s, sleep
        options = spec.options
        settings = {
            "baudrate": options["baud"],
            "bytesize": options["data_bits"],
            "parity": PARITY[options["parity"]],
            "stopbits": options["stop_bits"],
            "timeout": 0,
        }
        self._port = SerialPort(bus=spec.name, path=options["port"], settings=settings, now_s=now_s)
        self._splitter = LineSplitter()
        self._boxes: list[Mailbox[Any]] = []
        self._drained_s = now_s()

    def listen(self, mailbox: Mailbox[Any]) -> None:
        """From now on the mailbox gets every line of the bus."""
        self._boxes.append(mailbox)

    def newest(self, mailbox: Mailbox[T]) -> T:
        """The newest word for a mailbox. Raises ReadError; waits `_PATIENCE_S` at most."""
        if not self._port.is_open:
            self._begin()
        with self._port.use() as port:
            full = self._drain(port) >= _FULL_BYTES
            if full:
                self._splitter.restart()
            if full or (mailbox.hopeful and not mailbox.has_news):
                self._wait(port, mailbox)
        return mailbox.take(self._now_s())

    def close(self) -> None:
        self._port.close()

    def _begin(self) -> None:
        """Opening throws away what lay in the port; then everybody may be heard again."""
        self._splitter.restart()
        self._drained_s = self._now_s()
        for mailbox in self._boxes:
            mailbox.hopeful = True

    def _wait(self, port: serial.Serial, mailbox: Mailbox[Any]) -> None:
        heard, until_s = mailbox.heard, self._now_s() + _PATIENCE_S
        while mailbox.heard == heard and self._now_s() < until_s:
            self._sleep(_SLICE_S)
            self._drain(port)

    def _drain(self, port: serial.Serial) -> int:
        since_s, self._drained_s = self._drained_s, self._now_s()
        taken = 0
        while taken < _MOST_BYTES and (data := port.read(_CHUNK)):
            taken += len(data)
            for line in self._splitter.feed(data):
                for mailbox in self._boxes:
                    mailbox.offer(line, since_s)
        return taken


class LineSensor:
    """A device that speaks by itself. `parse` gives the values of a line in the order of the quantities."""

    def __init__(self, spec: SensorSpec, wire: LinesWire, parse: Callable[[bytes], tuple[float, ...] | None]) -> None:
        self._channels, self._wire = spec.channels, wire
        self._mailbox = Mailbox(f"{spec.name} on {spec.bus}", parse)
        wire.listen(self._mailbox)

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        values = self._wire.newest(self._mailbox)
        return tuple(Raw(channel=c.name, value=value) for c, value in zip(self._channels, values, strict=True))

    def close(self) -> None:
        """The line belongs to the bus: nothing to release."""


def text_line(spec: SensorSpec, wire: LinesWire) -> LineSensor:
    """A device that sends columns or JSON."""
    return LineSensor(spec, wire, text_line_parser(spec))


def nmea(spec: SensorSpec, wire: LinesWire) -> LineSensor:
    """A device that sends NMEA 0183 sentences."""
    return LineSensor(spec, wire, nmea_parser(spec))
