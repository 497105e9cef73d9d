"""Owns: what the air at a place means for a horse: sum, wet bulb, carry at each pace, roof.

Must not know: sensors, levels, words, time.
How it works: puts the judged air of a place, its own air speed and the barn's horse into the formulas of `heat`. Sun
and fans are not credited: both sides are unknown here, and without a fan is the careful side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.heat.balance import ROOF_PACES, Surroundings, carry, fastest_carried
from gateway.heat.band import CarryBand, carry_band
from gateway.heat.horse import Horse, Pace
from gateway.heat.indices import heat_sum
from gateway.heat.psychro import dew_point_c, vapour_pressure_pa, wet_bulb_c
from gateway.model import Barn, Place, PlaceKind


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatLoad:
    """The air at one place in numbers. `carries` by pace; `roof` is None when no pace is carried."""

    sum_f_pct: float
    wet_bulb_c: float
    dew_point_c: float
    carries: Mapping[Pace, float]
    roof: Pace | None
    shown_pace: Pace
    shown: CarryBand


def heat_load(temp_c: float, rh_pct: float, place: Place, barn: Barn) -> HeatLoad:
    """The heat load of air [°C], [%] at a place. Raises RangeError outside the range of the formulas."""
    around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=place.air_mps, pressure_pa=barn.pressure_pa)
    horse = Horse(mass_kg=barn.horse_mass_kg)
    carries = {pace: carry(around, pace, horse) for pace in ROOF_PACES}
    shown_pace = _shown(place, carries)
    return HeatLoad(
        sum_f_pct=heat_sum(temp_c=temp_c, rh_pct=rh_pct),
        wet_bulb_c=wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=barn.pressure_pa),
        dew_point_c=dew_point_c(vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct)),
        carries=carries,
        roof=fastest_carried(carries.__getitem__),
        shown_pace=shown_pace,
        shown=carry_band(around, shown_pace, horse),
    )


def _shown(place: Place, carries: Mapping[Pace, float]) -> Pace:
    """The pace whose carry is worth a look: standing where horses stand, else the first that is not carried."""
    if place.kind is PlaceKind.STANDING:
        return Pace.STAND
    return next((pace for pace in ROOF_PACES[1:] if carries[pace] < 1.0), Pace.CANTER)
