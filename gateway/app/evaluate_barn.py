"""Owns: the invented barn of the evaluation: its stall row, its kit, what its horses do at which hour.

Must not know: controllers, scores, weather files.
How it works: the air follows the equations of the emulated barn (`drivers.bench.zones`); this module only says how many
horses stand there, whether they are hot, and how fast the air is at them. Everything here is invented. Air speeds with
fans lie between still air, which was the commonest class found in fan-cooled stalls (McGill, Hayes, Coleman 2018), and
the 2 m/s that cattle barns are built for: own choice, as are the hours of work.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

from drivers.bench import zones
from drivers.bench.air import Air
from drivers.bench.places import params_of
from drivers.bench.zones import Drive, ZoneParams, ZoneState
from gateway.barn import (
    DEFAULT_AIR_MPS,
    DEFAULT_CARRY_LIMITS,
    DEFAULT_HORSE_MASS_KG,
    DEFAULT_POLICY,
    DEFAULT_POSTS,
    Barn,
    KitSpec,
    Place,
    Proof,
    SensorSpec,
)
from gateway.control.heatload import HOT_OXYGEN
from gateway.control.situation import Now, is_hot, is_occupied
from gateway.heat.balance import Surroundings, carry
from gateway.heat.horse import Horse, Pace
from gateway.heat.psychro import STANDARD_PRESSURE_PA
from gateway.model import AIR, KitKind, PlaceKind, Quantity

STEP_S: Final = 60.0
PRESSURE_PA: Final = STANDARD_PRESSURE_PA
FANS: Final = ("fans-a", "fans-b")
MIST: Final = "mist"
AIR_SENSOR: Final = "stalls-air"
MIN_ON_S, MIN_OFF_S, STARTS_PER_H = 600.0, 300.0, 4
FAN_W: Final = 600.0  # of one group; both together heat the barn as much as the fans of the emulated stall row
AIR_MPS: Final = (DEFAULT_AIR_MPS, 0.8, 1.1)  # at the horses with 0, 1, 2 groups: jets add as their energy does
# Horses are out at work from 8 to 10 and from 17 to 18, and stand hot for 45 min when they come in.
HERE: Final = ((10 * 60, 17 * 60), (18 * 60, 8 * 60))
HOT: Final = ((10 * 60, 10 * 60 + 45), (18 * 60, 18 * 60 + 45))
HOT_WORK: Final = 2.0  # heat of a horse just after work over that of a resting one, as on the bench's wash rack
FANS_RUN_A: Final = 3.0  # what the current sensor of a running group shows; above 1 A counts as running
STALLS: Final = Place(
    name="stalls", kind=PlaceKind.STANDING, label={"en": "Stalls", "es": "Cuadras"},
    policy=DEFAULT_POLICY[PlaceKind.STANDING], air_mps=AIR_MPS[0], occupied=HERE, hot=HOT,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Horses:
    """What the horses do in one minute of the day."""

    here: bool
    hot: bool


def barn(*, zone: str = "UTC", misters: bool = True) -> Barn:
    """The barn as a site file with the defaults would describe it."""
    kit = tuple(_fans(name, stage) for stage, name in enumerate(FANS, start=1))
    return Barn(
        name="Three Poplars", zone=zone, pressure_pa=PRESSURE_PA, posts=DEFAULT_POSTS,
        carry_limits=DEFAULT_CARRY_LIMITS, horse_mass_kg=DEFAULT_HORSE_MASS_KG, dead_band=3.0, hold_s=300.0,
        places=(STALLS,), sensors=(_sensor(AIR_SENSOR, AIR), *(_sensor(_amps(n), (Quantity.CURRENT,)) for n in FANS)),
        kit=(*kit, *((_mister(),) if misters else ())),
    )  # fmt: skip


def amps_channel(fan: str) -> str:
    """The channel of the current sensor of a group of fans."""
    return f"{_amps(fan)}.{Quantity.CURRENT}"


@cache
def horses_at(minute: int) -> Horses:
    """What the horses do at a minute of the day."""
    now = Now(mono_s=0.0, minute=minute)
    return Horses(here=is_occupied(STALLS, now), hot=is_hot(STALLS, now))


def moved(state: ZoneState, air: Air, horses: Horses, *, groups: int, mist: bool, step_s: float) -> ZoneState:
    """The air of the stall row `step_s` later, by the equations of the emulated barn."""
    drive = Drive(fans=groups / len(FANS), mist=float(mist))
    return zones.step(_params(horses), state, air=air, drive=drive, pressure_pa=PRESSURE_PA, step_s=step_s)


def carry_of(state: ZoneState, horses: Horses, *, groups: int) -> float:
    """Carry of the horses as they are, resting or hot, wet all over, in the air of so many running groups."""
    around = Surroundings(
        temp_c=state.temp_c,
        rh_pct=max(1.0, zones.rh_pct(state, PRESSURE_PA)),
        air_mps=AIR_MPS[groups],
        pressure_pa=PRESSURE_PA,
    )
    return carry(around, Pace.STAND, _horse(horses.hot))


def mist_litres(seconds: float) -> float:
    """Water that the mister gives in so many seconds."""
    return _stalls().mist_kg_s * seconds


@cache
def _stalls() -> ZoneParams:
    params = params_of(STALLS)
    assert params is not None  # the bench knows stalls
    return params


@cache
def _params(horses: Horses) -> ZoneParams:
    stalls = _stalls()
    return replace(stalls, horses=stalls.horses * horses.here, work=HOT_WORK if horses.hot else 1.0)


@cache
def _horse(hot: bool) -> Horse:
    resting = Horse(mass_kg=DEFAULT_HORSE_MASS_KG)
    return replace(resting, standing_oxygen=HOT_OXYGEN) if hot else resting


def _amps(fan: str) -> str:
    return f"{fan}-amps"


def _sensor(name: str, quantities: tuple[Quantity, ...]) -> SensorSpec:
    return SensorSpec(
        name=name, place="stalls", kind="emulated", bus="", every_s=STEP_S, late_after_s=2 * STEP_S,
        lost_after_s=3 * STEP_S, stuck_after_s=math.inf, quantities=quantities, options={},
    )  # fmt: skip


def _fans(name: str, stage: int) -> KitSpec:
    return KitSpec(
        name=name, place="stalls", kind=KitKind.FAN, relay="", output=stage - 1, contact="normally-closed",
        on_level=stage, min_on_s=MIN_ON_S, min_off_s=MIN_OFF_S, starts_per_h=STARTS_PER_H, air_mps=AIR_MPS[stage],
        proof=Proof(channel=amps_channel(name), at_least=1.0, within_s=STEP_S), power_w=FAN_W,
    )  # fmt: skip


def _mister() -> KitSpec:
    return KitSpec(
        name=MIST, place="stalls", kind=KitKind.MISTER, relay="", output=2, contact="normally-open", on_level=1,
        min_on_s=0.0, min_off_s=0.0, starts_per_h=60, water_lpm=mist_litres(60.0),
    )  # fmt: skip
