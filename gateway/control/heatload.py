"""Owns: what the air at a place means for a horse: sum, wet bulb, carry at each pace, roof.

Must not know: sensors, levels, words, time.
How it works: puts the judged air of a place, its own air speed and the barn's horse into the formulas of `heat`. A
globe, where fitted, tells the radiation. A measured air speed counts only where no fan can have made it: a level that
sank because a fan runs would switch that fan off.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from gateway.barn import Barn, Place
from gateway.errors import RangeError
from gateway.heat.balance import ROOF_PACES, Surroundings, carry, fastest_carried
from gateway.heat.band import CarryBand, carry_band
from gateway.heat.horse import Horse, Pace
from gateway.heat.indices import heat_sum
from gateway.heat.psychro import dew_point_c, vapour_pressure_pa, wet_bulb_c
from gateway.heat.radiant import mean_radiant_c
from gateway.model import KitKind, PlaceKind

HOT_OXYGEN = 9.0  # mL/(kg min) of a horse just after work: own choice, see gateway/heat/horse.py


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatLoad:
    """The air at one place in numbers. `carries` by pace; `roof` is None when no pace is carried."""

    around: Surroundings
    sum_f_pct: float
    wet_bulb_c: float
    dew_point_c: float
    carries: Mapping[Pace, float]
    roof: Pace | None
    shown_pace: Pace
    shown: CarryBand


def heat_load(
    temp_c: float,
    rh_pct: float,
    place: Place,
    barn: Barn,
    *,
    wind_mps: float | None = None,
    globe_c: float | None = None,
) -> HeatLoad:
    """The heat load of air [°C], [%] at a place. Raises RangeError outside the range of the formulas."""
    fans = any(kit.place == place.name and kit.kind is KitKind.FAN for kit in barn.kit)
    air_mps = place.air_mps if wind_mps is None or fans else wind_mps
    around = Surroundings(
        temp_c=temp_c,
        rh_pct=rh_pct,
        air_mps=air_mps,
        pressure_pa=barn.pressure_pa,
        radiant_c=None if globe_c is None else _radiant_c(globe_c, temp_c, air_mps),
    )
    return _load(around, place.kind, barn.horse_mass_kg)


@lru_cache(maxsize=256)  # between two readings the air of a place is the same, step after step
def _load(around: Surroundings, kind: PlaceKind, mass_kg: float) -> HeatLoad:
    temp_c, rh_pct = around.temp_c, around.rh_pct
    horse = _horse(mass_kg, False)
    carries = {pace: carry(around, pace, horse) for pace in ROOF_PACES}
    shown_pace = _shown(kind, carries)
    return HeatLoad(
        around=around,
        sum_f_pct=heat_sum(temp_c=temp_c, rh_pct=rh_pct),
        wet_bulb_c=wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=around.pressure_pa),
        dew_point_c=dew_point_c(vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct)),
        carries=MappingProxyType(carries),
        roof=fastest_carried(carries.__getitem__),
        shown_pace=shown_pace,
        shown=carry_band(around, shown_pace, horse),
    )


def horse_of(barn: Barn, *, hot: bool = False) -> Horse:
    """The typical horse of a barn at rest, or just after work."""
    return _horse(barn.horse_mass_kg, hot)


@lru_cache(maxsize=16)  # a horse checks a score of numbers when it is made
def _horse(mass_kg: float, hot: bool) -> Horse:
    return Horse(mass_kg=mass_kg, standing_oxygen=HOT_OXYGEN) if hot else Horse(mass_kg=mass_kg)


def _radiant_c(globe_c: float, temp_c: float, air_mps: float) -> float | None:
    """What the surroundings radiate; None, which leaves it out, for a globe that cannot be so in this air."""
    with contextlib.suppress(RangeError):
        radiant_c = mean_radiant_c(globe_c=globe_c, temp_c=temp_c, air_mps=air_mps)
        if -60.0 <= radiant_c <= 150.0:
            return radiant_c
    return None


def _shown(kind: PlaceKind, carries: Mapping[Pace, float]) -> Pace:
    """The pace whose carry is worth a look: standing where horses stand, else the first that is not carried."""
    if kind is PlaceKind.STANDING:
        return Pace.STAND
    return next((pace for pace in ROOF_PACES[1:] if carries[pace] < 1.0), Pace.CANTER)
