"""Owns: what the accuracy of the sensors means for the sum, the wet bulb and carry.

Must not know: which sensor a place has, how accuracy is printed in a data sheet.
How it works: first order. Each input is moved a little both ways, the slope times its error is the share of that
input, and independent shares add as squares. Errors in, errors out: one standard deviation gives one standard
deviation, a limit of error gives a likely limit. It knows nothing of the assumptions about the horse.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import hypot

from gateway.heat.balance import Surroundings, balance
from gateway.heat.horse import Horse, Pace
from gateway.heat.psychro import wet_bulb_c
from gateway.heat.ranges import RH_PCT, SPEED_MPS, TEMP_C, within

_STEP = 0.05  # of the error


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """Error of each sensor, all of one kind (standard deviation, or limit)."""

    temp_k: float
    rh_pct: float
    air_mps: float = 0.0

    def __post_init__(self) -> None:
        within("temp_k [K]", self.temp_k, (0.0, 10.0))
        within("rh_pct [%]", self.rh_pct, (0.0, 30.0))
        within("air_mps [m/s]", self.air_mps, (0.0, 10.0))


def sum_error(accuracy: Accuracy) -> float:
    """Error of the sum of °F and %; the same everywhere because the sum is linear.

    Args: accuracy [K, %]. Range: as checked when it was made.
    Raises: nothing.
    Reference: JCGM 100:2008 (GUM), equation 10.
    """
    return hypot(1.8 * accuracy.temp_k, accuracy.rh_pct)


def wet_bulb_error_k(*, temp_c: float, rh_pct: float, pressure_pa: float, accuracy: Accuracy) -> float:
    """Error of the wet bulb.

    Args: temp_c [°C], rh_pct [%], pressure_pa [Pa], accuracy [K, %].
    Range: -40 to 80 °C, 0 to 100 %, 60 000 to 110 000 Pa.
    Raises: RangeError.
    Reference: JCGM 100:2008 (GUM), equation 10, slopes by central difference.
    """
    by_temp = _share(
        lambda t: wet_bulb_c(temp_c=t, rh_pct=rh_pct, pressure_pa=pressure_pa), temp_c, accuracy.temp_k, TEMP_C
    )
    by_rh = _share(
        lambda rh: wet_bulb_c(temp_c=temp_c, rh_pct=rh, pressure_pa=pressure_pa), rh_pct, accuracy.rh_pct, RH_PCT
    )
    return hypot(by_temp, by_rh)


def carry_error(around: Surroundings, pace: Pace, horse: Horse, accuracy: Accuracy) -> float:
    """Error of carry from the sensors alone. Nothing where carry is held at its top.

    Args: around, pace, horse, accuracy [units in their fields]. Range: as checked when they were made.
    Raises: RangeError.
    Reference: JCGM 100:2008 (GUM), equation 10, slopes by central difference.
    """

    def at_temp(temp_c: float) -> float:
        return balance(replace(around, temp_c=temp_c), pace, horse).carry

    def at_rh(rh_pct: float) -> float:
        return balance(replace(around, rh_pct=rh_pct), pace, horse).carry

    def at_air(air_mps: float) -> float:
        return balance(replace(around, air_mps=air_mps), pace, horse).carry

    return hypot(
        _share(at_temp, around.temp_c, accuracy.temp_k, TEMP_C),
        _share(at_rh, around.rh_pct, accuracy.rh_pct, RH_PCT),
        _share(at_air, around.air_mps, accuracy.air_mps, SPEED_MPS),
    )


def _share(function: Callable[[float], float], at: float, error: float, limits: tuple[float, float]) -> float:
    """Slope of the function times the error; one-sided at the end of the range."""
    if error == 0.0:
        return 0.0
    low, high = max(limits[0], at - _STEP * error), min(limits[1], at + _STEP * error)
    return (function(high) - function(low)) / (high - low) * error
