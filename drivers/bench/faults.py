"""Owns: what can be broken on the bench, what is broken now, and what that does to a value or a frame.

Must not know: sockets, threads, zones.
How it works: a target is the name of a sensor, a relay block, a piece of kit or a bus; it has at most one fault.
Each kind of target knows its own faults. A value is bent before the device stores it, a frame after the device has
answered, so that the drivers meet what a real wire would bring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from drivers.bench.rtu import sealed
from gateway.model import Barn, SensorSpec

_WIRE_SENSOR: Final = ("silence", "torn", "foreign", "stuck", "power-on", "wet")
_FILE_SENSOR: Final = ("silence", "empty", "nan", "stuck", "power-on", "wet")
_RELAY: Final = ("deaf", "silence")
_KIT: Final = ("deaf",)
_BUS: Final = ("gone",)

_POWER_ON_C: Final = 85.0  # what a common thermometer chip holds before its first conversion
_WET_RH_PCT: Final = 118.998  # a capacitive chip at the end of its scale, -6 + 125 (SHT4x data sheet)
_STRANGE_UNIT: Final = 0x5A


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensed:
    """What a sensor of the bench measures."""

    temp_c: float
    rh_pct: float


class Faults:
    """Which target has which fault. Each call is one operation on one dict, so threads may share it."""

    def __init__(self, barn: Barn) -> None:
        self._allowed: dict[str, tuple[str, ...]] = {
            **{bus.name: _BUS for bus in barn.buses},
            **{relay.name: _RELAY for relay in barn.relays},
            **{kit.name: _KIT for kit in barn.kit},
            **{sensor.name: _of_sensor(sensor) for sensor in barn.sensors},
        }
        self._active: dict[str, str] = {}

    @property
    def targets(self) -> tuple[str, ...]:
        return tuple(self._allowed)

    def allowed(self, target: str) -> tuple[str, ...]:
        """The faults that a target can have; none for a name that is no target."""
        return self._allowed.get(target, ())

    def put(self, target: str, *, kind: str) -> bool:
        """Break it. False, and nothing changed, if this target has no such fault."""
        if kind not in self.allowed(target):
            return False
        self._active[target] = kind
        return True

    def clear(self, target: str) -> None:
        """Mend it; no matter if it was sound."""
        self._active.pop(target, None)

    def of(self, target: str) -> str:
        """The fault of a target, empty if it is sound."""
        return self._active.get(target, "")

    def active(self) -> dict[str, str]:
        return dict(self._active)


def bent(kind: str, *, fresh: Sensed, held: Sensed) -> Sensed:
    """What a sensor with this fault measures; `held` is what it measured before."""
    if kind == "stuck":
        return held
    if kind == "power-on":
        return Sensed(temp_c=_POWER_ON_C, rh_pct=fresh.rh_pct)
    if kind == "wet":
        return Sensed(temp_c=fresh.temp_c, rh_pct=_WET_RH_PCT)
    if kind == "nan":
        return Sensed(temp_c=math.nan, rh_pct=math.nan)
    return fresh


def mangled(kind: str, frame: bytes, *, turn: int) -> bytes | None:
    """A frame as it leaves a unit with this fault; None is silence. Torn frames are cut and bent in turn."""
    if kind == "silence":
        return None
    if kind == "foreign":
        return sealed(_STRANGE_UNIT if frame[0] != _STRANGE_UNIT else _STRANGE_UNIT + 1, frame[1:-2])
    if kind == "torn" and turn % 2:
        return frame[:-3]
    if kind == "torn":
        middle = len(frame) // 2
        return frame[:middle] + bytes((frame[middle] ^ 0x10,)) + frame[middle + 1 :]
    return frame


def _of_sensor(sensor: SensorSpec) -> tuple[str, ...]:
    if sensor.kind != "modbus-air":
        return _FILE_SENSOR
    # An integer register cannot say "not a number".
    floats = all(sensor.options[key]["type"] == "float32" for key in ("temp", "rh"))
    return (*_WIRE_SENSOR, "nan") if floats else _WIRE_SENSOR
