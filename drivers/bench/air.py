"""Owns: the moist air of the bench, as a value, and the few relations between its numbers.

Must not know: gateway.heat. The gateway is judged against this air, so its formulas may not be the same ones.
How it works: vapour pressure over water by the Magnus form of the WMO, the rest from the definition of the
mixing ratio. Good to about 0.2 % between -45 and 60 °C; beyond that it stays finite, which is all a bench needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

# WMO-No. 8, "Guide to Instruments and Methods of Observation", annex on formulae for humidity; from memory.
_MAGNUS_PA: Final = 611.2
_MAGNUS_SLOPE: Final = 17.62
_MAGNUS_C: Final = 243.12

_WATER_TO_DRY_AIR: Final = 0.62198  # ratio of the molar masses, same guide


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """Air of one spot at one moment. `ghi_wm2` is the sun on a level square metre there."""

    temp_c: float
    rh_pct: float
    wind_mps: float = 0.0
    ghi_wm2: float = 0.0


def saturation_pa(temp_c: float) -> float:
    """Vapour pressure of saturated air [Pa]."""
    return _MAGNUS_PA * math.exp(_MAGNUS_SLOPE * temp_c / (_MAGNUS_C + temp_c))


def rh_from_dew_pct(*, temp_c: float, dew_c: float) -> float:
    """Relative humidity [%] of air at `temp_c` whose dew point is `dew_c`."""
    return 100.0 * saturation_pa(dew_c) / saturation_pa(temp_c)


def ratio_from_rh(*, temp_c: float, rh_pct: float, pressure_pa: float) -> float:
    """Mixing ratio: kg of vapour in a kg of dry air."""
    vapour_pa = min(rh_pct / 100.0 * saturation_pa(temp_c), 0.5 * pressure_pa)
    return _WATER_TO_DRY_AIR * vapour_pa / (pressure_pa - vapour_pa)


def rh_from_ratio_pct(*, temp_c: float, ratio: float, pressure_pa: float) -> float:
    """Relative humidity [%]; above 100 while there is more vapour than the air can hold."""
    vapour_pa = pressure_pa * ratio / (_WATER_TO_DRY_AIR + ratio)
    return 100.0 * vapour_pa / saturation_pa(temp_c)
