"""Fakes at the lowest seam: a clock that is moved by hand, a sensor and an output that do what they are told."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence

from gateway.errors import CommandError
from gateway.model import Channel, Event, Quantity, Raw, Reading, Stamp


class HandClock:
    """Time moves when the test says so."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.at_s = now_s

    def now_s(self) -> float:
        return self.at_s

    def real_s(self, seconds: float) -> float:
        return seconds

    def stamp(self) -> Stamp:
        return Stamp(mono_s=self.at_s, wall_s=1_780_000_000.0 + self.at_s, boot="boot-1", trusted=True)


class ListRecorder:
    """Keeps what it is given, in order; says the trouble it is told to have."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.event_list: list[Event] = []
        self.beats: list[tuple[int, int]] = []
        self.sick = ""

    def reading(self, reading: Reading) -> None:
        self.readings.append(reading)

    def events(self, events: Sequence[Event]) -> None:
        self.event_list.extend(events)

    def beat(self, steps: int, late: int, stamp: Stamp) -> None:
        self.beats.append((steps, late))

    def troubles(self) -> Mapping[str, str]:
        return {"history-unwritten": self.sick} if self.sick else {}


class TalkingSensor:
    """Calls `say` for each read: it returns (temp_c, rh_pct) or raises, as a driver does."""

    def __init__(self, name: str, say: Callable[[], tuple[float, float]], place: str = "stalls") -> None:
        self._say = say
        self.channels = tuple(
            Channel(name=f"{name}.{q}", sensor=name, place=place, quantity=q) for q in (Quantity.TEMP, Quantity.RH)
        )
        self.reads = 0
        self.closed = False

    def read(self) -> tuple[Raw, ...]:
        self.reads += 1
        values = self._say()
        return tuple(Raw(channel=c.name, value=v) for c, v in zip(self.channels, values, strict=True))

    def close(self) -> None:
        self.closed = True


class Contact:
    """An output with a contact that follows unless it is deaf; refuses when it is cut off."""

    def __init__(self, *, safe_on: bool = True) -> None:
        self.safe_on = safe_on
        self.on = safe_on
        self.sets: list[bool] = []
        self.deaf = False
        self.cut_off = False

    def set(self, on: bool, speed: float = 1.0) -> None:
        if self.cut_off:
            raise CommandError("no answer from the relay block")
        self.sets.append(on)
        if not self.deaf:
            self.on = on

    def readback(self) -> bool | None:
        return self.on

    def close(self) -> None:
        self.on = self.safe_on


def until(condition: Callable[[], bool], limit_s: float = 5.0) -> None:
    """Wait for another thread, briefly; fails the test when it does not come."""
    pause = threading.Event()
    for _ in range(int(limit_s / 0.005)):
        if condition():
            return
        pause.wait(0.005)
    raise AssertionError(f"nothing within {limit_s} s")
