"""Owns: how hot the surroundings look to a body, from a black-globe reading.

Must not know: horses, WBGT.
How it works: the globe settles where radiation gained equals convection lost; solved for the radiation. The larger
of still-air and moving-air film coefficients counts, as the standard says.
"""

from __future__ import annotations

from gateway.heat.ranges import SPEED_MPS, TEMP_C, within
from gateway.heat.units import ZERO_C_IN_K, kelvin

STANDARD_GLOBE_M = 0.15
_EMISSIVITY = 0.95


def mean_radiant_c(*, globe_c: float, temp_c: float, air_mps: float, globe_m: float = STANDARD_GLOBE_M) -> float:
    """Mean radiant temperature from a globe thermometer.

    Args: globe_c [°C], temp_c [°C], air_mps [m/s], globe_m [m, diameter].
    Range: -40 to 120 °C, -40 to 80 °C, 0 to 60 m/s, 0.03 to 0.2 m.
    Raises: RangeError, also when no surroundings could give that pair.
    Reference: ISO 7726:1998, annex B, equations for the black globe.
    """
    within("globe_c [°C]", globe_c, (-40.0, 120.0))
    within("temp_c [°C]", temp_c, TEMP_C)
    within("air_mps [m/s]", air_mps, SPEED_MPS)
    within("globe_m [m]", globe_m, (0.03, 0.2))
    apart = globe_c - temp_c
    still = 0.25e8 / _EMISSIVITY * (abs(apart) / globe_m) ** 0.25
    moving = 1.1e8 * air_mps**0.6 / (_EMISSIVITY * globe_m**0.4)
    fourth = kelvin(globe_c) ** 4 + max(still, moving) * apart
    within("fourth power of mean radiant temperature [K4]", fourth, (100.0**4, 800.0**4))
    return float(fourth**0.25 - ZERO_C_IN_K)
