"""Pauses between tries."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from gateway.uplink.backoff import Backoff, Patience

PATIENCE = Patience(first_s=1.0, longest_s=30.0, hold_s=60.0)


def test_pauses_double_up_to_the_longest_and_fall_back_when_it_worked() -> None:
    backoff = Backoff(PATIENCE, chance=lambda: 1.0)
    assert [backoff.failed() for _ in range(7)] == [1, 2, 4, 8, 16, 30, 30]
    backoff.worked()
    assert backoff.failed() == 1


@given(st.floats(0, 1, exclude_max=True), st.integers(1, 40))
def test_chance_shortens_a_pause_to_no_less_than_half_and_lengthens_a_hold(chance: float, failures: int) -> None:
    backoff = Backoff(PATIENCE, chance=lambda: chance)
    pauses = [backoff.failed() for _ in range(failures)]
    assert all(0.5 <= pause_s <= 30.0 for pause_s in pauses)
    assert 60.0 <= backoff.refused() <= 72.0
