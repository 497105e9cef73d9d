"""Owns: how the air of one place changes with its horses, the sun, the wind, its fans and its misters.

Must not know: which place it is, sensors, buses, clocks.
How it works: one well-mixed volume with two balances, heat and vapour. Whatever pulls towards a value (walls,
exchanged air, the horses' dry heat) is taken at the end of a sub-step, the rest at its beginning, so that no step
is too long to be stable, and what enters is what is stored. Vapour beyond saturation condenses and gives its
heat back. Honesty: no layers, no draughts, no coat of a horse; the shape is right, the digits are not.

    C dT/dt     = dry heat of horses + sun + fans + (UA + exchange) (outside - T) - heat that evaporates water
    rho V dW/dt = exchange (outside - W) + vapour of horses + bedding + mist
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from drivers.bench.air import Air, ratio_from_rh, rh_from_ratio_pct

AIR_KG_M3: Final = 1.15
EVAPORATION_J_KG: Final = 2.43e6  # latent heat of water near 30 °C
_AIR_J_KGK: Final = 1006.0
_VAPOUR_J_KGK: Final = 1860.0
_STORE_J_KGK: Final = 1035.0  # of the stored air: fixed, so that the store keeps a strict account

# Heat of a resting horse per square metre of skin: 96 W dry at 18.2 °C (Morgan 1995, Equine Vet. J. 27 S18), less
# 2.78 W for each K more (Morgan, Ehrlemark, Sällvik 1997, J. Therm. Biol. 22), 142 W in all (Morgan 1998, 23).
_DRY_W_M2: Final = 96.0
_DRY_AT_C: Final = 18.2
_DRY_SLOPE_W_M2K: Final = 2.78
_TOTAL_W_M2: Final = 142.0
_LEAST_VAPOUR_W_M2: Final = 31.0
_SKIN_M2: Final = 5.1  # a horse of 500 kg, from memory

_MIST_SHARE: Final = 0.8  # of the water that evaporates in the air; the rest wets the floor
_MIST_END_RH_PCT: Final = 95.0  # fog: nothing evaporates above
_MIST_FADE_PCT: Final = 10.0

_SUB_STEP_S: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneParams:
    """What a place is made of. Flows are of air, in m3/s; `work` is the heat of a horse relative to a resting one."""

    volume_m3: float
    store: float  # heat held by walls and bedding, relative to that of the air alone
    horses: float
    work: float
    calm_flow_m3s: float
    wind_flow_m2: float  # more flow for each m/s of wind
    walls_w_k: float
    sun_m2: float  # sun on a level square metre -> heat inside
    bedding_w: float  # heat that evaporates water from bedding, floor or footing
    fan_flow_m3s: float
    fan_w: float
    mist_kg_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """How much of the kit of a place runs, 0 to 1 each."""

    fans: float = 0.0
    mist: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneState:
    """Temperature, and kg of vapour in a kg of dry air."""

    temp_c: float
    ratio: float


def outside_state(air: Air, pressure_pa: float) -> ZoneState:
    """The state of a place that is simply outdoors."""
    ratio = ratio_from_rh(temp_c=air.temp_c, rh_pct=air.rh_pct, pressure_pa=pressure_pa)
    return ZoneState(temp_c=air.temp_c, ratio=ratio)


def rh_pct(state: ZoneState, pressure_pa: float) -> float:
    """Relative humidity of a state, 0 to 100 %."""
    return min(100.0, rh_from_ratio_pct(temp_c=state.temp_c, ratio=state.ratio, pressure_pa=pressure_pa))


def step(
    params: ZoneParams, state: ZoneState, *, air: Air, drive: Drive, pressure_pa: float, step_s: float
) -> ZoneState:
    """The state `step_s` later, with the same weather and the same kit all the while."""
    count = math.ceil(step_s / _SUB_STEP_S)
    for _ in range(count):
        state = _sub_step(params, state, air, drive, pressure_pa=pressure_pa, step_s=step_s / count)
    return state


def _sub_step(
    params: ZoneParams, state: ZoneState, air: Air, drive: Drive, *, pressure_pa: float, step_s: float
) -> ZoneState:
    outside = outside_state(air, pressure_pa)
    flow_kg_s = AIR_KG_M3 * _flow_m3s(params, air, drive)
    flow_w_k = flow_kg_s * (_AIR_J_KGK + _VAPOUR_J_KGK * outside.ratio)
    dry_air_kg = AIR_KG_M3 * params.volume_m3
    store_j_k = dry_air_kg * params.store * _STORE_J_KGK
    skin_m2 = params.horses * params.work * _SKIN_M2
    mist_kg_s = _mist_kg_s(params, state, drive, pressure_pa)

    heat_w = params.sun_m2 * air.ghi_wm2 + params.fan_w * drive.fans
    heat_w -= params.bedding_w + EVAPORATION_J_KG * mist_kg_s
    heat_w += skin_m2 * (_DRY_W_M2 + _DRY_SLOPE_W_M2K * _DRY_AT_C)  # the part that does not depend on the air
    pull_w_k = params.walls_w_k + flow_w_k
    temp_c = (store_j_k * state.temp_c + step_s * (heat_w + pull_w_k * outside.temp_c)) / (
        store_j_k + step_s * (pull_w_k + skin_m2 * _DRY_SLOPE_W_M2K)
    )

    vapour_w = skin_m2 * _vapour_w_m2(temp_c) + params.bedding_w
    vapour_kg_s = vapour_w / EVAPORATION_J_KG + mist_kg_s
    ratio = (dry_air_kg * state.ratio + step_s * (flow_kg_s * outside.ratio + vapour_kg_s)) / (
        dry_air_kg + step_s * flow_kg_s
    )
    wet = ZoneState(temp_c=temp_c, ratio=ratio)
    return _condensed(wet, kelvin_per_ratio=EVAPORATION_J_KG * dry_air_kg / store_j_k, pressure_pa=pressure_pa)


def _flow_m3s(params: ZoneParams, air: Air, drive: Drive) -> float:
    return params.calm_flow_m3s + params.wind_flow_m2 * air.wind_mps + params.fan_flow_m3s * drive.fans


def _vapour_w_m2(temp_c: float) -> float:
    dry_w_m2 = _DRY_W_M2 - _DRY_SLOPE_W_M2K * (temp_c - _DRY_AT_C)
    return max(_LEAST_VAPOUR_W_M2, _TOTAL_W_M2 - dry_w_m2)


def _mist_kg_s(params: ZoneParams, state: ZoneState, drive: Drive, pressure_pa: float) -> float:
    if not drive.mist:
        return 0.0
    room = (_MIST_END_RH_PCT - rh_pct(state, pressure_pa)) / _MIST_FADE_PCT
    return drive.mist * params.mist_kg_s * _MIST_SHARE * min(1.0, max(0.0, room))


def _condensed(wet: ZoneState, *, kelvin_per_ratio: float, pressure_pa: float) -> ZoneState:
    """Fog and wet walls: move along constant heat until the air holds its vapour. Newton needs two or three turns."""
    drops = 0.0
    for _ in range(4):
        warm_c = wet.temp_c + kelvin_per_ratio * drops
        most = ratio_from_rh(temp_c=warm_c, rh_pct=100.0, pressure_pa=pressure_pa)
        if not drops and wet.ratio <= most:
            break
        slope = (ratio_from_rh(temp_c=warm_c + 0.01, rh_pct=100.0, pressure_pa=pressure_pa) - most) / 0.01
        drops += (wet.ratio - drops - most) / (1.0 + kelvin_per_ratio * slope)
    return ZoneState(temp_c=wet.temp_c + kelvin_per_ratio * drops, ratio=wet.ratio - drops)
