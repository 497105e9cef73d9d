"""Owns: the indices that people read off air temperature, humidity and wind.

Must not know: horses' physiology, levels, places, time.
How it works: one function for one published formula, named after its variant; the bandings are data in `bands`.
"""

from __future__ import annotations

from math import exp, sqrt

from gateway.heat.ranges import SPEED_MPS, TEMP_C, air_within, within
from gateway.heat.units import celsius, fahrenheit, kelvin, mph

_NOISE_DECIMALS = 9
_NOISE_K = 1e-6  # in saturated air a dew point or wet bulb from an inverse may lie this much above the air


def heat_sum(*, temp_c: float, rh_pct: float) -> float:
    """The trade's sum: air temperature in °F plus relative humidity in %. It has no physical unit.

    Rounded to nine decimals for one reason: 1.8 is not a binary number, so 30 °C and 64 % give
    150.00000000000003 or 149.99999999999997 depending on the order of work. A boundary such as 150 exactly
    belongs to the upper band, and that must not hang on the sixteenth digit.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %; it means something in warm air only.
    Raises: RangeError.
    Reference: United States equestrian federation, "Heat alert clarification", press release, 2024.
    """
    air_within(temp_c, rh_pct)
    return round(fahrenheit(temp_c) + rh_pct, _NOISE_DECIMALS)


def heat_sum_minus_wind(*, temp_c: float, rh_pct: float, wind_mps: float) -> float:
    """The sum less the wind in miles per hour.

    Args: temp_c [°C], rh_pct [%], wind_mps [m/s]. Range: -40 to 80 °C, 0 to 100 %, 0 to 60 m/s.
    Raises: RangeError.
    Reference: Heimer, county extension agent, "Heat and horses", July 2009.
    """
    air_within(temp_c, rh_pct)
    within("wind_mps [m/s]", wind_mps, SPEED_MPS)
    return round(fahrenheit(temp_c) + rh_pct - mph(wind_mps), _NOISE_DECIMALS)


def thi_nrc(*, temp_c: float, rh_pct: float) -> float:
    """Temperature-humidity index, NRC form with relative humidity. Made for cattle; no horse calibration exists.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %.
    Raises: RangeError.
    Reference: National Research Council 1971, A guide to environmental research on animals.
    """
    air_within(temp_c, rh_pct)
    return fahrenheit(temp_c) - (0.55 - 0.0055 * rh_pct) * (1.8 * temp_c - 26.0)


def thi_mader(*, temp_c: float, rh_pct: float) -> float:
    """Temperature-humidity index, form used for feedlot cattle. Not for horses.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %.
    Raises: RangeError.
    Reference: Mader, Davis and Brown-Brandl 2006, J Anim Sci 84:712 (from memory).
    """
    air_within(temp_c, rh_pct)
    return 0.8 * temp_c + rh_pct / 100.0 * (temp_c - 14.4) + 46.4


def thi_wet_bulb(*, temp_c: float, wet_bulb_c: float) -> float:
    """Temperature-humidity index, NRC form with the wet bulb. Not for horses.

    Args: temp_c [°C], wet_bulb_c [°C]. Range: -40 to 80 °C, -45 °C to temp_c.
    Raises: RangeError.
    Reference: National Research Council 1971, A guide to environmental research on animals (from memory).
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("wet_bulb_c [°C]", wet_bulb_c, (-45.0, temp_c + _NOISE_K))
    return 0.72 * (temp_c + wet_bulb_c) + 40.6


def thi_yousef(*, temp_c: float, dew_point_c: float) -> float:
    """Temperature-humidity index, form with the dew point. Not for horses.

    Args: temp_c [°C], dew_point_c [°C]. Range: -40 to 80 °C, -100 °C to temp_c.
    Raises: RangeError.
    Reference: Yousef 1985, Stress physiology in livestock, volume 1 (from memory).
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("dew_point_c [°C]", dew_point_c, (-100.0, temp_c + _NOISE_K))
    return temp_c + 0.36 * dew_point_c + 41.2


def thi_bianca(*, temp_c: float, wet_bulb_c: float) -> float:
    """Temperature-humidity index, form with 0.35 dry and 0.65 wet bulb. Not for horses.

    Args: temp_c [°C], wet_bulb_c [°C]. Range: -40 to 80 °C, -45 °C to temp_c.
    Raises: RangeError.
    Reference: Bianca 1962, Nature 195:251 (from memory).
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("wet_bulb_c [°C]", wet_bulb_c, (-45.0, temp_c + _NOISE_K))
    return fahrenheit(0.35 * temp_c + 0.65 * wet_bulb_c)


def thi_thom(*, temp_c: float, wet_bulb_c: float) -> float:
    """Thom's discomfort index, on the Fahrenheit scale. For people.

    Args: temp_c [°C], wet_bulb_c [°C]. Range: -40 to 80 °C, -45 °C to temp_c.
    Raises: RangeError.
    Reference: Thom 1959, Weatherwise 12:57; American Meteorological Society glossary.
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("wet_bulb_c [°C]", wet_bulb_c, (-45.0, temp_c + _NOISE_K))
    return 0.4 * (fahrenheit(temp_c) + fahrenheit(wet_bulb_c)) + 15.0


def human_heat_index_c(*, temp_c: float, rh_pct: float) -> float:
    """The weather service's heat index: for people in shade, never to be mixed up with the sum.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %; the regression was fitted to 27 to 44 °C.
    Raises: RangeError.
    Reference: US National Weather Service, The heat index equation (Rothfusz 1990, SR 90-23, with adjustments).
    """
    air_within(temp_c, rh_pct)
    t, r = fahrenheit(temp_c), rh_pct
    simple = 0.5 * (t + 61.0 + 1.2 * (t - 68.0) + 0.094 * r)
    if 0.5 * (simple + t) < 80.0:
        return celsius(simple)
    index = -42.379 + 2.04901523 * t + 10.14333127 * r - 0.22475541 * t * r - 6.83783e-3 * t * t
    index += -5.481717e-2 * r * r + 1.22874e-3 * t * t * r + 8.5282e-4 * t * r * r - 1.99e-6 * t * t * r * r
    if r < 13.0 and 80.0 <= t <= 112.0:
        index -= (13.0 - r) / 4.0 * sqrt((17.0 - abs(t - 95.0)) / 17.0)
    elif r > 85.0 and 80.0 <= t <= 87.0:
        index += (r - 85.0) / 10.0 * (87.0 - t) / 5.0
    return celsius(index)


def humidex(*, temp_c: float, dew_point_c: float) -> float:
    """The Canadian humidex: for people.

    Args: temp_c [°C], dew_point_c [°C]. Range: -40 to 80 °C, -100 °C to temp_c.
    Raises: RangeError.
    Reference: Masterton and Richardson 1979, Environment Canada CLI 1-79.
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("dew_point_c [°C]", dew_point_c, (-100.0, temp_c + _NOISE_K))
    vapour_hpa = 6.11 * exp(5417.7530 * (1.0 / 273.16 - 1.0 / kelvin(dew_point_c)))
    return temp_c + 0.5555 * (vapour_hpa - 10.0)
