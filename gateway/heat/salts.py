"""Owns: the air over saturated salts, and what the errors of a sensor in such air and in melting ice mean.

Must not know: which sensor, when, how a correction is written down.
How it works: over a saturated solution with solid salt left in it, in a closed jar, the relative humidity depends on
the temperature alone. The advice is a table of bounds; below them a correction would only write noise into the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import exp
from typing import Final

from gateway.heat.ranges import within

SALT_PCT: Final = 2.0  # "generally accurate to ±2 %", source of the table below
ICE_C: Final = 0.0
ICE_K: Final = 0.1  # ice and water in a vacuum flask, stirred; from memory, common practice
_KELVIN: Final = 273.15

# Common practice, no published source: one point may be a bad jar, two that disagree are a bad sensor.
RH_CORRECT_PCT: Final = 3.0
RH_REPLACE_PCT: Final = 5.0
# Own choice: twice what the ice is good for, and more than any sensor of our kinds should be off.
ICE_CORRECT_K: Final = 0.2
ICE_REPLACE_K: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Salt:
    """RH = a exp(b / T) [%], T in kelvin, from `low_c` to `high_c`."""

    name: str
    a_pct: float
    b_k: float
    low_c: float
    high_c: float


# A. S. Wexler, Constant Humidity Solutions, CRC Handbook of Chemistry and Physics, section 15; after Greenspan 1977.
SALTS: Final = (
    Salt(name="LiCl", a_pct=14.53, b_k=-75.0, low_c=20.0, high_c=65.0),
    Salt(name="MgCl2", a_pct=29.26, b_k=34.0, low_c=5.0, high_c=45.0),
    Salt(name="Mg(NO3)2", a_pct=25.28, b_k=220.0, low_c=5.0, high_c=35.0),
    Salt(name="NaBr", a_pct=20.49, b_k=308.0, low_c=0.0, high_c=35.0),
    Salt(name="NaCl", a_pct=69.20, b_k=25.0, low_c=10.0, high_c=40.0),
    Salt(name="KCl", a_pct=49.38, b_k=159.0, low_c=5.0, high_c=25.0),
    Salt(name="K2SO4", a_pct=86.75, b_k=34.0, low_c=10.0, high_c=50.0),
)


class Advice(StrEnum):
    """What to do with a sensor."""

    KEEP = "keep"
    CORRECT = "correct"
    REPLACE = "replace"


def salt_rh_pct(salt: Salt, *, temp_c: float) -> float:
    """Relative humidity over a saturated solution [%], good to 2 %.

    Args: temp_c [°C]. Range: that of the salt.
    Raises: RangeError.
    Reference: CRC Handbook of Chemistry and Physics, section 15, Constant Humidity Solutions, equation 1.
    """
    within(f"temp_c [°C] of {salt.name}", temp_c, (salt.low_c, salt.high_c))
    return salt.a_pct * exp(salt.b_k / (temp_c + _KELVIN))


def rh_advice(errors_pct: Sequence[float]) -> Advice:
    """From the errors at two points or more [%]: what the sensor said less what the air was.

    Args: errors_pct [%]. Range: two or more, any size.
    Raises: ValueError with fewer than two.
    Reference: common practice, no published source.
    """
    if len(errors_pct) < 2:
        raise ValueError("one point cannot tell a shifted sensor from a worn one")
    if max(errors_pct) - min(errors_pct) > RH_REPLACE_PCT:
        return Advice.REPLACE
    return Advice.CORRECT if min(abs(error) for error in errors_pct) > RH_CORRECT_PCT else Advice.KEEP


def ice_advice(error_k: float) -> Advice:
    """From the error in melting ice.

    Args: error_k [K]. Range: any.
    Raises: nothing.
    Reference: own choice; 0 °C is the ice point of the International Temperature Scale of 1990 within 0.01 K.
    """
    if abs(error_k) > ICE_REPLACE_K:
        return Advice.REPLACE
    return Advice.CORRECT if abs(error_k) > ICE_CORRECT_K else Advice.KEEP
