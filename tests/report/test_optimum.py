"""The optimum against a search through every plan there is, on a short stretch."""

from __future__ import annotations

import itertools

import pytest

from drivers.bench import zones
from drivers.bench.weather import HotDay
from gateway.app import evaluate_barn as the
from gateway.app.evaluate import Season
from tests.report.optimum import DECIDE_S, FREE, OFF, PLAYED_S, STARTED, best_plan, fans_of, played, stretch, successors

STEPS = 6


def _allowed(running: tuple[bool, ...]) -> bool:
    """At least two steps on, unless the end cuts it; one step off needs no check."""
    stretches = [(on, len(list(part))) for on, part in itertools.groupby(running)]
    return all(steps >= 2 for on, steps in stretches[:-1] if on)


def _cost(season: Season, plan: tuple[int, ...], price_kwh_h: float) -> float:
    air = zones.outside_state(season.weather.at(season.begin_s), the.PRESSURE_PA)
    cost = 0.0
    for number, groups in enumerate(plan):
        halves = [stretch(season, number * DECIDE_S + share * PLAYED_S) for share in (0, 1)]
        air, strain_h = played(halves, air, groups, 2.0)
        cost += price_kwh_h * strain_h + groups * 0.6 * DECIDE_S / 3600.0
    return cost


@pytest.mark.parametrize("price_kwh_h", [0.3, 3.0, 12.0, 1000.0])
def test_no_plan_at_all_is_cheaper(price_kwh_h: float) -> None:
    # minutes of the day are counted from the begin of a season, so the begin is put where the hot hour comes soon
    season = Season(
        name="short", weather=HotDay(zone_offset_h=0.0), begin_s=13 * 3600.0, end_s=13 * 3600.0 + STEPS * DECIDE_S,
        offset_s=0.0,
    )  # fmt: skip
    single = [bits for bits in itertools.product((False, True), repeat=STEPS) if _allowed(bits)]
    every = {tuple(a + b for a, b in zip(one, two, strict=True)) for one in single for two in single}
    cheapest = min(_cost(season, plan, price_kwh_h) for plan in every)
    found = best_plan(season, price_kwh_h=price_kwh_h, grain=1e-6)
    assert tuple(found) in every
    assert _cost(season, tuple(found), price_kwh_h) == pytest.approx(cheapest, rel=1e-9)
    assert _cost(season, tuple(best_plan(season, price_kwh_h=price_kwh_h)), price_kwh_h) <= cheapest * 1.005


def test_a_group_that_has_just_started_goes_on() -> None:
    assert successors((OFF, STARTED)) == {(OFF, FREE), (STARTED, FREE)}
    assert successors((FREE, FREE)) == {(OFF, OFF), (OFF, FREE), (FREE, FREE)}


def test_groups_take_turns_and_keep_the_motor_rules() -> None:
    plan = [0, 1, 1, 0, 1, 2, 2, 1, 1, 0, 0]
    fans = fans_of(plan)
    assert [sum(running) for running in fans] == plan
    assert all(_allowed(running) for running in zip(*fans, strict=True))
    assert fans[1] != fans[4]
