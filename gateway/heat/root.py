"""Owns: the root of one falling function of one variable.

Must not know: what the function means.
How it works: secant steps inside a bracket that only shrinks (the Illinois rule: an end that stays put twice
running has its value halved, so that the other end must move). Bounded, needs no derivative.
"""

from __future__ import annotations

from collections.abc import Callable

_STEPS = 100


def falling_root(function: Callable[[float], float], *, low: float, high: float, close: float) -> float:
    """The place between low and high where a falling function passes zero; an end when it does not.

    Args: function, low, high, close [all in the unit of the variable]. Range: low below high, close above 0.
    Raises: nothing of its own.
    Reference: Dowell and Jarratt 1971, A modified regula falsi method, BIT 11, 168-174.
    """
    at_low, at_high = function(low), function(high)
    if at_low <= 0.0:
        return low
    if at_high >= 0.0:
        return high
    kept = 0  # which end stayed in the step before: -1 low, 1 high
    for _ in range(_STEPS):
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        at_middle = function(middle)
        if at_middle > 0.0:
            moved, low, at_low = middle - low, middle, at_middle
            at_high *= 0.5 if kept == 1 else 1.0
            kept = 1
        else:
            moved, high, at_high = high - middle, middle, at_middle
            at_low *= 0.5 if kept == -1 else 1.0
            kept = -1
        if at_middle == 0.0 or high - low < close or moved < 0.01 * close:
            break
    return middle
