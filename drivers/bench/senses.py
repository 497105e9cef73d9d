"""Owns: what each quantity truly is at the spot of a sensor, and the small errors with which it is measured.

Must not know: buses, files, frames, how air and kit came to be as they are.
How it works: `Scene` holds a place at one moment. Air, sun and wind come from there; current, speed and flow from the
kit that the sensor proves (`proof` in the site file), else from that of its place. `Spot` adds an error of its own,
the same in every run, and the fault it has. All figures are invented and only meant to move as the real ones do.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from drivers.bench.air import Air
from drivers.bench.faults import bent
from drivers.bench.kit import Motion
from gateway.barn import Barn, KitSpec, SensorSpec
from gateway.model import KitKind, Quantity, SwitchAt

_FAN_A: Final = 6.0
_FAN_RPM: Final = 540.0
_SUPPLY_V: Final = 24.0
_SUN_GLOBE_K: Final = 15.0  # a globe in full sun over the air
_ROOF_GLOBE_K: Final = 4.0  # under a roof in full sun
_FULL_SUN_W_M2: Final = 900.0
_WIND_FROM_DEG, _WIND_SWINGS_DEG, _WIND_TURNS_S = 225.0, 40.0, 5400.0

# Spread between two sensors of one spot, and noise from one second to the next.
_ERRORS: Final = {
    Quantity.TEMP: (0.1, 0.03),
    Quantity.RH: (0.6, 0.15),
    Quantity.WIND: (0.05, 0.08),
    Quantity.DIRECTION: (2.0, 3.0),
    Quantity.GLOBE: (0.2, 0.05),
    Quantity.SKIN: (0.3, 0.05),
    Quantity.PRESSURE: (20.0, 3.0),
    Quantity.SUN: (3.0, 2.0),
    Quantity.CURRENT: (0.02, 0.02),
    Quantity.SPEED: (2.0, 1.5),
    Quantity.FLOW: (0.002, 0.001),
    Quantity.SUPPLY: (0.05, 0.02),
}
_BELOW_ZERO: Final = (Quantity.TEMP, Quantity.GLOBE, Quantity.SKIN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A place at one moment. `air` is what is there, `sky` the weather; `flow_lpm` is what its misters can spray."""

    air: Air
    sky: Air
    roofed: bool
    pressure_pa: float
    wall_s: float
    flow_lpm: float


class Spot:
    """A sensor at its spot. `values` is what it measured last."""

    def __init__(self, spec: SensorSpec, barn: Barn) -> None:
        self.spec, self._proves = spec, _proved(spec, barn)
        self.values: dict[Quantity, float] = {}
        self._chance = random.Random(spec.name)
        self._off = {
            quantity: self._chance.uniform(-spread, spread)
            for quantity in spec.quantities
            for spread in (_ERRORS.get(quantity, (0.0, 0.0))[0],)
        }

    def measure(self, scene: Scene, motions: Mapping[str, Motion], fault: str) -> None:
        true = {quantity: _TRUTHS[quantity](scene, self._motions(quantity, motions)) for quantity in self._off}
        fresh = {quantity: self._erring(quantity, value) for quantity, value in true.items()}
        self.values = bent(fault, fresh=fresh, held=self.values or fresh)

    def _motions(self, quantity: Quantity, motions: Mapping[str, Motion]) -> list[Motion]:
        return [motions[name] for name in self._proves.get(quantity, ())]

    def _erring(self, quantity: Quantity, value: float) -> float:
        if quantity not in _ERRORS:
            return value
        read = value + self._off[quantity] + self._chance.gauss(0.0, _ERRORS[quantity][1])
        if quantity is Quantity.DIRECTION:
            return read % 360.0
        if quantity is Quantity.RH:
            return min(100.0, max(0.0, read))
        return read if quantity in _BELOW_ZERO else max(0.0, read)


def _proved(spec: SensorSpec, barn: Barn) -> dict[Quantity, tuple[str, ...]]:
    """By quantity the kit that a sensor shows: what names it as its proof, else all of that kind at its place."""
    found: dict[Quantity, tuple[str, ...]] = {}
    for channel in spec.channels:
        named = tuple(kit.name for kit in barn.kit if kit.proof and kit.proof.channel == channel.name)
        found[channel.quantity] = named or tuple(_of_place(channel.quantity, spec.place, barn.kit))
    return found


def _of_place(quantity: Quantity, place: str, kit: Iterable[KitSpec]) -> list[str]:
    kinds = {Quantity.CURRENT: KitKind.FAN, Quantity.SPEED: KitKind.FAN, Quantity.FLOW: KitKind.MISTER}
    return [item.name for item in kit if item.place == place and item.kind is kinds.get(quantity)]


def _globe_c(scene: Scene, _: list[Motion]) -> float:
    most_k = _ROOF_GLOBE_K if scene.roofed else _SUN_GLOBE_K
    return scene.air.temp_c + most_k * min(1.2, scene.sky.ghi_wm2 / _FULL_SUN_W_M2)


def _direction_deg(scene: Scene, _: list[Motion]) -> float:
    return _WIND_FROM_DEG + _WIND_SWINGS_DEG * math.sin(math.tau * scene.wall_s / _WIND_TURNS_S)


_TRUTHS: Final[dict[Quantity, Callable[[Scene, list[Motion]], float]]] = {
    Quantity.TEMP: lambda scene, _: scene.air.temp_c,
    Quantity.RH: lambda scene, _: scene.air.rh_pct,
    Quantity.WIND: lambda scene, _: scene.air.wind_mps,
    Quantity.DIRECTION: _direction_deg,
    Quantity.GLOBE: _globe_c,
    Quantity.SKIN: lambda scene, _: 28.0 + 0.28 * scene.air.temp_c,
    Quantity.PRESSURE: lambda scene, _: scene.pressure_pa,
    Quantity.SUN: lambda scene, _: scene.air.ghi_wm2,
    Quantity.CURRENT: lambda _, motions: _FAN_A * sum(each.draws for each in motions),
    Quantity.SPEED: lambda _, motions: _FAN_RPM * max((each.moves for each in motions), default=0.0),
    Quantity.FLOW: lambda scene, motions: scene.flow_lpm * max((each.moves for each in motions), default=0.0),
    Quantity.SUPPLY: lambda scene, _: _SUPPLY_V,
    Quantity.CONTACT: lambda _, motions: float(any(each.draws > 0 for each in motions)),
    Quantity.SWITCH: lambda scene, _: float(SwitchAt.AUTO),
}
