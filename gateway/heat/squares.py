"""Owns: least squares for y = end + fall exp(-rate t), with the end value fixed or free.

Must not know: horses, temperatures, intervals, why a fit is wanted.
How it works: Gauss and Newton, each step halved until the squares fall. Two or three unknowns, so the normal
equations are solved by plain elimination. No answer (None) when the search does not settle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

_ROUNDS, _HALVINGS = 80, 40
_RATE = (1e-5, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exponential:
    """The solution with standard errors and what is left over at each point. `end_se` is 0 for a fixed end."""

    fall: float
    rate: float
    end: float
    rate_se: float
    end_se: float
    residuals: tuple[float, ...]


def fit_exponential(*, times: Sequence[float], values: Sequence[float], end: float | None) -> Exponential | None:
    """The least-squares exponential, or None when the points lead nowhere.

    Args: times, values [any units], end [unit of values, None to leave it free]. Range: more points than unknowns.
    Raises: nothing of its own.
    Reference: Bates and Watts 1988, Nonlinear regression analysis, chapter 2.
    """
    held = end is not None
    guess = min(values) - 0.2 * (values[0] - min(values)) - 1e-3 if end is None else end
    found = _descend(times, values, _first_guess(times, values, guess), held)
    if found is None or found[0] <= 0.0:
        return None
    left = _left(times, values, found)
    variance = sum(miss * miss for miss in left) / (len(values) - _unknowns(held))
    spread = [_solve(_normal(times, found, held), unit) for unit in _units(held)]
    if any(column is None for column in spread):
        return None
    errors = [sqrt(max(0.0, column[i]) * variance) for i, column in enumerate(spread) if column is not None]
    return Exponential(
        fall=found[0],
        rate=found[1],
        end=found[2],
        rate_se=errors[1],
        end_se=0.0 if held else errors[2],
        residuals=tuple(left),
    )


def _descend(
    times: Sequence[float], values: Sequence[float], start: tuple[float, float, float], held: bool
) -> tuple[float, float, float] | None:
    now = start
    for _ in range(_ROUNDS):
        left = _left(times, values, now)
        slopes = [_slopes(t, now, held) for t in times]
        pull = [sum(row[i] * miss for row, miss in zip(slopes, left, strict=True)) for i in range(_unknowns(held))]
        step = _solve(_normal(times, now, held), pull)
        if step is None:
            return None
        moved = _halved(times, values, now, step)
        if moved is None or all(abs(a - b) <= 1e-11 * (abs(a) + 1e-3) for a, b in zip(now, moved, strict=True)):
            return now if moved is None and _small(step, now) else moved
        now = moved
    return None


def _halved(
    times: Sequence[float], values: Sequence[float], now: tuple[float, float, float], step: list[float]
) -> tuple[float, float, float] | None:
    """The longest halving of the step that does not raise the squares, or None."""
    best = _squares(times, values, now)
    full = (step[0], step[1], step[2] if len(step) == 3 else 0.0)
    for halving in range(_HALVINGS):
        part = 0.5**halving
        moved = (now[0] + part * full[0], now[1] + part * full[1], now[2] + part * full[2])
        if _RATE[0] < moved[1] < _RATE[1] and _squares(times, values, moved) <= best:
            return moved
    return None


def _small(step: list[float], now: tuple[float, float, float]) -> bool:
    return all(abs(part) < 1e-7 * (abs(value) + 1e-3) for part, value in zip(step, now, strict=False))


def _first_guess(times: Sequence[float], values: Sequence[float], end: float) -> tuple[float, float, float]:
    """From a straight line through the logarithms: biased at the tail, good enough to start from."""
    floor = 0.02 * max(1e-9, values[0] - end)
    pairs = [(t, log(value - end)) for t, value in zip(times, values, strict=True) if value - end > floor]
    if len(pairs) < 2:
        return values[0] - end, 1.0 / (times[-1] - times[0]), end
    mean_t = sum(t for t, _ in pairs) / len(pairs)
    mean_y = sum(y for _, y in pairs) / len(pairs)
    slope = sum((t - mean_t) * (y - mean_y) for t, y in pairs) / sum((t - mean_t) ** 2 for t, _ in pairs)
    rate = min(_RATE[1] / 2.0, max(2.0 * _RATE[0], -slope))
    return exp(mean_y + rate * mean_t), rate, end


def _unknowns(held: bool) -> int:
    return 2 if held else 3


def _left(times: Sequence[float], values: Sequence[float], now: tuple[float, float, float]) -> list[float]:
    return [value - now[2] - now[0] * exp(-now[1] * t) for t, value in zip(times, values, strict=True)]


def _squares(times: Sequence[float], values: Sequence[float], now: tuple[float, float, float]) -> float:
    return sum(miss * miss for miss in _left(times, values, now))


def _slopes(t: float, now: tuple[float, float, float], held: bool) -> tuple[float, ...]:
    decay = exp(-now[1] * t)
    return (decay, -now[0] * t * decay) if held else (decay, -now[0] * t * decay, 1.0)


def _normal(times: Sequence[float], now: tuple[float, float, float], held: bool) -> list[list[float]]:
    slopes = [_slopes(t, now, held) for t in times]
    size = range(_unknowns(held))
    return [[sum(row[i] * row[j] for row in slopes) for j in size] for i in size]


def _units(held: bool) -> list[list[float]]:
    size = range(_unknowns(held))
    return [[1.0 if i == j else 0.0 for j in size] for i in size]


def _solve(matrix: list[list[float]], right: Sequence[float]) -> list[float] | None:
    """Elimination with the largest pivot; None when the matrix is singular to working precision."""
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    size = len(rows)
    for i in range(size):
        pivot = max(range(i, size), key=lambda k: abs(rows[k][i]))
        rows[i], rows[pivot] = rows[pivot], rows[i]
        if abs(rows[i][i]) <= 1e-14 * max(abs(entry) for row in matrix for entry in row):
            return None
        for k in range(i + 1, size):
            share = rows[k][i] / rows[i][i]
            rows[k] = [a - share * b for a, b in zip(rows[k], rows[i], strict=True)]
    answer = [0.0] * size
    for i in reversed(range(size)):
        known = sum(rows[i][j] * answer[j] for j in range(i + 1, size))
        answer[i] = (rows[i][size] - known) / rows[i][i]
    return answer
