"""The cooling curve against scipy 1.17 (BSD-3) and against a series with a known answer.

The series was made by others from a truth of 37.8 + 3.2 exp(-0.030 t) with noise, and fitted by them with scipy:
independent reproduction, not a publication and not a horse.
"""

from __future__ import annotations

from math import exp, log, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from gateway.errors import RangeError
from gateway.heat.curve import CoolingFit, NoFit, fit_cooling

MINUTES = [2.0 * step for step in range(16)]
SERIES_C = [
    41.03, 40.76, 40.68, 40.49, 40.26, 40.22, 40.02, 39.87, 39.84, 39.64, 39.57, 39.41, 39.39, 39.29, 39.13, 39.10,
]  # fmt: skip


def _fit(minutes: list[float], temps_c: list[float], end_c: float | None = 37.8) -> CoolingFit:
    answer = fit_cooling(minutes=minutes, temps_c=temps_c, end_c=end_c)
    assert isinstance(answer, CoolingFit)
    return answer


def test_independent_reproduction_of_the_fixed_end() -> None:
    fit = _fit(MINUTES, SERIES_C)
    assert fit.rate == pytest.approx(0.03017, abs=1e-5)
    assert fit.rate_se == pytest.approx(0.00055, abs=1e-5)
    assert (fit.rate_low, fit.rate_high) == pytest.approx((0.02900, 0.03135), abs=1e-5)
    assert fit.start_c == pytest.approx(41.006, abs=1e-3)
    assert fit.half_time_min == pytest.approx((22.97, 22.11, 23.90), abs=0.01)
    assert fit.minutes_to(39.0) == pytest.approx(32.57, abs=0.01)
    assert (fit.points, fit.freedom, fit.end_se_k) == (16, 14, 0.0)


def test_independent_reproduction_of_the_free_end() -> None:
    fit = _fit(MINUTES, SERIES_C, None)
    assert fit.rate == pytest.approx(0.02927, abs=1e-5)
    assert fit.rate_se == pytest.approx(0.00448, abs=1e-5)
    assert fit.end_c == pytest.approx(37.735, abs=1e-3)
    assert fit.end_se_k == pytest.approx(0.332, abs=1e-3)
    assert fit.rate_se > 8.0 * _fit(MINUTES, SERIES_C).rate_se  # why the end should be the horse's own resting value


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("free", [False, True])
def test_it_agrees_with_scipy_on_made_up_series(seed: int, free: bool) -> None:
    lots = np.random.default_rng(seed)
    truth = lots.uniform(0.02, 0.12)
    times = np.sort(lots.uniform(0.0, 45.0, 18))
    times[0] = 0.0
    temps = 37.6 + 3.5 * np.exp(-truth * times) + lots.normal(0.0, 0.03, 18)
    temps[0] += 0.2  # keep the highest reading first, as fit_cooling starts there
    fit = _fit([float(t) for t in times], [float(c) for c in temps], None if free else 37.6)
    start = (3.5, 0.05, 37.0) if free else (3.5, 0.05)

    def with_end(t: np.ndarray, fall: float, rate: float, end: float = 37.6) -> np.ndarray:
        return np.asarray(end + fall * np.exp(-rate * t))

    def held(t: np.ndarray, fall: float, rate: float) -> np.ndarray:
        return with_end(t, fall, rate)

    best, spread = curve_fit(with_end if free else held, times, temps, p0=start, xtol=1e-14, ftol=1e-14)
    assert fit.rate == pytest.approx(float(best[1]), rel=1e-5)
    assert fit.rate_se == pytest.approx(float(np.sqrt(spread[1, 1])), rel=1e-4)
    assert fit.start_c == pytest.approx(float(best[0] + (best[2] if free else 37.6)), abs=1e-5)
    if free:
        assert fit.end_c == pytest.approx(float(best[2]), abs=1e-4)
        assert fit.end_se_k == pytest.approx(float(np.sqrt(spread[2, 2])), rel=1e-3)


@given(st.floats(0.01, 0.3), st.floats(1.0, 5.0), st.floats(36.5, 38.5))
def test_a_perfect_exponential_is_found_again(rate: float, fall: float, end_c: float) -> None:
    temps_c = [end_c + fall * exp(-rate * minute) for minute in MINUTES]
    fit = _fit(MINUTES, temps_c, end_c)
    assert fit.rate == pytest.approx(rate, rel=1e-6)
    assert fit.start_c == pytest.approx(end_c + fall, abs=1e-6)
    assert fit.initial_k_min == pytest.approx(rate * fall, rel=1e-5)
    assert fit.half_time_min[0] == pytest.approx(log(2.0) / rate, rel=1e-6)


def test_the_rise_before_the_peak_is_left_out() -> None:
    """A rectal reading goes on rising after work: the curve must not start before its highest reading."""
    rising = [39.6, 40.2, 40.7]
    fit = _fit([-6.0, -4.0, -2.0, *MINUTES], [*rising, *SERIES_C])
    assert fit.start_min == 0.0
    assert fit.rate == pytest.approx(_fit(MINUTES, SERIES_C).rate, rel=1e-12)


def test_a_plateau_counts_from_its_end() -> None:
    fit = _fit([-2.0, *MINUTES], [SERIES_C[0], *SERIES_C])
    assert fit.start_min == 0.0


def test_readings_that_resemble_their_neighbours_widen_the_interval() -> None:
    slow_wave = [0.08 * np.sin(minute / 5.0) for minute in MINUTES]
    temps_c = [37.8 + 3.2 * exp(-0.05 * m) + float(w) for m, w in zip(MINUTES, slow_wave, strict=True)]
    temps_c[0] = 41.05
    fit = _fit(MINUTES, temps_c)
    assert fit.lag_one > 0.2
    widening = ((1.0 + fit.lag_one) / (1.0 - fit.lag_one)) ** 0.5  # Bartlett 1935
    assert fit.wide_high - fit.rate == pytest.approx(widening * (fit.rate_high - fit.rate))
    assert fit.rate - fit.wide_low == pytest.approx(widening * (fit.rate - fit.rate_low))
    alternating = _fit(MINUTES, SERIES_C)
    assert alternating.lag_one < 0.0
    assert (alternating.wide_low, alternating.wide_high) == (alternating.rate_low, alternating.rate_high)


def test_a_higher_confidence_is_wider() -> None:
    usual = _fit(MINUTES, SERIES_C)
    strict = fit_cooling(minutes=MINUTES, temps_c=SERIES_C, end_c=37.8, confidence=0.99)
    assert isinstance(strict, CoolingFit)
    # Student's t with 14 degrees of freedom: 2.977 at 99 %, 2.145 at 95 % (printed table)
    ratio = (strict.rate_high - strict.rate) / (usual.rate_high - usual.rate)
    assert ratio == pytest.approx(2.977 / 2.145, rel=1e-3)


def test_targets_beyond_the_ends() -> None:
    fit = _fit(MINUTES, SERIES_C)
    assert fit.minutes_to(41.5) == 0.0
    assert fit.minutes_to(37.8) is None
    assert fit.minutes_to(37.0) is None
    with pytest.raises(RangeError, match="target_c"):
        fit.minutes_to(nan)


@pytest.mark.parametrize(
    ("minutes", "temps_c", "end_c", "code"),
    [
        ([0.0, 2.0, 4.0], [41.0, 40.5, 40.1], 37.8, "too-few"),
        ([0.0, 2.0, 4.0, 6.0, 8.0], [41.0, 40.5, 40.1, 39.8, 39.6], None, "too-few"),
        ([0.0, 2.0, 4.0, 6.0, 8.0], [39.0, 39.5, 40.0, 40.4, 40.7], 37.8, "before-the-peak"),
        ([0.0, 2.0, 4.0, 6.0, 8.0], [39.0, 40.5, 41.0, 40.8, 40.7], 37.8, "before-the-peak"),
        ([0.0, 2.0, 4.0, 6.0], [37.8, 37.7, 37.75, 37.7], 37.8, "at-rest"),
        ([0.0, 2.0, 4.0, 6.0, 8.0], [40.0, 39.2, 39.9, 39.3, 39.8], 37.8, "no-clear-fall"),
        ([0.0, 2.0, 4.0, 6.0, 8.0], [40.0, 38.8, 39.0, 39.4, 39.9], 37.8, "no-fall"),
    ],
)
def test_what_cannot_be_fitted_is_refused_with_a_reason(
    minutes: list[float], temps_c: list[float], end_c: float | None, code: str
) -> None:
    answer = fit_cooling(minutes=minutes, temps_c=temps_c, end_c=end_c)
    assert isinstance(answer, NoFit)
    assert answer.code == code
    assert answer.text


def test_a_straight_fall_has_no_free_end() -> None:
    straight = [41.0 - 0.05 * minute for minute in MINUTES]
    answer = fit_cooling(minutes=MINUTES, temps_c=straight, end_c=None)
    assert isinstance(answer, NoFit)
    assert answer.code in ("no-fall", "no-clear-fall")


@given(
    st.lists(st.tuples(st.floats(0.01, 500.0), st.floats(30.0, 43.0)), min_size=0, max_size=12),
    st.one_of(st.none(), st.floats(36.0, 39.0)),
)
def test_any_series_gives_a_curve_or_a_reason(readings: list[tuple[float, float]], end_c: float | None) -> None:
    minutes = [sum(gap for gap, _ in readings[: index + 1]) for index in range(len(readings))]
    answer = fit_cooling(minutes=minutes, temps_c=[temp_c for _, temp_c in readings], end_c=end_c)
    if isinstance(answer, CoolingFit):
        assert 0.0 < answer.rate_low <= answer.rate <= answer.rate_high
        assert answer.start_c > answer.end_c
        assert all(half > 0.0 for half in answer.half_time_min)
    else:
        assert answer.code in {"too-few", "before-the-peak", "at-rest", "no-fall", "no-clear-fall"}


def test_a_fall_that_is_over_at_once_is_no_crash() -> None:
    answer = fit_cooling(minutes=[0.0, 2.0, 4.0, 6.0, 8.0], temps_c=[41.0, 37.8, 37.8, 37.79, 37.81], end_c=37.8)
    assert isinstance(answer, NoFit) or answer.rate > 1.0  # nearly all of 3.2 K within 2 min


def test_wrong_series_are_errors() -> None:
    with pytest.raises(ValueError, match="16 minutes but 15 temperatures"):
        fit_cooling(minutes=MINUTES, temps_c=SERIES_C[:-1], end_c=37.8)
    with pytest.raises(ValueError, match="do not rise"):
        fit_cooling(minutes=[0.0, 2.0, 2.0, 4.0], temps_c=SERIES_C[:4], end_c=37.8)
    for minutes, temps_c, end_c, confidence, word in (
        ([0.0, 2.0, 4.0, nan], SERIES_C[:4], 37.8, 0.95, "minutes"),
        (MINUTES, [nan, *SERIES_C[1:]], 37.8, 0.95, "temps_c"),
        (MINUTES, SERIES_C, 61.0, 0.95, "end_c"),
        (MINUTES, SERIES_C, 37.8, 1.0, "confidence"),
    ):
        with pytest.raises(RangeError, match=word):
            fit_cooling(minutes=minutes, temps_c=temps_c, end_c=end_c, confidence=confidence)


@pytest.mark.parametrize("shift_min", [-30.0, 7.0, 600.0])
def test_minutes_may_start_anywhere(shift_min: float) -> None:
    """The fit knows the time since the highest reading only."""
    here, there = _fit(MINUTES, SERIES_C), _fit([minute + shift_min for minute in MINUTES], SERIES_C)
    assert there.start_min == shift_min
    assert there.rate == pytest.approx(here.rate, rel=1e-9)
    assert there.start_c == pytest.approx(here.start_c, abs=1e-9)
    assert there.minutes_to(39.0) == pytest.approx(32.57, abs=0.01)


@pytest.mark.parametrize(("end_c", "unknowns"), [(37.8, 2), (None, 3)])
def test_the_scatter_left_over_is_that_of_scipy(end_c: float | None, unknowns: int) -> None:
    fit = _fit(MINUTES, SERIES_C, end_c)
    times, temps = np.array(MINUTES), np.array(SERIES_C)

    def curve(t: np.ndarray, fall: float, rate: float, end: float = 37.8) -> np.ndarray:
        return np.asarray(end + fall * np.exp(-rate * t))

    start = (3.2, 0.03) if unknowns == 2 else (3.2, 0.03, 37.8)
    best, _ = curve_fit(curve, times, temps, p0=start, xtol=1e-14, ftol=1e-14)
    left = temps - curve(times, *best)
    assert fit.residual_k == pytest.approx(float(np.sqrt(np.sum(left**2) / (16 - unknowns))), rel=1e-6)
    assert fit.lag_one == pytest.approx(float(np.sum(left[1:] * left[:-1]) / np.sum(left**2)), abs=1e-6)
    assert fit.freedom == 16 - unknowns


def test_a_fast_fall_has_a_rate_in_kelvin_for_each_minute() -> None:
    # by hand: 0.05 / min x (41.0 - 20.0) K = 1.05 K/min; to 30.5 °C half of the fall is left, ln 2 / 0.05 = 13.863 min
    fit = _fit(MINUTES, [20.0 + 21.0 * exp(-0.05 * minute) for minute in MINUTES], 20.0)
    assert fit.initial_k_min == pytest.approx(1.05, rel=1e-6)
    assert fit.minutes_to(30.5) == pytest.approx(13.863, abs=1e-3)
    assert fit.minutes_to(fit.start_c) == 0.0


def test_the_refusals_say_how_many_readings_there_are() -> None:
    answer = fit_cooling(minutes=[0.0, 2.0, 4.0, 6.0, 8.0], temps_c=[39.0, 40.5, 41.0, 40.8, 40.7], end_c=37.8)
    assert isinstance(answer, NoFit)
    assert answer.text.startswith("3 readings from the highest on, at least 4 are needed")
    few = fit_cooling(minutes=MINUTES[:5], temps_c=SERIES_C[:5], end_c=None)
    assert isinstance(few, NoFit)
    assert few.text == "5 readings, at least 6 are needed"
    assert isinstance(fit_cooling(minutes=MINUTES[:6], temps_c=SERIES_C[:6], end_c=37.8), CoolingFit)


def test_a_hot_reading_well_above_the_end_is_not_at_rest() -> None:
    """Only the highest reading decides, and 2 x 18.5 = 37 °C is no multiple that could hide it."""
    fit = _fit(MINUTES, [18.5 + 18.55 * exp(-0.2 * minute) for minute in MINUTES], 18.5)
    assert fit.rate == pytest.approx(0.2, rel=1e-6)
    steep = _fit(MINUTES, [37.0 + 4.0 * exp(-2.0 * minute) for minute in MINUTES], 37.0)  # the second lies 0.07 K above
    assert steep.rate == pytest.approx(2.0, rel=1e-4)


def test_minutes_that_run_backward_are_an_error() -> None:
    with pytest.raises(ValueError, match="do not rise"):
        fit_cooling(minutes=[0.0, 4.0, 2.0, 6.0], temps_c=SERIES_C[:4], end_c=37.8)
    with pytest.raises(ValueError, match="15 minutes but 16 temperatures"):
        fit_cooling(minutes=MINUTES[:-1], temps_c=SERIES_C, end_c=37.8)
