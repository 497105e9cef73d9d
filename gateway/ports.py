"""Owns: the tiny protocols between rooms.

Must not know: any implementation.
How it works: structural types; whatever has these methods fits. The same contract tests run on the fakes
and on the real thing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from gateway.model import Channel, Event, Raw, Reading, Stamp


class Sensor(Protocol):
    """Blocking. Called from its bus thread only."""

    @property
    def channels(self) -> tuple[Channel, ...]: ...

    def read(self) -> tuple[Raw, ...]:
        """All channels of one measurement. Raises ReadError (temporary) or DeviceFault (severe)."""
        ...

    def close(self) -> None:
        """Idempotent."""
        ...


class Actuator(Protocol):
    """Blocking. Called from its bus thread only."""

    @property
    def safe_on(self) -> bool: ...

    def set(self, on: bool, speed: float = 1.0) -> None:
        """`speed` is a share of full speed; an output that knows only on and off ignores it. Raises CommandError."""
        ...

    def readback(self) -> bool | None:
        """None: this hardware cannot tell. Raises ReadError."""
        ...

    def close(self) -> None:
        """Leaves the output safe; idempotent."""
        ...


class Clock(Protocol):
    """The only source of time outside the pure rooms."""

    def now_s(self) -> float:
        """Monotonic seconds; runs through suspend; the only clock for durations."""
        ...

    def stamp(self) -> Stamp: ...

    def real_s(self, seconds: float) -> float:
        """How long `seconds` of this clock take on the machine: less when an emulated barn runs fast."""
        ...


class Recorder(Protocol):
    """Where readings and events go. Never blocks, never raises: a full or broken store is a visible fault."""

    def reading(self, reading: Reading) -> None: ...

    def events(self, events: Sequence[Event]) -> None: ...

    def beat(self, steps: int, late: int, stamp: Stamp) -> None: ...

    def troubles(self) -> Mapping[str, str]:
        """What is wrong with the history now, as sentences by code: "disk-full" and "disk-low" are about the disk."""
        ...
