"""Owns: the checks of the points that pictures are drawn from.

Must not know: which table they came from, but for the name of the resolution.
How it works: readings whose value is known at every instant, with holes, over boots and resolutions.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.site_history import Keep
from gateway.store.series import Pictures, Point, Series
from tests.store.ink import AHEAD_S, DAY_S, HOUR_S, Ink, at


def series(ink: Ink, begin_s: float, end_s: float, points: int, name: str = "air-1.temp_c") -> Series:
    (found,) = Pictures(ink.path).series(name, from_wall_s=AHEAD_S + begin_s, to_wall_s=AHEAD_S + end_s, points=points)
    return found


def empty(found: Series) -> list[float]:
    """From the beginning, where the steps without a value lie."""
    return [point.wall_s - AHEAD_S for point in found.points if point.count == 0]


@pytest.fixture
def two_days(tmp_path: Path) -> Ink:
    """A reading every ten seconds whose value is its second, without the hour from 30 h to 31 h."""
    ink = Ink(tmp_path / "h.db")
    ink.put(at(n * 10.0) for n in range(int(2 * DAY_S / 10)) if not 30 * HOUR_S <= n * 10 < 31 * HOUR_S)
    ink.commit()
    ink.tidy()
    return ink


@pytest.mark.parametrize(
    ("begin_s", "end_s", "points", "resolution"),
    [(0, 2 * DAY_S, 100, "quarter"), (0, DAY_S, 1000, "minute"), (29 * HOUR_S, 32 * HOUR_S, 500, "raw")],
)
def test_resolution_follows_from_the_points_asked_for(
    two_days: Ink, begin_s: float, end_s: float, points: int, resolution: str
) -> None:
    found = series(two_days, begin_s, end_s, points)
    assert found.resolution == resolution
    assert points / 2.1 <= len(found.points) <= points
    assert [b.wall_s - a.wall_s for a, b in zip(found.points, found.points[1:], strict=False)] == pytest.approx(
        [found.step_s] * (len(found.points) - 1)
    )


@pytest.mark.parametrize("points", [40, 150, 400, 1000])
def test_hole_is_nothing_and_the_rest_is_whole(two_days: Ink, points: int) -> None:
    found = series(two_days, 24 * HOUR_S, 36 * HOUR_S, points)
    edge_s = found.step_s + 900 * (found.resolution == "quarter") + 60 * (found.resolution == "minute")
    holes = empty(found)
    assert holes
    assert all(30 * HOUR_S - edge_s <= hole <= 31 * HOUR_S for hole in holes)
    assert len(holes) >= (HOUR_S - 2 * edge_s) / found.step_s


@pytest.mark.parametrize("points", [20, 200, 1000])
def test_least_mean_and_largest_are_those_of_the_step(two_days: Ink, points: int) -> None:
    found = series(two_days, 10 * HOUR_S, 20 * HOUR_S, points)
    slot_s = {"raw": 0, "minute": 60, "quarter": 900}[found.resolution]
    for point in found.points[1:-1]:
        assert point.low is not None and point.mean is not None and point.high is not None
        begin_s = point.wall_s - AHEAD_S
        assert begin_s - slot_s <= point.low <= point.mean <= point.high < begin_s + found.step_s + slot_s
    if found.resolution != "raw":
        assert sum(point.count for point in found.points) == pytest.approx(10 * 360, rel=0.06)


def test_what_is_not_rolled_up_yet_is_there(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put(at(n * 10.0) for n in range(540))  # an hour and a half
    ink.commit()
    ink.tidy()
    found = series(ink, 0, 5400, 90)
    assert found.resolution == "minute"
    assert empty(found) == []
    assert sum(point.count for point in found.points) == 540


def test_dropped_readings_are_answered_from_minutes(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db", Keep(raw_days=0.5))
    ink.put(at(n * 10.0) for n in range(int(2 * DAY_S / 10)))
    ink.commit()
    ink.tidy()
    found = series(ink, HOUR_S, 2 * HOUR_S, 360)
    assert (found.resolution, empty(found)) == ("minute", [])
    assert series(ink, 47 * HOUR_S, 48 * HOUR_S, 360).resolution == "raw"


def test_slow_sensor_has_no_false_gaps(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put(at(n * 300.0 + n % 3) for n in range(300))
    ink.commit()
    ink.tidy()
    for points in (10, 100, 1000):
        assert empty(series(ink, 0, 20 * HOUR_S, points)) == []


def test_places_answer_with_all_their_channels(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db", channels=3)
    ink.put(at(n * 10.0) for n in range(100))
    ink.commit()
    found = Pictures(ink.path).series("stalls", from_wall_s=AHEAD_S, to_wall_s=AHEAD_S + 1000, points=50)
    assert [each.channel for each in found] == ["air-1.temp_c", "air-2.temp_c", "air-3.temp_c"]
    assert Pictures(ink.path).series("nowhere", from_wall_s=AHEAD_S, to_wall_s=AHEAD_S + 1000, points=50) == ()


def test_restart_between_boots_is_one_picture(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put(at(n * 10.0) for n in range(360))
    ink.put(at(n * 10.0, boot="boot-b", wall_s=AHEAD_S + HOUR_S + 600 + n * 10.0) for n in range(360))
    ink.commit()
    found = series(ink, 0, 2 * HOUR_S + 600, 130)
    assert [hole for hole in empty(found) if not HOUR_S - 60 <= hole < HOUR_S + 600] == []
    assert len(empty(found)) >= 9


def test_unset_clock_is_flagged_in_the_points(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put(at(n * 10.0, trusted=False) for n in range(100))
    ink.commit()
    found = series(ink, 0, 1000, 10)
    assert {point.trusted for point in found.points} == {False}


def test_empty_step_has_nothing_in_it(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    found = series(ink, 0, 100, 2)
    assert found.points == tuple(
        Point(wall_s=AHEAD_S + n, low=None, mean=None, high=None, count=0, trusted=True) for n in (0, 50)
    )


@pytest.mark.parametrize(("begin_s", "end_s", "points"), [(10, 10, 5), (10, 5, 5), (0, 10, 0), (0, 10, 100_000)])
def test_senseless_questions_are_refused(tmp_path: Path, begin_s: float, end_s: float, points: int) -> None:
    ink = Ink(tmp_path / "h.db")
    with pytest.raises(ValueError, match="points"):
        series(ink, begin_s, end_s, points)
