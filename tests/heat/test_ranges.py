"""Both ends of every documented range: inside is answered, outside is refused by name. And the shape of the values.

The limits are written here once more by hand, from the page of each function; those of the horse are our own choice.
"""

from __future__ import annotations

import dataclasses
import inspect
import pkgutil
from collections.abc import Callable
from importlib import import_module
from math import nan
from types import ModuleType
from typing import Any

import pytest

import gateway.heat
from gateway.errors import RangeError
from gateway.heat import indices, mist, psychro, radiant, recovery, student, wbgt
from gateway.heat.balance import Surroundings, film_w_m2_k, speed_past_skin_mps
from gateway.heat.curve import fit_cooling
from gateway.heat.horse import PARAMETERS, Horse, Pace
from gateway.heat.liljegren import outdoor_wbgt
from gateway.heat.uncertainty import Accuracy

ROOM: tuple[ModuleType, ...] = tuple(
    import_module(f"gateway.heat.{found.name}") for found in pkgutil.iter_modules(gateway.heat.__path__)
)

AIR = {"temp_c": 20.0, "rh_pct": 50.0}
OUTSIDE = {
    **AIR,
    "pressure_pa": 101_325.0,
    "wind_mps": 1.0,
    "sun_w_m2": 500.0,
    "beam_share": 0.5,
    "sun_cos": 0.7,
}


def _fitted(**changed: float) -> object:
    """A cooling fit with its last minute, its highest reading, its end or its confidence changed."""
    last_min, first_c = changed.pop("minutes", 6.0), changed.pop("temps_c", 41.0)
    given: dict[str, Any] = {"end_c": 37.8, **changed}
    return fit_cooling(minutes=[0.0, 2.0, 4.0, last_min], temps_c=[first_c, 40.0, 39.5, 39.1], **given)


# function, arguments that are fine, the argument at stake, its ends
ENDS: tuple[tuple[Callable[..., object], dict[str, float], str, float, float], ...] = (
    (psychro.vapour_pressure_pa, AIR, "temp_c", -40.0, 80.0),
    (psychro.vapour_pressure_pa, AIR, "rh_pct", 0.0, 100.0),
    (psychro.rh_pct_from_vapour, {"temp_c": 20.0}, "vapour_pressure_pa", 0.0, 50_000.0),
    (psychro.humidity_ratio, {"vapour_pressure_pa": 1e3}, "pressure_pa", 60_000.0, 110_000.0),
    (psychro.humidity_ratio, {"pressure_pa": 1e5}, "vapour_pressure_pa", 0.0, 80_000.0),
    (psychro.vapour_from_ratio_pa, {"pressure_pa": 1e5}, "humidity_ratio", 0.0, 3.0),
    (psychro.pressure_at_altitude_pa, {}, "altitude_m", -500.0, 4_200.0),
    (psychro.ratio_at_wet_bulb, {"temp_c": 20.0, "pressure_pa": 1e5}, "wet_bulb_c", -45.0, 20.0),
    (indices.heat_sum_minus_wind, AIR, "wind_mps", 0.0, 60.0),
    (indices.thi_wet_bulb, {"temp_c": 20.0}, "wet_bulb_c", -45.0, 20.0),
    (indices.thi_bianca, {"temp_c": 20.0}, "wet_bulb_c", -45.0, 20.0),
    (indices.thi_thom, {"temp_c": 20.0}, "wet_bulb_c", -45.0, 20.0),
    (indices.thi_yousef, {"temp_c": 20.0}, "dew_point_c", -100.0, 20.0),
    (indices.humidex, {"temp_c": 20.0}, "dew_point_c", -100.0, 20.0),
    (wbgt.wbgt_no_sun_c, {"natural_wet_bulb_c": 20.0}, "globe_c", -40.0, 120.0),
    (wbgt.wbgt_under_roof, {**AIR, "pressure_pa": 1e5}, "air_mps", 0.0, 60.0),
    (outdoor_wbgt, OUTSIDE, "temp_c", -10.0, 60.0),
    (outdoor_wbgt, OUTSIDE, "rh_pct", 1.0, 100.0),
    (outdoor_wbgt, OUTSIDE, "wind_mps", 0.0, 60.0),
    (outdoor_wbgt, OUTSIDE, "sun_w_m2", 0.0, 1400.0),
    (outdoor_wbgt, OUTSIDE, "beam_share", 0.0, 1.0),
    (outdoor_wbgt, OUTSIDE, "sun_cos", -1.0, 1.0),
    (mist.mist, {"rh_pct": 90.0, "pressure_pa": 1e5, "efficiency": 0.5}, "temp_c", 5.0, 80.0),
    (mist.mist, {**AIR, "pressure_pa": 1e5}, "efficiency", 0.0, 1.0),
    (radiant.mean_radiant_c, {"temp_c": -20.0, "air_mps": 0.0}, "globe_c", -40.0, 120.0),
    (radiant.mean_radiant_c, {"globe_c": 20.0, "temp_c": 20.0, "air_mps": 1.0}, "globe_m", 0.03, 0.2),
    (Surroundings, AIR, "radiant_c", -60.0, 150.0),
    (Surroundings, AIR, "sun_w_m2", 0.0, 1400.0),
    (lambda speed_mps: film_w_m2_k(Horse(), speed_mps), {}, "speed_mps", 0.0, 90.0),
    (lambda air_mps: speed_past_skin_mps(Horse(), Pace.WALK, air_mps), {}, "air_mps", 0.0, 60.0),
    (lambda core_c: recovery.recovery(Surroundings(**AIR), Pace.STAND, Horse(), core_c=core_c), {}, "core_c", 36, 44),
    (Accuracy, {"rh_pct": 2.0}, "temp_k", 0.0, 10.0),
    (Accuracy, {"temp_k": 0.3}, "rh_pct", 0.0, 30.0),
    (Accuracy, {"temp_k": 0.3, "rh_pct": 2.0}, "air_mps", 0.0, 10.0),
    (student.outside, {"freedom": 5.0}, "t", -1e6, 1e6),
    (student.outside, {"t": 2.0}, "freedom", 1.0, 1e5),
    (student.quantile, {"freedom": 5.0}, "confidence", 0.5, 0.999),
    (_fitted, {}, "temps_c", 0.0, 60.0),
    (_fitted, {}, "end_c", 0.0, 60.0),
    (_fitted, {}, "confidence", 0.5, 0.999),
)


@pytest.mark.parametrize(
    ("function", "fine", "name", "low", "high"),
    ENDS,
    ids=[f"{getattr(end[0], '__name__', 'call')}-{end[2]}" for end in ENDS],
)
def test_both_ends_of_the_range_are_answered_and_what_lies_beyond_is_refused(
    function: Callable[..., object], fine: dict[str, float], name: str, low: float, high: float
) -> None:
    given = {key: value for key, value in fine.items() if key != name}
    for inside in (low, high):
        assert function(**given, **{name: inside}) is not None
    beyond = max(1e-5, 1e-8 * abs(high - low))
    for bad in (low - beyond, high + beyond, nan):
        with pytest.raises(RangeError, match=name):
            function(**given, **{name: bad})


def test_the_minutes_of_a_series_have_ends_too() -> None:
    for shift_min in (-1e4, 1e5 - 6.0):
        minutes = [shift_min + minute for minute in (0.0, 2.0, 4.0, 6.0)]
        assert fit_cooling(minutes=minutes, temps_c=[41.0, 40.0, 39.5, 39.1], end_c=37.8) is not None
        beyond = [minute + (-0.5 if shift_min < 0.0 else 0.5) for minute in minutes]
        with pytest.raises(RangeError, match="minutes"):
            fit_cooling(minutes=beyond, temps_c=[41.0, 40.0, 39.5, 39.1], end_c=37.8)


def test_a_misted_wet_bulb_is_refused_below_the_triple_point_only() -> None:
    # 0.01 °C is the triple point of water (SI brochure); saturated air at 5 °C has its wet bulb at 5 °C
    assert mist.mist(temp_c=5.0, rh_pct=45.0, pressure_pa=101_325.0, efficiency=0.5).wet_bulb_c < 1.0
    assert mist.mist(temp_c=80.0, rh_pct=100.0, pressure_pa=101_325.0, efficiency=0.5).wet_bulb_c == pytest.approx(80.0)
    with pytest.raises(RangeError, match="wet bulb"):
        mist.mist(temp_c=5.0, rh_pct=25.0, pressure_pa=101_325.0, efficiency=0.5)


# The horse: default, lowest, highest, as agreed; the sources stand beside the fields
AGREED = {
    "mass_kg": (500.0, 80.0, 1200.0),
    "area_factor": (1.0, 0.7, 1.35),
    "skin_c": (35.0, 28.0, 40.0),
    "wetness": (1.0, 0.0, 1.0),
    "standing_oxygen": (4.5, 2.5, 150.0),
    "efficiency": (0.0, 0.0, 0.25),
    "walk_mps": (1.6, 1.0, 2.2),
    "trot_mps": (3.5, 2.2, 5.0),
    "canter_mps": (6.0, 4.0, 8.5),
    "gallop_mps": (10.0, 8.0, 18.0),
    "radiation_w_m2_k": (4.7, 3.0, 6.0),
    "still_air_w_m2_k": (3.1, 2.0, 5.0),
    "evaporation_k_kpa": (16.5, 15.0, 17.5),
    "breath_l_l": (27.0, 20.0, 40.0),
    "breath_out_c": (37.0, 30.0, 40.0),
    "sweat_ml_m2_min": (50.0, 0.0, 60.0),
    "sun_share": (0.3, 0.0, 0.5),
    "tissue_j_kg_k": (3470.0, 3300.0, 3600.0),
    "core_to_skin_w_m2_k": (150.0, 60.0, 250.0),
}


def test_the_horse_has_the_agreed_numbers() -> None:
    assert {known.name: (known.default, known.low, known.high) for known in PARAMETERS} == AGREED


@pytest.mark.parametrize("module", ROOM, ids=lambda module: module.__name__.rpartition(".")[2])
def test_values_are_frozen_slotted_and_given_by_name(module: ModuleType) -> None:
    for kind in vars(module).values():
        if inspect.isclass(kind) and kind.__module__ == module.__name__ and dataclasses.is_dataclass(kind):
            parameters = kind.__dataclass_params__  # type: ignore[attr-defined]  # how the class was made
            assert parameters.frozen, kind
            assert "__slots__" in vars(kind), kind
            assert all(field.kw_only for field in dataclasses.fields(kind)), kind


@pytest.mark.parametrize("module", ROOM, ids=lambda module: module.__name__.rpartition(".")[2])
def test_numbers_of_public_functions_are_given_by_name_wherever_they_could_be_swapped(module: ModuleType) -> None:
    for name, function in vars(module).items():
        if not inspect.isfunction(function) or function.__module__ != module.__name__ or name.startswith("_"):
            continue
        taken = inspect.signature(function).parameters.values()
        assert all(given.kind is not inspect.Parameter.POSITIONAL_ONLY for given in taken), name
        numbers = [given for given in taken if given.annotation == "float"]
        if len(numbers) > 1 and name not in {"air_within", "dry_losses_w", "evaporation_w"}:  # inner, fixed order
            assert all(given.kind is inspect.Parameter.KEYWORD_ONLY for given in numbers), name
