"""Owns: the strip as a picture: the heat number of one place over a day, its gate, its kit.

Must not know: snapshots, words, pages, what makes a level.
How it works: numbers in, SVG out. The sum is a line against the posts; a step without a reading breaks it. Under it the
gate's level as a band, the denser the hatch the worse, so that it survives grey paper; then one bar for each kit, with
an outline where a person had it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

WIDTH, LEFT, LETTERS = 352, 40, 15
PLOT, BAND, BAR = 120, 18, 12
LOW, HIGH = 90.0, 200.0
Scale = Callable[[float], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """From a time to a time [s]. `level` None is unknown."""

    begin_s: float
    end_s: float
    level: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KitBar:
    """One kit: its name, when it ran, when a person had it."""

    name: str
    ran: tuple[Span, ...]
    hands: tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """What is drawn. `until_s` is where the record ends: now, or the end of the day. `worst` has a time and a text."""

    begin_s: float
    end_s: float
    until_s: float
    step_s: float
    points: tuple[tuple[float, float], ...]
    posts: tuple[float, ...]
    levels: tuple[Span, ...]
    kit: tuple[KitBar, ...]
    worst: tuple[float, float, str] | None
    ticks: tuple[tuple[float, str], ...]


def strip(drawn: Strip, said: str) -> str:
    """The picture."""
    rows = PLOT + 8 + BAND
    height = rows + len(drawn.kit) * (LETTERS + BAR + 10) + LETTERS + 12

    def x(at_s: float) -> float:
        return LEFT + (at_s - drawn.begin_s) / (drawn.end_s - drawn.begin_s) * (WIDTH - LEFT - 2)

    def y(total: float) -> float:
        return PLOT - (min(HIGH, max(LOW, total)) - LOW) / (HIGH - LOW) * (PLOT - 8)

    parts = [_post(at, y(at)) for at in drawn.posts if LOW < at < HIGH]
    parts += [_hole(x(a), x(b)) for a, b in gaps(drawn)]
    parts += [_line(run, x, y) for run in runs(drawn.points, drawn.step_s)]
    parts += [_worst(x(drawn.worst[0]), y(drawn.worst[1]), drawn.worst[2])] if drawn.worst else []
    parts += [_band(x(each.begin_s), x(each.end_s), each.level) for each in drawn.levels]
    parts.append(f'<path d="M{LEFT} {PLOT + 8}H{WIDTH - 2}M{LEFT} {rows}H{WIDTH - 2}" stroke="currentColor" '
                 'stroke-width="2"/>')  # fmt: skip
    for index, bar in enumerate(drawn.kit):
        parts.append(_bar(bar, x, rows + 8 + index * (LETTERS + BAR + 10)))
    parts += [_tick(x(at), text, height) for at, text in drawn.ticks]
    if drawn.until_s < drawn.end_s:
        at = x(drawn.until_s)
        parts.append(f'<path d="M{at:.1f} 4V{rows}" stroke="currentColor" stroke-width="2"/>')
    return (
        f'<svg class="strip" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" fill="currentColor" '
        f'role="img" aria-label="{escape(said)}">{"".join(parts)}</svg>'
    )


def runs(points: Sequence[tuple[float, float]], step_s: float) -> list[list[tuple[float, float]]]:
    """The points cut where a step has no reading."""
    found: list[list[tuple[float, float]]] = []
    for at_s, total in points:
        if found and at_s - found[-1][-1][0] <= 1.5 * step_s:
            found[-1].append((at_s, total))
        else:
            found.append([(at_s, total)])
    return found


def gaps(drawn: Strip) -> list[tuple[float, float]]:
    """Where nothing was read, from the first of the day to where the record ends."""
    edges = [drawn.begin_s]
    for run in runs(drawn.points, drawn.step_s):
        edges += [run[0][0], run[-1][0] + drawn.step_s]
    edges.append(drawn.until_s)
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > drawn.step_s]


def _post(at: float, up: float) -> str:
    return (
        f'<path d="M{LEFT} {up:.1f}H{WIDTH - 2}" stroke="var(--line)" stroke-width="2"/>'
        f'<text x="{LEFT - 6}" y="{up + 5:.1f}" text-anchor="end" font-size="{LETTERS}" '
        f'fill="var(--ink2)">{at:g}</text>'
    )


def _line(run: Sequence[tuple[float, float]], x: Scale, y: Scale) -> str:
    path = "".join(f"{'L' if index else 'M'}{x(at):.1f} {y(total):.1f}" for index, (at, total) in enumerate(run))
    return f'<path d="{path}" fill="none" stroke="currentColor" stroke-width="3" stroke-linejoin="round"/>'


def _hole(left: float, right: float) -> str:
    box = (
        f'<rect x="{left + 1:.1f}" y="5" width="{max(1.0, right - left - 2):.1f}" height="{PLOT}" fill="none" '
        f'stroke="var(--lost)" stroke-width="1.5" stroke-dasharray="6 5"/>'
    )
    if right - left < 14:
        return box
    return box + (
        f'<text x="{(left + right) / 2:.1f}" y="{PLOT - 10}" text-anchor="middle" font-size="20" '
        f'fill="var(--ink2)">?</text>'
    )


def _worst(at: float, up: float, text: str) -> str:
    side, step = ("end", -8) if at > WIDTH * 0.6 else ("start", 8)
    return (
        f'<circle cx="{at:.1f}" cy="{up:.1f}" r="5"/>'
        f'<text x="{at + step:.1f}" y="{max(13.0, up - 8):.1f}" text-anchor="{side}" font-size="{LETTERS}" '
        f'font-weight="700" stroke="var(--paper)" stroke-width="4" paint-order="stroke">{escape(text)}</text>'
    )


def _band(left: float, right: float, level: int | None) -> str:
    """0 is empty, 1 sparse, 2 dense, 3 full; unknown is a dashed line along its middle."""
    top, wide = PLOT + 8, right - left
    if level is None:
        return (
            f'<path d="M{left:.1f} {top + BAND / 2}H{right:.1f}" stroke="var(--lost)" stroke-width="3" '
            f'stroke-dasharray="5 5"/>'
        )
    edge = f'<path d="M{left:.1f} {top}V{top + BAND}" stroke="currentColor" stroke-width="1.5"/>'
    if level == 0 or wide <= 0:
        return edge
    if level == 3:
        return f'<rect x="{left:.1f}" y="{top}" width="{wide:.1f}" height="{BAND}"/>'
    step, lines, at = {1: 11.0, 2: 5.0}[level], "", left - BAND
    while at < right:
        begin, end = max(left, at), min(right, at + BAND)
        if begin < end:
            lines += f"M{begin:.1f} {top + BAND - (begin - at):.1f}L{end:.1f} {top + BAND - (end - at):.1f}"
        at += step
    return f'{edge}<path d="{lines}" stroke="currentColor" stroke-width="2.2"/>'


def _bar(bar: KitBar, x: Scale, top: float) -> str:
    line = top + LETTERS + 2
    parts = [
        f'<text x="{LEFT}" y="{top + LETTERS - 2:.1f}" font-size="{LETTERS}" '
        f'fill="var(--ink2)">{escape(bar.name)}</text>',
        f'<path d="M{LEFT} {line + BAR}H{WIDTH - 2}" stroke="var(--line)" stroke-width="1.5"/>',
    ]
    for each in bar.ran:
        wide = max(1.0, x(each.end_s) - x(each.begin_s))
        parts.append(f'<rect x="{x(each.begin_s):.1f}" y="{line}" width="{wide:.1f}" height="{BAR}"/>')
    for each in bar.hands:
        wide = max(3.0, x(each.end_s) - x(each.begin_s))
        parts.append(
            f'<rect x="{x(each.begin_s):.1f}" y="{line - 3}" width="{wide:.1f}" height="{BAR + 6}" fill="none" '
            f'stroke="var(--info)" stroke-width="3"/>'
        )
    return "".join(parts)


def _tick(at: float, text: str, height: float) -> str:
    side = "start" if at < LEFT + 10 else "end" if at > WIDTH - 20 else "middle"
    return (
        f'<text x="{at:.1f}" y="{height - 4:.1f}" text-anchor="{side}" font-size="{LETTERS}" '
        f'fill="var(--ink2)">{escape(text)}</text>'
    )
