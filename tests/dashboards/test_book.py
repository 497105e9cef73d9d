"""Owns: checks of the day book: its sentence, its strip, its table, its file, and the past for programs.

Must not know: SQL.
How it works: a made-up past whose hours are known by construction; a real server; the strip is read back from its SVG.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import httpx
import pytest
from playwright.sync_api import Browser

from dashboards.strip import KitBar, Span, Strip, gaps, runs, strip
from tests.dashboards.made_past import MadePast

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]
SVG = "{http://www.w3.org/2000/svg}"
DAY_S = 86_400.0


def made(**other: Any) -> Strip:
    given: dict[str, Any] = {
        "begin_s": 0.0, "end_s": DAY_S, "until_s": DAY_S, "step_s": 300.0, "posts": (130.0, 150.0, 180.0),
        "points": tuple((at * 300.0, 140.0) for at in range(288)), "levels": (), "kit": (), "worst": None, "ticks": (),
    }  # fmt: skip
    return Strip(**{**given, **other})


def test_a_missing_reading_breaks_the_line() -> None:
    points = tuple((at * 300.0, 140.0) for at in range(288) if not 96 <= at < 111)
    assert [len(run) for run in runs(points, 300.0)] == [96, 177]
    assert gaps(made(points=points)) == [(96 * 300.0, 111 * 300.0)]


def test_a_day_that_is_not_over_has_no_gap_in_what_is_to_come() -> None:
    points = tuple((at * 300.0, 140.0) for at in range(100))
    assert gaps(made(points=points, until_s=100 * 300.0)) == []
    assert gaps(made(points=(), until_s=100 * 300.0)) == [(0.0, 30_000.0)]


@pytest.mark.parametrize("level", [None, 0, 1, 2, 3])
def test_each_level_of_the_band_looks_different_in_grey(level: int | None) -> None:
    pictures = {
        other: strip(made(levels=(Span(begin_s=0, end_s=DAY_S, level=other),)), "x") for other in (None, 0, 1, 2, 3)
    }
    assert sum(picture == pictures[level] for picture in pictures.values()) == 1


def test_a_bar_lies_where_the_kit_ran_and_an_outline_where_somebody_had_it() -> None:
    bar = KitBar(name="fan", ran=(Span(begin_s=0.25 * DAY_S, end_s=0.5 * DAY_S),),
                 hands=(Span(begin_s=0.5 * DAY_S, end_s=0.75 * DAY_S),))  # fmt: skip
    rects = [r for r in ElementTree.fromstring(strip(made(kit=(bar,)), "x")).iter() if r.tag.endswith("rect")]
    # The day is 310 px wide (352 - 40 - 2).
    edges = [float(rect.get(side, "")) for rect in rects for side in ("x", "width")]
    assert edges == pytest.approx([40 + 77.5, 77.5, 40 + 155, 77.5])
    assert "var(--info)" in (rects[1].get("stroke") or "")


@pytest.fixture
def wall(hang_wall: Hang, barns: type[Barns]) -> Wall:
    return hang_wall(barns.risky(), past=MadePast())


def get(wall: Wall, path: str, **headers: str) -> httpx.Response:
    return httpx.get(wall.url + path, headers=headers, timeout=20, trust_env=False)


def test_the_sentence_says_how_long_how_bad_and_what_was_missing(wall: Wall) -> None:
    page = get(wall, "/book?day=2026-07-13&lang=en").text
    text = re.sub(r"<[^>]+>", " ", page)
    # By construction: level 2 from 1 pm to 6 pm, no reading from 8:00 to 9:15, fans from 8 on but for half an hour.
    assert "HOT for 5 h 00 min." in text
    assert "No reading for 1 h 15 min." in text
    assert "Fan ran 15 h 30 min." in text
    assert "Ana: fan OFF by hand, 3:00 pm – 3:30 pm." in text
    assert "Mon 2026-07-13" in text


def test_today_ends_now(wall: Wall) -> None:
    text = re.sub(r"<[^>]+>", " ", get(wall, "/book?lang=en").text)
    assert "HOT for 1 h 12 min." in text  # from 1 pm to 2:12 pm
    assert "by hand" not in text.replace("Outlined: by hand", "")  # at three: still to come


@pytest.mark.parametrize(
    ("asked", "status"),
    [("?day=2026-07-15", 404), ("?day=yesterday", 422), ("?day=1999-01-01", 404), ("?day=9999-99-99", 422)],
)
def test_a_day_that_is_none_is_refused(wall: Wall, asked: str, status: int) -> None:
    assert get(wall, "/book" + asked).status_code == status


def test_a_history_that_cannot_be_read_is_told(hang_wall: Hang, barns: type[Barns]) -> None:
    wall = hang_wall(barns.risky(), past=MadePast(broken=True))
    assert "The history cannot be read now." in get(wall, "/book?lang=en").text
    assert get(wall, "/yard").status_code == 200
    assert get(wall, "/api/v1/history?place=arena&from=0&to=1000").status_code == 503


def test_a_day_of_which_only_the_newest_part_is_told_says_so(hang_wall: Hang, barns: type[Barns]) -> None:
    wall = hang_wall(barns.risky(), past=MadePast(cut=True))
    assert "only the newest part of it is told" in get(wall, "/book?day=2026-07-13&lang=en").text
    assert "sólo se cuenta la parte más nueva" in get(wall, "/book?day=2026-07-13&lang=es").text
    whole = hang_wall(barns.risky(), past=MadePast())
    assert "newest part" not in get(whole, "/book?day=2026-07-13&lang=en").text


def test_a_past_day_is_asked_for_once(hang_wall: Hang, barns: type[Barns]) -> None:
    past = MadePast()
    wall = hang_wall(barns.risky(), past=past)
    for _ in range(3):
        get(wall, "/book?day=2026-07-10")
    assert len(past.asked) == 1


@pytest.mark.parametrize(("day", "hours"), [("2026-03-08", 23), ("2025-11-02", 25), ("2026-07-10", 24)])
def test_a_day_on_which_the_clock_changes_has_its_own_length(wall: Wall, day: str, hours: int) -> None:
    """New York: summer time began on 2026-03-08 and ended on 2025-11-02 (IANA tzdata)."""
    rows = list(csv.reader(get(wall, f"/book/{day}.csv").text.splitlines()))
    assert len([row for row in rows if row[1] == "arena"]) == hours * 12


def test_the_file_has_units_and_empty_fields_for_gaps(wall: Wall) -> None:
    answer = get(wall, "/book/2026-07-13.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    assert "loosebox-2026-07-13.csv" in answer.headers["content-disposition"]
    rows = list(csv.reader(answer.text.splitlines()))
    assert rows[0] == ["time_utc", "place", "temp [degC]", "rh [%]", "sum [degF+%]"]
    gap = [row for row in rows[1:] if row[0] == "2026-07-13T12:00:00Z"]  # 8 am in New York
    assert [row[2:] for row in gap] == [["", "", ""]] * 4


def test_the_past_for_programs_keeps_its_gaps_as_null(wall: Wall) -> None:
    begin = 1783915200  # 2026-07-13 00:00 in New York
    answer = get(wall, f"/api/v1/history?place=arena&from={begin}&to={begin + 86400}&points=288").json()
    assert answer["step_s"] == 300
    assert len(answer["wall_s"]) == len(answer["temp_c"]) == len(answer["sum_f_pct"]) == 288
    assert answer["temp_c"][96:111] == [None] * 15
    # 3 pm: 29 + 5 + 1 °C and 62 - 12 %, by construction; 35 °C is 95 °F.
    assert (answer["temp_c"][180], answer["rh_pct"][180], answer["sum_f_pct"][180]) == (35.0, 50.0, 145.0)
    text = get(wall, f"/api/v1/history?place=arena&from={begin}&to={begin + 86400}&points=288", Accept="text/csv")
    assert len(text.text.splitlines()) == 289


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("place=nowhere&from=0&to=1000", 404), ("place=arena&from=10&to=5", 422), ("place=arena&from=0&to=4e9", 422),
        ("place=arena", 422), ("place=arena&from=nan&to=1", 422), ("place=arena&from=0&to=1000&points=0", 422),
    ],
)  # fmt: skip
def test_a_question_that_does_not_fit_is_refused(wall: Wall, query: str, status: int) -> None:
    answer = get(wall, f"/api/v1/history?{query}")
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_day_of_four_places_prints_on_one_page(wall: Wall, browser: Browser, paper: str) -> None:
    page = browser.new_page()
    page.goto(wall.url + "/book?day=2026-07-13&lang=es")
    printed = page.pdf(format=paper, prefer_css_page_size=False)
    page.close()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1


def test_paper_has_no_buttons_and_black_on_white(wall: Wall, browser: Browser) -> None:
    page = browser.new_page()
    page.goto(wall.url + "/book?day=2026-07-13&face=night")
    page.emulate_media(media="print")
    assert page.locator(".button:visible, nav:visible").count() == 0
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    page.close()
