"""Comparing a sensor with salts and ice, as a person does it on the line."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from gateway.app.calibrate import answer
from gateway.cli import _parser
from gateway.model import Stamp
from gateway.site import load
from tests.e2e.barn import loosebox

EXAMPLE = Path(__file__).parents[2] / "drivers" / "examples" / "one-board.toml"
NOON = Stamp(mono_s=0.0, wall_s=1_777_723_200.0, boot="b", trusted=True)  # 2026-05-02 12:00 UTC
UNSET = Stamp(mono_s=0.0, wall_s=1_777_723_200.0, boot="b", trusted=False)
HIGH = ("--point", "NaCl=79.1@24.5", "--point", "MgCl2=36.9@24.5")


def say(*words: str, now: Stamp = NOON) -> str:
    return answer(_parser().parse_args(["calibrate", *words, "--by", 'Ann "Nan" B']), now)


def pasted(text: str, site: str) -> str:
    """The site file with the printed block instead of its own correction."""
    start, end = site.index("[[corrections]]"), site.index("[history]")
    return site[:start] + text[text.index("[[corrections]]") :] + "\n\n" + site[end:]


def test_errors_at_both_points_are_told_with_how_sure_they_are() -> None:
    # NaCl 75.3 % and MgCl2 32.8 % at 24.5 °C: CRC Handbook, Constant Humidity Solutions (A exp(B/T), by hand).
    text = say("stalls-air", "rh", "--point", "NaCl=73.1@24.5", "--point", "MgCl2=31.0@24.5")
    assert "NaCl at 24.5 °C: 75.3 ± 2 %, the sensor says 73.1: error -2.2 ± 2 %" in text
    assert "MgCl2 at 24.5 °C: 32.8 ± 2 %, the sensor says 31.0: error -1.8 ± 2 %" in text
    assert text.endswith("Leave it as it is: a correction is for errors of more than 3 % at every point.")


def test_the_block_of_a_shifted_sensor_can_be_pasted(tmp_path: Path) -> None:
    text = say("stalls-air", "rh", *HIGH)
    path = tmp_path / "barn.toml"
    path.write_text(pasted(text, EXAMPLE.read_text()))
    (correction,) = load(path).barn.corrections
    assert correction.channel == "stalls-air.rh_pct"
    assert correction.offset == pytest.approx(-4.0)  # mean of 79.1 - 75.26 and 36.9 - 32.80, by hand
    assert (correction.on, correction.by) == ("2026-05-02", 'Ann "Nan" B')
    assert correction.reference == "saturated salts NaCl, MgCl2"


def test_a_worn_sensor_is_to_be_replaced_and_gets_no_block() -> None:
    text = say("stalls-air", "rh", "--point", "NaCl=70@24.5", "--point", "MgCl2=35@24.5")
    assert "Replace it: its errors differ by more than 5 %" in text
    assert "[[" not in text


def test_the_ice_point_corrects_a_thermometer() -> None:
    text = say("stalls-globe", "globe", "--ice=-0.4")
    assert "melting ice: 0.0 ± 0.1 °C, the sensor says -0.4: error -0.4 ± 0.1 K" in text
    (block,) = tomllib.loads(text[text.index("[[") :])["corrections"]
    assert (block["offset"], block["quantity"], block["reference"]) == (0.4, "globe", "melting ice, 0 °C")
    assert "Leave it as it is" in say("stalls-globe", "globe", "--ice", "0.1")
    assert "Replace it: it is off by more than 2 K" in say("stalls-globe", "globe", "--ice", "3.5")


def test_a_correction_that_stands_is_part_of_the_new_one() -> None:
    """The example has -4.0 for this sensor: what it says is 4 points below what the chip says."""
    text = say("stalls-air", "rh", *HIGH, "--site", str(EXAMPLE))
    assert "a correction of -4 % stands" in text and "instead of the one that stands there" in text
    assert "offset = -8.0" in text
    assert "stands" not in say("yard-air", "rh", *HIGH, "--site", str(EXAMPLE))


def test_the_day_is_that_of_the_line_or_of_the_clock_which_may_not_be_set() -> None:
    assert "on = 2025-11-03\n" in say("stalls-air", "rh", *HIGH, "--on", "2025-11-03", now=UNSET)
    assert "on = 2026-05-02    # this machine's clock is not set" in say("stalls-air", "rh", *HIGH, now=UNSET)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("stalls-air", "rh"), "rh needs two points"),
        (("stalls-air", "rh", "--point", "NaCl=73@24"), "rh needs two points"),
        (("stalls-air", "rh", "--point", "NaCl=73@24", "--point", "nacl=74@25"), "two points of one salt"),
        (("stalls-air", "rh", *HIGH, "--ice", "0.1"), "rh needs two points"),
        (("stalls-air", "temp", *HIGH), "temp needs what the sensor says in melting ice"),
        (("stalls-air", "temp"), "as --ice 0.4"),
        (("stalls-air", "temp", "--ice", "cold"), "cold is not a number"),
        (("stalls-air", "temp", "--ice", "nan"), "is nan, allowed are -30 to 60"),
        (("stalls-air", "temp", "--ice", "72"), "allowed are -30 to 60"),
        (("stalls-air", "rh", "--point", "NaCl73", "--point", "MgCl2=31@24"), "say salt, what the sensor says"),
        (("stalls-air", "rh", "--point", "NaCI=73@24", "--point", "MgCl2=31@24"), 'did you mean "NaCl"?'),
        (("stalls-air", "rh", "--point", "NaCl=73@50", "--point", "MgCl2=31@24"), "allowed are 10 to 40"),
        (("stalls-air", "rh", "--point", "NaCl=7.3.1@24", "--point", "MgCl2=31@24"), "7.3.1 is not a number"),
        (("stalls-air", "rh", "--point", "NaCl=730@24", "--point", "MgCl2=31@24"), "allowed are 0 to 120"),
        (("Stalls Air", "rh", *HIGH), "no name of a sensor"),
        (("stals-air", "rh", *HIGH, "--site", str(EXAMPLE)), 'has no sensor "stals-air"; did you mean "stalls-air"?'),
        (("stalls-globe", "rh", *HIGH, "--site", str(EXAMPLE)), "stalls-globe does not measure rh, it has globe"),
    ],
)
def test_what_cannot_be_compared_is_told_in_one_line(words: tuple[str, ...], said: str) -> None:
    run = loosebox("calibrate", *words, "--by", "Ann")
    assert run.returncode == 1
    assert said in run.stderr and "Traceback" not in run.stderr
    assert run.stderr.count("\n") == 1 and run.stdout == ""


@pytest.mark.parametrize("by", ["", " Ann", "A" * 41, "Ann\nB", "Ann\u200bB"])
def test_a_name_that_the_site_file_would_refuse_is_refused_here(by: str) -> None:
    run = loosebox("calibrate", "stalls-air", "rh", *HIGH, "--by", by)
    assert run.returncode == 1 and "--by takes the name of a person" in run.stderr


def test_the_command_prints_what_the_room_says() -> None:
    run = loosebox("calibrate", "stalls-air", "rh", *HIGH, "--by", "Ann", "--on", "2026-05-02")
    assert run.returncode == 0, run.stderr
    assert "[[corrections]]" in run.stdout and "on = 2026-05-02\n" in run.stdout
