"""Owns: the horse as numbers: every parameter of the heat balance with default, range, unit and source; the paces.

Must not know: the air, places, levels, time.
How it works: one frozen dataclass; what is known about a field stands in its metadata, so that range checks, the
table of assumptions and the band of results all read the same words. Sources marked "from memory" were not checked
against a text; those marked "own choice" are ours and not published.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, cast

from gateway.heat.ranges import within

JOULE_PER_ML_OXYGEN = 20.1
OXYGEN_ML_KG_M = 0.123  # on the flat
_SECONDS = 60.0


class Pace(StrEnum):
    """What the horse does. Stand is no own air movement: resting, being cooled, or at work on a treadmill."""

    STAND = "stand"
    WALK = "walk"
    TROT = "trot"
    CANTER = "canter"
    GALLOP = "gallop"


class Convection(StrEnum):
    """Which published form gives the heat that moving air takes."""

    HUMAN = "whole human body, 8.3 v^0.6"
    LIVESTOCK = "bare model sheep, Nu = 0.029 Re^0.8"


def _is(default: float, unit: str, low: float, high: float, source: str) -> Any:
    return field(default=default, metadata={"unit": unit, "low": low, "high": high, "source": source})


@dataclass(frozen=True, slots=True, kw_only=True)
class Horse:
    """The parameters of the balance. A value outside its range raises RangeError."""

    mass_kg: float = _is(500.0, "kg", 80.0, 1200.0, "own choice: a riding horse")
    area_factor: float = _is(
        1.0, "1", 0.7, 1.35, "area = factor (1.09 + 0.008 mass), attributed to Hodgson, from memory; others give +25 %"
    )
    skin_c: float = _is(35.0, "°C", 28.0, 40.0, "33-35 at rest in warm air, 35-38 in work, from memory")
    wetness: float = _is(1.0, "1", 0.0, 1.0, "wet share of the skin, 1 is hosed or sweating all over: own choice")
    standing_oxygen: float = _is(
        4.5, "mL/(kg min)", 2.5, 150.0, "from 142 W/m2, Morgan 1998, J Therm Biol 23:59; 9 just after work, own choice"
    )
    efficiency: float = _is(0.0, "1", 0.0, 0.25, "work that leaves as no heat: 0 on the flat, 0.2 uphill, own choice")
    walk_mps: float = _is(1.6, "m/s", 1.0, 2.2, "common practice, no published source")
    trot_mps: float = _is(3.5, "m/s", 2.2, 5.0, "common practice, no published source")
    canter_mps: float = _is(6.0, "m/s", 4.0, 8.5, "common practice, no published source")
    gallop_mps: float = _is(10.0, "m/s", 8.0, 18.0, "common practice, no published source")
    radiation_w_m2_k: float = _is(4.7, "W/(m2 K)", 3.0, 6.0, "human whole-body value, from memory")
    still_air_w_m2_k: float = _is(3.1, "W/(m2 K)", 2.0, 5.0, "human whole-body value, from memory")
    evaporation_k_kpa: float = _is(16.5, "K/kPa", 15.0, 17.5, "Lewis relation, ISO 7933, from memory")
    breath_l_l: float = _is(27.0, "L air per L oxygen", 20.0, 40.0, "from memory")
    breath_out_c: float = _is(37.0, "°C", 30.0, 40.0, "own choice: saturated at about body temperature")
    sweat_ml_m2_min: float = _is(50.0, "mL/(m2 min)", 0.0, 60.0, "40-57.5, McCutcheon and others 1999, JAP 87:1843")
    sun_share: float = _is(
        0.3,
        "1",
        0.0,
        0.5,
        "of global irradiance, per m2 of skin: a quarter of the beam, half of sky and ground, 0.7 kept: own choice",
    )
    tissue_j_kg_k: float = _is(3470.0, "J/(kg K)", 3300.0, 3600.0, "from memory")
    core_to_skin_w_m2_k: float = _is(150.0, "W/(m2 K)", 60.0, 250.0, "fitted to Geor and others 1995, own choice")
    convection: Convection = Convection.HUMAN

    def __post_init__(self) -> None:
        for parameter in PARAMETERS:
            limits = parameter.low, parameter.high
            within(f"{parameter.name} [{parameter.unit}]", getattr(self, parameter.name), limits)

    @property
    def area_m2(self) -> float:
        """Skin area [m2].

        Raises: nothing.
        Reference: attributed to Hodgson, area = 1.09 + 0.008 mass (from memory).
        """
        return self.area_factor * (1.09 + 0.008 * self.mass_kg)

    def speed_mps(self, pace: Pace) -> float:
        """Own speed [m/s] at a pace.

        Args: pace. Range: any of them.
        Raises: nothing.
        Reference: common practice, no published source.
        """
        if pace is Pace.STAND:
            return 0.0
        speeds = {Pace.WALK: self.walk_mps, Pace.TROT: self.trot_mps, Pace.CANTER: self.canter_mps}
        return speeds.get(pace, self.gallop_mps)

    def oxygen_ml_kg_min(self, pace: Pace) -> float:
        """Oxygen used [mL/(kg min)] at a pace on the flat. At a walk the running cost is extrapolated.

        Args: pace. Range: any of them.
        Raises: nothing.
        Reference: Schroter and Marlin 2002, Equine Vet J Suppl 34, doi 10.1111/j.2042-3306.2002.tb05455.x.
        """
        if pace is Pace.STAND:
            return self.standing_oxygen
        return OXYGEN_ML_KG_M * _SECONDS * self.speed_mps(pace)

    def heat_w(self, pace: Pace) -> float:
        """Heat made [W] at a pace.

        Args: pace. Range: any of them.
        Raises: nothing.
        Reference: 20.1 J for each mL of oxygen, J Exp Biol 207:4215 (2004).
        """
        watts_per_kg = self.oxygen_ml_kg_min(pace) * JOULE_PER_ML_OXYGEN / _SECONDS
        return self.mass_kg * watts_per_kg * (1.0 - self.efficiency)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """What is known about one field of Horse."""

    name: str
    default: float
    unit: str
    low: float
    high: float
    source: str


PARAMETERS: tuple[Parameter, ...] = tuple(
    Parameter(name=item.name, default=cast(float, item.default), **item.metadata)
    for item in fields(Horse)
    if item.metadata
)
