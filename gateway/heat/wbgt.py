"""Owns: the wet-bulb globe temperature from measured parts, its simple estimate, and its value under a roof.

Must not know: how sun and sky act on a wick and a globe in the open (that is `liljegren`), bands, places.
How it works: the standard's weights. Under a roof the wick loses little to the sky, so the natural wet bulb lies a
few tenths above the thermodynamic one, more in still air; the globe is the measured one, or the air.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from gateway.heat.psychro import wet_bulb_c
from gateway.heat.ranges import SPEED_MPS, TEMP_C, air_within, within

_GLOBE_C = (-40.0, 120.0)
_CALM_MPS, _CALM_K = 0.13, 0.5
_MOVING_MPS, _MOVING_K = 1.0, 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Wbgt:
    """The index and the two readings that it is made of."""

    wbgt_c: float
    natural_wet_bulb_c: float
    globe_c: float


def wbgt_no_sun_c(*, natural_wet_bulb_c: float, globe_c: float) -> float:
    """WBGT indoors or without sun. The same weights were proposed for horses out of doors (Schroter and Marlin 1995).

    Args: natural_wet_bulb_c [°C], globe_c [°C]. Range: -40 to 80 °C, -40 to 120 °C.
    Raises: RangeError.
    Reference: ISO 7243:2017, clause 6.
    """
    within("natural_wet_bulb_c [°C]", natural_wet_bulb_c, TEMP_C)
    within("globe_c [°C]", globe_c, _GLOBE_C)
    return 0.7 * natural_wet_bulb_c + 0.3 * globe_c


def wbgt_sun_c(*, natural_wet_bulb_c: float, globe_c: float, temp_c: float) -> float:
    """WBGT out of doors in the sun.

    Args: natural_wet_bulb_c [°C], globe_c [°C], temp_c [°C]. Range: -40 to 80 °C, -40 to 120 °C, -40 to 80 °C.
    Raises: RangeError.
    Reference: ISO 7243:2017, clause 6.
    """
    within("natural_wet_bulb_c [°C]", natural_wet_bulb_c, TEMP_C)
    within("globe_c [°C]", globe_c, _GLOBE_C)
    within("temp_c [°C]", temp_c, TEMP_C)
    return 0.7 * natural_wet_bulb_c + 0.2 * globe_c + 0.1 * temp_c


def wbgt_simple_c(*, temp_c: float, rh_pct: float) -> float:
    """Rough WBGT from temperature and humidity alone; it assumes fairly strong sun and a light wind.

    Too high under cloud, in wind, at night and under a roof.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %.
    Raises: RangeError.
    Reference: American College of Sports Medicine 1984; Australian Bureau of Meteorology, Thermal comfort.
    """
    air_within(temp_c, rh_pct)
    vapour_hpa = rh_pct / 100.0 * 6.105 * exp(17.27 * temp_c / (237.7 + temp_c))
    return 0.567 * temp_c + 0.393 * vapour_hpa + 3.94


def wbgt_under_roof(
    *, temp_c: float, rh_pct: float, pressure_pa: float, air_mps: float, globe_c: float | None = None
) -> Wbgt:
    """WBGT under a roof from the air, with the measured globe where there is one (else the globe is the air).

    The wick lies 0.2 K above the wet bulb from 1 m/s upward and 0.5 K in calm air, in between by proportion:
    rounded from the wick balance of Liljegren 2008 at night. A hot roof without a globe reading is not seen.

    Args: temp_c [°C], rh_pct [%], pressure_pa [Pa], air_mps [m/s], globe_c [°C].
    Range: -40 to 80 °C, 0 to 100 %, 60 000 to 110 000 Pa, 0 to 60 m/s, -40 to 120 °C.
    Raises: RangeError.
    Reference: ISO 7243:2017, clause 6; Liljegren and others 2008, J Occup Environ Hyg 5:645 (wick above wet bulb).
    """
    within("air_mps [m/s]", air_mps, SPEED_MPS)
    wet_c = wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa)
    share = min(1.0, max(0.0, (air_mps - _CALM_MPS) / (_MOVING_MPS - _CALM_MPS)))
    wick_c = wet_c + _CALM_K + share * (_MOVING_K - _CALM_K)
    black_c = temp_c if globe_c is None else globe_c
    return Wbgt(
        wbgt_c=wbgt_no_sun_c(natural_wet_bulb_c=wick_c, globe_c=black_c), natural_wet_bulb_c=wick_c, globe_c=black_c
    )
