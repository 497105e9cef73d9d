"""Owns: the roof as a picture: over the hours of a day, how fast a horse could work.

Must not know: snapshots, words, pages, formulas, what makes a level.
How it works: numbers in, SVG out. The hatched block hangs from the top down to the pace at which the air just takes
the heat; between two paces the height is where carry would cross 1. Hours without a reading are a dashed box with a
question mark. The picture ends at now: what comes is not known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

PACES = ("stand", "walk", "trot", "canter")
LOWEST, HIGHEST = -0.45, 3.45


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """The time axis: from, to and now [s], the label at each tick, and for how long a step holds."""

    begin_s: float
    end_s: float
    now_s: float
    step_s: float
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Pixels. `left` is the room for the names of the paces, `foot` that for the hours."""

    width: int
    height: int
    left: int
    foot: int
    letters: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Where the roof passes a pace: a time, and whether it comes down."""

    at_s: float
    pace: int
    down: bool


Points = Sequence[tuple[float, float]]
Scale = Callable[[float], float]


def roof_height(carries: Mapping[str, float]) -> float | None:
    """How high the roof is: 0 stand, 1 walk, 2 trot, 3 canter, and between. None when a pace is not known."""
    if any(pace not in carries for pace in PACES):
        return None
    carry = [carries[pace] for pace in PACES]
    carried = [index for index, value in enumerate(carry) if value >= 1.0]
    if not carried:
        return max(LOWEST, carry[0] - 1.0)
    top = carried[-1]
    if top == len(PACES) - 1:
        return min(HIGHEST, top + carry[top] - 1.0)
    return top + (carry[top] - 1.0) / (carry[top] - carry[top + 1])


def crossings(points: Points, pace: int, step_s: float) -> tuple[Crossing, ...]:
    """Where a line of points passes a pace. Over a gap nothing is known and nothing is said."""
    found = []
    for (before_s, low), (after_s, high) in pairwise(points):
        if after_s - before_s <= 2.5 * step_s and (low < pace) != (high < pace):
            at_s = before_s + (pace - low) / (high - low) * (after_s - before_s)
            found.append(Crossing(at_s=at_s, pace=pace, down=high < low))
    return tuple(found)


def lasting(found: Sequence[Crossing], least_s: float) -> tuple[Crossing, ...]:
    """Without those that are undone within `least_s`: a line that trembles at a pace has no times worth reading."""
    kept: list[Crossing] = []
    for crossing in found:
        if kept and crossing.at_s - kept[-1].at_s < least_s:
            kept.pop()
        else:
            kept.append(crossing)
    return tuple(kept)


def roof(
    *,
    name: str,
    said: str,
    points: Points,
    hours: Hours,
    paces: Sequence[str],
    second: Sequence[str] = (),
    marks: Sequence[tuple[Crossing, str]],
    size: Size,
) -> str:
    """The picture. `name` tells it from others on the page; `paces` are the four words, `second` those of another
    language below them; `marks` are crossings and their times."""
    bottom, k = size.height - size.foot, size.letters / 24

    def x(at_s: float) -> float:
        share = (at_s - hours.begin_s) / (hours.end_s - hours.begin_s)
        return size.left + share * (size.width - size.left - 4 * k)

    def y(height: float) -> float:
        return bottom - (height + 0.55) / 4.1 * (bottom - 6 * k)

    runs = _runs(points, hours.step_s)
    parts = [_hatch(name, runs, x, y, size, k)]
    parts += [_gap(x(begin), x(end), 6 * k, bottom, size, k) for begin, end in _gaps(runs, hours)]
    parts += [_pace(index, word, y(index), size, k) for index, word in enumerate(paces)]
    parts += [_below(word, y(index), size, k) for index, word in enumerate(second)]
    line = "".join(_path([(x(at), y(height)) for at, height in run]) for run in runs)
    parts.append(f'<path d="{line}" fill="none" stroke="currentColor" stroke-width="{5 * k:.1f}"/>')
    parts += [_mark(x(mark.at_s), y(mark.pace), mark.down, text, size, k) for mark, text in marks]
    known_now = bool(runs) and hours.now_s - runs[-1][-1][0] < hours.step_s
    parts.append(_now(x(hours.now_s), y(runs[-1][-1][1]) if known_now else None, bottom, k))
    parts += [_tick(x(at), text, size) for at, text in hours.ticks]
    return (
        f'<svg class="roof" viewBox="0 0 {size.width} {size.height}" width="{size.width}" height="{size.height}" '
        f'fill="currentColor" role="img" aria-label="{escape(said)}">{"".join(parts)}</svg>'
    )


def _runs(points: Points, step_s: float) -> list[list[tuple[float, float]]]:
    """The points cut where a reading is missing."""
    runs: list[list[tuple[float, float]]] = []
    for at, height in points:
        if runs and at - runs[-1][-1][0] <= 2.5 * step_s:
            runs[-1].append((at, height))
        else:
            runs.append([(at, height)])
    return runs


def _gaps(runs: Sequence[Points], hours: Hours) -> list[tuple[float, float]]:
    """The stretches of the past that no run covers and that are wide enough to be seen."""
    edges = [hours.begin_s]
    for run in runs:
        edges += [run[0][0], run[-1][0]]
    edges.append(hours.now_s)
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 3 * hours.step_s]


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "".join(f"{'L' if index else 'M'}{at:.1f} {up:.1f}" for index, (at, up) in enumerate(points))


def _hatch(name: str, runs: Sequence[Points], x: Scale, y: Scale, size: Size, k: float) -> str:
    """Steep lines, cut by the roof's own outline."""
    top = 6 * k
    outline = ""
    for run in runs:
        first, last = x(run[0][0]), x(run[-1][0])
        outline += _path([(x(at), y(up)) for at, up in run]) + f"L{last:.1f} {top:.1f}L{first:.1f} {top:.1f}Z"
    if not outline:
        return ""
    bottom = size.height - size.foot
    step, lines, at = 13 * k, "", float(size.left) - (bottom - top)
    while at < size.width:
        lines += f"M{at:.1f} {bottom:.1f}L{at + bottom - top:.1f} {top:.1f}"
        at += step
    return (
        f'<clipPath id="{escape(name)}"><path d="{outline}"/></clipPath>'
        f'<path clip-path="url(#{escape(name)})" d="{lines}" stroke="currentColor" stroke-width="{5 * k:.1f}"/>'
    )


def _gap(left: float, right: float, top: float, bottom: float, size: Size, k: float) -> str:
    box = (
        f'<rect x="{left + 2 * k:.1f}" y="{top:.1f}" width="{max(1.0, right - left - 4 * k):.1f}" '
        f'height="{bottom - top:.1f}" fill="none" stroke="var(--lost)" stroke-width="{2.5 * k:.1f}" '
        f'stroke-dasharray="{9 * k:.1f} {7 * k:.1f}"/>'
    )
    if right - left < size.letters * 1.6:
        return box
    return box + (
        f'<text x="{(left + right) / 2:.1f}" y="{bottom - (bottom - top) * 0.1:.1f}" text-anchor="middle" '
        f'font-size="{size.letters * 1.5:.1f}" fill="var(--ink2)">?</text>'
    )


def _pace(index: int, word: str, up: float, size: Size, k: float) -> str:
    weight, thick, shade = (700, 2.6, "currentColor") if index == 2 else (400, 1.6, "var(--line)")
    return (
        f'<path d="M{size.left - 6 * k:.1f} {up:.1f}H{size.width}" stroke="{shade}" stroke-width="{thick * k:.1f}"/>'
        f'<text x="{size.left - 12 * k:.1f}" y="{up + size.letters * 0.36:.1f}" text-anchor="end" '
        f'font-size="{size.letters}" font-weight="{weight}">{escape(word)}</text>'
    )


def _below(word: str, up: float, size: Size, k: float) -> str:
    return (
        f'<text x="{size.left - 12 * k:.1f}" y="{up + size.letters * 0.95:.1f}" text-anchor="end" '
        f'font-size="{size.letters * 0.56:.1f}" fill="var(--ink2)">{escape(word)}</text>'
    )


def _mark(at: float, up: float, down: bool, text: str, size: Size, k: float) -> str:
    """A diamond where the roof passes, and the time below it on the free side."""
    side, step = ("end", -10 * k) if down else ("start", 10 * k)
    return (
        f'<rect x="{at - 7 * k:.1f}" y="{up - 7 * k:.1f}" width="{14 * k:.1f}" height="{14 * k:.1f}" '
        f'transform="rotate(45 {at:.1f} {up:.1f})"/>'
        f'<text x="{at + step:.1f}" y="{up + size.letters * 1.3:.1f}" text-anchor="{side}" '
        f'font-size="{size.letters * 1.1:.1f}" font-weight="700" stroke="var(--paper)" stroke-width="{6 * k:.1f}" '
        f'paint-order="stroke">{escape(text)}</text>'
    )


def _now(at: float, up: float | None, bottom: float, k: float) -> str:
    line = f'<path d="M{at:.1f} {6 * k:.1f}V{bottom + 5 * k:.1f}" stroke="currentColor" stroke-width="{3.4 * k:.1f}"/>'
    if up is None:
        return line
    return line + (
        f'<circle cx="{at:.1f}" cy="{up:.1f}" r="{9 * k:.1f}" fill="var(--paper)" stroke="currentColor" '
        f'stroke-width="{4 * k:.1f}"/>'
    )


def _tick(at: float, text: str, size: Size) -> str:
    place = "start" if at <= size.left + 1 else "end" if at > size.width - size.letters * 0.9 else "middle"
    return (
        f'<text x="{at:.1f}" y="{size.height - size.letters * 0.25:.1f}" font-size="{size.letters * 0.92:.1f}" '
        f'text-anchor="{place}" fill="var(--ink2)">{escape(text)}</text>'
    )
