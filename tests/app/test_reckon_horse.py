"""`loosebox reckon` with a horse in it: worked rows, tables, the picture, refusals; all through the command line."""

from __future__ import annotations

import csv
import io
import json
from xml.etree import ElementTree

import pytest

from gateway.heat.balance import Surroundings, roof
from gateway.heat.horse import Horse
from tests.e2e.barn import loosebox


def _run(*words: str) -> str:
    run = loosebox("reckon", *words)
    assert run.returncode == 0, run.stderr
    return run.stdout


def _table(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(_run("--table", "csv", *text.split()))))


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
    ],
)
def test_refusals_are_one_clear_line(words: tuple[str, ...], why: str) -> None:
    run = loosebox("reckon", "--temp", "32C", "--rh", "60", *words)
    assert run.returncode == 1
    assert why in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1 and "Traceback" not in run.stderr
