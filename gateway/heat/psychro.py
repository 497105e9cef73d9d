"""Owns: the state of moist air: vapour, dew point, wet bulb, humidity ratio, enthalpy, density, altitude.

Must not know: horses, sensors, places, time.
How it works: everything rests on one saturation curve (Hyland and Wexler 1983 as printed by ASHRAE), over ice up
to the triple point and over water above it. The two inverses are Newton iterations in a form where the curve bends
one way only, so that the iteration walks to the root from one side and cannot run away; both are bounded.
"""

from __future__ import annotations

from math import exp, log

from gateway.heat.ranges import PRESSURE_PA, TEMP_C, air_within, within
from gateway.heat.units import ZERO_C_IN_K

TRIPLE_POINT_C = 0.01
FORMULA_LOW_C = -100.0  # the curve over ice is known from here; a dew point may be far below the air
STANDARD_PRESSURE_PA = 101_325.0
MASS_RATIO = 0.621945  # water to dry air, ASHRAE 2017
GAS_CONSTANT_DRY_AIR = 287.042  # J/(kg K), ASHRAE 2017
_STEPS = 60
_CLOSE_K = 1e-9
_ALTITUDE_M = (-500.0, 4_200.0)
_HUMIDITY_RATIO = (0.0, 3.0)


def saturation_pressure_pa(temp_c: float) -> float:
    """Pressure of water vapour in equilibrium with ice (to 0.01 °C) or water (above).

    Args: temp_c [°C]. Range: -40 to 80.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equations 5 and 6 (Hyland and Wexler 1983).
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    return exp(_log_saturation(temp_c)[0])


def vapour_pressure_pa(*, temp_c: float, rh_pct: float) -> float:
    """Partial pressure of the vapour in the air. Relative humidity means over ice up to 0.01 °C.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equation 12.
    """
    air_within(temp_c, rh_pct)
    return rh_pct / 100.0 * exp(_log_saturation(temp_c)[0])


def vapour_deficit_pa(*, temp_c: float, rh_pct: float) -> float:
    """How much more vapour pressure the air could hold at its temperature.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equation 12 (saturation minus partial pressure).
    """
    air_within(temp_c, rh_pct)
    return (1.0 - rh_pct / 100.0) * exp(_log_saturation(temp_c)[0])


def rh_pct_from_vapour(*, temp_c: float, vapour_pressure_pa: float) -> float:
    """Relative humidity from temperature and vapour pressure; not clipped, so fog shows as more than 100.

    Args: temp_c [°C], vapour_pressure_pa [Pa]. Range: -40 to 80 °C, 0 to 50 000 Pa.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equation 12.
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("vapour_pressure_pa [Pa]", vapour_pressure_pa, (0.0, 50_000.0))
    return 100.0 * vapour_pressure_pa / exp(_log_saturation(temp_c)[0])


def dew_point_c(vapour_pressure_pa: float) -> float:
    """Temperature (of frost, up to 0.01 °C) at which this vapour pressure saturates: the exact inverse.

    Args: vapour_pressure_pa [Pa]. Range: saturation at -100 °C (0.0014 Pa) to saturation at 80 °C (47 411 Pa).
    Raises: RangeError, also for air without vapour, which has no dew point.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equations 5 and 6, solved for the temperature.
    """
    within("vapour_pressure_pa [Pa]", vapour_pressure_pa, _DEW_RANGE_PA)
    wanted = log(vapour_pressure_pa)
    if _LOG_ICE_TOP < wanted < _LOG_WATER_BOTTOM:
        return TRIPLE_POINT_C  # the two printed curves miss one another here by less than 0.01 Pa
    on_ice = wanted <= _LOG_ICE_TOP
    # Magnus form (WMO) as the start: within 0.1 K over most of the range
    gamma = wanted - 6.4154
    temp_c = 272.62 * gamma / (22.46 - gamma) if on_ice else 243.12 * gamma / (17.62 - gamma)
    for _ in range(_STEPS):
        value, slope = (_log_over_ice if on_ice else _log_over_water)(temp_c)
        step = (value - wanted) / slope
        temp_c -= step
        if abs(step) < _CLOSE_K:
            break
    return temp_c


def humidity_ratio(*, vapour_pressure_pa: float, pressure_pa: float) -> float:
    """Kilograms of vapour carried by a kilogram of dry air.

    Args: vapour_pressure_pa [Pa], pressure_pa [Pa]. Range: 0 to 80 % of pressure_pa, 60 000 to 110 000 Pa.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equation 20.
    """
    within("pressure_pa [Pa]", pressure_pa, PRESSURE_PA)
    within("vapour_pressure_pa [Pa]", vapour_pressure_pa, (0.0, 0.8 * pressure_pa))
    return MASS_RATIO * vapour_pressure_pa / (pressure_pa - vapour_pressure_pa)


def vapour_from_ratio_pa(*, humidity_ratio: float, pressure_pa: float) -> float:
    """Vapour pressure from the humidity ratio: the inverse of `humidity_ratio`.

    Args: humidity_ratio [kg/kg], pressure_pa [Pa]. Range: 0 to 3 kg/kg, 60 000 to 110 000 Pa.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equation 20, solved for the vapour pressure.
    """
    within("humidity_ratio [kg/kg]", humidity_ratio, _HUMIDITY_RATIO)
    within("pressure_pa [Pa]", pressure_pa, PRESSURE_PA)
    return pressure_pa * humidity_ratio / (MASS_RATIO + humidity_ratio)


def enthalpy_j_kg(*, temp_c: float, humidity_ratio: float) -> float:
    """Enthalpy of moist air for each kilogram of dry air, zero for dry air at 0 °C.

    Args: temp_c [°C], humidity_ratio [kg/kg]. Range: -40 to 80 °C, 0 to 3 kg/kg.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equation 30.
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("humidity_ratio [kg/kg]", humidity_ratio, _HUMIDITY_RATIO)
    return 1_006.0 * temp_c + humidity_ratio * (2_501_000.0 + 1_860.0 * temp_c)


def density_kg_m3(*, temp_c: float, humidity_ratio: float, pressure_pa: float) -> float:
    """Density of moist air: dry air and vapour together.

    Args: temp_c [°C], humidity_ratio [kg/kg], pressure_pa [Pa].
    Range: -40 to 80 °C, 0 to 3 kg/kg, 60 000 to 110 000 Pa.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equations 11 and 26.
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("humidity_ratio [kg/kg]", humidity_ratio, _HUMIDITY_RATIO)
    within("pressure_pa [Pa]", pressure_pa, PRESSURE_PA)
    kelvin = temp_c + ZERO_C_IN_K
    volume_m3_kg = GAS_CONSTANT_DRY_AIR * kelvin * (1.0 + 1.607858 * humidity_ratio) / pressure_pa
    return (1.0 + humidity_ratio) / volume_m3_kg


def pressure_at_altitude_pa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere.

    Args: altitude_m [m]. Range: -500 to 4200.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equation 3.
    """
    within("altitude_m [m]", altitude_m, _ALTITUDE_M)
    return float(STANDARD_PRESSURE_PA * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)


def wet_bulb_c(*, temp_c: float, rh_pct: float, pressure_pa: float) -> float:
    """Thermodynamic wet bulb (adiabatic saturation). The wick counts as liquid as long as it can be.

    Args: temp_c [°C], rh_pct [%], pressure_pa [Pa]. Range: -40 to 80 °C, 0 to 100 %, 60 000 to 110 000 Pa.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equations 33 (water) and 35 (ice).
    """
    air_within(temp_c, rh_pct)
    within("pressure_pa [Pa]", pressure_pa, PRESSURE_PA)
    vapour_pa = rh_pct / 100.0 * exp(_log_saturation(temp_c)[0])
    ratio = MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa)
    on_ice = temp_c <= TRIPLE_POINT_C or ratio < _wick(TRIPLE_POINT_C, temp_c, pressure_pa, False)[0]
    wet_c = min(temp_c, TRIPLE_POINT_C) if on_ice else temp_c
    for _ in range(_STEPS):  # the curve bends upward and the start lies at or above the root
        value, slope = _wick(wet_c, temp_c, pressure_pa, on_ice)
        step = (value - ratio) / slope
        wet_c -= step
        if abs(step) < _CLOSE_K:
            break
    return min(wet_c, temp_c)


def ratio_at_wet_bulb(*, temp_c: float, wet_bulb_c: float, pressure_pa: float) -> float:
    """Humidity ratio of air from its dry and wet bulb; negative where no air can have that pair.

    Args: temp_c [°C], wet_bulb_c [°C], pressure_pa [Pa].
    Range: -40 to 80 °C, -45 °C to temp_c, 60 000 to 110 000 Pa.
    Raises: RangeError.
    Reference: ASHRAE Handbook Fundamentals 2017, chapter 1, equations 33 (water) and 35 (ice).
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("wet_bulb_c [°C]", wet_bulb_c, (-45.0, temp_c))
    within("pressure_pa [Pa]", pressure_pa, PRESSURE_PA)
    return _wick(wet_bulb_c, temp_c, pressure_pa, wet_bulb_c < TRIPLE_POINT_C)[0]


def _wick(wet_c: float, temp_c: float, pressure_pa: float, on_ice: bool) -> tuple[float, float]:
    """Humidity ratio [kg/kg] of air at temp_c whose wet bulb is wet_c, and its slope [1/K]."""
    log_p, log_slope = (_log_over_ice if on_ice else _log_over_water)(wet_c)
    p = exp(log_p)
    ratio = MASS_RATIO * p / (pressure_pa - p)
    ratio_slope = ratio * log_slope * pressure_pa / (pressure_pa - p)
    # latent heat at 0 °C, its fall with the wet bulb, and the heat of the water added, all kJ/(kg K)
    latent, fall, water = (2830.0, 0.24, 2.1) if on_ice else (2501.0, 2.326, 4.186)
    above = (latent - fall * wet_c) * ratio - 1.006 * (temp_c - wet_c)
    below = latent + 1.86 * temp_c - water * wet_c
    above_slope = (latent - fall * wet_c) * ratio_slope - fall * ratio + 1.006
    return above / below, (above_slope + above / below * water) / below


def _log_saturation(temp_c: float) -> tuple[float, float]:
    """Logarithm of the saturation pressure [ln Pa] and its slope [1/K]."""
    return _log_over_ice(temp_c) if temp_c <= TRIPLE_POINT_C else _log_over_water(temp_c)


def _log_over_water(temp_c: float) -> tuple[float, float]:
    k = temp_c + ZERO_C_IN_K
    value = -5800.2206 / k + 1.3914993 + k * (-0.048640239 + k * (4.1764768e-5 - 1.4452093e-8 * k)) + 6.5459673 * log(k)
    return value, 5800.2206 / (k * k) - 0.048640239 + k * (8.3529536e-5 - 4.3356279e-8 * k) + 6.5459673 / k


def _log_over_ice(temp_c: float) -> tuple[float, float]:
    k = temp_c + ZERO_C_IN_K
    cubic = 6.2215701e-7 + k * (2.0747825e-9 - 9.484024e-13 * k)
    value = -5674.5359 / k + 6.3925247 + k * (-9.677843e-3 + k * cubic) + 4.1635019 * log(k)
    slope = 5674.5359 / (k * k) - 9.677843e-3 + k * (1.24431402e-6 + k * (6.2243475e-9 - 3.7936096e-12 * k))
    return value, slope + 4.1635019 / k


_LOG_ICE_TOP = _log_over_ice(TRIPLE_POINT_C)[0]
_LOG_WATER_BOTTOM = _log_over_water(TRIPLE_POINT_C)[0]
_DEW_RANGE_PA = (exp(_log_over_ice(FORMULA_LOW_C)[0]), exp(_log_over_water(TEMP_C[1])[0]))
