"""Owns: the heat balance of one horse in given air: what must go, what the air can take, carry and roof.

Must not know: levels, words, places, time, sensors.
How it works: steady state at a fixed skin temperature. The part of the air that does not depend on the pace is
worked out once. Everything is an estimate for a typical horse with stated assumptions, never the core temperature of
an individual; `carry_band` says how far the assumptions move the result. Pressure enters the breath only: thinner air
also takes less by convection and more by evaporation, which together raises carry a little; left out, on the safe side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import hypot

from gateway.heat.horse import Convection, Horse, Pace
from gateway.heat.psychro import (
    STANDARD_PRESSURE_PA,
    enthalpy_j_kg,
    humidity_ratio,
    saturation_pressure_pa,
    vapour_pressure_pa,
)
from gateway.heat.ranges import PRESSURE_PA, SPEED_MPS, air_within, within

CARRY_TOP = 10.0  # more than this is said as this: the horse is in no need of sweat
NEED_TOP = 100.0  # required wettedness likewise, when the air can take nothing
ROOF_PACES = (Pace.STAND, Pace.WALK, Pace.TROT, Pace.CANTER)
LATENT_J_KG = 2.43e6  # of sweat at skin temperature
_BREATH_KG_M3 = 1.14
_TRUNK_M, _AIR_W_M_K, _AIR_M2_S = 0.6, 0.0265, 1.62e-5  # livestock form: trunk diameter, air at about 32 °C
_SECONDS, _HOUR_S = 60.0, 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Air and radiation at the horse. `radiant_c` is None where nothing warmer or colder than the air is known."""

    temp_c: float
    rh_pct: float
    air_mps: float = 0.2
    pressure_pa: float = STANDARD_PRESSURE_PA
    radiant_c: float | None = None
    sun_w_m2: float = 0.0

    def __post_init__(self) -> None:
        air_within(self.temp_c, self.rh_pct)
        within("air_mps [m/s]", self.air_mps, SPEED_MPS)
        within("pressure_pa [Pa]", self.pressure_pa, PRESSURE_PA)
        within("radiant_c [°C]", self.temp_c if self.radiant_c is None else self.radiant_c, (-60.0, 150.0))
        within("sun_w_m2 [W/m2]", self.sun_w_m2, (0.0, 1400.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatBalance:
    """All in watts for one horse unless the name says otherwise; losses are positive, so a gain is negative."""

    pace: Pace
    heat_w: float
    breath_w: float
    convective_w: float
    radiant_w: float
    sun_w: float
    required_w: float
    maximal_w: float
    evaporated_w: float
    required_wettedness: float
    carry: float
    storage_k_min: float
    sweat_l_h: float
    water_l_h: float


def film_w_m2_k(horse: Horse, speed_mps: float) -> float:
    """Heat that moving air takes per m2 and kelvin, never less than in still air.

    Args: horse, speed_mps [m/s, air past the skin]. Range: 0 to 90 m/s.
    Raises: RangeError.
    Reference: human whole body 8.3 v^0.6 (from memory); sheep Nu = 0.029 Re^0.8 (Air movement and heat loss from
    sheep I, which itself warns of one bulk number below about 4 m/s).
    """
    within("speed_mps [m/s]", speed_mps, (0.0, 90.0))
    if horse.convection is Convection.HUMAN:
        moving = 8.3 * speed_mps**0.6
    else:
        moving = 0.029 * (speed_mps * _TRUNK_M / _AIR_M2_S) ** 0.8 * _AIR_W_M_K / _TRUNK_M
    return float(max(horse.still_air_w_m2_k, moving))


def speed_past_skin_mps(horse: Horse, pace: Pace, air_mps: float) -> float:
    """Air speed past a moving horse when the wind comes from any side (root mean square over all directions).

    Args: horse, pace, air_mps [m/s]. Range: 0 to 60 m/s.
    Raises: RangeError.
    Reference: vector sum; the mean square over all directions is the sum of squares.
    """
    within("air_mps [m/s]", air_mps, SPEED_MPS)
    return hypot(air_mps, horse.speed_mps(pace))


def balance(around: Surroundings, pace: Pace, horse: Horse) -> HeatBalance:
    """The heat balance of `horse` at `pace`.

    Args: around, pace, horse [units in their fields]. Range: as checked when they were made.
    Raises: RangeError where exhaled air at the given pressure is out of range.
    Reference: partitional calorimetry as in ISO 7933 (from memory) with equine terms: Schroter and Marlin 2002
    (oxygen), Hodgson and others 1993, J Appl Physiol 74:1161 (respiratory share, sweat), Morgan 1998 (rest).
    """
    vapour_pa = vapour_pressure_pa(temp_c=around.temp_c, rh_pct=around.rh_pct)
    heat_w = horse.heat_w(pace)
    breath_w, breath_kg_s = _breath(around, vapour_pa, pace, horse)
    film = film_w_m2_k(horse, speed_past_skin_mps(horse, pace, around.air_mps))
    convective_w, radiant_w, sun_w = dry_losses_w(around, horse, film, horse.skin_c)
    required_w = heat_w - breath_w - convective_w - radiant_w - sun_w
    maximal_w = evaporation_w(horse, film, horse.skin_c, vapour_pa)
    ceiling_w = horse.sweat_ml_m2_min * horse.area_m2 * LATENT_J_KG / (1000.0 * _SECONDS)
    evaporated_w = max(0.0, min(required_w, horse.wetness * maximal_w, ceiling_w))
    sweat_kg_s = _sweat_kg_s(evaporated_w, maximal_w, ceiling_w)
    stored_w = required_w - evaporated_w
    return HeatBalance(
        pace=pace,
        heat_w=heat_w,
        breath_w=breath_w,
        convective_w=convective_w,
        radiant_w=radiant_w,
        sun_w=sun_w,
        required_w=required_w,
        maximal_w=maximal_w,
        evaporated_w=evaporated_w,
        required_wettedness=_need(required_w, maximal_w),
        carry=_carry(required_w, horse.wetness * maximal_w),
        storage_k_min=_SECONDS * stored_w / (horse.mass_kg * horse.tissue_j_kg_k),
        sweat_l_h=sweat_kg_s * _HOUR_S,
        water_l_h=(sweat_kg_s + breath_kg_s) * _HOUR_S,
    )


def carry(around: Surroundings, pace: Pace, horse: Horse) -> float:
    """What the air can take from the horse as wet as it is, over what must go; from 1 upward the horse can stay.

    Args: around, pace, horse [units in their fields]. Range: as checked when they were made. Result 0 to 10.
    Raises: RangeError.
    Reference: the inverse of required skin wettedness, ISO 7933 (from memory); use for horses is our proposal.
    """
    return balance(around, pace, horse).carry


def roof(around: Surroundings, horse: Horse) -> Pace | None:
    """The fastest pace from stand to canter that is carried, with the horse's own air; None when none is.

    A slower pace may fail where a faster one is carried: a standing horse in still air makes no wind of its own.

    Args: around, horse [units in their fields]. Range: as checked when they were made.
    Raises: RangeError.
    Reference: our proposal, not published.
    """
    return fastest_carried(lambda pace: carry(around, pace, horse))


def fastest_carried(carry_at: Callable[[Pace], float]) -> Pace | None:
    """The fastest pace from stand to canter with a carry of at least 1; None when there is none.

    `carry_at` is asked from the fastest pace down, no further than needed.

    Args: carry_at [carry of a pace, 1]. Range: any number.
    Raises: whatever carry_at raises.
    Reference: our proposal, not published.
    """
    return next((pace for pace in reversed(ROOF_PACES) if carry_at(pace) >= 1.0), None)


def dry_losses_w(around: Surroundings, horse: Horse, film: float, skin_c: float) -> tuple[float, float, float]:
    """Heat lost by convection, by long-wave radiation, and (negative) gained from the sun, in watts.

    Args: around, horse, film [W/(m2 K)], skin_c [°C]. Range: as checked when they were made.
    Raises: nothing.
    Reference: ISO 7933 (from memory); sun per m2 of a convex body: Cauchy's mean projected area.
    """
    area = horse.area_m2
    radiant_c = around.temp_c if around.radiant_c is None else around.radiant_c
    return (
        film * area * (skin_c - around.temp_c),
        horse.radiation_w_m2_k * area * (skin_c - radiant_c),
        -horse.sun_share * area * around.sun_w_m2,
    )


def evaporation_w(horse: Horse, film: float, skin_c: float, vapour_pa: float) -> float:
    """The most that the air can take from a skin wet all over; below 0 would be dew, which counts as nothing.

    Args: horse, film [W/(m2 K)], skin_c [°C], vapour_pa [Pa]. Range: as checked when they were made.
    Raises: RangeError.
    Reference: Lewis relation, 16.5 K/kPa, ISO 7933 (from memory).
    """
    apart_kpa = (saturation_pressure_pa(skin_c) - vapour_pa) / 1000.0
    return max(0.0, horse.evaporation_k_kpa * film * apart_kpa * horse.area_m2)


def _breath(around: Surroundings, vapour_pa: float, pace: Pace, horse: Horse) -> tuple[float, float]:
    """Heat [W] and water [kg/s] that leave with the breath; both can be negative in air above body state."""
    out_pa = saturation_pressure_pa(horse.breath_out_c)
    ratio_out = humidity_ratio(vapour_pressure_pa=out_pa, pressure_pa=around.pressure_pa)
    ratio_in = humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=around.pressure_pa)
    rise = enthalpy_j_kg(temp_c=horse.breath_out_c, humidity_ratio=ratio_out)
    rise -= enthalpy_j_kg(temp_c=around.temp_c, humidity_ratio=ratio_in)
    oxygen_l_s = horse.mass_kg * horse.oxygen_ml_kg_min(pace) / 1000.0 / _SECONDS
    air_kg_s = oxygen_l_s * horse.breath_l_l / 1000.0 * _BREATH_KG_M3
    return air_kg_s * rise, air_kg_s * (ratio_out - ratio_in)


def _sweat_kg_s(evaporated_w: float, maximal_w: float, ceiling_w: float) -> float:
    """Water that must be laid on the skin so that this much evaporates: the wetter, the more drips off.

    The share that evaporates is 1 - w^2 / 2 (ISO 7933, from memory).
    """
    if maximal_w <= 0.0:
        return ceiling_w / LATENT_J_KG
    share = min(1.0, evaporated_w / maximal_w)
    return min(ceiling_w, evaporated_w / (1.0 - 0.5 * share * share)) / LATENT_J_KG


def _need(required_w: float, maximal_w: float) -> float:
    if required_w <= 0.0:
        return 0.0
    return NEED_TOP if required_w >= NEED_TOP * maximal_w else required_w / maximal_w


def _carry(required_w: float, possible_w: float) -> float:
    if required_w * CARRY_TOP <= possible_w or required_w <= 0.0:
        return CARRY_TOP
    return possible_w / required_w
