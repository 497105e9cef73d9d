"""Owns: checks of the roof: its height, its crossings, its gaps, where it ends.

Must not know: pages.
How it works: heights and crossings by hand arithmetic on straight lines; the drawing is read back from the SVG.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.roof import HIGHEST, LOWEST, Crossing, Hours, Size, crossings, lasting, roof, roof_height

STEP_S = 300.0
SIZE = Size(width=1000, height=500, left=100, foot=50, letters=24)
HOURS = Hours(begin_s=0.0, end_s=9000.0, now_s=6000.0, step_s=STEP_S, ticks=((0.0, "6 am"), (3600.0, "7 am")))


def carries(stand: float, walk: float, trot: float, canter: float) -> dict[str, float]:
    return {"stand": stand, "walk": walk, "trot": trot, "canter": canter}


@pytest.mark.parametrize(
    ("found", "height"),
    [
        (carries(2.6, 2.1, 1.4, 1.0), 3.0),
        (carries(2.6, 2.1, 1.0, 0.8), 2.0),
        (carries(2.6, 1.0, 0.7, 0.5), 1.0),
        (carries(2.0, 1.8, 1.25, 0.75), 2.5),  # halfway from 1.25 to 0.75 lies 1
        (carries(1.5, 1.2, 0.2, 0.1), 1.2),  # 0.2 of the way from 1.2 to 0.2
        (carries(0.9, 0.7, 0.5, 0.4), -0.1),
        (carries(1.1, 0.9, 1.0, 0.5), 2.0),  # the fastest that is carried counts, as it does for the level
        ({}, None),
        ({"stand": 2.0, "walk": 1.0}, None),
    ],
)
def test_height_is_where_carry_crosses_one(found: dict[str, float], height: float | None) -> None:
    assert roof_height(found) == (None if height is None else pytest.approx(height))


@given(st.lists(st.floats(0, 10), min_size=4, max_size=4))
def test_height_stays_in_the_picture_and_between_the_paces_that_are_and_are_not_carried(found: list[float]) -> None:
    height = roof_height(carries(*found))
    assert height is not None and LOWEST <= height <= HIGHEST
    carried = [pace for pace, value in enumerate(found) if value >= 1]
    if carried and carried[-1] < 3:
        assert carried[-1] <= height < carried[-1] + 1
    elif not carried:
        assert height < 0


def test_a_crossing_has_its_time_and_direction() -> None:
    points = [(0.0, 2.5), (300.0, 1.5), (600.0, 1.5), (900.0, 3.5)]
    assert crossings(points, 2, STEP_S) == (
        Crossing(at_s=150.0, pace=2, down=True),
        Crossing(at_s=675.0, pace=2, down=False),
    )


def test_nothing_is_said_of_a_crossing_inside_a_gap() -> None:
    assert crossings([(0.0, 2.5), (3000.0, 1.5)], 2, STEP_S) == ()


def test_a_tremble_has_no_times() -> None:
    tremble = [(Crossing(at_s=at, pace=2, down=index % 2 == 0)) for index, at in enumerate((0.0, 60.0, 5000.0))]
    assert [crossing.at_s for crossing in lasting(tremble, 1200.0)] == [5000.0]


def drawn(points: list[tuple[float, float]], **other: object) -> str:
    given: dict[str, object] = {"name": "roof-arena", "said": "Arena & more", "points": points, "hours": HOURS,
                                "paces": ("stand", "walk", "trot", "canter"), "marks": (), "size": SIZE}  # fmt: skip
    return roof(**{**given, **other})  # type: ignore[arg-type]


def xs(path: str) -> list[float]:
    return [float(pair.split()[0]) for pair in re.findall(r"[ML]([\d.]+ [\d.-]+)", path)]


def line_of(svg: str) -> str:
    return next(p.get("d", "") for p in ElementTree.fromstring(svg).iter("path") if p.get("fill") == "none")


def test_the_line_ends_at_now_and_breaks_where_nothing_was_read() -> None:
    early, late = [(at * STEP_S, 3.0) for at in range(5)], [(at * STEP_S, 2.0) for at in range(15, 21)]
    line = line_of(drawn([*early, *late]))
    assert line.count("M") == 2
    # 6000 of 9000 s, of the 896 px right of the names (1000 - 100 - 4).
    assert max(xs(line)) == pytest.approx(100 + 6000 / 9000 * 896, abs=0.1)


def test_a_long_gap_is_a_box_with_a_question_mark_and_no_reading_at_all_is_one_box() -> None:
    assert ">?<" in drawn([(at * STEP_S, 2.0) for at in range(10)])
    assert drawn([]).count(">?<") == 1
    whole = [(at * STEP_S, 2.0) for at in range(21)]
    assert ">?<" not in drawn(whole)


def test_now_has_no_height_when_nothing_is_read_now() -> None:
    old = [(at * STEP_S, 2.0) for at in range(10)]
    assert "<circle" not in drawn(old)
    assert "<circle" in drawn([*old, (HOURS.now_s, 2.0)])


def test_the_picture_is_well_formed_and_says_what_it_shows() -> None:
    root = ElementTree.fromstring(drawn([(0.0, 2.5), (300.0, 1.5)]))
    assert (root.get("role"), root.get("aria-label")) == ("img", "Arena & more")


def test_a_mark_stands_at_its_time() -> None:
    svg = drawn([(0.0, 2.5), (300.0, 1.5)], marks=((Crossing(at_s=150.0, pace=2, down=True), "10:37"),))
    mark = next(rect for rect in ElementTree.fromstring(svg).iter("rect") if "rotate" in (rect.get("transform") or ""))
    assert float(mark.get("x", "")) + 7 == pytest.approx(100 + 150 / 9000 * 896, abs=0.1)
    assert ">10:37<" in svg
