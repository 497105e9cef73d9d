"""Owns: the charts of the evaluation, as SVG.

Must not know: controllers, weather, pages.
How it works: plain drawing from numbers. A drawing is as wide as a phone, so that its letters can be read there, and
grows on a larger screen. Lines differ by dash and by a name at their end, not by colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape
from itertools import groupby
from typing import Final

from gateway.app.evaluate import COMFORT, LIMIT, Point

WIDE: Final = 400.0
INK, INK2, LINE, PAPER = "#12171A", "#3D464B", "#A9B0B0", "#FFFFFF"
PENS: Final = (  # colour, dash, width
    ("#7A8488", "2 3", 1.6),
    ("#3D464B", "8 3", 1.6),
    ("#B3541E", "5 3", 1.8),
    ("#7B3FA0", "1 3", 2.4),
    ("#0B6E4F", "", 2.8),
    ("#12171A", "12 3 2 3", 1.4),
)
_CARRY_TOP: Final = 5.0


def bars(title: str, values: Mapping[str, float], unit: str, *, digits: int) -> str:
    """One bar for each name. A value above twice the second largest is cut, and says so."""
    largest = sorted((0.0, *values.values()))[-2:]
    top = largest[1] if largest[1] <= 2.0 * largest[0] or not largest[0] else 1.15 * largest[0]
    row, left, room = 34.0, 8.0, WIDE - 90.0
    parts = [_text(left, 20, f"{title}, {unit}", bold=True)]
    for number, (name, value) in enumerate(values.items()):
        y = 40.0 + row * number
        long = room * min(1.0, value / top) if top else 0.0
        colour = PENS[4][0] if name.startswith("Loosebox") else PENS[0][0]
        parts.append(_text(left, y + 6, name, size=12.5))
        parts.append(f'<rect x="{left}" y="{y + 11:.1f}" width="{max(long, 1.0):.1f}" height="11" fill="{colour}"/>')
        if value > top:
            x = left + long - 26
            parts.append(f'<path d="M{x:.1f} {y + 25:.1f}l8 -17m5 0l-8 17" stroke="{PAPER}" stroke-width="4"/>')
        parts.append(_text(left + long + 6, y + 21, f"{value:,.{digits}f}", size=13, bold=True))
    return _svg(title, 44.0 + row * len(values), parts)


def day(title: str, traces: Mapping[str, Sequence[Point]], zone_offset_s: float) -> str:
    """One day: carry under each controller, and below it when how many groups of fans ran."""
    left, top, wide, high = 34.0, 34.0, WIDE - 46.0, 190.0
    parts = [_text(8, 18, title, bold=True)]
    parts += _frame(left, top, wide, high, [(value, f"{value:g}") for value in range(6)], _CARRY_TOP)
    for limit in (LIMIT, COMFORT):
        y = top + high * (1 - limit / _CARRY_TOP)
        parts.append(f'<path d="M{left} {y:.1f}h{wide}" stroke="{INK}" stroke-width="1.2"/>')
    for number, (name, trace) in enumerate(traces.items()):
        points = [
            (left + wide * _share(point, zone_offset_s), top + high * (1 - min(point.carry, _CARRY_TOP) / _CARRY_TOP))
            if point.carry is not None
            else None
            for point in trace
        ]
        parts.append(_line(points, PENS[number]))
        parts += _strip(number, name, trace, zone_offset_s, left, top + high + 40, wide)
    parts += _hours(left, top + high, wide)
    return _svg(title, top + high + 46 + 30 * len(traces), parts)


def by_hour(title: str, values: Mapping[str, Sequence[float]], top_value: float) -> str:
    """A mean for each hour of the day, one line for each name."""
    left, top, wide, high = 34.0, 34.0, WIDE - 46.0, 150.0
    parts = [_text(8, 18, title, bold=True)]
    ticks = [(value, f"{value:g}") for value in range(round(top_value) + 1)]
    parts += _frame(left, top, wide, high, ticks, top_value)
    for number, hours in enumerate(values.values()):
        points = [(left + wide * (hour + 0.5) / 24, top + high * (1 - value / top_value)) for hour, value in
                  enumerate(hours)]  # fmt: skip
        parts.append(_line(points, PENS[number]))
    parts += _hours(left, top + high, wide)
    parts += _legend(values, left, top + high + 40)
    return _svg(title, top + high + 40 + 20 * ((len(values) + 1) // 2), parts)


def trade(title: str, points: Mapping[str, tuple[float, float]], front: Sequence[tuple[float, float]]) -> str:
    """Energy against strain: one mark for each controller; the line is what foresight could do."""
    left, top, wide, high = 44.0, 52.0, WIDE - 60.0, 230.0
    shown = {name: point for name, point in points.items() if point[0] > 0.0}
    most_x = 1.1 * max(x for x, _ in shown.values())
    most_y = 1.25 * max(y for _, y in shown.values())
    parts = [_text(8, 18, title, bold=True)]
    parts += _frame(left, top, wide, high, _ticks(most_y), most_y)

    def at(x: float, y: float) -> tuple[float, float]:
        return left + wide * x / most_x, top + high * (1 - min(y, most_y) / most_y)

    for value, text in _ticks(most_x):
        x, _ = at(value, 0)
        parts.append(_text(x, top + high + 16, text, size=12, anchor="middle", fill=INK2))
    parts.append(_text(left + wide, top + high + 34, "fan energy, kWh", size=12, anchor="end", fill=INK2))
    parts.append(_text(8, top - 14, "strain below 2, h", size=12, fill=INK2))
    inside = [at(x, y) for x, y in sorted(front) if y <= most_y]
    parts.append(_line(inside, PENS[5]))
    taken = [(x - 6, y - 6, x + 6, y + 6) for x, y in (at(*point) for point in shown.values())]
    for name, point in shown.items():
        (x, y), colour = at(*point), PENS[4][0] if name.startswith("Loosebox") else INK2
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{colour}"/>')
        box = _free(x, y, 7.0 * len(name), taken, (left, top, left + wide, top + high))
        taken.append(box)
        parts.append(f'<path d="M{x:.1f} {y:.1f}L{_nearer(x, box):.1f} {box[1] + 9:.1f}" stroke="{LINE}"/>')
        parts.append(_text(box[0], box[3] - 4, name, size=12.5))
    return _svg(title, top + high + 42, parts)


Box = tuple[float, float, float, float]  # left, top, right, bottom


def _free(x: float, y: float, long: float, taken: Sequence[Box], inside: Box) -> Box:
    """A box for a name beside a point, the nearest that covers nothing."""
    tried: Box = (x, y, x, y)
    for down in (0, -16, 16, -32, 32, -48, 48, -64, 64):
        for begin in (x + 9, x - 9 - long):
            tried = (begin, y + down - 9, begin + long, y + down + 8)
            within = tried[0] >= inside[0] and tried[2] <= inside[2] + 8
            if within and inside[1] - 8 <= tried[1] <= inside[3] - 12 and not any(_cross(tried, t) for t in taken):
                return tried
    return tried


def _cross(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _nearer(x: float, box: Box) -> float:
    return box[0] - 2 if box[0] > x else box[2] + 2


def _strip(
    number: int, name: str, trace: Sequence[Point], zone_offset_s: float, left: float, top: float, wide: float
) -> Iterator[str]:
    colour, dash, pen = PENS[number]
    y = top + 30 * number
    yield f'<path d="M{left} {y - 2:.1f}h22" stroke="{colour}" stroke-width="{pen}" stroke-dasharray="{dash}"/>'
    yield _text(left + 28, y + 2, name, size=12)
    slot = wide * 600.0 / 86400.0
    for groups, alike in groupby(trace, key=lambda point: point.groups):
        run = list(alike)
        x, long, tall = left + wide * _share(run[0], zone_offset_s), slot * len(run), 6.0 * groups
        if groups:
            yield f'<rect x="{x:.1f}" y="{y + 18 - tall:.1f}" width="{long:.1f}" height="{tall}" fill="{colour}"/>'
    for point in trace:
        if point.mist:
            x = left + wide * _share(point, zone_offset_s) + slot / 2
            yield f'<circle cx="{x:.1f}" cy="{y + 21:.1f}" r="1.6" fill="#1769AA"/>'


def _share(point: Point, zone_offset_s: float) -> float:
    return (point.time_s + zone_offset_s) % 86400.0 / 86400.0


def _frame(
    left: float, top: float, wide: float, high: float, ticks: Sequence[tuple[float, str]], most: float
) -> Iterator[str]:
    for value, text in ticks:
        y = top + high * (1 - value / most)
        yield f'<path d="M{left} {y:.1f}h{wide}" stroke="{LINE}" stroke-width="0.6"/>'
        yield _text(left - 6, y + 4, text, size=12, anchor="end", fill=INK2)


def _hours(left: float, bottom: float, wide: float) -> Iterator[str]:
    for hour in range(0, 25, 6):
        x = left + wide * hour / 24
        yield f'<path d="M{x:.1f} {bottom}v5" stroke="{INK2}"/>'
        yield _text(min(x, WIDE - 14), bottom + 18, f"{hour}:00" if hour < 24 else "24", size=12, anchor="middle")


def _legend(names: Mapping[str, object], left: float, top: float) -> Iterator[str]:
    for number, name in enumerate(names):
        colour, dash, pen = PENS[number]
        x, y = left + 180 * (number % 2), top + 20 * (number // 2)
        yield f'<path d="M{x} {y}h24" stroke="{colour}" stroke-width="{pen}" stroke-dasharray="{dash}"/>'
        yield _text(x + 30, y + 4, name, size=12)


def _ticks(most: float) -> list[tuple[float, str]]:
    step = next(s * 10.0**power for power in range(-2, 6) for s in (1, 2, 5) if most / (s * 10.0**power) <= 6)
    return [(step * number, f"{step * number:g}") for number in range(int(most / step) + 1)]


def _line(points: Sequence[tuple[float, float] | None], pen: tuple[str, str, float]) -> str:
    colour, dash, wide = pen
    path, lifted = "", True
    for point in points:
        if point is not None:
            path += f"{'M' if lifted else 'L'}{point[0]:.1f} {point[1]:.1f}"
        lifted = point is None
    return f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{wide}" stroke-dasharray="{dash}"/>'


def _text(
    x: float, y: float, text: str, *, size: float = 14, bold: bool = False, anchor: str = "start", fill: str = INK
) -> str:
    weight = ' font-weight="700"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}" fill="{fill}"{weight}>'
        f"{escape(text)}</text>"
    )


def _svg(title: str, high: float, parts: Sequence[str]) -> str:
    return f'<svg viewBox="0 0 {WIDE:g} {high:g}" role="img" aria-label="{escape(title)}">' + "".join(parts) + "</svg>"
