"""Owns: GPIO chips for tests, as the kernel and gpiod behave, without hardware.

Must not know: any driver.
How it works: the lowest seam is what gpiod gives: chips and requests. They refuse what those refuse: a line that is
held, a name that is not there, an output that is an input, settings that do not fit together, a released request, a
chip that has gone. Levels of inputs are set by the test as voltages, high or low. A reported edge is numbered as in the
kernel, and its buffer drops the oldest.
References: Linux drivers/gpio/gpiolib-cdev.c; Documentation/userspace-api/gpio/gpio-v2-get-line-ioctl.rst; gpiod 2.
"""

from __future__ import annotations

import errno
import os
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta

import gpiod
from gpiod.line import Bias, Direction, Edge, Value

MOST_ATTRIBUTES = 10  # GPIO_V2_LINE_NUM_ATTRS_MAX


def refuse(number: int) -> OSError:
    return OSError(number, os.strerror(number))


@dataclass(slots=True)
class Pin:
    """One line. `high` is the voltage at the pin."""

    name: str
    high: bool = False
    owner: str = ""
    settings: gpiod.LineSettings | None = None


@dataclass(frozen=True, slots=True)
class Edges:
    timestamp_ns: int
    line_offset: int
    line_seqno: int


@dataclass(frozen=True, slots=True)
class Info:
    name: str
    used: bool
    consumer: str
    label: str = ""
    num_lines: int = 0


@dataclass(slots=True)
class Board:
    """Chips by path, each with a label and its lines by name."""

    chips: dict[str, tuple[str, list[Pin]]] = field(default_factory=dict)
    opened: int = 0
    requests: list[FakeRequest] = field(default_factory=list)

    def add(self, path: str, label: str, *names: str) -> None:
        self.chips[path] = (label, [Pin(name) for name in names])

    def files(self) -> Sequence[str]:
        return list(self.chips)

    def open_chip(self, path: str) -> FakeChip:
        if path not in self.chips:
            raise refuse(errno.ENOENT)
        return FakeChip(self, path)

    def pin(self, name: str) -> Pin:
        return next(pin for _, pins in self.chips.values() for pin in pins if pin.name == name)

    def vanish(self, path: str) -> None:
        del self.chips[path]

    def edge(self, name: str, at_s: float) -> None:
        """The pin goes up at that moment."""
        for request in self.requests:
            request.edge(name, at_s)


class FakeChip:
    def __init__(self, board: Board, path: str) -> None:
        self._board, self._path, self._closed = board, path, False
        board.opened += 1

    def close(self) -> None:
        if not self._closed:
            self._board.opened -= 1
        self._closed = True

    def get_info(self) -> Info:
        label, pins = self._there()
        return Info("", False, "", label=label, num_lines=len(pins))

    def get_line_info(self, line: int | str) -> Info:
        pin = self._there()[1][self._offset(line)]
        return Info(pin.name, bool(pin.owner), pin.owner)

    def request_lines(
        self,
        config: dict[Iterable[int | str] | int | str, gpiod.LineSettings | None],
        consumer: str | None = None,
        event_buffer_size: int | None = None,
    ) -> FakeRequest:
        pins = self._there()[1]
        wanted = {}
        for line, settings in config.items():
            assert isinstance(line, int | str) and settings is not None
            _check(settings)
            wanted[self._offset(line)] = (line, settings)
        if any(pins[offset].owner for offset in wanted):
            raise refuse(errno.EBUSY)
        if _attributes([settings for _, settings in wanted.values()]) > MOST_ATTRIBUTES:
            raise refuse(errno.E2BIG)
        request = FakeRequest(self._board, self._path, wanted, consumer or "?", event_buffer_size or 16 * len(wanted))
        self._board.requests.append(request)
        return request

    def _there(self) -> tuple[str, list[Pin]]:
        if self._closed:
            raise gpiod.ChipClosedError
        if self._path not in self._board.chips:
            raise refuse(errno.ENODEV)
        return self._board.chips[self._path]

    def _offset(self, line: int | str) -> int:
        """As gpiod does: a name, or else a number."""
        pins = self._there()[1]
        for offset, pin in enumerate(pins):
            if pin.name == line:
                return offset
        if isinstance(line, str) and not line.isdecimal():
            raise refuse(errno.ENOENT)
        if int(line) >= len(pins):
            raise ValueError("line offset of out range")
        return int(line)


class FakeRequest:
    def __init__(
        self,
        board: Board,
        path: str,
        wanted: dict[int, tuple[int | str, gpiod.LineSettings]],
        consumer: str,
        buffer_size: int,
    ) -> None:
        self._board, self._path, self._wanted = board, path, wanted
        self._released = False
        self._events: deque[Edges] = deque(maxlen=buffer_size)
        self._numbers = dict.fromkeys(wanted, 0)
        for offset, (_, settings) in wanted.items():
            pin = board.chips[path][1][offset]
            pin.owner, pin.settings = consumer, settings
            if settings.direction is Direction.OUTPUT:
                pin.high = (settings.output_value is Value.ACTIVE) != settings.active_low
            elif settings.bias is Bias.PULL_UP:
                pin.high = True

    @property
    def offsets(self) -> list[int]:
        return list(self._wanted)

    @property
    def lines(self) -> list[int | str]:
        return [line for line, _ in self._wanted.values()]

    def get_value(self, line: int | str) -> Value:
        pin, settings = self._pin(line)
        return Value.ACTIVE if pin.high != settings.active_low else Value.INACTIVE

    def set_value(self, line: int | str, value: Value) -> None:
        pin, settings = self._pin(line)
        if settings.direction is not Direction.OUTPUT:
            raise refuse(errno.EPERM)
        pin.high = (value is Value.ACTIVE) != settings.active_low

    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool:
        self._there()
        assert timeout == 0, "this would wait in the bus thread"
        return bool(self._events)

    def read_edge_events(self, max_events: int | None = None) -> Sequence[Edges]:
        self._there()
        assert self._events, "the kernel would wait here for ever"
        return [self._events.popleft() for _ in range(min(max_events or 64, len(self._events)))]

    def release(self) -> None:
        if self._released:
            return
        self._released = True
        self._board.requests.remove(self)
        if self._path in self._board.chips:
            for offset in self._wanted:
                self._board.chips[self._path][1][offset].owner = ""  # the level stays, as most chips do

    def edge(self, name: str, at_s: float) -> None:
        for offset, (line, settings) in self._wanted.items():
            if line == name and settings.edge_detection is not Edge.NONE:
                self._numbers[offset] += 1
                self._events.append(Edges(round(at_s * 1e9), offset, self._numbers[offset]))

    def _there(self) -> list[Pin]:
        if self._released:
            raise gpiod.RequestReleasedError
        if self._path not in self._board.chips:
            raise refuse(errno.ENODEV)
        return self._board.chips[self._path][1]

    def _pin(self, line: int | str) -> tuple[Pin, gpiod.LineSettings]:
        pins = self._there()
        for offset, (name, settings) in self._wanted.items():
            if line in (offset, name):
                return pins[offset], settings
        raise ValueError(f"unknown line name: {line}")


def _check(settings: gpiod.LineSettings) -> None:
    """What the kernel's flags exclude (gpio_v2_line_flags_validate)."""
    output = settings.direction is Direction.OUTPUT
    edge = settings.edge_detection is not Edge.NONE
    no_direction = settings.direction is Direction.AS_IS
    if (output and (edge or settings.debounce_period)) or (
        no_direction and (edge or settings.bias is not Bias.AS_IS or settings.debounce_period)
    ):
        raise refuse(errno.EINVAL)


def _attributes(settings: Sequence[gpiod.LineSettings]) -> int:
    """How many libgpiod needs: for each set of flags but the commonest, for each debounce, and for the values."""
    flags = {(s.direction, s.edge_detection, s.bias, s.active_low) for s in settings}
    debounces = {s.debounce_period for s in settings if s.debounce_period}
    return len(flags) - 1 + len(debounces) + any(s.direction is Direction.OUTPUT for s in settings)
