"""Owns: Student's t, for intervals from few readings.

Must not know: what was measured.
How it works: the chance outside of plus or minus t is an incomplete beta function, summed as a continued fraction;
the quantile is its root. Small enough to keep a numerical library off the board.
"""

from __future__ import annotations

from math import exp, lgamma, log, log1p, sqrt

from gateway.heat.ranges import within
from gateway.heat.root import falling_root

_TERMS = 400
_TINY = 1e-300
_FREEDOM = (1.0, 1e5)


def outside(*, t: float, freedom: float) -> float:
    """Chance that a Student variable lies outside of plus or minus `t` (two-sided p).

    Args: t [1], freedom [1]. Range: -1e6 to 1e6, 1 to 100 000; need not be whole.
    Raises: RangeError.
    Reference: Abramowitz and Stegun 1964, 26.7.1 and 26.5.27.
    """
    within("t [1]", t, (-1e6, 1e6))
    within("freedom [1]", freedom, _FREEDOM)
    return _beta_share(0.5 * freedom, 0.5, freedom / (freedom + t * t))


def quantile(*, confidence: float, freedom: float) -> float:
    """The t that holds `confidence` between minus and plus itself.

    Args: confidence [1], freedom [1]. Range: 0.5 to 0.999, 1 to 100 000.
    Raises: RangeError.
    Reference: Abramowitz and Stegun 1964, 26.7.1, solved for t.
    """
    within("confidence [1]", confidence, (0.5, 0.999))
    within("freedom [1]", freedom, _FREEDOM)

    def excess(share: float) -> float:
        return (1.0 - confidence) - _beta_share(0.5 * freedom, 0.5, share)

    share = falling_root(excess, low=1e-9, high=1.0, close=1e-15)
    return sqrt(freedom * (1.0 - share) / share)


def _beta_share(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function (DLMF 8.17.22), mirrored where the fraction would be slow."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x))
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - front * _fraction(b, a, 1.0 - x) / b
    return front * _fraction(a, b, x) / a


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction, by the modified Lentz method."""
    value, c, d = 1.0, 1.0, 0.0
    for step in range(_TERMS):
        m = step // 2
        if step == 0:
            term = 1.0
        elif step % 2 == 0:
            term = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        else:
            term = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        d = 1.0 / (1.0 + term * d or _TINY)
        c = 1.0 + term / c or _TINY
        value *= c * d
        if step and abs(c * d - 1.0) < 1e-14:
            break
    return value - 1.0
