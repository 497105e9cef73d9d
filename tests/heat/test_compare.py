"""Two methods of cooling against scipy 1.17 (BSD-3) and against numbers computed by others with it."""

from __future__ import annotations

from math import exp, log, nan

import numpy as np
import pytest
from scipy import stats

from gateway.errors import RangeError
from gateway.heat.compare import Comparison, compare_fits, compare_other_horses, compare_same_horses
from gateway.heat.curve import CoolingFit, NoFit

SLOW = [0.031, 0.028, 0.035, 0.026, 0.033]
QUICK = [0.070, 0.061, 0.082, 0.066, 0.071]


def _made(answer: Comparison | NoFit) -> Comparison:
    assert isinstance(answer, Comparison)
    return answer


def test_independent_reproduction_of_paired_horses() -> None:
    ours = _made(compare_same_horses(first=SLOW, second=QUICK))
    assert (ours.ratio, ours.ratio_low, ours.ratio_high) == pytest.approx((2.290, 2.108, 2.487), abs=6e-4)
    assert ours.freedom == 4.0


def test_paired_horses_agree_with_scipy() -> None:
    ours = _made(compare_same_horses(first=SLOW, second=QUICK, confidence=0.9))
    logs = stats.ttest_rel(np.log(QUICK), np.log(SLOW))
    interval = logs.confidence_interval(0.9)
    assert (ours.ratio_low, ours.ratio_high) == pytest.approx((exp(interval.low), exp(interval.high)), rel=1e-8)
    assert ours.chance == pytest.approx(float(logs.pvalue), rel=1e-6)
    plain = stats.ttest_rel(QUICK, SLOW).confidence_interval(0.9)
    assert (ours.difference_low, ours.difference_high) == pytest.approx((plain.low, plain.high), rel=1e-8)
    assert ours.difference == pytest.approx(float(np.mean(QUICK) - np.mean(SLOW)))


def test_other_horses_agree_with_scipy() -> None:
    slow = [*SLOW, 0.041, 0.022]
    ours = _made(compare_other_horses(first=slow, second=QUICK))
    logs = stats.ttest_ind(np.log(QUICK), np.log(slow), equal_var=False)
    interval = logs.confidence_interval(0.95)
    assert (ours.ratio_low, ours.ratio_high) == pytest.approx((exp(interval.low), exp(interval.high)), rel=1e-8)
    assert ours.chance == pytest.approx(float(logs.pvalue), rel=1e-6)
    assert ours.freedom == pytest.approx(float(logs.df), rel=1e-9)
    plain = stats.ttest_ind(QUICK, slow, equal_var=False).confidence_interval(0.95)
    assert (ours.difference_low, ours.difference_high) == pytest.approx((plain.low, plain.high), rel=1e-8)


def _series(rate: float, error: float) -> CoolingFit:
    return CoolingFit(
        start_min=0.0,
        start_c=41.0,
        end_c=37.8,
        end_se_k=0.0,
        rate=rate,
        rate_se=error,
        rate_low=rate - 2.145 * error,
        rate_high=rate + 2.145 * error,
        wide_low=rate - 2.145 * error,
        wide_high=rate + 2.145 * error,
        lag_one=0.0,
        residual_k=0.04,
        points=16,
        freedom=14,
    )


def test_independent_reproduction_of_two_series() -> None:
    ours = compare_fits(_series(0.03017, 0.00055), _series(0.07513, 0.00090))
    assert ours.difference == pytest.approx(0.04496, abs=1e-5)
    assert (ours.difference_low, ours.difference_high) == pytest.approx((0.04277, 0.04714), abs=2e-5)
    assert ours.freedom == pytest.approx(23.1, abs=0.6)  # their errors were given to two digits
    assert (ours.ratio, ours.ratio_low, ours.ratio_high) == pytest.approx((2.490, 2.380, 2.605), abs=2e-3)


def test_the_same_method_twice_has_a_ratio_of_one() -> None:
    same = _made(compare_same_horses(first=SLOW, second=SLOW))
    assert (same.ratio, same.ratio_low, same.ratio_high) == (1.0, 1.0, 1.0)
    assert same.chance == 1.0
    others = _made(compare_other_horses(first=SLOW, second=SLOW))
    assert others.ratio == pytest.approx(1.0)
    assert others.ratio_low < 1.0 < others.ratio_high


def test_horses_that_all_agree_leave_no_doubt() -> None:
    sure = _made(compare_same_horses(first=[0.02, 0.02, 0.02], second=[0.04, 0.04, 0.04]))
    assert sure.ratio == pytest.approx(2.0)
    assert sure.chance < 1e-6
    apart = _made(compare_other_horses(first=[0.02, 0.02, 0.02], second=[0.04, 0.04, 0.04]))
    assert apart.ratio_low == pytest.approx(apart.ratio_high)


def test_turning_the_methods_round_turns_the_ratio_over() -> None:
    there = _made(compare_same_horses(first=SLOW, second=QUICK))
    back = _made(compare_same_horses(first=QUICK, second=SLOW))
    assert log(there.ratio) == pytest.approx(-log(back.ratio))
    assert log(there.ratio_low) == pytest.approx(-log(back.ratio_high))


def test_too_few_horses_are_refused_with_a_reason() -> None:
    for answer in (
        compare_same_horses(first=SLOW[:2], second=QUICK[:2]),
        compare_other_horses(first=SLOW, second=QUICK[:2]),
    ):
        assert isinstance(answer, NoFit)
        assert answer.code == "too-few"


def test_wrong_rates_are_errors() -> None:
    with pytest.raises(ValueError, match="5 rates against 4"):
        compare_same_horses(first=SLOW, second=QUICK[:4])
    for bad in (0.0, -0.01, 21.0, nan):
        with pytest.raises(RangeError, match="rate"):
            compare_same_horses(first=[bad, *SLOW[1:]], second=QUICK)
        with pytest.raises(RangeError, match="rate"):
            compare_other_horses(first=SLOW, second=[bad, *QUICK[1:]])


def test_one_group_without_scatter_leaves_the_freedom_of_the_other() -> None:
    still, logs = [0.02, 0.02, 0.02], np.log(QUICK)
    ours = _made(compare_other_horses(first=still, second=QUICK))
    theirs = stats.ttest_ind_from_stats(logs.mean(), logs.std(ddof=1), 5, log(0.02), 0.0, 3, equal_var=False)
    assert ours.freedom == pytest.approx(4.0)  # Welch 1947 with one error at 0: the other's n - 1
    assert ours.chance == pytest.approx(float(theirs.pvalue), rel=1e-6)
    back = _made(compare_other_horses(first=QUICK, second=still))
    assert back.freedom == pytest.approx(4.0)
    assert back.chance == pytest.approx(float(theirs.pvalue), rel=1e-6)


def test_two_groups_without_scatter_have_the_freedom_of_all_horses() -> None:
    # Student 1908: n1 + n2 - 2
    ours = _made(compare_other_horses(first=[0.02] * 3, second=[0.04] * 5))
    assert ours.freedom == 6.0


def test_slower_is_as_sure_as_faster() -> None:
    there = _made(compare_same_horses(first=[0.02] * 4, second=[0.04] * 4))
    back = _made(compare_same_horses(first=[0.04] * 4, second=[0.02] * 4))
    # by Student with 3 degrees of freedom t = 1e6 leaves next to nothing outside
    assert there.chance == back.chance == pytest.approx(float(2.0 * stats.t.sf(1e6, 3)), abs=1e-12)


def test_a_rate_at_the_end_of_the_range_is_compared() -> None:
    assert _made(compare_same_horses(first=[10.0, 10.0, 10.0], second=[20.0, 20.0, 20.0])).ratio == pytest.approx(2.0)


def test_a_list_that_is_too_long_is_an_error_like_one_that_is_too_short() -> None:
    with pytest.raises(ValueError, match="4 rates against 5"):
        compare_same_horses(first=SLOW[:4], second=QUICK)
