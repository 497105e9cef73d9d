"""Owns: `loosebox reckon`: one temperature and one humidity, reckoned by hand.

Must not know: sensors, sites, history.
How it works: text in, numbers through `heat`, words or JSON out. A temperature must say its unit: 35 is a fine
afternoon in one and a frost in the other.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from gateway.control.levels import band
from gateway.errors import GatewayError
from gateway.heat.indices import heat_sum
from gateway.heat.psychro import dew_point_c, pressure_at_altitude_pa, vapour_pressure_pa, wet_bulb_c
from gateway.heat.units import celsius, fahrenheit
from gateway.model import Level, Post

_TEMPERATURE = re.compile(r"\s*([-+]?\d+(?:\.\d+)?)\s*°?\s*([FfCc])\s*")

# What people do at each level, after the sum (common practice in the trade; the same lines as in the handbook).
ADVICE = {
    Level.FREE: "normal care",
    Level.WATCH: "watch the horse",
    Level.PLAN: "have the cooling and drinking plan ready",
    Level.STOP: "stop, or wait for better air",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reckoning:
    """One state of the air and what follows from it."""

    temp_c: float
    rh_pct: float
    pressure_pa: float
    sum_f_pct: float
    level: Level
    wet_bulb_c: float
    dew_point_c: float
    vapour_pressure_pa: float


def temperature_c(text: str) -> float:
    """Degrees Celsius of "97F" or "36.1C". Raises GatewayError when the unit or the number is missing."""
    found = _TEMPERATURE.fullmatch(text)
    if found is None:
        raise GatewayError(f"temperature {text!r}: write a number and its unit, as 97F or 36.1C")
    value = float(found[1])
    return celsius(value) if found[2] in "Ff" else value


def humidity_pct(text: str) -> float:
    """Per cent of "62" or "62%". Raises GatewayError."""
    try:
        return float(text.strip().removesuffix("%"))
    except ValueError as error:
        raise GatewayError(f"humidity {text!r}: write a number of per cent, as 62") from error


def reckon(temp_c: float, rh_pct: float, posts: tuple[Post, ...], *, altitude_m: float = 0.0) -> Reckoning:
    """Everything that follows from the two numbers [°C], [%]. Raises RangeError outside the range of the formulas."""
    vapour_pa = vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct)
    pressure_pa = pressure_at_altitude_pa(altitude_m)
    heat = heat_sum(temp_c=temp_c, rh_pct=rh_pct)
    return Reckoning(
        temp_c=temp_c,
        rh_pct=rh_pct,
        pressure_pa=pressure_pa,
        sum_f_pct=heat,
        level=band(heat, posts),
        wet_bulb_c=wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa),
        dew_point_c=dew_point_c(vapour_pa),
        vapour_pressure_pa=vapour_pa,
    )


def as_json(r: Reckoning) -> dict[str, Any]:
    """The JSON object of `reckon --json`."""
    return {
        "sum": r.sum_f_pct,
        "level": int(r.level),
        "wet_bulb_c": round(r.wet_bulb_c, 3),
        "dew_point_c": round(r.dew_point_c, 3),
        "vapour_pressure_pa": round(r.vapour_pressure_pa, 1),
        "inputs": {"temp_c": round(r.temp_c, 3), "rh_pct": r.rh_pct, "pressure_pa": round(r.pressure_pa)},
    }


def in_words(r: Reckoning, posts: tuple[Post, ...]) -> str:
    """The same, for people."""
    passed = [f"{post.at:g}" for post in posts if r.sum_f_pct >= post.at]
    ahead = [f"{post.at:g}" for post in posts if r.sum_f_pct < post.at]
    where = " and ".join(
        (*((f"at or above {passed[-1]}",) if passed else ()), *((f"below {ahead[0]}",) if ahead else ()))
    )

    def both(temp_c: float) -> str:
        return f"{fahrenheit(temp_c):.1f} °F ({temp_c:.1f} °C)"

    return "\n".join(
        (
            f"Sum        {r.sum_f_pct:.1f}: {fahrenheit(r.temp_c):.1f} °F + {r.rh_pct:g} %, {where}",
            f"Posts      {', '.join(f'{post.at:g}' for post in posts)}",
            f"Level      {int(r.level)} of 3: {ADVICE[r.level]}",
            f"Air        {both(r.temp_c)}",
            f"Wet bulb   {both(r.wet_bulb_c)}",
            f"Dew point  {both(r.dew_point_c)}",
            f"Vapour     {r.vapour_pressure_pa / 1000:.2f} kPa",
            "Advice only: the sum leaves out sun and moving air. Look at the horse; ask the attending veterinarian.",
        )
    )
