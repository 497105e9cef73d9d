"""Owns: the comparison of two cooling methods by their rates.

Must not know: how a rate was found beyond its standard error, which methods they are.
How it works: ratios are compared as logarithms. The same horses twice: paired differences. Different horses: Welch.
One series each: the two fits' own errors, which say nothing about other horses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, exp, hypot, log, sqrt

from gateway.heat.curve import CoolingFit, NoFit
from gateway.heat.ranges import within
from gateway.heat.student import outside, quantile

FEWEST_HORSES = 3
_RATE = (1e-6, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Method B against method A: `ratio` above 1 means that B cools faster. Intervals at the confidence asked for.

    `chance` is the two-sided p of the logarithm of the ratio; `freedom` its degrees of freedom.
    """

    ratio: float
    ratio_low: float
    ratio_high: float
    difference: float
    difference_low: float
    difference_high: float
    freedom: float
    chance: float


def compare_fits(first: CoolingFit, second: CoolingFit, *, confidence: float = 0.95) -> Comparison:
    """Two single series. It speaks of these two series only: one horse on one day each.

    Args: first, second [fits], confidence [1]. Range: 0.5 to 0.999.
    Raises: RangeError.
    Reference: Welch 1947, Biometrika 34:28; delta method for the logarithm.
    """
    logs = _Spread(log(second.rate / first.rate), first.rate_se / first.rate, second.rate_se / second.rate)
    plain = _Spread(second.rate - first.rate, first.rate_se, second.rate_se)
    # one number of degrees of freedom for both, that of the rates, as the errors belong to the rates
    freedom = _welch(first.rate_se, second.rate_se, first.freedom, second.freedom)
    return _comparison(logs, plain, freedom, freedom, confidence)


def compare_same_horses(
    *, first: Sequence[float], second: Sequence[float], confidence: float = 0.95
) -> Comparison | NoFit:
    """The same horses under both methods, rates in the same order of horses.

    Args: first, second [1/min], confidence [1]. Range: above 0 to 20, 0.5 to 0.999.
    Raises: RangeError; ValueError when the lists differ in length.
    Reference: Student 1908, Biometrika 6:1 (paired differences), on logarithms.
    """
    if len(first) != len(second):
        raise ValueError(f"{len(first)} rates against {len(second)}: every horse needs both methods")
    refusal = _too_few(first, second)
    if refusal is not None:
        return refusal
    logs = [log(b / a) for a, b in zip(first, second, strict=True)]
    plain = [b - a for a, b in zip(first, second, strict=True)]
    freedom = float(len(first) - 1)
    return _comparison(
        _Spread(_mean(logs), _error(logs), 0.0), _Spread(_mean(plain), _error(plain), 0.0), freedom, freedom, confidence
    )


def compare_other_horses(
    *, first: Sequence[float], second: Sequence[float], confidence: float = 0.95
) -> Comparison | NoFit:
    """Different horses under each method. Only fair when both groups began equally hot.

    Args: first, second [1/min], confidence [1]. Range: above 0 to 20, 0.5 to 0.999.
    Raises: RangeError.
    Reference: Welch 1947, Biometrika 34:28.
    """
    refusal = _too_few(first, second)
    if refusal is not None:
        return refusal
    logs_a, logs_b = [log(rate) for rate in first], [log(rate) for rate in second]
    logs = _Spread(_mean(logs_b) - _mean(logs_a), _error(logs_a), _error(logs_b))
    plain = _Spread(_mean(second) - _mean(first), _error(first), _error(second))
    sizes = len(first) - 1, len(second) - 1
    return _comparison(logs, plain, _welch(*logs.errors, *sizes), _welch(*plain.errors, *sizes), confidence)


class _Spread:
    """A difference and the standard errors of its two sides."""

    def __init__(self, centre: float, error_a: float, error_b: float) -> None:
        self.centre, self.errors = centre, (error_a, error_b)
        self.error = hypot(error_a, error_b)


def _comparison(
    logs: _Spread, plain: _Spread, log_freedom: float, plain_freedom: float, confidence: float
) -> Comparison:
    log_reach = quantile(confidence=confidence, freedom=log_freedom) * logs.error
    reach = quantile(confidence=confidence, freedom=plain_freedom) * plain.error
    t = logs.centre / logs.error if logs.error > 0.0 else copysign(1e6, logs.centre) if logs.centre else 0.0
    return Comparison(
        ratio=exp(logs.centre),
        ratio_low=exp(logs.centre - log_reach),
        ratio_high=exp(logs.centre + log_reach),
        difference=plain.centre,
        difference_low=plain.centre - reach,
        difference_high=plain.centre + reach,
        freedom=log_freedom,
        chance=outside(t=max(-1e6, min(1e6, t)), freedom=log_freedom),
    )


def _too_few(first: Sequence[float], second: Sequence[float]) -> NoFit | None:
    for rate in (*first, *second):
        within("rate [1/min]", rate, _RATE)
    fewest = min(len(first), len(second))
    if fewest < FEWEST_HORSES:
        return NoFit(code="too-few", text=f"{fewest} horses, at least {FEWEST_HORSES} are needed for each method")
    return None


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _error(values: Sequence[float]) -> float:
    """Standard error of the mean."""
    centre = _mean(values)
    return sqrt(sum((value - centre) ** 2 for value in values) / (len(values) - 1) / len(values))


def _welch(error_a: float, error_b: float, freedom_a: float, freedom_b: float) -> float:
    """Degrees of freedom after Welch and Satterthwaite."""
    if error_a == 0.0 and error_b == 0.0:
        return freedom_a + freedom_b
    return float((error_a**2 + error_b**2) ** 2 / (error_a**4 / freedom_a + error_b**4 / freedom_b))
