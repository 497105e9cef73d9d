"""Owns: conversions between SI and the customary units that people in the trade speak.

Must not know: what the numbers stand for.
How it works: exact definitions only; nothing is rounded.
"""

from __future__ import annotations

ZERO_C_IN_K = 273.15
MPS_PER_MPH = 0.44704  # 1609.344 m in 3600 s


def fahrenheit(temp_c: float) -> float:
    """Degrees Fahrenheit from degrees Celsius.

    Args: temp_c [°C]. Range: any.
    Raises: nothing.
    Reference: NIST Special Publication 811 (2008), B.8: t/°F = 1.8 t/°C + 32, exact.
    """
    return 1.8 * temp_c + 32.0


def celsius(temp_f: float) -> float:
    """Degrees Celsius from degrees Fahrenheit.

    Args: temp_f [°F]. Range: any.
    Raises: nothing.
    Reference: NIST Special Publication 811 (2008), B.8: t/°C = (t/°F - 32) / 1.8, exact.
    """
    return (temp_f - 32.0) / 1.8


def kelvin(temp_c: float) -> float:
    """Kelvin from degrees Celsius.

    Args: temp_c [°C]. Range: any.
    Raises: nothing.
    Reference: BIPM, The International System of Units, 9th edition (2019), 2.3.1: T/K = t/°C + 273.15, exact.
    """
    return temp_c + ZERO_C_IN_K


def mph(speed_mps: float) -> float:
    """Miles per hour from metres per second.

    Args: speed_mps [m/s]. Range: any.
    Raises: nothing.
    Reference: NIST Special Publication 811 (2008), B.8: 1 mi/h = 0.44704 m/s, exact.
    """
    return speed_mps / MPS_PER_MPH


def mps(speed_mph: float) -> float:
    """Metres per second from miles per hour.

    Args: speed_mph [mi/h]. Range: any.
    Raises: nothing.
    Reference: NIST Special Publication 811 (2008), B.8: 1 mi/h = 0.44704 m/s, exact.
    """
    return speed_mph * MPS_PER_MPH
