"""Owns: the one guard that every public formula of this room calls first.

Must not know: any formula.
How it works: a chained comparison, so that a value which is not a number fails it like a value out of range.
"""

from __future__ import annotations

from gateway.errors import RangeError

TEMP_C = (-40.0, 80.0)
RH_PCT = (0.0, 100.0)
PRESSURE_PA = (60_000.0, 110_000.0)
SPEED_MPS = (0.0, 60.0)


def within(name: str, value: float, limits: tuple[float, float]) -> None:
    """Raise when `value` is outside `limits` or not a number; `name` carries the unit in brackets.

    Args: name, value [any unit], limits [same unit]. Range: any.
    Raises: RangeError.
    Reference: none, a guard.
    """
    low, high = limits
    if not low <= value <= high:
        raise RangeError(name, value, low, high)


def air_within(temp_c: float, rh_pct: float) -> None:
    """Guard the pair that nearly every formula takes.

    Args: temp_c [°C], rh_pct [%]. Range: -40 to 80 °C, 0 to 100 %.
    Raises: RangeError.
    Reference: none, a guard.
    """
    within("temp_c [°C]", temp_c, TEMP_C)
    within("rh_pct [%]", rh_pct, RH_PCT)
