"""`loosebox reckon` with a horse in it: worked rows, tables, the picture, refusals; all through the command line."""

from __future__ import annotations

import csv
import io
import json
from xml.etree import ElementTree

import psychrolib
import pytest

from gateway.heat.balance import Surroundings, roof
from gateway.heat.horse import Horse
from tests.e2e.barn import loosebox


def _run(*words: str) -> str:
    run = loosebox("reckon", *words)
    assert run.returncode == 0, run.stderr
    return run.stdout


# A wet standing horse of 500 kg just after work: required wettedness, required and maximal evaporation [W], worked by
# others with the same published equations and independent software (independent reproduction; not physiology).
@pytest.mark.parametrize(
    ("temp", "rh", "air", "wettedness", "required_w", "maximal_w"),
    [
        ("32C", "60", "0.2m/s", 1.683, 1239, 736),
        ("32C", "60", "3m/s", 0.279, 1042, 3736),
        ("32C", "90", "0.2m/s", 3.625, 1294, 357),
        ("32C", "90", "3m/s", 0.605, 1098, 1813),
        ("38C", "20", "0.2m/s", 1.257, 1435, 1142),
        ("38C", "20", "3m/s", 0.2815, 1632, 5797),
    ],
)
def test_six_worked_rows(temp: str, rh: str, air: str, wettedness: float, required_w: float, maximal_w: float) -> None:
    found = json.loads(_run("--temp", temp, "--rh", rh, "--air", air, "--mass", "500kg", "--just-worked", "--json"))
    assert found["required_wettedness"] == pytest.approx(wettedness, abs=0.006)
    assert found["balance_w"]["required"] == pytest.approx(required_w, abs=1)
    assert found["balance_w"]["maximal"] == pytest.approx(maximal_w, abs=1)


def test_units_of_every_quantity_are_read() -> None:
    metric = json.loads(
        _run("--temp", "30C", "--rh", "60", "--air", "2m/s", "--altitude", "304.8m", "--mass", "500kg", "--json")
    )
    other = json.loads(
        _run(
            "--temp",
            "86F",
            "--rh",
            "60",
            "--air",
            "4.473873mph",
            "--altitude",
            "1000ft",
            "--mass",
            "1102.311lb",
            "--json",
        )
    )
    assert other["sum"] == pytest.approx(metric["sum"], abs=1e-6)
    for pace, carry in metric["carry"].items():
        assert other["carry"][pace] == pytest.approx(carry, abs=0.002)


def test_sum_less_wind_is_that_of_a_published_example() -> None:
    # Heimer, county extension agent, 2009: 79 °F + 58 % less 4.6 mph is 132.4.
    found = json.loads(_run("--temp", "79F", "--rh", "58", "--air", "4.6mph", "--json"))
    assert found["sum_minus_wind"] == pytest.approx(132.4, abs=0.05)


def test_what_is_meant_for_people_says_so() -> None:
    found = json.loads(_run("--temp", "90F", "--rh", "70", "--json"))
    # US weather service heat index chart: 90 °F and 70 % is 106 °F (41.1 °C); printed whole.
    assert found["for_people"]["human_heat_index_c"] == pytest.approx(41.1, abs=0.5)
    assert "human" not in json.dumps({k: v for k, v in found.items() if k != "for_people"})


def test_words_say_a_band_and_an_estimate() -> None:
    text = _run("--temp", "32C", "--rh", "60")
    assert "about" in text and "Roof" in text and "Look at the horse" in text


def test_a_table_as_csv_has_units_and_every_cell() -> None:
    rows = list(
        csv.reader(io.StringIO(_run("--temp", "20C..38C/9C", "--rh", "30..90/30", "--table", "csv", "--of", "sum")))
    )
    assert rows[0] == ["temp [°C]", "rh [%]", "sum [°F + %]"]
    assert [(r[0], r[1]) for r in rows[1:]] == [(t, h) for t in ("20", "29", "38") for h in ("30", "60", "90")]
    assert all(float(r[2]) == pytest.approx(float(r[0]) * 9 / 5 + 32 + float(r[1]), abs=0.051) for r in rows[1:])


def test_a_table_of_the_roof_is_the_roof() -> None:
    rows = list(
        csv.reader(io.StringIO(_run("--temp", "20C..40C/5C", "--rh", "40..90/25", "--table", "csv", "--of", "roof")))
    )
    for temp, rh, pace in rows[1:]:
        expected = roof(Surroundings(temp_c=float(temp), rh_pct=float(rh)), Horse())
        assert pace == str(expected or "none")


@pytest.mark.parametrize("unit", ["C", "F"])
def test_a_table_of_wet_bulbs_read_again_agrees_with_psychrolib(unit: str) -> None:
    temps = "5C..40C/7C" if unit == "C" else "50F..104F/9F"
    text = _run("--temp", temps, "--rh", "20..90/35", "--altitude", "500m", "--table", "csv", "--of", "wet-bulb")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == (18 if unit == "C" else 21)
    psychrolib.SetUnitSystem(psychrolib.SI if unit == "C" else psychrolib.IP)
    pressure = psychrolib.GetStandardAtmPressure(500.0 if unit == "C" else 500.0 / 0.3048)
    for row in rows:
        wet = psychrolib.GetTWetBulbFromRelHum(float(row[f"temp [°{unit}]"]), float(row["rh [%]"]) / 100, pressure)
        assert float(row[f"wet bulb [°{unit}]"]) == pytest.approx(wet, abs=0.02)


def test_a_table_for_people_is_aligned_and_marks_what_is_not_carried() -> None:
    lines = _run("--temp", "26C..38C/6C", "--rh", "60..90/30", "--air", "0.2m/s", "--just-worked", "--table", "text")
    head, *rows = lines.splitlines()[2:6]
    assert head.split() == ["°C", "\\", "%", "60", "90"]
    assert len({len(row) for row in rows}) == 1
    # independent reproduction: required wettedness 1.68 and 3.63 at 32 °C, so carry 0.59 and 0.28
    assert rows[1].split() == ["32", "0.59!", "0.28!"]
    assert "just worked" in lines and "below 1" in lines


def test_a_sum_just_below_a_post_is_not_rounded_up_to_it() -> None:
    # 86 °F + 63.96 % = 149.96
    assert "149.9: " in _run("--temp", "86F", "--rh", "63.96")
    assert "149.9" in _run("--temp", "86F", "--rh", "63.96", "--table", "text", "--of", "sum")
    found = _run("--temp", "86F", "--rh", "63.96", "--table", "csv", "--of", "sum").splitlines()[1]
    assert float(found.split(",")[2]) == pytest.approx(149.96, abs=1e-9)


def test_the_picture_is_one_well_formed_svg_that_names_its_paces_and_posts() -> None:
    root = ElementTree.fromstring(_run("--temp", "20C..40C/1C", "--rh", "30..95/5", "--table", "svg"))
    assert root.tag.endswith("svg")
    text = " ".join(t for t in root.itertext())
    for word in ("canter", "trot", "walk", "130", "150", "180"):
        assert word in text.lower()
    assert "http" not in "".join(v for e in root.iter() for v in e.attrib.values())


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--air", "3"), "as 1.5m/s"),
        (("--altitude", "300"), "300m"),
        (("--mass", "500"), "500kg"),
        (("--sun", "800"), "800W/m2"),
        (("--globe", "41C", "--sun", "800W/m2"), "sun"),
        (("--wet", "1.5"), "1"),
        (("--mass", "5kg"), "mass"),
        (("--of", "carry"), "--table"),
        (("--table", "csv", "--json"), "--table csv"),
        (("--table", "svg"), "two ranges"),
        (("--table", "svg", "--of", "sum"), "shows the roof"),
        (("--table", "text", "--globe", "41C"), "one air temperature"),
        (("--globe", "41"), "97F or 36.1C"),
        (("--air", "3 knots"), "m/s, mph, km/h, kn"),
        (("--air=-1m/s",), "air_mps"),
        (("--sun", "5000W/m2"), "sun_w_m2"),
        (("--altitude", "9000m"), "altitude_m"),
        (("--wet", "half"), "from 0 to 1"),
        (("--temp-error", "0.3"), "0.3K"),
        (("--rh-error", "wide"), "write a number"),
        (("--globe", "121C"), "globe_c"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(words: tuple[str, ...], why: str) -> None:
    run = loosebox("reckon", "--temp", "32C", "--rh", "60", *words)
    assert run.returncode == 1
    assert why in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1 and "Traceback" not in run.stderr


@pytest.mark.parametrize(
    ("temp", "rh", "why"),
    [
        ("20C..38C/2C", "60", "a range needs a table"),
        ("32C", "30..90/10", "a range needs a table"),
        ("20C..100F/2C", "60", "in one unit"),
        ("20C..38C", "60", "first, last and step"),
        ("32C", "30..90", "first, last and step"),
        ("38C..20C/2C", "60", "above the first"),
        ("32C", "30..90/0", "above 0"),
        ("0C..38C/0.01C", "60", "at most 500"),
        ("20..38/2", "60", "97F or 36.1C"),
    ],
)
def test_ranges_that_make_no_table_are_refused(temp: str, rh: str, why: str) -> None:
    run = loosebox("reckon", "--temp", temp, "--rh", rh)
    assert run.returncode == 1
    assert why in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1 and "Traceback" not in run.stderr


@pytest.mark.parametrize(
    "words", [("--pace", "amble"), ("--table", "pdf"), ("--of", "everything"), ("--altitude-m", "3")]
)
def test_words_that_reckon_does_not_know_are_refused(words: tuple[str, str]) -> None:
    run = loosebox("reckon", "--temp", "32C", "--rh", "60", *words)
    assert run.returncode == 2
    assert words[0] in run.stderr and "Traceback" not in run.stderr
