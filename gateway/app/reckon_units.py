"""Owns: quantities and ranges as people type them, each with its unit.

Must not know: what is done with the numbers, the command line's options.
How it works: a number, then a unit from a short table; the table is also the text of the refusal. Nothing is guessed:
35 is a fine afternoon in one unit and a frost in the other. Humidity and wetness alone may come bare, since each is
spoken in one way only.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import floor

from gateway.errors import GatewayError
from gateway.heat.units import celsius, mps

_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*(\S+)\s*")
_TEMPERATURE = re.compile(rf"\s*({_NUMBER})\s*°?\s*([FfCc])\s*")
_PERCENT = re.compile(rf"\s*({_NUMBER})\s*%?\s*")
MOST_STEPS = 500

# exact: NIST SP 811 (2008), B.8; the knot is 1852 m in an hour
_SPEEDS: Mapping[str, Callable[[float], float]] = {
    "m/s": float,
    "mph": mps,
    "km/h": lambda value: value / 3.6,
    "kn": lambda value: value * 1852.0 / 3600.0,
}
_SUNS: Mapping[str, Callable[[float], float]] = {"W/m2": float, "W/m²": float}
_HEIGHTS: Mapping[str, Callable[[float], float]] = {"m": float, "ft": lambda value: value * 0.3048}
_MASSES: Mapping[str, Callable[[float], float]] = {"kg": float, "lb": lambda value: value * 0.45359237}
_APART: Mapping[str, Callable[[float], float]] = {"K": float, "C": float, "F": lambda value: value / 1.8}


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Values from a first one upward in equal steps, in the unit that was typed: "F", "C" or "%"."""

    values: tuple[float, ...]
    unit: str

    @property
    def is_range(self) -> bool:
        """Whether there is more than the one value."""
        return len(self.values) > 1


def temperature_c(text: str) -> float:
    """Degrees Celsius of "97F" or "36.1C". Raises GatewayError when the unit or the number is missing."""
    value, unit = _temperature(text)
    return celsius(value) if unit == "F" else value


def humidity_pct(text: str) -> float:
    """Per cent of "62" or "62%". Raises GatewayError."""
    found = _PERCENT.fullmatch(text)
    if found is None:
        raise GatewayError(f"humidity {text!r}: write a number of per cent, as 62")
    return float(found[1])


def speed_mps(text: str) -> float:
    """Metres per second of "1.5m/s", "3mph", "5km/h" or "3kn". Raises GatewayError."""
    return _quantity("air speed", text, _SPEEDS, "1.5m/s")


def sun_w_m2(text: str) -> float:
    """Global irradiance of "800W/m2". Raises GatewayError."""
    return _quantity("sun", text, _SUNS, "800W/m2")


def height_m(text: str) -> float:
    """Metres of "300m" or "1000ft". Raises GatewayError."""
    return _quantity("altitude", text, _HEIGHTS, "300m")


def mass_kg(text: str) -> float:
    """Kilograms of "500kg" or "1100lb". Raises GatewayError."""
    return _quantity("mass", text, _MASSES, "500kg")


def apart_k(text: str) -> float:
    """Kelvin of a difference or an error of temperature, "0.3K" or "0.5F". Raises GatewayError."""
    return _quantity("error of temperature", text, _APART, "0.3K")


def wetness(text: str) -> float:
    """Wet share of the skin, "0" to "1". Raises GatewayError when it is no number; its range is checked later."""
    if re.fullmatch(_NUMBER, text.strip()) is None:
        raise GatewayError(f"wet {text!r}: write the wet share of the skin, from 0 to 1")
    return float(text)


def temperatures(text: str) -> Span:
    """The values of "97F", or of a range "20C..38C/2C" in one unit throughout. Raises GatewayError."""
    if ".." not in text:
        value, unit = _temperature(text)
        return Span(values=(value,), unit=unit)
    found = re.fullmatch(r"(.+?)\.\.(.+)/(.+)", text)
    if found is None:
        raise GatewayError(f"temperatures {text!r}: write first, last and step, as 20C..38C/2C")
    parts = [_temperature(part) for part in found.groups()]
    if len({unit for _, unit in parts}) != 1:
        raise GatewayError(f"temperatures {text!r}: write first, last and step in one unit, as 20C..38C/2C")
    return Span(values=_steps(text, *(value for value, _ in parts)), unit=parts[0][1])


def humidities(text: str) -> Span:
    """The values of "62", or of a range "30..90/10". Raises GatewayError."""
    if ".." not in text:
        return Span(values=(humidity_pct(text),), unit="%")
    found = re.fullmatch(r"(.+?)\.\.(.+)/(.+)", text)
    if found is None:
        raise GatewayError(f"humidities {text!r}: write first, last and step, as 30..90/10")
    return Span(values=_steps(text, *(humidity_pct(part) for part in found.groups())), unit="%")


def _temperature(text: str) -> tuple[float, str]:
    found = _TEMPERATURE.fullmatch(text)
    if found is None:
        raise GatewayError(f"temperature {text!r}: write a number and its unit, as 97F or 36.1C")
    return float(found[1]), found[2].upper()


def _quantity(what: str, text: str, units: Mapping[str, Callable[[float], float]], example: str) -> float:
    found = _QUANTITY.fullmatch(text)
    if found is None or found[2] not in units:
        raise GatewayError(f"{what} {text!r}: write a number and its unit ({', '.join(units)}), as {example}")
    return units[found[2]](float(found[1]))


def _steps(text: str, first: float, last: float, step: float) -> tuple[float, ...]:
    if not (first < last and step > 0.0):
        raise GatewayError(f"range {text!r}: the last must be above the first, and the step above 0")
    count = floor((last - first) / step + 1e-9) + 1  # the last value belongs to the range when a step lands on it
    if count > MOST_STEPS:
        raise GatewayError(f"range {text!r}: {count} steps; at most {MOST_STEPS} go into a table")
    return tuple(round(first + index * step, 9) for index in range(count))
