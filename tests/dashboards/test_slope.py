"""Owns: checks of the slope: its diagonals are the rule, its trail breaks at gaps.

Must not know: pages.
How it works: lines are read back from the SVG and compared with the rule itself: °F plus % is one number on a line.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from dashboards.slope import FOOT, HEIGHT, LEFT, WIDTH, Trail, apart, cut, slope


def lines_of(svg: str) -> list[list[tuple[float, float]]]:
    """Every path as air: (°F, %), by the axes: 50 to 110 °F across, 20 to 100 % up."""
    found = []
    for path in ElementTree.fromstring(svg).iter("path"):
        pairs = re.findall(r"[ML]([\d.]+) ([\d.]+)", path.get("d", ""))
        across, up = WIDTH - LEFT - 8, HEIGHT - FOOT - 24
        found.append(
            [(50 + (float(x) - LEFT) / across * 60, 20 + (HEIGHT - FOOT - float(y)) / up * 80) for x, y in pairs]
        )
    return found


EMPTY = Trail(runs=(), marks=())


def drawn(trail: Trail = EMPTY, *, celsius: bool = False) -> str:
    return slope(trail, (130.0, 150.0, 180.0), celsius=celsius, names=("Air", "Damp"), said="a day")


@pytest.mark.parametrize(("index", "post"), [(0, 130), (1, 150), (2, 180)])
def test_a_diagonal_is_where_the_sum_is_its_post(index: int, post: int) -> None:
    for temp_f, rh_pct in lines_of(drawn())[index]:
        assert temp_f + rh_pct == pytest.approx(post, abs=0.2)


def test_the_trail_goes_through_its_readings() -> None:
    run = ((70.0, 90.0), (80.0, 70.0), (95.0, 50.0))
    trail = lines_of(drawn(Trail(runs=(run,), marks=((95.0, 50.0, "3 pm"),))))[-1]
    assert [pytest.approx(each, abs=0.2) for each in run] == trail


def test_a_gap_breaks_the_trail() -> None:
    points = [(at * 300.0, 80.0, 60.0) for at in range(10) if at not in (4, 5)]
    assert [len(run) for run in cut(points, 300.0)] == [4, 4]
    assert cut([], 300.0) == ()


def test_in_celsius_the_ticks_are_celsius_and_the_field_is_the_same() -> None:
    fahrenheit, celsius = drawn(), drawn(celsius=True)
    assert lines_of(fahrenheit) == lines_of(celsius)
    texts = [each.text for each in ElementTree.fromstring(celsius).iter("text")]
    assert {"10", "20", "30", "40"} <= set(texts) and "110" not in texts


def test_two_hours_of_the_same_air_are_named_once() -> None:
    marks = ((70.0, 70.0, "12 am"), (71.0, 70.0, "6 am"), (95.0, 50.0, "noon"))
    assert [mark[2] for mark in apart(marks)] == ["12 am", "noon"]
