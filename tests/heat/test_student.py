from __future__ import annotations

from collections.abc import Callable

import pytest
from scipy import stats

from gateway.errors import RangeError
from gateway.heat.student import outside, quantile

FREEDOMS = (1.0, 2.0, 4.0, 9.5, 14.0, 23.1, 100.0, 1000.0, 99_999.0)


# Fisher and Yates, statistical tables, t at 5 % two-sided: 1, 4, 10, 30 degrees of freedom
@pytest.mark.parametrize(("freedom", "t"), [(1.0, 12.706), (4.0, 2.776), (10.0, 2.228), (30.0, 2.042)])
def test_the_quantile_meets_the_printed_table(freedom: float, t: float) -> None:
    assert quantile(confidence=0.95, freedom=freedom) == pytest.approx(t, abs=0.0006)


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_it_agrees_with_scipy(freedom: float) -> None:
    for confidence in (0.5, 0.8, 0.95, 0.99, 0.999):
        expected = float(stats.t.ppf(0.5 + confidence / 2.0, freedom))
        assert quantile(confidence=confidence, freedom=freedom) == pytest.approx(expected, rel=1e-8)
    for t in (-3.0, 0.0, 0.3, 2.0, 10.0, 1000.0):
        assert outside(t=t, freedom=freedom) == pytest.approx(float(2.0 * stats.t.sf(abs(t), freedom)), abs=1e-9)


def test_arguments_out_of_range_are_refused() -> None:
    calls: tuple[tuple[Callable[[], object], str], ...] = (
        (lambda: quantile(confidence=0.49, freedom=5.0), "confidence"),
        (lambda: quantile(confidence=1.0, freedom=5.0), "confidence"),
        (lambda: quantile(confidence=0.95, freedom=0.9), "freedom"),
        (lambda: outside(t=2e6, freedom=5.0), "t "),
        (lambda: outside(t=1.0, freedom=2e5), "freedom"),
    )
    for call, word in calls:
        with pytest.raises(RangeError, match=word):
            call()
