"""The two-threshold switch and the bands."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.barn import DEFAULT_POSTS
from gateway.control.hysteresis import Switch, advance
from gateway.control.levels import band

VALUES = st.lists(st.floats(min_value=100, max_value=200), min_size=1, max_size=60)


def _go(switch: Switch, value: float, now_s: float) -> Switch:
    return advance(switch, value, on_at=150, off_below=147, hold_s=300, now_s=now_s)


def test_switch_goes_on_at_the_threshold_itself() -> None:
    assert not _go(Switch(), 149.999, 0).on
    assert _go(Switch(), 150.0, 0).on


def test_switch_stays_on_in_the_dead_band() -> None:
    on = _go(Switch(), 150, 0)
    for now_s in range(0, 4000, 100):
        on = _go(on, 147.0, now_s)
    assert on.on


def test_switch_goes_off_only_after_the_whole_hold_time_below() -> None:
    on = _go(_go(Switch(), 150, 0), 146.9, 100)
    assert _go(on, 140, 399.9).on
    assert not _go(on, 140, 400).on


def test_one_value_back_in_the_band_starts_the_hold_time_again() -> None:
    on = _go(_go(_go(Switch(), 150, 0), 140, 100), 148, 350)
    assert _go(_go(on, 140, 400), 140, 699).on


def test_crossed_thresholds_are_refused() -> None:
    with pytest.raises(ValueError, match="above"):
        advance(Switch(), 1, on_at=1, off_below=2, hold_s=0, now_s=0)


@given(VALUES)
def test_switch_never_chatters_within_the_hold_time(values: list[float]) -> None:
    switch, went_on_s = Switch(), None
    for number, value in enumerate(values):
        now_s = number * 60.0
        after = _go(switch, value, now_s)
        if after.on and not switch.on:
            assert value >= 150
            went_on_s = now_s
        if switch.on and not after.on:
            assert went_on_s is not None
            assert now_s - went_on_s >= 300
            assert all(v < 147 for v in values[number - 5 : number + 1])
        switch = after


# Boundaries as a US federation's guidance states them (below 130, 130 to 150, 150 to 180, above 180); that a
# boundary itself belongs to the upper band is our rule, since no source says.
@pytest.mark.parametrize(
    ("heat", "level"),
    [(-40.0, 0), (129.999, 0), (130.0, 1), (149.999, 1), (150.0, 2), (179.999, 2), (180.0, 3), (240.0, 3)],
)
def test_band_of_a_sum(heat: float, level: int) -> None:
    assert band(heat, DEFAULT_POSTS) == level
