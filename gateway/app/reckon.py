"""Owns: `loosebox reckon`: all that follows from one state of the air, and its JSON.

Must not know: sensors, sites, history, how quantities are typed, words.
How it works: what was asked becomes surroundings and a horse; `heat` does the sums; the result is one frozen value.
What cannot be known is left out with its reason, never guessed in silence. The level is by the rule, that is by the
sum alone; carry stands beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from gateway.app.reckon_indices import Indices, indices
from gateway.barn import DEFAULT_AIR_MPS, DEFAULT_HORSE_MASS_KG, Post
from gateway.control.levels import band
from gateway.errors import GatewayError
from gateway.heat.balance import HeatBalance, Surroundings, balance, fastest_carried
from gateway.heat.band import CarryBand, Effects, carry_band, effects
from gateway.heat.bands import WBGT_BANDINGS
from gateway.heat.horse import Horse, Pace
from gateway.heat.indices import heat_sum
from gateway.heat.psychro import dew_point_c, pressure_at_altitude_pa, vapour_pressure_pa, wet_bulb_c
from gateway.heat.radiant import mean_radiant_c
from gateway.heat.uncertainty import Accuracy, carry_error, sum_error, wet_bulb_error_k
from gateway.model import Level

FAN_MPS = 2.5  # at the horse, of a barn fan in the stall front: own choice
JUST_WORKED_OXYGEN = 9.0  # mL/(kg min), a horse that stands after work: own choice


GOOD_SENSOR = Accuracy(temp_k=0.3, rh_pct=2.0)  # own choice: a good barn sensor, as limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the user said. None is "not said"; a globe and a sun together would count the sun twice."""

    temp_c: float
    rh_pct: float
    air_mps: float | None = None
    globe_c: float | None = None
    sun_w_m2: float | None = None
    altitude_m: float = 0.0
    mass_kg: float = DEFAULT_HORSE_MASS_KG
    pace: Pace = Pace.STAND
    wetness: float = 1.0
    just_worked: bool = False
    accuracy: Accuracy = GOOD_SENSOR

    def __post_init__(self) -> None:
        if self.globe_c is not None and self.sun_w_m2 is not None:
            raise GatewayError("--globe and --sun: the globe already feels the sun, give one of them")

    def around(self) -> Surroundings:
        """Air and radiation at the horse. Raises RangeError."""
        air_mps = DEFAULT_AIR_MPS if self.air_mps is None else self.air_mps
        radiant_c = None
        if self.globe_c is not None:
            radiant_c = mean_radiant_c(globe_c=self.globe_c, temp_c=self.temp_c, air_mps=air_mps)
        return Surroundings(
            temp_c=self.temp_c,
            rh_pct=self.rh_pct,
            air_mps=air_mps,
            pressure_pa=pressure_at_altitude_pa(self.altitude_m),
            radiant_c=radiant_c,
            sun_w_m2=self.sun_w_m2 or 0.0,
        )

    def horse(self) -> Horse:
        """The horse. Raises RangeError."""
        if self.just_worked:
            return Horse(mass_kg=self.mass_kg, wetness=self.wetness, standing_oxygen=JUST_WORKED_OXYGEN)
        return Horse(mass_kg=self.mass_kg, wetness=self.wetness)


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """What the stated accuracy of the sensors makes of the results."""

    sum_f_pct: float
    wet_bulb_k: float
    carry: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Roof:
    """The fastest pace that is carried, and the same at the low and the high end of the band; None is none."""

    low: Pace | None
    pace: Pace | None
    high: Pace | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reckoning:
    """One state of the air and what follows from it."""

    asked: Asked
    around: Surroundings
    horse: Horse
    sum_f_pct: float
    level: Level
    wet_bulb_c: float
    dew_point_c: float
    vapour_pressure_pa: float
    indices: Indices
    balance: HeatBalance
    carries: Mapping[Pace, CarryBand]
    roof: Roof
    effects: Effects
    errors: Errors


def reckon(asked: Asked, posts: tuple[Post, ...]) -> Reckoning:
    """Everything that follows from what was asked. Raises RangeError outside the range of the formulas."""
    around, horse = asked.around(), asked.horse()
    vapour_pa = vapour_pressure_pa(temp_c=asked.temp_c, rh_pct=asked.rh_pct)
    heat = heat_sum(temp_c=asked.temp_c, rh_pct=asked.rh_pct)
    wet_c = wet_bulb_c(temp_c=asked.temp_c, rh_pct=asked.rh_pct, pressure_pa=around.pressure_pa)
    dew_c = dew_point_c(vapour_pa)
    carries = {pace: carry_band(around, pace, horse) for pace in Pace}
    return Reckoning(
        asked=asked,
        around=around,
        horse=horse,
        sum_f_pct=heat,
        level=band(heat, posts),
        wet_bulb_c=wet_c,
        dew_point_c=dew_c,
        vapour_pressure_pa=vapour_pa,
        indices=indices(
            around,
            globe_c=asked.globe_c,
            wind_mps=asked.air_mps,
            sun_w_m2=asked.sun_w_m2,
            wet_bulb_c=wet_c,
            dew_point_c=dew_c,
        ),
        balance=balance(around, asked.pace, horse),
        carries=carries,
        roof=_roof(carries),
        effects=effects(around, asked.pace, horse, fan_mps=FAN_MPS),
        errors=_errors(asked, around, horse),
    )


def _roof(carries: Mapping[Pace, CarryBand]) -> Roof:
    return Roof(
        low=fastest_carried(lambda pace: carries[pace].low),
        pace=fastest_carried(lambda pace: carries[pace].carry),
        high=fastest_carried(lambda pace: carries[pace].high),
    )


def _errors(asked: Asked, around: Surroundings, horse: Horse) -> Errors:
    return Errors(
        sum_f_pct=sum_error(asked.accuracy),
        wet_bulb_k=wet_bulb_error_k(
            temp_c=asked.temp_c, rh_pct=asked.rh_pct, pressure_pa=around.pressure_pa, accuracy=asked.accuracy
        ),
        carry=carry_error(around, asked.pace, horse, asked.accuracy),
    )


def as_json(r: Reckoning) -> dict[str, Any]:
    """The JSON object of `reckon --json`. Its first six keys are a promise to other programs."""
    return {
        "sum": r.sum_f_pct,
        "level": int(r.level),
        "wet_bulb_c": round(r.wet_bulb_c, 3),
        "dew_point_c": round(r.dew_point_c, 3),
        "vapour_pressure_pa": round(r.vapour_pressure_pa, 1),
        "inputs": {
            "temp_c": round(r.asked.temp_c, 3),
            "rh_pct": r.asked.rh_pct,
            "pressure_pa": round(r.around.pressure_pa),
        },
        "assumed": _assumed(r),
        **_indices_json(r.indices),
        **_horse_json(r),
        "errors": {
            "for_temp_k": round(r.asked.accuracy.temp_k, 3),
            "for_rh_pct": r.asked.accuracy.rh_pct,
            "sum": round(r.errors.sum_f_pct, 2),
            "wet_bulb_k": round(r.errors.wet_bulb_k, 3),
            "carry": round(r.errors.carry, 3),
        },
    }


def _assumed(r: Reckoning) -> dict[str, Any]:
    """Conditions beside the air; `air_given` tells a said air speed from the taken one."""
    return {
        "air_mps": round(r.around.air_mps, 4),
        "air_given": r.asked.air_mps is not None,
        "globe_c": r.asked.globe_c if r.asked.globe_c is None else round(r.asked.globe_c, 3),
        "radiant_c": r.around.radiant_c if r.around.radiant_c is None else round(r.around.radiant_c, 2),
        "sun_w_m2": r.asked.sun_w_m2,
        "altitude_m": round(r.asked.altitude_m, 2),
        "mass_kg": round(r.horse.mass_kg, 2),
        "pace": r.asked.pace.value,
        "wetness": r.horse.wetness,
        "standing_oxygen_ml_kg_min": r.horse.standing_oxygen,
    }


def _indices_json(i: Indices) -> dict[str, Any]:
    outdoor, why_not = i.wbgt_outdoor
    return {
        "sum_minus_wind": i.sum_minus_wind,
        "thi": {name: round(value, 2) for name, value in i.thi.items()},
        "wbgt_simple_c": round(i.wbgt_simple_c, 2),
        "wbgt_under_roof_c": round(i.wbgt_under_roof_c, 2),
        "wbgt_outdoor_c": None if outdoor is None else round(outdoor, 2),
        "wbgt_bands": [
            {
                "key": banding.key,
                "meaning": banding.bands[banding.band_of(i.wbgt_c)].meaning,
                "source": banding.source,
                "year": banding.year,
                "sureness": banding.sureness.value,
            }
            for banding in WBGT_BANDINGS
        ],
        "for_people": {name: round(value, 2) for name, value in i.for_people.items()},
        "left_out": {} if why_not is None else {"wbgt_outdoor_c": why_not},
    }


def _horse_json(r: Reckoning) -> dict[str, Any]:
    found, at_pace = r.balance, r.carries[r.asked.pace]
    return {
        "carry": {pace.value: round(band.carry, 3) for pace, band in r.carries.items()},
        "carry_band": {
            "pace": r.asked.pace.value,
            "low": round(at_pace.low, 3),
            "carry": round(at_pace.carry, 3),
            "high": round(at_pace.high, 3),
        },
        "roof": _named(r.roof.pace),
        "roof_band": {"low": _named(r.roof.low), "high": _named(r.roof.high)},
        "required_wettedness": round(found.required_wettedness, 3),
        "storage_k_min": round(found.storage_k_min, 4),
        "sweat_l_h": round(found.sweat_l_h, 2),
        "water_l_h": round(found.water_l_h, 2),
        "balance_w": {
            "heat": round(found.heat_w, 1),
            "breath": round(found.breath_w, 1),
            "convective": round(found.convective_w, 1),
            "radiant": round(found.radiant_w, 1),
            "sun": round(found.sun_w, 1) + 0.0,  # no minus before a nought
            "required": round(found.required_w, 1),
            "maximal": round(found.maximal_w, 1),
            "evaporated": round(found.evaporated_w, 1),
        },
        "effects": {"fan_mps": FAN_MPS, **{name: round(value, 3) for name, value in asdict(r.effects).items()}},
    }


def _named(pace: Pace | None) -> str | None:
    return None if pace is None else pace.value
