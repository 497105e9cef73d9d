from __future__ import annotations

from math import cos, exp

import pytest
from scipy.optimize import brentq

from gateway.heat.root import falling_root
from gateway.heat.squares import fit_exponential


@pytest.mark.parametrize("bend", [0.01, 0.3, 1.0, 3.0, 20.0])
@pytest.mark.parametrize("level", [1e-6, 0.1, 0.9])
def test_it_finds_what_scipy_finds(bend: float, level: float) -> None:
    def falling(x: float) -> float:
        return exp(-bend * x) - level - 0.01 * x

    expected = float(brentq(falling, 0.0, 100.0, xtol=1e-13))
    assert falling_root(falling, low=0.0, high=100.0, close=1e-9) == pytest.approx(expected, abs=1e-7)


def test_a_classic_fixed_point() -> None:
    # cos x = x at 0.7390851332 (the Dottie number)
    assert falling_root(lambda x: cos(x) - x, low=0.0, high=1.0, close=1e-12) == pytest.approx(0.7390851332, abs=1e-10)


def test_a_function_that_never_passes_zero_gives_the_nearer_end() -> None:
    assert falling_root(lambda x: -1.0 - x, low=0.0, high=5.0, close=1e-9) == 0.0
    assert falling_root(lambda x: 10.0 - x, low=0.0, high=5.0, close=1e-9) == 5.0


def test_points_that_rise_have_no_falling_exponential() -> None:
    rising = [38.0, 38.5, 39.2, 40.1, 41.3]
    assert fit_exponential(times=[0.0, 1.0, 2.0, 3.0, 4.0], values=rising, end=37.0) is None


def test_points_that_rise_to_their_end_along_an_exponential_are_not_a_fall() -> None:
    times = [2.0 * step for step in range(16)]
    rising = [41.0 - 3.0 * exp(-0.1 * time) for time in times]
    assert fit_exponential(times=times, values=rising, end=41.0) is None
    small = [41.0 - 0.4 * exp(-0.1 * time) for time in times]
    assert fit_exponential(times=times, values=small, end=41.0) is None
    # turned over it is one
    falling = fit_exponential(times=times, values=[82.0 - value for value in rising], end=41.0)
    assert falling is not None
    assert (falling.fall, falling.rate) == pytest.approx((3.0, 0.1), rel=1e-9)
