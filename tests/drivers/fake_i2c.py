"""Owns: an I2C bus with chips on it, faked below the library: what goes in and out are the messages of one ioctl.

Must not know: our drivers, our codecs, our checksums.
How it works: `FakeBus.transfer` takes the messages of one I2C_RDWR call and refuses what hardware refuses: an address
at which nobody is, a command that the chip does not know or of a wrong length, reading while it measures or when
there is nothing to read, a held line, a chip without supply, an adapter that was pulled out. The chips are written
from their data sheets with numbers of their own. Each transfer is logged.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Protocol

from smbus2 import i2c_msg

from gateway.errors import PortGone

READ = 0x0001  # I2C_M_RD, linux/i2c.h
STRETCH_LIMIT_S = 1.0  # how long a kernel driver waits for a held line before it says ETIMEDOUT


@dataclass(slots=True)
class Hand:
    """A clock that moves when somebody sleeps."""

    now_s: float = 1000.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        assert seconds >= 0
        self.now_s += seconds


class Nack(Exception):
    """The chip pulls no acknowledge."""


class Chip(Protocol):
    def write(self, data: bytes) -> None: ...

    def read(self, length: int) -> bytes: ...

    def power_up(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Message:
    address: int
    is_read: bool
    data: bytes  # zeros for a read
    length: int


@dataclass(slots=True)
class FakeBus:
    """`stuck` is the errno of a held bus; `freed_by_power` when a chip holds it, so that a cut of the supply frees it.

    `failing` are errnos that the next transfers give, one each. `answer` may spoil what a chip says.
    """

    clock: Hand
    chips: dict[int, Chip] = field(default_factory=dict)
    stuck: int = 0
    freed_by_power: bool = True
    failing: list[int] = field(default_factory=list)
    unplugged: bool = False
    powered: bool = True
    answer: Callable[[bytes], bytes] = bytes
    log: list[str] = field(default_factory=list)
    opened: int = 0
    open_now: int = 0
    cuts_s: list[float] = field(default_factory=list)

    def open(self, path: str) -> FakeAdapter:
        if self.unplugged:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        self.opened += 1
        self.open_now += 1
        return FakeAdapter(self)

    def transfer(self, messages: Sequence[Message]) -> list[bytes]:
        """What is read, one for each reading message. Raises OSError."""
        self._expect_carried(messages)
        self.log.append(" + ".join(map(_shown, messages)))
        answers = []
        for message in messages:
            chip = self.chips.get(message.address) if self.powered else None
            if chip is None:
                raise OSError(errno.ENXIO, os.strerror(errno.ENXIO))
            try:
                if message.is_read:
                    answers.append(self.answer(chip.read(message.length)))
                else:
                    chip.write(message.data)
            except Nack as nack:
                raise OSError(errno.EREMOTEIO, os.strerror(errno.EREMOTEIO)) from nack
        return answers

    def power(self, on: bool) -> None:
        if self.powered and not on:
            self.cuts_s.append(self.clock())
            if self.freed_by_power:
                self.stuck = 0
        if on and not self.powered:
            for chip in self.chips.values():
                chip.power_up()
        self.powered = on

    def _expect_carried(self, messages: Sequence[Message]) -> None:
        if self.unplugged:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        if not 1 <= len(messages) <= 42:  # I2C_RDWR_IOCTL_MAX_MSGS, linux/i2c-dev.h
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        if any(not 1 <= message.length <= 8192 or not 0x08 <= message.address <= 0x77 for message in messages):
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        if self.stuck:
            if self.stuck == errno.ETIMEDOUT:
                self.clock.sleep(STRETCH_LIMIT_S)
            self.log.append("stuck")
            raise OSError(self.stuck, os.strerror(self.stuck))
        if self.failing and (code := self.failing.pop(0)):
            self.log.append(f"errno {code}")
            raise OSError(code, os.strerror(code))


@dataclass(slots=True)
class FakeAdapter:
    """In the place of the library's opened bus: takes its real messages."""

    bus: FakeBus
    closed: bool = False

    def i2c_rdwr(self, *i2c_msgs: i2c_msg) -> None:
        if self.closed:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        answers = self.bus.transfer([_plain(each) for each in i2c_msgs])
        reads = [each for each in i2c_msgs if each.flags & READ]
        for each, answer in zip(reads, answers, strict=True):
            for place, byte in enumerate(answer):
                each.buf[place] = byte

    def close(self) -> None:
        if not self.closed:
            self.bus.open_now -= 1
        self.closed = True


@dataclass(slots=True)
class FakeSupply:
    """In the place of the GPIO line that feeds the chips."""

    bus: FakeBus
    absent: bool = False
    closed: bool = False

    def turn(self, on: bool) -> None:
        if self.absent:
            raise PortGone("no such line")
        self.bus.power(on)

    def close(self) -> None:
        self.closed = True


def _shown(message: Message) -> str:
    what = f"r{message.length}" if message.is_read else f"w {message.data.hex(' ')}"
    return f"{message.address:02x} {what}"


def _plain(message: i2c_msg) -> Message:
    is_read = bool(message.flags & READ)
    length = int(message.len)
    data = bytes(length) if is_read else bytes(message.buf[:length])
    return Message(address=int(message.addr), is_read=is_read, data=data, length=length)


# --- chips --------------------------------------------------------------------------------------------


def crc8(data: bytes) -> int:
    """x^8 + x^5 + x^4 + 1, start FF, by long division of the whole message as one number."""
    rest = (int.from_bytes(data, "big") ^ 0xFF << 8 * (len(data) - 1)) << 8
    for bit in range(8 * len(data) + 7, 7, -1):
        if rest >> bit & 1:
            rest ^= 0x131 << (bit - 8)
    return rest


@dataclass(slots=True)
class FakeSht4x:
    """Data sheet SHT4x: table 6 (commands), table 4 (times). It answers nothing while it works."""

    clock: Hand
    temp_word: int = 0x6666
    rh_word: int = 0x6666
    busy_until_s: float = 0.0
    pending: bytes = b""
    commands: list[str] = field(default_factory=list)
    heated_s: list[float] = field(default_factory=list)

    TIMES: ClassVar[dict[int, float]] = {
        0xFD: 0.0083,
        0xF6: 0.0045,
        0xE0: 0.0016,
        0x39: 1.1,
        0x32: 0.11,
        0x94: 0.001,
        0x89: 0.0,
    }

    def write(self, data: bytes) -> None:
        if self.clock() < self.busy_until_s or len(data) != 1 or data[0] not in self.TIMES:
            raise Nack
        self.commands.append(data.hex())
        self.busy_until_s = self.clock() + self.TIMES[data[0]]
        if data[0] == 0x39:
            self.heated_s.append(self.clock())
        self.pending = b"" if data[0] == 0x94 else self._words()

    def read(self, length: int) -> bytes:
        if self.clock() < self.busy_until_s or not self.pending:
            raise Nack
        answer, self.pending = self.pending, b""
        return answer.ljust(length, b"\xff")[:length]  # who clocks on reads a released line

    def power_up(self) -> None:
        self.pending, self.busy_until_s = b"", self.clock() + 0.001

    def _words(self) -> bytes:
        words = (self.temp_word.to_bytes(2, "big"), self.rh_word.to_bytes(2, "big"))
        return b"".join(word + bytes((crc8(word),)) for word in words)


@dataclass(slots=True)
class FakeSht3x:
    """Data sheet SHT3x-DIS: 4.3 (single shot), 4.9 (reset), 4.10 (heater). It refuses to be stretched."""

    clock: Hand
    temp_word: int = 0x6666
    rh_word: int = 0x9999
    busy_until_s: float = 0.0
    pending: bytes = b""
    heater: bool = False
    commands: list[str] = field(default_factory=list)

    TIMES: ClassVar[dict[int, float]] = {
        0x2400: 0.0155,
        0x240B: 0.0065,
        0x2416: 0.0045,
        0x306D: 0.0,
        0x3066: 0.0,
        0x30A2: 0.0015,
    }

    def write(self, data: bytes) -> None:
        command = int.from_bytes(data, "big")
        if self.clock() < self.busy_until_s or len(data) != 2 or command not in self.TIMES:
            raise Nack
        self.commands.append(data.hex())
        self.busy_until_s = self.clock() + self.TIMES[command]
        self.pending = self._words() if command >> 8 == 0x24 else b""
        if command in (0x306D, 0x3066, 0x30A2):
            self.heater = command == 0x306D

    def read(self, length: int) -> bytes:
        if self.clock() < self.busy_until_s or not self.pending:
            raise Nack
        answer, self.pending = self.pending, b""
        return answer.ljust(length, b"\xff")[:length]

    def power_up(self) -> None:
        self.pending, self.heater, self.busy_until_s = b"", False, self.clock() + 0.001

    def _words(self) -> bytes:
        words = (self.temp_word.to_bytes(2, "big"), self.rh_word.to_bytes(2, "big"))
        return b"".join(word + bytes((crc8(word),)) for word in words)


@dataclass(slots=True)
class FakeBme280:
    """Data sheet BME280: 5.3 (memory map), 3.3 (modes), 6.2 (I2C: pairs are written, reading counts on)."""

    clock: Hand
    temp: int = 519888
    pressure: int = 415148
    humidity: int = 30281
    number: int = 0x60
    calibration: bytes = bytes(26)
    humidity_calibration: bytes = bytes(7)
    cells: bytearray = field(default_factory=lambda: bytearray(256))
    pointer: int = 0
    hum_setting: int = 0
    ready_s: float | None = None
    ignores_settings: bool = False

    def __post_init__(self) -> None:
        self.power_up()

    def power_up(self) -> None:
        self.cells[:] = bytes(256)
        self.cells[0x88:0xA2] = self.calibration
        self.cells[0xE1:0xE8] = self.humidity_calibration
        self.cells[0xD0] = self.number
        self.cells[0xF7:0xFF] = bytes.fromhex("80 00 00 80 00 00 80 00")
        self.hum_setting, self.ready_s = 0, None

    def write(self, data: bytes) -> None:
        self._come_to_now()
        self.pointer = data[0]
        if len(data) == 1:
            return
        if len(data) % 2:
            raise Nack
        for register, value in zip(data[::2], data[1::2], strict=True):
            self._set(register, value)

    def read(self, length: int) -> bytes:
        self._come_to_now()
        answer = bytes(self.cells[self.pointer + place & 0xFF] for place in range(length))
        self.pointer = self.pointer + length & 0xFF
        return answer

    def _set(self, register: int, value: int) -> None:
        if register == 0xE0 and value == 0xB6:
            self.power_up()
        elif register in (0xF2, 0xF4, 0xF5) and not self.ignores_settings:
            self.cells[register] = value
            if register == 0xF4:
                self.hum_setting = self.cells[0xF2] & 7
                if value & 3:
                    self.ready_s = self.clock() + 0.0093
                    self.cells[0xF3] |= 0x08

    def _come_to_now(self) -> None:
        if self.ready_s is None or self.clock() < self.ready_s:
            return
        settings, self.ready_s = self.cells[0xF4], None
        self.cells[0xF3] &= ~0x08 & 0xFF
        self.cells[0xF4] &= 0xFC
        pressure = self.pressure if settings >> 2 & 7 else 0x80000
        temp = self.temp if settings >> 5 else 0x80000
        humidity = self.humidity if self.hum_setting else 0x8000
        self.cells[0xF7:0xFF] = (pressure << 4).to_bytes(3) + (temp << 4).to_bytes(3) + humidity.to_bytes(2)
