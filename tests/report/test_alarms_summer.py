"""The replay of summers: that it counts what it says, and that an uncovered hour is found.

A hot spell of a day and a half, invented, in which everything that must not go without an alarm happens once.
"""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from drivers.bench.weather import HotDay
from gateway.app.evaluate import Season
from gateway.model import AlarmChange, AlarmStep, KitKind, Policy, Priority, Stamp
from tests.report.alarms_summer import apart
from tests.report.summer_barn import Life, Summer, Warmer, barn
from tests.report.summer_count import at_level, chattering, covers, most_in, needs_of, rings, stale, standing
from tests.report.summer_faults import DAY_S, GRID, RATES, SUMMER_DAYS, Ill, ills

HOUR_S = 3600.0
WHATS = ("level 3", "no fan runs", "air unknown", "air stuck")
SPELL = (
    Ill(begin_s=9.9 * HOUR_S, end_s=13.1 * HOUR_S, target="rack-air", kind="stuck"),
    Ill(begin_s=14.2 * HOUR_S, end_s=16.7 * HOUR_S, target="stall-fans", kind="tripped"),
    Ill(begin_s=18.4 * HOUR_S, end_s=20.1 * HOUR_S, target="arena-air", kind="silent"),
    Ill(begin_s=22.3 * HOUR_S, end_s=22.5 * HOUR_S, target=GRID, kind="cut"),
    Ill(begin_s=26.3 * HOUR_S, end_s=28.1 * HOUR_S, target="line-a", kind="gone"),
)


def hot(hours: float) -> Season:
    """Days from midnight on at which level 3 comes by noon."""
    weather = Warmer(of=HotDay(zone_offset_h=0.0), by_k=3.0)
    return Season(name="invented", weather=weather, begin_s=0.0, end_s=hours * HOUR_S, offset_s=0.0)


@pytest.fixture(scope="module")
def spell() -> Summer:
    return Life(barn(), hot(36), SPELL, seed=1).run()


def test_no_bad_hour_goes_without_an_alarm(spell: Summer) -> None:
    found = covers(spell)
    due = {what: sum(cover.due for cover in found if cover.what == what) for what in WHATS}
    assert all(due.values()), f"the spell has every kind: {due}"
    assert [cover for cover in found if cover.uncovered] == []


@pytest.mark.parametrize("what", WHATS)
def test_an_hour_is_found_when_its_alarms_are_silenced(spell: Summer, what: str) -> None:
    need = next(each for each in needs_of(spell) if each.what == what and _is_due(spell, each.what, each.place))
    never = [(at_s, line) for at_s, line in spell.journal if line.alarm not in need.by]
    assert _left_out(dataclasses.replace(spell, journal=never), what, need.place) > 0, "it never rang"
    stamp = Stamp(mono_s=0.0, wall_s=0.0, boot="x", trusted=True)
    shelves = [
        (0.0, AlarmChange(alarm=key, what=AlarmStep.SHELVED, episode=0, priority=Priority.NOW, stamp=stamp, by="Ana"))
        for key in need.by
    ]
    shelved = dataclasses.replace(spell, journal=[*shelves, *spell.journal])
    assert _left_out(shelved, what, need.place) > 0, "it stood on a shelf"


def test_an_alarm_that_comes_too_late_leaves_an_hour_out(spell: Summer) -> None:
    late = [(at_s + 1800.0, line) for at_s, line in spell.journal]
    assert any(cover.uncovered for cover in covers(dataclasses.replace(spell, journal=late)))


def _is_due(found: Summer, what: str, place: str) -> bool:
    return any(cover.due for cover in covers(found) if (cover.what, cover.place) == (what, place))


def _left_out(found: Summer, what: str, place: str) -> int:
    return next(len(cover.uncovered) for cover in covers(found) if (cover.what, cover.place) == (what, place))


def test_the_truth_is_the_emulation_and_not_the_gateway(spell: Summer) -> None:
    truth = spell.truth
    assert truth["lasts_s"].sum() == pytest.approx(36 * HOUR_S)
    dark = truth["powered"] == 0
    assert truth.loc[dark, "lasts_s"].sum() == pytest.approx(0.2 * HOUR_S, abs=1.0)
    assert (truth.loc[dark, "stall-fans/moves"] == 0).all()
    tripped = truth["at_s"].between(14.2 * HOUR_S, 16.7 * HOUR_S, inclusive="left")
    assert (truth.loc[tripped, "stall-fans/moves"] == 0).all()
    silent = truth.loc[truth["arena/silent"] > 0]
    # its own ill, and the line that was cut
    assert silent["lasts_s"].sum() == pytest.approx((1.7 + 1.8) * HOUR_S, abs=1.0)
    assert (truth["stalls/silent"] == 0).all(), "the second sensor of the stalls hangs on another line"


def test_what_rang_in_the_spell_is_what_broke(spell: Summer) -> None:
    rang = {key for key, _ in spell.rings}
    assert {"kit-not-running:stall-fans", "place-blind:arena", "place-blind:wash-rack", "bus-lost:line-a"} <= rang
    assert "restarted:gateway" in rang
    assert "kit-unreachable:arena-fans" not in rang, "the line explains it"
    assert any(notice.contact == "Ana" for _, notice in spell.notices)


def test_long_steps_ring_like_seconds() -> None:
    """Half an hour about noon in which a fan trips, and a sensor falls silent and comes back."""
    broken = (
        Ill(begin_s=500.0, end_s=1300.0, target="stall-fans", kind="tripped"),
        Ill(begin_s=700.0, end_s=900.0, target="rack-air", kind="silent"),
    )
    noon = dataclasses.replace(hot(12.5), begin_s=12 * HOUR_S)
    coarse, fine = (Life(barn(), noon, broken, seed=1, step_s=step_s).run() for step_s in (None, 1.0))
    assert fine.steps > 5 * coarse.steps
    found = apart(coarse, fine)
    assert (found.only_coarse, found.only_fine) == ((), ())
    # What hangs on the air: two steps; it rises with the sensor's noise, of which long steps see less.
    assert found.alarms >= 5 and found.apart_s <= 120.0
    broke = ("kit-not-running:stall-fans", "place-blind:wash-rack", "sensor-lost:rack-air")
    for key in broke:
        assert coarse.rings[key, 1].at_s == pytest.approx(fine.rings[key, 1].at_s, abs=10.0), key


def test_levels_of_the_truth_are_those_of_the_published_sum(spell: Summer) -> None:
    """100 °F and 80 % are 180, where the third post stands; 100 °F is 37.78 °C."""
    outdoors = next(place for place in spell.barn.places if place.name == "outdoors")
    outdoors = dataclasses.replace(outdoors, policy=Policy.RULE)
    airs = pd.DataFrame({
        "outdoors/temp_c": [37.78, 37.77, 10.0], "outdoors/rh_pct": [80.0, 79.9, 50.0], "outdoors/wind_mps": [9.0] * 3,
    })  # fmt: skip
    found = dataclasses.replace(spell, truth=airs)
    assert at_level(found, outdoors, 3, careful=False).tolist() == [True, False, False]
    assert at_level(found, outdoors, 3).tolist() == [False, False, False], "within what a sensor may err by"


def test_ills_come_as_often_and_last_as_long_as_the_table_says() -> None:
    many = ills(barn(), 100 * SUMMER_DAYS, 3, {"silent": RATES["silent"]})
    assert len(many) == pytest.approx(100 * 20, rel=0.1)  # 2000 draws: three standard deviations are 7 %
    assert all(120.0 <= ill.end_s - ill.begin_s <= 6 * HOUR_S for ill in many)
    summer = ills(barn(), SUMMER_DAYS, 3)
    assert summer == ills(barn(), SUMMER_DAYS, 3) != ills(barn(), SUMMER_DAYS, 4)
    last: dict[str, float] = {}
    for ill in summer:
        assert ill.begin_s >= last.get(ill.target, 0.0), "one at a time"
        last[ill.target] = ill.end_s
    assert {kit.name for kit in barn().kit if kit.kind is KitKind.FAN} <= {ill.target for ill in summer}


def test_bursts_chatter_and_old_alarms_are_counted() -> None:
    assert most_in([0.0, 100.0, 590.0, 601.0, 5000.0], 600.0) == 3  # 100, 590 and 601
    assert most_in([], 600.0) == 0
    table = pd.DataFrame({"key": ["a", "a", "a", "b", "b", "b"], "at_s": [0.0, 1000.0, 3000.0, 0.0, 4000.0, 9000.0]})
    assert chattering(table) == ["a"]


def test_standing_is_read_from_the_lines_alone(spell: Summer) -> None:
    what, stamp = AlarmStep, Stamp(mono_s=0.0, wall_s=0.0, boot="x", trusted=True)
    steps = [
        (10.0, what.RAISED), (20.0, what.SUPPRESSED), (30.0, what.RELEASED), (40.0, what.SHELVED),
        (50.0, what.SUPPRESSED), (60.0, what.UNSHELVED), (70.0, what.RELEASED), (80.0, what.RETURNED),
        (95.0, what.RAISED),
    ]  # fmt: skip
    journal = [
        (at_s, AlarmChange(alarm="x:y", what=each, episode=1, priority=Priority.NOW, stamp=stamp))
        for at_s, each in steps
    ]
    made = dataclasses.replace(spell, journal=journal)
    end_s = 36 * HOUR_S
    assert standing(made) == {"x:y": [(10.0, 20.0), (30.0, 40.0), (70.0, 80.0), (95.0, end_s)]}
    assert stale(made) == {"x:y": (end_s - 95.0) / HOUR_S}


def test_alarms_of_the_first_day_are_not_counted(spell: Summer) -> None:
    assert len(rings(spell, from_day=0)) == len(spell.rings) > len(rings(spell)) > 0
    assert rings(spell)["at_s"].min() >= DAY_S
