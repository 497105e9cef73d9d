"""When water may run: each rule at its edge, pulses, budget, the line, the lock, and what never counts: the sum."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from gateway.barn import MistRules
from gateway.control.heatload import heat_load
from gateway.control.mist_state import DAMP_AFTER_S, LOCKED_S, MistState, advanced, is_stagnant, litres_of
from gateway.control.misting import RULES, Look, MistWish, mist_wish
from gateway.control.situation import Now
from gateway.heat.indices import heat_sum
from gateway.heat.mist import mist
from gateway.heat.psychro import STANDARD_PRESSURE_PA, wet_bulb_c
from tests.control.barns import LOST, barn, fan, fresh, mister

BARN = barn(kit=(fan(air_mps=2.0), mister()))
NOW = Now(mono_s=100_000.0, minute=720, day=3)
WET_LINE = MistState(day=3, line_wet_s=99_000.0)


def _look(temp_c: float = 32.0, rh_pct: float = 50.0, **changes: Any) -> Look:
    """Everything allows water, unless `changes` says otherwise: resting since long, a fan proven, a warm dry noon."""
    made = Look(
        barn=BARN, state=WET_LINE, now=NOW, running=False, since_s=90_000.0, air=fresh(temp_c, rh_pct),
        load=heat_load(temp_c, rh_pct, BARN.places[0], BARN), needed=True, there=True, hot=False, fans_mps=0.3,
        shut=False,
    )  # fmt: skip
    return dataclasses.replace(made, **changes)


def _code(look: Look) -> str:
    return mist_wish(look).reason.code


def _with(**rules: Any) -> dict[str, Any]:
    return {"barn": dataclasses.replace(BARN, mist=MistRules(**rules))}


def test_everything_fits_and_water_runs() -> None:
    wish = mist_wish(_look())
    assert (wish.on, wish.reason.code, wish.wait_s) == (True, "mist-pulse", 60.0)


# --- each rule, at its edge -------------------------------------------------------------------------

NEAR = _with(least_depression_k=2.0)  # so that no other rule forbids beside the limits of humidity
BREAKS: dict[str, tuple[Look, Look]] = {
    # code: (a look that only this rule forbids, its near miss)
    "mist-air-unknown": (_look(air=LOST, load=None), _look()),
    "mist-doubt": (_look(air=fresh(32.0, 50.0, no_mist="air: wet, or fog")), _look()),
    "mist-nobody": (_look(there=False), _look(there=True)),
    "mist-hours": (
        _look(now=dataclasses.replace(NOW, minute=19 * 60 + 30)),
        _look(now=dataclasses.replace(NOW, minute=19 * 60 + 29)),
    ),
    "mist-cool": (_look(27.9, 45.0), _look(28.0, 45.0)),
    "mist-not-needed": (_look(needed=False), _look(needed=True)),
    "mist-damp": (_look(36.0, 65.0, **NEAR), _look(36.0, 64.9, **NEAR)),
    "mist-no-depression": (_look(30.0, 62.0), _look(30.0, 58.0)),
    "mist-no-gain": (_look(35.0, 60.0, hot=True, fans_mps=0.0), _look(35.0, 60.0, hot=True, fans_mps=1.0)),
    "mist-no-fan": (_look(fans_mps=None), _look(fans_mps=1.0)),
    "mist-shut": (_look(shut=True), _look(shut=False)),
    "mist-locked": (
        _look(state=dataclasses.replace(WET_LINE, locked_until_s=100_000.1)),
        _look(state=dataclasses.replace(WET_LINE, locked_until_s=100_000.0)),
    ),
    "mist-budget": (
        _look(state=dataclasses.replace(WET_LINE, litres=500.0)),
        _look(state=dataclasses.replace(WET_LINE, litres=499.9)),
    ),
    "mist-stagnant": (
        _look(state=dataclasses.replace(WET_LINE, line_wet_s=100_000.0 - 72 * 3600 - 1)),
        _look(state=dataclasses.replace(WET_LINE, line_wet_s=100_000.0 - 72 * 3600)),
    ),
}


@pytest.mark.parametrize("rule", RULES, ids=[rule.code for rule in RULES])
def test_each_rule_forbids_at_its_edge_and_not_just_beside_it(rule: Any) -> None:
    forbidden, allowed = BREAKS[rule.code]
    wish = mist_wish(forbidden)
    assert (wish.on, wish.reason.code) == (False, rule.code)
    assert rule.why in wish.reason.text
    assert mist_wish(allowed).on


def test_no_rule_is_left_without_an_edge() -> None:
    assert set(BREAKS) == {rule.code for rule in RULES}


def test_going_on_is_allowed_a_little_beyond_the_limits_of_starting() -> None:
    just = {"running": True, "since_s": NOW.mono_s - 10}
    for temp_c, rh_pct, rules in ((27.0, 45.0, {}), (32.0, 71.9, NEAR), (30.0, 62.0, {})):
        assert not mist_wish(_look(temp_c, rh_pct, **rules)).on
        assert mist_wish(_look(temp_c, rh_pct, **rules, **just)).on, (temp_c, rh_pct)
    assert _code(_look(26.9, 45.0, **just)) == "mist-cool"
    assert _code(_look(32.0, 72.0, **NEAR, **just)) == "mist-damp"
    assert _code(_look(30.0, 68.0, **just)) == "mist-no-depression"


def test_with_the_clock_not_set_no_water_runs() -> None:
    assert _code(_look(now=Now(mono_s=100_000.0))) == "mist-hours"


def test_a_line_that_nobody_has_seen_wet_counts_as_stagnant() -> None:
    assert _code(_look(state=MistState(day=3))) == "mist-stagnant"


def test_a_wet_bulb_at_freezing_has_nothing_to_cool() -> None:
    assert _code(_look(8.0, 5.0, **_with(from_c=5.0))) == "mist-no-gain"


def test_the_reasons_that_people_ask_about_carry_their_numbers() -> None:
    text = mist_wish(_look(32.0, 75.0)).reason.text
    # 32 °C and 75 % has a wet bulb of 28.2 °C (worked out from the handbook's equations apart from this program).
    assert text == "misting would only add damp (32.0 °C, 75 %, wet bulb 28.2 °C)"
    assert mist_wish(_look(air=fresh(32.0, 50.0, no_mist="b: wet"))).reason.text.endswith("in doubt: b: wet")


# --- judged by wet bulb and carry, never by the sum -------------------------------------------------

# Worked out from the handbook's equations apart from this program (ASHRAE Fundamentals 2017, chapter 1, sea level):
# air [°C, %], its wet bulb and depression, its temperature when water has brought it to 75 %, sum before and after,
# and whether the proposed limits (28 °C, below 65 %, 6 K) let water run.
TABLE = [
    (30, 30, 18.0, 12.0, 21.0, 116, 145, True),
    (30, 50, 22.0, 8.0, 25.3, 136, 153, True),
    (30, 70, 25.5, 4.5, 29.1, 156, 159, False),
    (32, 60, 25.6, 6.4, 29.2, 150, 160, True),
    (35, 20, 18.9, 16.1, 22.0, 115, 147, True),
    (35, 40, 23.9, 11.1, 27.4, 135, 156, True),
    (35, 60, 28.2, 6.8, 32.0, 155, 165, True),
    (38, 40, 26.3, 11.7, 30.0, 140, 161, True),
    (32, 75, 28.2, 3.8, 32.0, 165, 165, False),
]  # fmt: skip


@pytest.mark.parametrize(("temp_c", "rh_pct", "wet_c", "depression_k", "after_c", "before", "after", "runs"), TABLE)
def test_water_runs_by_the_wet_bulb_although_the_sum_rises(
    temp_c: int, rh_pct: int, wet_c: float, depression_k: float, after_c: float, before: int, after: int, runs: bool
) -> None:
    assert mist_wish(_look(temp_c, rh_pct)).on is runs
    found_c = wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=STANDARD_PRESSURE_PA)
    assert found_c == pytest.approx(wet_c, abs=0.06)
    assert temp_c - found_c == pytest.approx(depression_k, abs=0.06)
    share = (temp_c - after_c) / depression_k
    misted = mist(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=STANDARD_PRESSURE_PA, efficiency=share)
    assert misted.rh_pct == pytest.approx(75.0, abs=0.7)
    assert misted.wet_bulb_c == pytest.approx(wet_c, abs=0.06)
    assert heat_sum(temp_c=temp_c, rh_pct=rh_pct) == pytest.approx(before, abs=0.6)
    assert heat_sum(temp_c=misted.temp_c, rh_pct=misted.rh_pct) == pytest.approx(after, abs=0.9)
    assert after > before or not runs


def test_where_the_fans_bring_all_that_a_horse_can_use_water_would_change_nothing() -> None:
    assert _code(_look(30.0, 50.0, fans_mps=2.0)) == "mist-no-gain"
    assert mist_wish(_look(38.0, 40.0, fans_mps=2.0)).on


# --- pulses -----------------------------------------------------------------------------------------


def _ran(since_s: float, *, running: bool) -> MistWish:
    return mist_wish(_look(running=running, since_s=NOW.mono_s - since_s))


def test_a_pulse_lasts_its_time_and_a_pause_the_rest_of_the_period() -> None:
    assert (_ran(59.9, running=True).on, _ran(60.0, running=True).on) == (True, False)
    assert (_ran(239.9, running=False).on, _ran(240.0, running=False).on) == (False, True)
    assert _ran(100.0, running=False).reason.code == "mist-pause"
    assert _ran(100.0, running=False).wait_s == pytest.approx(140.0)
    assert _ran(10.0, running=True).wait_s == pytest.approx(50.0)


def test_water_that_ran_for_long_by_hand_is_no_pulse_that_goes_on() -> None:
    assert not _ran(900.0, running=True).on


# --- what is remembered -----------------------------------------------------------------------------

RULE = MistRules()


def _after(state: MistState, now: Now = NOW, *, ran_s: float = 0.0, on: bool = False, rh_pct: float | None = 50.0,
           litres: float = 0.0) -> MistState:  # fmt: skip
    return advanced(state, RULE, now, ran_s=ran_s, litres=litres, on=on, rh_pct=rh_pct)


def _at(mono_s: float, day: int | None = 3) -> Now:
    return Now(mono_s=mono_s, minute=None if day is None else 720, day=day)


def test_water_of_the_day_adds_up_and_begins_anew_with_the_day() -> None:
    state = _after(MistState(day=3, litres=10.0), ran_s=30.0, litres=3.0)
    assert (state.day, state.litres) == (3, 13.0)
    assert litres_of(state, _at(0, day=4)) == 0.0
    assert _after(state, _at(0, day=4)).litres == 0.0


def test_while_the_clock_is_lost_the_day_goes_on() -> None:
    state = _after(MistState(day=3, litres=10.0), _at(0, day=None), ran_s=10.0, litres=1.0)
    assert (state.day, state.litres) == (3, 11.0)
    assert _after(state, _at(10)).litres == 11.0


def test_an_idle_line_is_wet_again_only_after_a_whole_flush_without_a_break() -> None:
    state = MistState(day=3)
    for now_s in range(1, 31):
        state = _after(state, _at(now_s), ran_s=1.0, on=now_s < 30)
    assert state.line_wet_s is None
    for now_s in range(100, 160):
        state = _after(state, _at(now_s), ran_s=1.0, on=True)
        assert (state.line_wet_s is not None) == (now_s == 159)


def test_a_line_in_use_stays_wet() -> None:
    state = _after(MistState(day=3, line_wet_s=0.0), _at(1000), ran_s=5.0)
    assert state.line_wet_s == 1000
    assert is_stagnant(state, RULE, _at(1000 + 72 * 3600 + 1)) and not is_stagnant(state, RULE, _at(1000 + 72 * 3600))


def _damp_for(duration_s: int, *, begins_s: int = 60, dry_at_s: int | None = None) -> MistState:
    """Water stops at 0 s; from `begins_s` the air is damp for a while, but for one dry reading."""
    state = _after(MistState(day=3, line_wet_s=0.0), _at(0), ran_s=60.0)
    for now_s in range(10, begins_s + duration_s + 1, 10):
        rh_pct = 72.0 if now_s >= begins_s and now_s != dry_at_s else 71.9
        state = _after(state, _at(now_s), rh_pct=rh_pct)
    return state


def test_air_that_stays_damp_after_misting_locks_water_out_for_a_while() -> None:
    assert _damp_for(int(DAMP_AFTER_S) - 10).locked_until_s is None
    locked = _damp_for(int(DAMP_AFTER_S))
    assert locked.locked_until_s == 60 + DAMP_AFTER_S + LOCKED_S
    assert _damp_for(int(DAMP_AFTER_S), dry_at_s=1000).locked_until_s is None


def test_damp_that_comes_long_after_misting_is_weather() -> None:
    assert _damp_for(6000, begins_s=int(DAMP_AFTER_S)).locked_until_s is None


def test_damp_is_not_forgotten_while_the_air_is_unknown() -> None:
    state = MistState(day=3, ran_s=0.0, damp_since_s=100.0)
    assert _after(state, _at(200), rh_pct=None).damp_since_s == 100.0
    assert _after(state, _at(200), on=True, rh_pct=None).damp_since_s is None


def test_a_lock_ends_and_begins_again_only_after_new_water() -> None:
    locked = _damp_for(int(DAMP_AFTER_S))
    later = locked
    for now_s in range(2000, 20_000, 100):
        later = _after(later, _at(now_s), rh_pct=80.0)
    assert later.locked_until_s == locked.locked_until_s
