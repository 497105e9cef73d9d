"""Owns: checks of the counting of edges.

Must not know: lines, chips.
How it works: made-up trains of edges, some of them with gaps; the expected rate is counted from the whole train.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.gpio_edges import EdgeCount


def train(times: list[float], *, lost: set[int] | None = None, start_s: float = 0.0) -> EdgeCount:
    count = EdgeCount(start_s)
    for number, at_s in enumerate(times, 1):
        if number not in (lost or set()):
            count.edge(at_s, number)
    return count


def test_only_edges_inside_the_window_count() -> None:
    count = train([1.0, 5.0, 10.0, 10.1, 14.9])
    assert count.per_second(now_s=15.0, window_s=5.0) == pytest.approx(2 / 5)
    assert count.per_second(now_s=15.1, window_s=5.0) == pytest.approx(1 / 5)
    assert count.per_second(now_s=30.0, window_s=5.0) == 0


def test_lost_edges_inside_the_window_count() -> None:
    assert train([n / 10 for n in range(1, 101)], lost=set(range(40, 60))).per_second(
        now_s=10.0, window_s=8.0
    ) == pytest.approx(10.0, rel=0.02)


def test_a_gap_over_the_beginning_of_the_window_gives_the_mean_since_the_last_edge_before_it() -> None:
    """100 edges in 10 s, 2 to 80 lost: nobody knows how many of them were in the last 5 s."""
    count = train([n / 10 for n in range(1, 101)], lost=set(range(2, 81)))
    assert count.per_second(now_s=10.0, window_s=5.0) == pytest.approx(99 / 9.9)


def test_a_burst_lost_long_ago_does_not_blow_up_the_rate() -> None:
    """6000 edges in the first minute, all but the last lost, and then one a second."""
    count = EdgeCount(0.0)
    count.edge(60.0, 6000)
    for n in range(1, 31):
        count.edge(60.0 + n, 6000 + n)
    assert count.per_second(now_s=90.0, window_s=10.0) == pytest.approx(1.0)


@given(
    gaps=st.lists(st.floats(0.001, 3.0), max_size=60),
    lost=st.sets(st.integers(1, 60), max_size=40),
    window_s=st.floats(1.0, 60.0),
    after_s=st.floats(0.0, 90.0),
)
def test_the_rate_is_never_negative_and_exact_when_nothing_was_lost(
    gaps: list[float], lost: set[int], window_s: float, after_s: float
) -> None:
    times = [sum(gaps[: n + 1]) for n in range(len(gaps))]
    now_s = (times[-1] if times else 0.0) + after_s
    if now_s < window_s:
        return
    inside = sum(at_s > now_s - window_s for at_s in times)
    assert train(times).per_second(now_s=now_s, window_s=window_s) == pytest.approx(inside / window_s)
    rate = train(times, lost=lost).per_second(now_s=now_s, window_s=window_s)
    assert 0 <= rate <= len(times) / window_s + 1e-9
