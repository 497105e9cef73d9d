"""Owns: the lines of one GPIO chip, from the request to the release.

Must not know: what hangs on a line, when to read or switch.
How it works: each sensor and each piece of kit announces its line when it is made. At first use the chip is found by
its label, never by its number, and all lines are taken in one request: outputs released, so that nothing moves when
the program starts. A line that another program holds, or that is not there, fails the whole request, and the wiring
decides. A line announced later gives all lines back and takes them anew. Everything here runs in one bus thread.

    announced --first use--> held --error of the chip--> gone --(1 .. 10 s)--> announced

The kernel keeps an output only as long as it is held; afterwards many chips keep the last level, others do not.
Reference: Linux Documentation/userspace-api/gpio/chardev.rst and gpio-v2-get-line-ioctl.rst.
"""

from __future__ import annotations

import errno
import glob
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from datetime import timedelta
from typing import Final, Protocol, TypeVar

import gpiod
from gpiod.line import Bias, Clock, Direction, Edge, Value

from drivers.gpio_edges import EdgeCount
from drivers.pause import Pause
from gateway.barn import BusSpec
from gateway.errors import PortGone, ReadError

CONSUMER: Final = "loosebox"  # what other programs see beside a line that we hold
_BIAS: Final = {"as-is": Bias.AS_IS, "pull-up": Bias.PULL_UP, "pull-down": Bias.PULL_DOWN}
_BUFFER_EDGES: Final = 1024  # the most that the kernel gives
_MOST_BATCHES: Final = 64  # a chattering line must not hold the bus thread
_GONE: Final = (errno.ENODEV, errno.ENXIO, errno.EBADF)

T = TypeVar("T")

Config = dict[Iterable[int | str] | int | str, gpiod.LineSettings | None]


class EdgeEvent(Protocol):
    """What is used of gpiod's edge events."""

    @property
    def timestamp_ns(self) -> int: ...
    @property
    def line_offset(self) -> int: ...
    @property
    def line_seqno(self) -> int: ...


class Request(Protocol):
    """What is used of gpiod's line requests."""

    @property
    def offsets(self) -> list[int]: ...
    @property
    def lines(self) -> list[int | str]: ...
    def get_value(self, line: int | str) -> Value: ...
    def set_value(self, line: int | str, value: Value) -> None: ...
    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool: ...
    def read_edge_events(self, max_events: int | None = None) -> Sequence[EdgeEvent]: ...
    def release(self) -> None: ...


class ChipInfo(Protocol):
    @property
    def label(self) -> str: ...


class LineInfo(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def used(self) -> bool: ...
    @property
    def consumer(self) -> str: ...


class Chip(Protocol):
    """What is used of gpiod's chips."""

    def get_info(self) -> ChipInfo: ...
    def get_line_info(self, line: int | str) -> LineInfo: ...
    def request_lines(
        self, config: Config, consumer: str | None = None, event_buffer_size: int | None = None
    ) -> Request: ...
    def close(self) -> None: ...


def chip_files() -> Sequence[str]:
    """The chips of this board, each once: some boards keep an old number as a second name."""
    return sorted({os.path.realpath(path) for path in glob.glob("/dev/gpiochip*")})


class GpioWire:
    """The announced lines of one chip, held by this process alone."""

    def __init__(
        self,
        spec: BusSpec,
        *,
        files: Callable[[], Sequence[str]] = chip_files,
        open_chip: Callable[[str], Chip] = gpiod.Chip,
        now_s: Callable[[], float] = time.monotonic,  # the clock of the kernel's edges
    ) -> None:
        self._name, self._label = spec.name, str(spec.options["chip"])
        self._files, self._open_chip, self._now_s = files, open_chip, now_s
        self._settings: dict[str, gpiod.LineSettings] = {}
        self._request: Request | None = None
        self._edges: dict[int, EdgeCount] = {}
        self._offset: dict[str, int] = {}
        self._pause, self._trouble, self._closed = Pause(), "", False

    def take_input(
        self, line: str, *, active_low: bool = False, bias: str = "as-is", debounce_s: float = 0.0, edges: bool = False
    ) -> None:
        """Announce an input; with `edges` its rising edges are counted."""
        self._take(
            line,
            gpiod.LineSettings(
                direction=Direction.INPUT,
                edge_detection=Edge.RISING if edges else Edge.NONE,
                bias=_BIAS[bias],
                active_low=active_low,
                debounce_period=timedelta(seconds=debounce_s),
                event_clock=Clock.MONOTONIC,
            ),
        )

    def take_output(self, line: str, *, active_low: bool = False) -> None:
        """Announce an output. It begins released."""
        self._take(
            line,
            gpiod.LineSettings(direction=Direction.OUTPUT, active_low=active_low, output_value=Value.INACTIVE),
        )

    def level(self, line: str) -> bool:
        """Whether the line is active. Raises PortGone."""
        return bool(self._use(lambda held: held.get_value(line)))

    def drive(self, line: str, active: bool) -> None:
        """Raises PortGone."""
        self._use(lambda held: held.set_value(line, Value.ACTIVE if active else Value.INACTIVE))

    def per_second(self, line: str, *, window_s: float) -> float:
        """Rising edges per second in the last `window_s`. Raises PortGone, and ReadError until so long was counted."""
        self._use(self._collect)
        count, now_s = self._edges[self._offset[line]], self._now_s()
        if count.seen_s(now_s) < window_s:
            raise ReadError(f"{self._name}: {line} is counted for {count.seen_s(now_s):.1f} of {window_s:g} s so far")
        return count.per_second(now_s=now_s, window_s=window_s)

    def close(self) -> None:
        """Give the lines back for good; idempotent."""
        self._closed = True
        self._drop()

    def _take(self, line: str, settings: gpiod.LineSettings) -> None:
        self._settings[line] = settings
        self._drop()

    def _use(self, what: Callable[[Request], T]) -> T:
        held = self._held()
        try:
            return what(held)
        except gpiod.RequestReleasedError as error:
            raise self._gone(str(error)) from error
        except OSError as error:
            if error.errno in _GONE:
                raise self._gone(f"vanished: {error.strerror}") from error
            raise ReadError(f"{self._name}: {error.strerror}") from error  # as an expander on a disturbed I2C bus

    def _held(self) -> Request:
        if self._closed:
            raise PortGone(f"{self._name}: closed")
        if self._request is None:
            left_s = self._pause.left_s(self._now_s())
            if left_s > 0:
                raise PortGone(f"{self._trouble}; next try in {left_s:.0f} s")
            try:
                self._request = self._ask_for_all()
            except (OSError, ValueError) as error:
                raise self._gone(str(error)) from error
            self._pause.worked()
            self._offset = {str(line): at for line, at in zip(self._request.lines, self._request.offsets, strict=True)}
            self._edges = {at: EdgeCount(self._now_s()) for at in self._request.offsets}
        return self._request

    def _ask_for_all(self) -> Request:
        with self._chip() as chip:
            for line in self._settings:
                _check_name(chip, line)
            try:
                config: Config = {line: settings for line, settings in self._settings.items()}  # noqa: C416
                return chip.request_lines(config, CONSUMER, _BUFFER_EDGES)
            except OSError as error:
                raise ValueError(_why(chip, tuple(self._settings), error)) from error

    @contextmanager
    def _chip(self) -> Iterator[Chip]:
        """The one chip with our label, open for the moment. Raises ValueError."""
        with ExitStack() as stack:
            found = []
            for path in self._files():
                with suppress(OSError):  # it may vanish, or not be ours to open
                    chip = self._open_chip(path)
                    stack.callback(chip.close)
                    if chip.get_info().label == self._label:
                        found.append(chip)
            if len(found) != 1:
                raise ValueError(f"{len(found) or 'no'} chips have the label {self._label!r}, it must be one")
            yield found[0]

    def _collect(self, held: Request) -> None:
        for _ in range(_MOST_BATCHES):
            if not held.wait_edge_events(0):
                return
            for event in held.read_edge_events():
                self._edges[event.line_offset].edge(event.timestamp_ns / 1e9, event.line_seqno)

    def _gone(self, why: str) -> PortGone:
        self._drop()
        self._pause.failed(self._now_s())
        self._trouble = f"{self._name}: {self._label} {why}"
        return PortGone(self._trouble)

    def _drop(self) -> None:
        held, self._request = self._request, None
        if held is not None:
            with suppress(OSError, gpiod.RequestReleasedError):
                held.release()


def _check_name(chip: Chip, line: str) -> None:
    """gpiod takes a number for a name that it does not know: then another line would be switched."""
    try:
        info = chip.get_line_info(line)
    except (OSError, ValueError) as error:
        raise ValueError(f"has no line {line!r}") from error
    if info.name != line:
        raise ValueError(f"has no line {line!r}; a number is no name")


def _why(chip: Chip, lines: Sequence[str], error: OSError) -> str:
    """Which line is held, and by whom, if that is the reason."""
    if error.errno == errno.E2BIG:
        return "takes no more than ten different settings; give its lines the same bias and debounce_ms"
    held = [(line, chip.get_line_info(line)) for line in lines]
    taken = ", ".join(f"{line} by {info.consumer or 'somebody'}" for line, info in held if info.used)
    return f"held: {taken}" if taken and error.errno == errno.EBUSY else f"refuses the lines: {error.strerror}"
