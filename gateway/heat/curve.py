"""Owns: the exponential through the temperatures of one cooling horse, and its honest refusals.

Must not know: which horse, which method of cooling, clocks (minutes come as numbers).
How it works: T(t) = end + fall exp(-rate t), least squares from the highest reading on, because a rectal reading
first rises. Neighbouring readings of one horse resemble each other, so a second, wider interval is given that counts
them as fewer. What cannot be fitted is answered with a reason, not a number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log, sqrt

from gateway.heat.ranges import within
from gateway.heat.squares import Exponential, fit_exponential
from gateway.heat.student import quantile

FEWEST_FIXED, FEWEST_FREE = 4, 6
_BODY_C = (0.0, 60.0)
_MINUTES = (-1e4, 1e5)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoFit:
    """Why there is no curve: a code for the screens, a sentence for people."""

    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CoolingFit:
    """The curve. Rates per minute; `wide_*` allow for readings that resemble their neighbours (`lag_one`)."""

    start_min: float
    start_c: float
    end_c: float
    end_se_k: float
    rate: float
    rate_se: float
    rate_low: float
    rate_high: float
    wide_low: float
    wide_high: float
    lag_one: float
    residual_k: float
    points: int
    freedom: int

    @property
    def half_time_min(self) -> tuple[float, float, float]:
        """Half-time and the ends of its interval [min], the ends of the rate's turned over.

        Raises: nothing; the rate of a fit and the low end of its interval are above 0.
        Reference: Bates and Watts 1988, Nonlinear regression analysis, 2.3 (interval of a transformed parameter).
        """
        return log(2.0) / self.rate, log(2.0) / self.rate_high, log(2.0) / self.rate_low

    @property
    def initial_k_min(self) -> float:
        """How fast it fell at the highest reading [K/min].

        Raises: nothing.
        Reference: derivative of the exponential.
        """
        return self.rate * (self.start_c - self.end_c)

    def minutes_to(self, target_c: float) -> float | None:
        """Minutes from the highest reading to `target_c` [°C]; 0 when already below, None when never.

        Args: target_c [°C]. Range: 0 to 60.
        Raises: RangeError.
        Reference: the exponential solved for the time.
        """
        within("target_c [°C]", target_c, _BODY_C)
        if target_c >= self.start_c:
            return 0.0
        if target_c <= self.end_c:
            return None
        return log((self.start_c - self.end_c) / (target_c - self.end_c)) / self.rate


def fit_cooling(
    *, minutes: Sequence[float], temps_c: Sequence[float], end_c: float | None, confidence: float = 0.95
) -> CoolingFit | NoFit:
    """The exponential from the highest reading on; `end_c` None leaves the end value free (much less certain).

    For a rectal series the end value is the horse's own resting temperature, not the air's.

    Args: minutes [min, rising], temps_c [°C], end_c [°C], confidence [1]. Range: 0 to 60 °C, 0.5 to 0.999.
    Raises: RangeError; ValueError when the lists differ in length or the minutes do not rise.
    Reference: Bates and Watts 1988, Nonlinear regression analysis, chapter 2; lag-one widening: Bartlett 1935.
    """
    _check(minutes, temps_c, end_c, confidence)
    free = end_c is None
    fewest = FEWEST_FREE if free else FEWEST_FIXED
    if len(temps_c) < fewest:
        return NoFit(code="too-few", text=f"{len(temps_c)} readings, at least {fewest} are needed")
    peak = max(range(len(temps_c)), key=lambda index: (temps_c[index], index))
    if len(temps_c) - peak < fewest:
        return NoFit(
            code="before-the-peak",
            text=f"{len(temps_c) - peak} readings from the highest on, at least {fewest} are needed: keep measuring",
        )
    times = [minute - minutes[peak] for minute in minutes[peak:]]
    temps = list(temps_c[peak:])
    if end_c is not None and temps[0] - end_c < 0.1:
        return NoFit(code="at-rest", text=f"the highest reading is not above the end value {end_c:g} °C")
    found = fit_exponential(times=times, values=temps, end=end_c)
    if found is None:
        return NoFit(code="no-fall", text="the readings do not fall along an exponential")
    fit = _with_intervals(found, minutes[peak], 3 if free else 2, confidence)
    if fit.rate_low <= 0.0:
        return NoFit(code="no-clear-fall", text="the fall is not larger than the scatter of the readings")
    return fit


def _check(minutes: Sequence[float], temps_c: Sequence[float], end_c: float | None, confidence: float) -> None:
    if len(minutes) != len(temps_c):
        raise ValueError(f"{len(minutes)} minutes but {len(temps_c)} temperatures")
    for minute in minutes:
        within("minutes [min]", minute, _MINUTES)
    for temp_c in temps_c:
        within("temps_c [°C]", temp_c, _BODY_C)
    if any(later <= earlier for earlier, later in pairwise(minutes)):
        raise ValueError("minutes do not rise")
    within("end_c [°C]", 37.0 if end_c is None else end_c, _BODY_C)
    within("confidence [1]", confidence, (0.5, 0.999))


def _with_intervals(found: Exponential, start_min: float, unknowns: int, confidence: float) -> CoolingFit:
    points = len(found.residuals)
    freedom = points - unknowns
    squares = sum(miss * miss for miss in found.residuals)
    neighbours = sum(a * b for a, b in pairwise(found.residuals))
    lag_one = neighbours / squares if squares > 0.0 else 0.0
    reach = quantile(confidence=confidence, freedom=freedom) * found.rate_se
    wide = reach * sqrt((1.0 + lag_one) / (1.0 - lag_one)) if lag_one > 0.0 else reach
    return CoolingFit(
        start_min=start_min,
        start_c=found.end + found.fall,
        end_c=found.end,
        end_se_k=found.end_se,
        rate=found.rate,
        rate_se=found.rate_se,
        rate_low=found.rate - reach,
        rate_high=found.rate + reach,
        wide_low=max(0.0, found.rate - wide),
        wide_high=found.rate + wide,
        lag_one=lag_one,
        residual_k=sqrt(squares / freedom),
        points=points,
        freedom=freedom,
    )
