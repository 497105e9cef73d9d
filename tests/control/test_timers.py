"""Minimum times, starts per hour, speed steps, and starts that the proof of run does not confirm."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.control.timers import HOUR_S, SLOWER_AFTER_S, Hold, RunState, hold, looked_at, proven, switched
from gateway.site_kit import FanForm

ON, OFF = RunState(on=True, since_s=100), RunState(on=False, since_s=100)


def _hold(run: RunState, want_on: bool, now_s: float, starts_per_h: int = 4) -> Hold:
    return hold(run, want_on, min_on_s=600, min_off_s=300, starts_per_h=starts_per_h, now_s=now_s)


def test_a_change_waits_for_the_rest_of_its_minimum() -> None:
    assert _hold(ON, False, 150) == Hold(wait_s=550, code="min-on")
    assert _hold(OFF, True, 150) == Hold(wait_s=250, code="min-off")
    assert _hold(ON, False, 700) == Hold()
    assert _hold(ON, True, 101) == Hold()


def test_starts_of_the_hour_hold_back_until_the_oldest_is_an_hour_old() -> None:
    run = RunState(on=False, since_s=3000, starts=(100, 900, 1800, 2700))
    assert _hold(run, True, 3500) == Hold(wait_s=200, code="starts-per-hour")
    assert _hold(run, True, 3700) == Hold()
    assert _hold(run, True, 3500, starts_per_h=5) == Hold()


def test_the_longer_of_two_waits_is_told() -> None:
    run = RunState(on=False, since_s=3450, starts=(100,))
    assert _hold(run, True, 3500, starts_per_h=1) == Hold(wait_s=250, code="min-off")


# NEMA MG 10, table 2-3, allowable starts per hour A and least rest C of 2-, 4- and 6-pole motors of 1, 3, 5 and 10 hp;
# as quoted by a motor efficiency handbook. Large fans may start less often: their inertia counts too.
NEMA_MG_10 = {
    1: ((15.0, 75.0), (30.0, 38.0), (34.0, 33.0)),
    3: ((9.9, 80.0), (19.8, 40.0), (22.4, 36.0)),
    5: ((8.1, 83.0), (16.3, 42.0), (18.4, 37.0)),
    10: ((6.2, 92.0), (12.5, 46.0), (14.2, 41.0)),
}


@pytest.mark.parametrize("power_hp", NEMA_MG_10)
def test_the_default_starts_and_rest_spare_every_motor_of_the_table(power_hp: int) -> None:
    of_a_site_file = FanForm.model_fields
    for most_starts, least_rest_s in NEMA_MG_10[power_hp]:
        assert of_a_site_file["starts_per_h"].default <= most_starts
        assert of_a_site_file["min_off_s"].default >= least_rest_s


@given(st.lists(st.floats(min_value=1, max_value=900), max_size=200), st.integers(min_value=1, max_value=20))
def test_no_hour_ever_has_more_starts_than_allowed(pauses: list[float], most: int) -> None:
    run, now_s, starts = OFF, 100.0, []
    for pause_s in pauses:
        now_s += pause_s
        want_on = not run.on
        if hold(run, want_on, min_on_s=0, min_off_s=0, starts_per_h=most, now_s=now_s).wait_s == 0:
            run = switched(run, want_on, now_s)
            starts += [now_s] * want_on
    assert all(sum(begin <= s < begin + HOUR_S for s in starts) <= most for begin in starts)


def test_since_moves_only_with_a_change() -> None:
    assert switched(ON, True, 500) == ON
    off = switched(ON, False, 500)
    assert (off.on, off.since_s, off.starts) == (False, 500, ())
    assert switched(off, True, 900).starts == (900,)


def test_starts_older_than_an_hour_are_forgotten() -> None:
    run = RunState(on=False, since_s=100, starts=(0, 50))
    assert switched(run, True, 3620).starts == (50, 3620)


def test_a_drive_goes_faster_at_once_and_slower_only_after_a_while() -> None:
    run = switched(ON, True, 1000, 0.5)
    assert run.speed == 0.5
    faster = switched(run, True, 1001, 0.9)
    assert (faster.speed, faster.speed_s) == (0.9, 1001)
    assert switched(faster, True, 1000 + SLOWER_AFTER_S, 0.4).speed == 0.9
    assert switched(faster, True, 1001 + SLOWER_AFTER_S, 0.4).speed == 0.4


def _proven(run: RunState, running: bool | None, now_s: float) -> RunState:
    return proven(run, running, within_s=10, now_s=now_s)


def test_a_start_that_is_not_confirmed_counts_once_and_two_are_dead() -> None:
    run = switched(OFF, True, 500)
    assert _proven(run, False, 510) == run  # not late yet
    once = _proven(run, False, 511)
    assert (once.unproven, once.to_retry, once.dead) == (1, True, False)
    assert _proven(once, False, 600) == once
    rested = switched(once, False, 511)
    assert not rested.to_retry
    twice = _proven(switched(rested, True, 900), False, 911)
    assert (twice.unproven, twice.to_retry, twice.dead) == (2, False, True)
    assert _proven(twice, True, 950).dead is False


def test_an_unknown_proof_concludes_nothing() -> None:
    run = switched(OFF, True, 500)
    assert _proven(run, None, 900) == run


def test_kit_that_runs_on_is_stuck_until_it_is_seen_to_stand() -> None:
    off = switched(ON, False, 1000)
    assert not _proven(off, True, 1010).stuck  # it runs out
    stuck = _proven(off, True, 1011)
    assert stuck.stuck
    assert _proven(stuck, None, 1012).stuck
    assert not _proven(stuck, False, 1012).stuck
    started = switched(stuck, True, 1100)
    assert _proven(started, True, 1200).stuck


def test_proof_counts_only_from_when_the_switch_came_back_to_auto() -> None:
    run = dataclasses.replace(ON, by_switch_s=5000.0)
    assert _proven(run, False, 5010) == run
    assert _proven(run, False, 5011).unproven == 1


def test_a_person_who_has_looked_forgives_everything() -> None:
    dead = RunState(on=True, since_s=100, unproven=2, counted_s=50, stuck=True)
    run = looked_at(dead)
    assert (run.dead, run.stuck) == (False, False)
    assert _proven(run, False, 500).unproven == 0  # this start has had its chance; the next one counts
