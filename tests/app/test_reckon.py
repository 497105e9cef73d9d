"""`loosebox reckon`: published sums, and numbers that an independent library reckons."""

from __future__ import annotations

import json

import psychrolib
import pytest

from gateway.app.reckon_units import humidity_pct, temperature_c
from gateway.errors import GatewayError
from tests.e2e.barn import loosebox


def _json(temp: str, rh: str, *more: str) -> dict[str, object]:
    run = loosebox("reckon", "--temp", temp, "--rh", rh, "--json", *more)
    assert run.returncode == 0, run.stderr
    found: dict[str, object] = json.loads(run.stdout)
    return found


@pytest.mark.parametrize(
    ("temp", "rh", "heat", "level"),
    [
        ("77F", "65", 142, 1),  # worked example of a horse-care article on the sum: 77 °F + 65 % = 142
        ("70F", "50", 120, 0),  # an equine practitioner's examples of the sum: 120, 175, 185
        ("85F", "90", 175, 2),
        ("95F", "90", 185, 3),
        ("30C", "64", 150, 2),  # 86 °F exactly: a boundary belongs to the upper level
    ],
)
def test_sum_and_level(temp: str, rh: str, heat: float, level: int) -> None:
    found = _json(temp, rh)
    assert found["sum"] == pytest.approx(heat, abs=1e-6)
    assert found["level"] == level


@pytest.mark.parametrize(("temp_c", "rh_pct", "altitude_m"), [(36.1, 62, 0), (25, 50, 0), (40, 15, 1000), (5, 95, 0)])
def test_wet_bulb_dew_point_and_vapour_pressure_agree_with_psychrolib(
    temp_c: float, rh_pct: float, altitude_m: float
) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    pressure_pa = psychrolib.GetStandardAtmPressure(altitude_m)
    found = _json(f"{temp_c}C", f"{rh_pct}", "--altitude", f"{altitude_m}m")
    wet = psychrolib.GetTWetBulbFromRelHum(temp_c, rh_pct / 100, pressure_pa)
    assert found["wet_bulb_c"] == pytest.approx(wet, abs=0.01)
    assert found["dew_point_c"] == pytest.approx(psychrolib.GetTDewPointFromRelHum(temp_c, rh_pct / 100), abs=0.01)
    assert found["vapour_pressure_pa"] == pytest.approx(psychrolib.GetVapPresFromRelHum(temp_c, rh_pct / 100), rel=1e-4)
    assert found["inputs"] == {"temp_c": temp_c, "rh_pct": rh_pct, "pressure_pa": round(pressure_pa)}


def test_words_say_sum_posts_level_wet_bulb_and_dew_point() -> None:
    run = loosebox("reckon", "--temp", "97F", "--rh", "62")
    assert run.returncode == 0
    for text in (
        "159.0",
        "at or above 150 and below 180",
        "130, 150, 180",
        "Level      2 of 3",
        "Wet bulb",
        "Dew point",
    ):
        assert text in run.stdout


@pytest.mark.parametrize("text", ["97", "", "F", "97 K", "hot", "nanF", "9 7F", "1e3C"])
def test_a_temperature_without_a_number_or_unit_is_refused(text: str) -> None:
    with pytest.raises(GatewayError, match=r"97F or 36\.1C"):
        temperature_c(text)


@pytest.mark.parametrize(("text", "value_c"), [("97F", 36.1111), ("36.1C", 36.1), ("-40f", -40), ("20 °C", 20)])
def test_temperatures_in_either_unit(text: str, value_c: float) -> None:
    assert temperature_c(text) == pytest.approx(value_c, abs=1e-4)


def test_humidity_with_and_without_its_sign() -> None:
    assert humidity_pct("62") == humidity_pct(" 62% ") == 62
    with pytest.raises(GatewayError, match="write a number"):
        humidity_pct("damp")


@pytest.mark.parametrize(("temp", "rh"), [("97", "62"), ("97F", "162"), ("900F", "50"), ("97F", "nan"), ("97F", "-1")])
def test_impossible_air_ends_with_one_clear_line(temp: str, rh: str) -> None:
    run = loosebox("reckon", "--temp", temp, f"--rh={rh}")
    assert run.returncode == 1
    assert len(run.stderr.strip().splitlines()) == 1
    assert "Traceback" not in run.stderr
