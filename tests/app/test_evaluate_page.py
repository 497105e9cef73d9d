"""The page and the table of the evaluation, from scores made by hand, and in a real browser."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as Tree

import pytest
from playwright.sync_api import Browser

from drivers.bench.weather import HotDay
from gateway.app.evaluate import Point, Score, Season
from gateway.app.evaluate_page import page, save_page
from gateway.app.evaluate_table import BEST, DRY, OFF, ON, OURS, THERMOSTAT, Found, cost_kwh, save_csv, verdicts
from gateway.errors import WeatherError
from tests.browser import chromium

DAY_S = 86400.0


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


def _score(strain_h: float, comfort_h: float, kwh: float) -> Score:
    score = Score(horse_hours=21.0, strain_h=strain_h, comfort_strain_h=comfort_h, fan_kwh=kwh, fan_kwh_nobody=1.0)
    score.strain_by_day[1] = comfort_h
    score.trace = [
        Point(time_s=DAY_S + 600.0 * n, temp_c=30.0, carry=None if 48 <= n < 60 else 1.5, groups=n % 3, mist=n == 70)
        for n in range(144)
    ]
    return score


GOOD = {
    OFF: _score(50.0, 500.0, 0.0), ON: _score(1.0, 10.0, 1000.0), THERMOSTAT: _score(3.0, 30.0, 600.0),
    OURS: _score(1.0, 10.1, 500.0), DRY: _score(1.0, 10.1, 500.0), BEST: _score(1.0, 10.0, 480.0),
}  # fmt: skip


def _found(scores: dict[str, Score]) -> Found:
    season = Season(
        name="A <made-up> town", weather=HotDay(zone_offset_h=0.0), begin_s=0.0, end_s=2 * DAY_S, offset_s=0.0
    )
    return Found(season=season, scores=scores, front={12.0: scores[BEST]} if BEST in scores else {}, note="Invented.")


def test_all_aims_are_reached_by_good_scores() -> None:
    found = list(verdicts(_found(GOOD)))
    assert len(found) == 5
    assert all(verdict.reached for verdict in found)


@pytest.mark.parametrize(
    ("name", "worse", "aim"),
    [
        (OURS, {"strain_h": 1.021}, "no worse than fans always on"),
        (OURS, {"comfort_strain_h": 10.3}, "no worse than fans always on"),
        (OURS, {"fan_kwh": 751.0}, "25 % below"),
        (OURS, {"fan_kwh": 601.0}, "below the thermostat"),
        (OURS, {"strain_h": 1.51}, "below the thermostat"),
        (OURS, {"comfort_strain_h": 15.1}, "same for strain below 2"),
        (DRY, {"fan_kwh": 540.0}, "dearer than with perfect foresight"),
    ],
)
def test_each_aim_can_fail_and_says_so(name: str, worse: dict[str, float], aim: str) -> None:
    scores = {**GOOD, name: replace(GOOD[name], **worse)}  # type: ignore[arg-type]
    failed = [verdict.aim for verdict in verdicts(_found(scores)) if not verdict.reached]
    assert any(aim in each for each in failed), failed
    assert "not reached" in page([_found(scores)])


def test_cost_is_twelve_kilowatt_hours_for_an_hour_of_strain() -> None:
    assert cost_kwh(_score(0.0, 2.5, 100.0)) == 130.0


def test_without_the_needed_controllers_no_aim_is_judged() -> None:
    assert list(verdicts(_found({OFF: GOOD[OFF]}))) == []
    assert "Aims" not in page([_found({OFF: GOOD[OFF]})])


def test_page_has_no_script_and_escapes_names() -> None:
    text = page([_found(GOOD)])
    assert "<script" not in text and " on" + "load" not in text
    assert "A &lt;made-up&gt; town" in text
    assert not re.search(r"(src|href)=", text), "the page needs nothing but itself"
    for svg in re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL):
        Tree.fromstring(svg)


def test_unwritable_folder_is_a_sentence(tmp_path: Path) -> None:
    saves: tuple[Callable[[list[Found], Path], None], ...] = (save_page, save_csv)
    for save in saves:
        with pytest.raises(WeatherError, match="cannot be written"):
            save([_found(GOOD)], tmp_path / "not" / "there")


@pytest.mark.parametrize("wide", [1280, 390])
def test_page_fits_screens_and_its_letters_can_be_read(wide: int, tmp_path: Path, browser: Browser) -> None:
    save_page([_found(GOOD)], tmp_path / "evaluation.html")
    tab = browser.new_page(viewport={"width": wide, "height": 900})
    tab.goto(f"file://{tmp_path / 'evaluation.html'}")
    assert tab.evaluate("document.documentElement.scrollWidth") == wide
    sizes = tab.evaluate(
        "[...document.querySelectorAll('svg text')]"
        ".map(t => t.getScreenCTM().a * parseFloat(getComputedStyle(t).fontSize))"
    )
    assert min(sizes) >= 10.0
    outside = tab.evaluate(
        "[...document.querySelectorAll('svg')].flatMap(s => [...s.querySelectorAll('text')].filter(t => {"
        "const a = t.getBoundingClientRect(), b = s.getBoundingClientRect();"
        "return a.left < b.left - 1 || a.right > b.right + 1 || a.bottom > b.bottom + 1}).map(t => t.textContent))"
    )
    assert outside == []
