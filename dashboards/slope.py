"""Owns: the slope as a picture: one day of a place over temperature and humidity, against the rule's diagonals.

Must not know: snapshots, words, pages, what makes a level.
How it works: the rule adds °F and %, so each post is a straight line down the field. The day is a trail that breaks
where nothing was read, with the hours written beside it. It shows the why that a single number hides: whether heat or
damp brought the sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT, LEFT, FOOT, LETTERS = 352, 300, 44, 40, 15
CLEAR = 40.0  # pixels between two named hours
COLDEST_F, HOTTEST_F = 50.0, 110.0
DRIEST_PCT, DAMPEST_PCT = 20.0, 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trail:
    """A day: runs of (temp_f, rh_pct) without a gap inside, and hours to be named with their place on the trail."""

    runs: tuple[tuple[tuple[float, float], ...], ...]
    marks: tuple[tuple[float, float, str], ...]


def slope(trail: Trail, posts: Sequence[float], *, celsius: bool, names: tuple[str, str], said: str) -> str:
    """The picture. `names` are those of the two axes."""
    parts = [_diagonal(post) for post in posts]
    parts.append(
        f'<path d="M{LEFT} 8V{HEIGHT - FOOT}H{WIDTH - 4}" fill="none" stroke="currentColor" stroke-width="2"/>'
    )
    parts += [_text(_x(temp_f), HEIGHT - FOOT + 17, text, "middle") for temp_f, text in _temps(celsius)]
    parts += [_text(LEFT - 6, _y(rh_pct) + 5, f"{rh_pct:g}", "end") for rh_pct in (20.0, 40.0, 60.0, 80.0, 100.0)]
    parts.append(_text(WIDTH - 4, HEIGHT - 4, names[0], "end"))
    parts.append(_text(LEFT + 8, HEIGHT - FOOT - 8, names[1], "start"))
    for run in trail.runs:
        points = [(_x(temp_f), _y(rh_pct)) for temp_f, rh_pct in run]
        path = "".join(f"{'L' if index else 'M'}{across:.1f} {up:.1f}" for index, (across, up) in enumerate(points))
        parts.append(f'<path d="{path}" fill="none" stroke="currentColor" stroke-width="4" stroke-linejoin="round"/>')
    parts += [_mark(*mark) for mark in apart(trail.marks)]
    return (
        f'<svg class="strip slope" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'fill="currentColor" role="img" aria-label="{escape(said)}">{"".join(parts)}</svg>'
    )


def apart(marks: Sequence[tuple[float, float, str]]) -> list[tuple[float, float, str]]:
    """Those that do not stand on an earlier one: two times of the same air would be unreadable."""
    kept: list[tuple[float, float, str]] = []
    for mark in marks:
        if all(math.dist((_x(mark[0]), _y(mark[1])), (_x(each[0]), _y(each[1]))) > CLEAR for each in kept):
            kept.append(mark)
    return kept


def _x(temp_f: float) -> float:
    share = (min(HOTTEST_F, max(COLDEST_F, temp_f)) - COLDEST_F) / (HOTTEST_F - COLDEST_F)
    return LEFT + share * (WIDTH - LEFT - 8)


def _y(rh_pct: float) -> float:
    share = (min(DAMPEST_PCT, max(DRIEST_PCT, rh_pct)) - DRIEST_PCT) / (DAMPEST_PCT - DRIEST_PCT)
    return HEIGHT - FOOT - share * (HEIGHT - FOOT - 24)


def _diagonal(post: float) -> str:
    """The line on which °F + % is one number, cut at the field's edges, with the number at its upper end."""
    first = max(COLDEST_F, post - DAMPEST_PCT)
    last = min(HOTTEST_F, post - DRIEST_PCT)
    if first >= last:
        return ""
    line = f"M{_x(first):.1f} {_y(post - first):.1f}L{_x(last):.1f} {_y(post - last):.1f}"
    return (
        f'<path d="{line}" stroke="var(--line)" stroke-width="2.5"/>'
        f'<text x="{_x(first) + 4:.1f}" y="{_y(post - first) - 4:.1f}" font-size="{LETTERS}" '
        f'fill="var(--ink2)">{post:g}</text>'
    )


def _temps(celsius: bool) -> list[tuple[float, str]]:
    """Where a tick stands, always on the °F axis, and what it says."""
    if celsius:
        return [(temp_c * 9 / 5 + 32, f"{temp_c}") for temp_c in (10, 20, 30, 40)]
    return [(float(temp_f), f"{temp_f}") for temp_f in range(50, 111, 20)]


def _mark(temp_f: float, rh_pct: float, text: str) -> str:
    across, up = _x(temp_f), _y(rh_pct)
    return (
        f'<circle cx="{across:.1f}" cy="{up:.1f}" r="5" fill="var(--paper)" stroke="currentColor" stroke-width="3"/>'
        f'<text x="{across + 9:.1f}" y="{up - 6:.1f}" font-size="{LETTERS}" font-weight="700" stroke="var(--paper)" '
        f'stroke-width="4" paint-order="stroke">{escape(text)}</text>'
    )


def _text(across: float, down: float, text: str, anchor: str) -> str:
    return (
        f'<text x="{across:.1f}" y="{down:.1f}" font-size="{LETTERS}" text-anchor="{anchor}" '
        f'fill="var(--ink2)">{escape(text)}</text>'
    )


def cut(points: Sequence[tuple[float, float, float]], step_s: float) -> tuple[tuple[tuple[float, float], ...], ...]:
    """(time, temp_f, rh_pct) as runs without a gap inside."""
    runs: list[list[tuple[float, float]]] = []
    before_s = -math.inf
    for at_s, temp_f, rh_pct in points:
        if at_s - before_s <= 1.5 * step_s:
            runs[-1].append((temp_f, rh_pct))
        else:
            runs.append([(temp_f, rh_pct)])
        before_s = at_s
    return tuple(tuple(run) for run in runs)
