"""The signs of a lying sensor: each begins, ends, and stays silent in its near miss."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import pytest

from gateway.barn import SensorSpec
from gateway.control.quality import APART_S, DRY_S, RULES, WET_S, Doubt, QualityState, watch
from gateway.control.watched import FAST_FOR_S, STUCK_S
from gateway.engine.poller import newer
from gateway.model import Latest, Quality, Reading
from tests.control.barns import barn, good, sensor, stamp

Air = tuple[float, float]
EVERY_S = 10


class Watch:
    """A place with sensors a and b, read every ten seconds; `say` tells their air, or None for a torn answer."""

    def __init__(self, names: tuple[str, ...] = ("a", "b"), places: Mapping[str, str] | None = None) -> None:
        where = places or {}
        specs: tuple[SensorSpec, ...] = tuple(
            sensor(name, place=where.get(name, "stalls"), lost_after_s=60.0) for name in names
        )
        self.barn = barn(sensors=specs, kit=())
        self.state, self.latest, self.now_s = QualityState(), dict[str, Latest](), 0
        self.doubts: dict[str, tuple[Doubt, ...]] = {}
        self.switched_s: dict[str, float] = {}

    def go(self, seconds: float, **say: Callable[[float], Air | None] | Air | None) -> Watch:
        for _ in range(round(seconds / EVERY_S)):
            self.now_s += EVERY_S
            for name, what in say.items():
                self._hear(name, what(self.now_s) if callable(what) else what)
            self.state, self.doubts = watch(
                self.state, self.barn, self.latest, switched_s=self.switched_s, now_s=self.now_s
            )
        return self

    def _hear(self, name: str, said: Air | None) -> None:
        for rank, channel in enumerate((f"{name}.temp_c", f"{name}.rh_pct")):
            reading = (
                Reading(channel=channel, value=None, quality=Quality.TORN, stamp=stamp(self.now_s))
                if said is None
                else good(channel, said[rank], self.now_s)
            )
            self.latest[channel] = newer(self.latest.get(channel), reading)

    def codes(self, name: str = "a") -> list[str]:
        return [doubt.code for doubt in self.doubts.get(name, ())]


def _drifting(low: Air, high: Air, over_s: float) -> Callable[[float], Air]:
    """Air that goes evenly from `low` to `high` and back."""

    def at(now_s: float) -> Air:
        share = abs((now_s / over_s) % 2 - 1)
        return low[0] + share * (high[0] - low[0]), low[1] + share * (high[1] - low[1])

    return at


STILL = (25.0, 60.0)
MOVING = _drifting((24.5, 60.0), (25.7, 62.0), 600)  # more than 1 K
LESS = _drifting((24.6, 59.0), (25.5, 61.9), 600)  # less than 1 K and 3 %


def test_a_sensor_that_stands_still_while_its_neighbour_moves_does_not_count() -> None:
    watched = Watch().go(STUCK_S, a=STILL, b=MOVING)
    assert watched.codes() == []
    watched.go(EVERY_S, a=STILL, b=MOVING)
    assert watched.codes() == ["stuck-beside"] and watched.codes("b") == []
    assert [(doubt.counts, doubt.no_mist) for doubt in watched.doubts["a"]] == [(False, True)]
    assert watched.go(EVERY_S, a=(25.1, 60.0), b=MOVING).codes() == []


def test_still_air_is_no_stuck_sensor() -> None:
    assert Watch().go(2 * STUCK_S, a=STILL, b=LESS).codes() == []
    assert Watch(("a",)).go(2 * STUCK_S, a=STILL).codes() == []
    assert Watch(places={"b": "arena"}).go(2 * STUCK_S, a=STILL, b=MOVING).codes() == []


def test_air_that_is_wet_for_half_an_hour_forbids_water_and_goes_on_counting() -> None:
    watched = Watch(("a",)).go(WET_S, a=_drifting((18.0, 99.5), (18.5, 101.0), 300))
    assert watched.codes() == []
    watched.go(EVERY_S, a=(18.0, 99.5))
    assert [(doubt.code, doubt.counts, doubt.no_mist) for doubt in watched.doubts["a"]] == [("wet", True, True)]
    assert watched.go(EVERY_S, a=(18.0, 99.4)).codes() == []


def test_one_drier_reading_starts_the_half_hour_again() -> None:
    watched = Watch(("a",)).go(1200, a=(18.0, 100.0)).go(EVERY_S, a=(18.0, 99.4)).go(1200, a=(18.0, 100.0))
    assert watched.codes() == []


WET = _drifting((24.0, 99.5), (24.4, 101.0), 300)


def test_a_damp_night_makes_no_sensor_wet_but_a_dry_neighbour_does() -> None:
    """A wash rack under saturated air beside 83 % outdoors: nights of a typical Miami year in the emulated barn."""
    apart = {"a": "rack", "b": "outdoors"}
    night, day = _drifting((24.0, 80.0), (24.4, 84.0), 300), _drifting((24.0, 79.0), (24.4, 79.9), 300)
    assert Watch(places=apart).go(4 * WET_S, a=WET, b=night).codes() == []
    assert Watch(places=apart).go(WET_S + EVERY_S, a=WET, b=day).codes() == ["wet"]
    morning = Watch(places=apart).go(4 * WET_S, a=WET, b=night).go(WET_S, a=WET, b=day)
    assert morning.codes() == [], "its half hour begins when the night is over"
    assert morning.go(EVERY_S, a=WET, b=day).codes() == ["wet"]


def test_a_wet_sensor_is_told_where_no_other_can_vouch_for_it() -> None:
    damp = _drifting((24.0, 85.0), (24.4, 86.0), 300)
    silent = Watch(places={"b": "outdoors"}).go(600, a=WET, b=damp).go(60 + WET_S + 2 * EVERY_S, a=WET)
    assert silent.codes() == ["wet"], "the other sensor has fallen silent"
    hot = _drifting((28.1, 100.0), (28.4, 101.0), 300)
    assert "wet" in Watch(places={"b": "outdoors"}).go(WET_S + EVERY_S, a=hot, b=damp).codes(), "no night is so warm"
    places = {"b": "stalls", "c": "outdoors"}
    dry = _drifting((24.0, 70.0), (24.4, 71.0), 300)
    beside = Watch(("a", "b", "c"), places).go(WET_S + EVERY_S, a=WET, b=dry, c=damp)
    assert "wet" in beside.codes(), "its own neighbour knows better than the weather outdoors"


def test_air_that_is_too_dry_for_ten_minutes_forbids_water() -> None:
    watched = Watch(("a",)).go(DRY_S, a=_drifting((30.0, 3.0), (30.5, 4.9), 200))
    assert watched.codes() == []
    watched.go(EVERY_S, a=(30.0, 4.9))
    assert [(doubt.code, doubt.counts, doubt.no_mist) for doubt in watched.doubts["a"]] == [("too-dry", True, True)]
    assert watched.go(EVERY_S, a=(30.0, 5.0)).codes() == []
    assert Watch(("a",)).go(2 * DRY_S, a=_drifting((30.0, 5.0), (30.5, 5.5), 200)).codes() == []


@pytest.mark.parametrize(
    ("step", "jumps"), [((26.1, 60.0), True), ((26.0, 60.0), False), ((25.0, 65.1), True), ((25.0, 65.0), False)]
)
def test_air_that_jumps_forbids_water_for_five_minutes(step: Air, jumps: bool) -> None:
    watched = Watch(("a",)).go(600, a=STILL).go(EVERY_S, a=step)
    assert watched.codes() == (["jumped"] if jumps else [])
    assert watched.go(FAST_FOR_S - EVERY_S, a=step).codes() == (["jumped"] if jumps else [])
    assert watched.go(EVERY_S, a=step).codes() == []


def test_after_a_gap_the_rate_counts_and_not_the_step() -> None:
    for passed_s, step_k, jumps in ((60, 3.1, True), (60, 2.9, False), (120, 5.9, False), (300, 9.0, False)):
        watched = Watch(("a",)).go(600, a=STILL).go(passed_s - EVERY_S).go(EVERY_S, a=(25.0 + step_k, 60.0))
        assert watched.codes() == (["jumped"] if jumps else []), (passed_s, step_k)


def test_air_may_jump_just_after_kit_has_switched() -> None:
    for ago_s, jumps in ((FAST_FOR_S, False), (FAST_FOR_S + EVERY_S, True)):
        watched = Watch(("a",)).go(600, a=STILL)
        watched.switched_s = {"stalls": 610 - ago_s}
        assert watched.go(EVERY_S, a=(28.0, 60.0)).codes() == (["jumped"] if jumps else [])


def test_a_sensor_in_the_sun_is_told_by_its_dew_point() -> None:
    """30 °C, 60 % has a dew point of 21.4 °C; 33 °C with the same vapour has 50.6 % (from the handbook's table of
    saturation pressures: 4.246 and 5.034 kPa, ASHRAE Fundamentals 2017, chapter 1, table 3)."""
    shade, sun = _drifting((30.0, 60.0), (30.2, 60.0), 300), _drifting((33.0, 50.6), (33.2, 50.6), 300)
    watched = Watch().go(APART_S, a=sun, b=shade)
    assert watched.codes() == []
    watched.go(EVERY_S, a=sun, b=shade)
    assert watched.codes() == ["heated"] and watched.codes("b") == []
    assert not watched.doubts["a"][0].no_mist
    assert "heated" not in watched.go(EVERY_S, a=(31.9, 54.0), b=(30.0, 60.0)).codes()
    near = _drifting((31.8, 54.2), (31.9, 54.2), 300)
    assert Watch().go(2 * APART_S, a=near, b=shade).codes() == []


def test_neighbours_whose_dew_points_differ_forbid_water_at_both() -> None:
    """25 °C has a dew point of 16.7 °C at 60 % and of 20.4 °C at 76 %, 19.5 °C at 71.5 % (handbook equations)."""
    one, other = _drifting((25.0, 60.0), (25.2, 60.0), 300), _drifting((25.0, 76.0), (25.2, 76.0), 300)
    watched = Watch().go(APART_S, a=one, b=other)
    assert watched.doubts == {}
    watched.go(EVERY_S, a=one, b=other)
    assert watched.codes() == watched.codes("b") == ["neighbours-apart"]
    assert all(doubt.no_mist and doubt.counts for each in watched.doubts.values() for doubt in each)
    assert watched.go(EVERY_S, a=(25.0, 75.0), b=(25.0, 76.0)).codes("b") == []
    close = _drifting((25.0, 71.5), (25.2, 71.5), 300)
    assert Watch().go(2 * APART_S, a=one, b=close).doubts == {}


def test_a_neighbour_that_is_silent_is_compared_no_more() -> None:
    one, other = _drifting((25.0, 60.0), (25.2, 60.0), 300), _drifting((25.0, 80.0), (25.2, 80.0), 300)
    watched = Watch().go(2 * APART_S, a=one, b=other)
    assert watched.codes() == ["neighbours-apart"]
    assert watched.go(60 + EVERY_S, a=one).codes() == []


def test_a_noisy_line_is_told_and_good_answers_go_on_counting() -> None:
    answers = iter(range(10_000))

    def torn_each(nth: int) -> Callable[[float], Air | None]:
        return lambda now_s: None if next(answers) % nth == 0 else MOVING(now_s)

    watched = Watch(("a",)).go(600, a=torn_each(15))
    assert [(doubt.code, doubt.counts, doubt.no_mist) for doubt in watched.doubts["a"]] == [("noisy-line", True, False)]
    assert watched.go(700, a=MOVING).codes() == []
    assert Watch(("a",)).go(600, a=torn_each(25)).codes() == []


def test_few_answers_prove_no_noise() -> None:
    assert Watch(("a",)).go(390, a=None).codes() == []
    assert Watch(("a",)).go(400, a=None).codes() == ["noisy-line"]


def test_every_rule_of_the_table_was_seen_above() -> None:
    seen = {"stuck-beside", "wet", "too-dry", "jumped", "heated", "neighbours-apart", "noisy-line"}
    assert {rule.code for rule in RULES} == seen
    assert all(rule.sign and rule.then for rule in RULES)


def test_numbers_that_a_correction_moved_out_of_all_formulas_break_nothing() -> None:
    watched = Watch().go(60, a=(-60.0, 0.0), b=(1000.0, -5.0))
    assert all(math.isfinite(each.dew_c) for each in watched.state.sensors.values())
