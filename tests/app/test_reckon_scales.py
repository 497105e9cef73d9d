"""What stands beside the sum: indices, sensor errors, the effect of fan, water and shade, the words about them."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from thermofeel import liljegren

from gateway.app.reckon_indices import CLEAR_BEAM_SHARE, clear_sky_cos
from gateway.app.reckon_units import apart_k, height_m, mass_kg, speed_mps, sun_w_m2, temperatures
from tests.e2e.barn import loosebox

AIR = ("--temp", "32C", "--rh", "60")


def _run(*words: str) -> str:
    run = loosebox("reckon", *words)
    assert run.returncode == 0, run.stderr
    return run.stdout


def _json(*words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(_run(*words, "--json"))
    return found


# NIST SP 811 (2008), B.8: mile, foot, pound; BIPM SI brochure: knot is 1852 m an hour.
@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (speed_mps, "10mph", 4.4704),
        (speed_mps, "36km/h", 10.0),
        (speed_mps, "10 kn", 5.144444),
        (speed_mps, "1.5m/s", 1.5),
        (sun_w_m2, "800W/m²", 800.0),
        (height_m, "1000ft", 304.8),
        (height_m, "-86m", -86.0),
        (mass_kg, "1100lb", 498.9516),
        (apart_k, "0.9F", 0.5),
        (apart_k, "0.5K", 0.5),
    ],
)
def test_quantities_in_their_units(read: Any, text: str, value: float) -> None:
    assert read(text) == pytest.approx(value, rel=1e-6)


@given(st.integers(-30, 60), st.integers(1, 40), st.integers(1, 20))
def test_a_range_has_its_first_value_equal_steps_and_its_last_when_a_step_lands_there(
    first: int, steps: int, tenths: int
) -> None:
    last = first + steps * tenths / 10
    found = temperatures(f"{first}C..{last:.1f}C/{tenths / 10:.1f}C").values
    assert len(found) == steps + 1
    assert found[0] == first and found[-1] == pytest.approx(last, abs=1e-6)


@pytest.mark.parametrize("zenith", [5.0, 30.0, 60.0, 80.0])
def test_the_sun_is_as_high_as_a_clear_sky_says(zenith: float) -> None:
    # pvlib: an independent library's form of Haurwitz 1945
    sun = float(pvlib.clearsky.haurwitz(pd.Series([zenith]))["ghi"].iloc[0])
    assert clear_sky_cos(sun) == pytest.approx(np.cos(np.radians(zenith)), abs=1e-5)
    assert clear_sky_cos(1200.0) == 1.0


def test_wbgt_in_the_open_agrees_with_thermofeel() -> None:
    found = _json(*AIR, "--air", "1m/s", "--sun", "900W/m2")
    cos = clear_sky_cos(900.0)
    state: list[Any] = [np.array([value]) for value in (305.15, 0.6, 1013.25, 1.0, 900.0, CLEAR_BEAM_SHARE, cos)]
    globe = float(liljegren.solve_globe(*state)[0])
    wick = float(liljegren.solve_wetbulb(*[*state, 1.0])[0])
    assert found["wbgt_outdoor_c"] == pytest.approx(0.7 * wick + 0.2 * globe + 0.1 * 32.0, abs=0.03)
    # independent reproduction with that day's true sun, beam share 0.72: 33.3 °C; the clear sky errs on the hot side
    assert 33.3 <= found["wbgt_outdoor_c"] <= 33.8
    assert found["left_out"] == {}


def test_wbgt_in_the_open_is_left_out_with_its_reason() -> None:
    without = _json(*AIR)
    assert without["wbgt_outdoor_c"] is None and "sun" in without["left_out"]["wbgt_outdoor_c"]
    too_hot = _json("--temp", "65C", "--rh", "5", "--sun", "900W/m2")
    assert too_hot["wbgt_outdoor_c"] is None and "allowed are -10 to 60" in too_hot["left_out"]["wbgt_outdoor_c"]
    assert "in the open left out" in _run("--temp", "65C", "--rh", "5", "--sun", "900W/m2")


def test_indices_by_name() -> None:
    # independent reproduction at 32 °C, 60 %: NRC 82.65; 30 °C, 70 %: 81.4 (an open library's documented value)
    assert _json(*AIR)["thi"]["nrc"] == pytest.approx(82.65, abs=0.01)
    assert _json("--temp", "30C", "--rh", "70")["thi"]["nrc"] == pytest.approx(81.4, abs=0.05)
    assert set(_json(*AIR)["thi"]) == {"nrc", "mader", "wet_bulb", "yousef", "bianca"}
    # same state, 0.7 wet bulb + 0.3 air = 27.49, and a wick stands up to 0.5 K above the wet bulb: 27.49 to 27.84
    assert 27.49 < _json(*AIR)["wbgt_under_roof_c"] <= 27.85
    assert _json(*AIR)["sum_minus_wind"] is None


def test_saturated_air_has_every_index() -> None:
    found = _json("--temp", "31.7C", "--rh", "100")
    assert found["wet_bulb_c"] == pytest.approx(31.7, abs=0.002) == found["dew_point_c"]
    assert all(value is not None for value in (*found["thi"].values(), *found["for_people"].values()))


def test_errors_are_those_of_the_stated_sensor() -> None:
    # by hand: sqrt((1.8 * 0.3)^2 + 2^2) = 2.07 and sqrt((1.8 * 0.5)^2 + 3^2) = 3.13
    # independent reproduction: dTw/dRH 0.18 K/%, dTw/dT 0.87, so sqrt((0.87 * 0.3)^2 + (0.18 * 2)^2) = 0.445
    found = _json(*AIR)["errors"]
    assert found["sum"] == pytest.approx(2.07, abs=0.01)
    assert found["wet_bulb_k"] == pytest.approx(0.445, abs=0.01)
    other = _json(*AIR, "--temp-error", "0.9F", "--rh-error", "3")["errors"]
    assert other["sum"] == pytest.approx(3.13, abs=0.01)
    assert "sum ± 3.1" in _run(*AIR, "--temp-error", "0.9F", "--rh-error", "3")


def test_a_fan_helps_a_wet_horse_as_the_worked_rows_say() -> None:
    # independent reproduction, just worked at 32 °C and 60 %: required wettedness 1.68 in still air, 0.28 at 3 m/s
    found = _json(*AIR, "--air", "0.2m/s", "--just-worked", "--mass", "500kg")
    assert found["effects"]["now"] == pytest.approx(1 / 1.683, abs=0.003)
    assert 1 / 1.683 < found["effects"]["with_fan"] < 1 / 0.279
    assert found["effects"]["dry_coat"] < found["effects"]["now"]


def test_a_globe_warms_and_shade_says_what_it_would_give() -> None:
    # independent reproduction: surroundings of 57 °C instead of 32 °C raise the required wettedness of the first worked
    # row from 1.683 to 2.50; the balance is linear in that temperature
    found = _json(*AIR, "--air", "0.2m/s", "--globe", "41C", "--just-worked")
    plain = _json(*AIR, "--air", "0.2m/s", "--just-worked")
    assert found["carry"]["stand"] < plain["carry"]["stand"] == found["effects"]["without_sun"]
    assert found["sum"] == plain["sum"] and found["level"] == plain["level"]
    per_kelvin = (1 / found["carry"]["stand"] - 1.683) / (found["assumed"]["radiant_c"] - 32.0)
    assert per_kelvin == pytest.approx((2.50 - 1.683) / 25.0, rel=0.02)
    assert "Shade" in _run(*AIR, "--globe", "41C") and "Shade" not in _run(*AIR)


def test_air_that_nobody_gave_is_said_to_be_taken() -> None:
    assert "air 0.2 m/s (taken, none was given)" in _run(*AIR)
    assert "taken" not in _run(*AIR, "--air", "0.2m/s")
    assert _json(*AIR)["assumed"]["air_given"] is False
    assert _json(*AIR)["carry"] == _json(*AIR, "--air", "0.2m/s")["carry"]


def test_published_wbgt_bands_stand_with_their_source() -> None:
    text = _run("--temp", "37C", "--rh", "60")
    for source in (
        "International equestrian federation 2018, second-hand",
        "Racing Victoria 2024",
        "Schroter and Marlin",
    ):
        assert source in text
    assert "not for horses" in text


def test_carry_is_said_on_its_side_of_one_and_with_its_band() -> None:
    for rh in range(55, 80, 2):
        state = ("--temp", "32C", "--rh", str(rh), "--air", "0.2m/s")
        carry = _json(*state)["carry_band"]["carry"]
        line = next(line for line in _run(*state).splitlines() if line.startswith("Carry"))
        said = float(line.split("about ")[1].split(" ")[0])
        assert (said >= 1.0) == (carry >= 1.0), (rh, carry, line)
        assert " to " in line
