"""Owns: outdoor WBGT from weather readings: the heat balances of a small black globe and of a wet wick in the open.

Must not know: horses, bands, places, where the sun stands (that is an argument).
How it works: each sensor settles where what it gains from sun, sky and ground equals what it loses to the air; the
balance falls as the sensor warms, so a bracketed root finds it. Own code, because the published libraries need an
array library or a compiled kernel, which a small board should not carry for four equations.
"""

from __future__ import annotations

from math import acos, exp, pi, sqrt, tan

from gateway.heat.ranges import PRESSURE_PA, within
from gateway.heat.root import falling_root
from gateway.heat.units import ZERO_C_IN_K, kelvin
from gateway.heat.wbgt import Wbgt, wbgt_sun_c

SUN_UP_COS = 0.00873  # sun 0.5 degrees above the horizon; below it there is no beam
_SIGMA = 5.6696e-8  # W/(m2 K4)
_HEAT_AIR = 1003.5  # J/(kg K)
_MOLE_AIR, _MOLE_WATER = 28.97, 18.015
_GAS_AIR = 8314.34 / _MOLE_AIR
_EUCKEN = _HEAT_AIR + 1.25 * _GAS_AIR
_PRANDTL = _HEAT_AIR / _EUCKEN
_BLACK = 0.95  # emissivity of globe and wick
_GLOBE_M, _GLOBE_ALBEDO = 0.0508, 0.05
_WICK_M, _WICK_LENGTH_M, _WICK_ALBEDO = 0.007, 0.0254, 0.4
_GROUND, _GROUND_ALBEDO = 0.999, 0.45
_CALM_MPS = 0.13
_CLOSE_K = 1e-4
# temperature and humidity for which the vapour formula and the latent heat of the paper were meant
_TEMP_C, _RH_PCT, _SUN_W_M2 = (-10.0, 60.0), (1.0, 100.0), (0.0, 1400.0)


def outdoor_wbgt(
    *,
    temp_c: float,
    rh_pct: float,
    pressure_pa: float,
    wind_mps: float,
    sun_w_m2: float,
    beam_share: float,
    sun_cos: float,
) -> Wbgt:
    """WBGT in the open under a clear sky, without a globe thermometer. Not for use under a roof.

    At night its globe is colder than the air, as a globe under a clear sky is.

    Args: temp_c [°C], rh_pct [%], pressure_pa [Pa], wind_mps [m/s, at 2 m], sun_w_m2 [W/m2, global horizontal],
    beam_share [1, direct share of it, taken as at most 0.9], sun_cos [1, cosine of the zenith angle].
    Range: -10 to 60 °C, 1 to 100 %, 60 000 to 110 000 Pa, 0 to 60 m/s, 0 to 1400 W/m2, 0 to 1, -1 to 1.
    Raises: RangeError.
    Reference: Liljegren, Carhart, Lawday, Tschopp and Sharp 2008, J Occup Environ Hyg 5:645-655.
    """
    within("temp_c [°C]", temp_c, _TEMP_C)
    within("rh_pct [%]", rh_pct, _RH_PCT)
    within("pressure_pa [Pa]", pressure_pa, PRESSURE_PA)
    within("wind_mps [m/s]", wind_mps, (0.0, 60.0))
    within("sun_w_m2 [W/m2]", sun_w_m2, _SUN_W_M2)
    within("beam_share [1]", beam_share, (0.0, 1.0))
    within("sun_cos [1]", sun_cos, (-1.0, 1.0))
    beam = min(beam_share, 0.9) if sun_cos >= SUN_UP_COS else 0.0
    high = max(sun_cos, SUN_UP_COS)
    air = kelvin(temp_c)
    vapour = rh_pct / 100.0 * _saturation(air)
    wind = max(wind_mps, _CALM_MPS)
    sky = float(0.5 * (0.575 * vapour**0.143 + _GROUND) * air**4)
    globe_c = _globe_k(air, pressure_pa, wind, sky, sun_w_m2, beam, high) - ZERO_C_IN_K
    wick_c = _wick_k(air, vapour, pressure_pa, wind, sky, sun_w_m2, beam, high) - ZERO_C_IN_K
    return Wbgt(
        wbgt_c=wbgt_sun_c(natural_wet_bulb_c=wick_c, globe_c=globe_c, temp_c=temp_c),
        natural_wet_bulb_c=wick_c,
        globe_c=globe_c,
    )


def _globe_k(air: float, pressure_pa: float, wind: float, sky: float, sun: float, beam: float, high: float) -> float:
    seen = 1.0 + beam * (0.5 / high - 1.0) + _GROUND_ALBEDO
    gain = _SIGMA * _BLACK * sky + 0.5 * sun * (1.0 - _GLOBE_ALBEDO) * seen

    def balance(globe: float) -> float:
        film = 0.5 * (globe + air)
        loss = _SIGMA * _BLACK * globe**4 + _sphere(film, pressure_pa, wind) * (globe - air)
        return float(gain - loss)

    return falling_root(balance, low=air - 40.0, high=air + 120.0, close=_CLOSE_K)


def _wick_k(
    air: float, vapour: float, pressure_pa: float, wind: float, sky: float, sun: float, beam: float, high: float
) -> float:
    end = 0.25 * _WICK_M / _WICK_LENGTH_M
    seen = (1.0 - beam) * (1.0 + end) + beam * (tan(acos(high)) / pi + end) + _GROUND_ALBEDO
    gain = _SIGMA * _BLACK * sky + (1.0 - _WICK_ALBEDO) * sun * seen

    def balance(wick: float) -> float:
        film = 0.5 * (wick + air)
        wet = _saturation(wick)
        schmidt = _viscosity(film) / (pressure_pa / (_GAS_AIR * film) * _diffusivity(film, pressure_pa))
        ratio = _HEAT_AIR * _MOLE_AIR / _MOLE_WATER
        drop = (
            _latent(film) / ratio * (wet - vapour) * 100.0 / (pressure_pa - wet * 100.0) * (_PRANDTL / schmidt) ** 0.56
        )
        radiant = (gain - _SIGMA * _BLACK * wick**4) / _cylinder(film, pressure_pa, wind)
        return float(air - drop + radiant - wick)

    return falling_root(balance, low=air - 60.0, high=air + 30.0, close=_CLOSE_K)


def _saturation(k: float) -> float:
    """Vapour pressure over water [hPa], the form of Buck 1981 that the paper's code uses."""
    return 1.004 * 6.1121 * exp(17.502 * (k - 273.15) / (k - 32.18))


def _latent(k: float) -> float:
    return 2.4073e6 - 71100.0 * (313.15 - k) / 30.0


def _viscosity(k: float) -> float:
    omega = 1.048 - 0.034 * (k / 97.0 - 2.9) / 0.4
    return 2.6693e-6 * sqrt(_MOLE_AIR * k) / (3.617 * 3.617 * omega)


def _diffusivity(k: float, pressure_pa: float) -> float:
    """Of vapour in air [m2/s]: Bird, Stewart and Lightfoot, from the critical points of air and water."""
    critical = (36.4 * 218.0) ** (1.0 / 3.0) * (132.0 * 647.3) ** (5.0 / 12.0)
    moles = sqrt(1.0 / _MOLE_AIR + 1.0 / _MOLE_WATER)
    return float(3.640e-8 * (k / sqrt(132.0 * 647.3)) ** 2.334 * critical * moles * 101325.0 / pressure_pa)


def _sphere(film: float, pressure_pa: float, wind: float) -> float:
    viscosity = _viscosity(film)
    reynolds = wind * pressure_pa / (_GAS_AIR * film) * _GLOBE_M / viscosity
    return float((2.0 + 0.6 * sqrt(reynolds) * _PRANDTL**0.3333) * _EUCKEN * viscosity / _GLOBE_M)


def _cylinder(film: float, pressure_pa: float, wind: float) -> float:
    viscosity = _viscosity(film)
    reynolds = wind * pressure_pa / (_GAS_AIR * film) * _WICK_M / viscosity
    return float(0.281 * reynolds**0.6 * _PRANDTL**0.44 * _EUCKEN * viscosity / _WICK_M)
