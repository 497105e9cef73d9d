"""Owns: the picture of the roof over temperature and humidity, as one SVG file that stands by itself.

Must not know: how a limit is reckoned, the command line.
How it works: each area is hatched like a section in a drawing, the more ink the less is carried, and is named in
words; colour says nothing. The sum appears as the rules it is: straight lines with their number. Paper and ink are
those of the wall's day face, written out, since this file goes to paper and to other programs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

from gateway.app.reckon import Asked
from gateway.app.reckon_limits import Limits, limits
from gateway.app.reckon_units import Span
from gateway.app.reckon_words import conditions
from gateway.barn import Post
from gateway.heat.horse import Pace
from gateway.heat.units import celsius, fahrenheit

PAPER, INK, INK2, LINE = "#F7F6F1", "#12171A", "#3D464B", "#7A8488"
_WIDTH, _HEIGHT = 1000, 700
_LEFT, _TOP, _WIDE, _HIGH = 84, 136, 680, 440
_COLUMNS = 136  # one temperature every five pixels
_MOST_TICKS = 11
_TEXT, _LETTER = 19, 0.62  # size, and width of a letter as a share of it
# Slope and distance of the hatch lines of each area; two of them cross, None is plain paper.
_HATCH: dict[Pace | None, tuple[tuple[int, int], ...]] = {
    Pace.CANTER: (),
    Pace.TROT: ((1, 26),),
    Pace.WALK: ((1, 13),),
    Pace.STAND: ((-1, 8),),
    None: ((1, 9), (-1, 9)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """The box of the drawing: numbers of the world to places on paper."""

    low_c: float
    high_c: float
    low_pct: float
    high_pct: float

    def x(self, temp_c: float) -> float:
        return _LEFT + (temp_c - self.low_c) / (self.high_c - self.low_c) * _WIDE

    def y(self, rh_pct: float) -> float:
        return _TOP + (self.high_pct - rh_pct) / (self.high_pct - self.low_pct) * _HIGH


def roof_picture(temps: Span, humidities: Span, asked: Asked, posts: tuple[Post, ...]) -> str:
    """The SVG text. Both ranges have more than one value. Raises RangeError."""
    to_c: Callable[[float], float] = celsius if temps.unit == "F" else float
    frame = _Frame(
        low_c=to_c(temps.values[0]),
        high_c=to_c(temps.values[-1]),
        low_pct=humidities.values[0],
        high_pct=humidities.values[-1],
    )
    columns = [frame.low_c + (frame.high_c - frame.low_c) * step / _COLUMNS for step in range(_COLUMNS + 1)]
    found = limits(asked, columns, low_pct=frame.low_pct, high_pct=frame.high_pct)
    stand_apart = any(own < top - 0.5 for own, top in zip(found.stand, found.tops[Pace.STAND], strict=True))
    parts = (
        *_head(asked),
        *_areas(frame, found),
        *(_stand_line(frame, found) if stand_apart else ()),
        *_sum_rules(frame, posts),
        *_names(frame, found, posts),
        *_axes(frame, temps, humidities),
        *_key(stand_apart),
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}" '
        f'role="img" font-family="B612, DejaVu Sans, sans-serif" font-size="{_TEXT}" fill="{INK}">\n'
        f"<title>Roof over temperature and humidity</title>\n<desc>{escape(conditions(asked, pace=None))}</desc>\n"
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="{PAPER}"/>\n' + "\n".join(parts) + "\n</svg>"
    )


def _head(asked: Asked) -> Iterator[str]:
    yield _text(_LEFT, 44, "Roof: the fastest pace that the air carries", size=28, bold=True)
    yield _text(_LEFT, 72, conditions(asked, pace=None), size=17, fill=INK2)


def _areas(frame: _Frame, found: Limits) -> Iterator[str]:
    for pace, floor, top in found.areas():
        if max(t - f for t, f in zip(top, floor, strict=True)) <= 0.01:
            continue
        name = _name(pace).replace(" ", "-")
        there = [(frame.x(c), frame.y(rh)) for c, rh in zip(found.temps_c, top, strict=True)]
        back = [(frame.x(c), frame.y(rh)) for c, rh in zip(found.temps_c, floor, strict=True)]
        outline = f"M{_points(there)}L{_points(back[::-1])}Z"
        yield f'<clipPath id="cut-{name}"><path d="{outline}"/></clipPath>'
        lines = "".join(_hatch(_LEFT, _TOP, _WIDE, _HIGH, slope, apart) for slope, apart in _HATCH[pace])
        if lines:
            yield f'<path d="{lines}" clip-path="url(#cut-{name})" stroke="{INK}" stroke-width="{_pen(pace)}"/>'
        yield f'<path class="area" id="{name}" d="{outline}" fill="none"/>'
        if pace is not None:
            yield f'<path d="M{_points(_inside(there))}" fill="none" stroke="{INK}" stroke-width="4"/>'


def _inside(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The part of an edge that is no side of the box, with one point of it at either end."""
    kept = [i for i, (_, y) in enumerate(points) if _TOP < y < _TOP + _HIGH]
    return points[max(0, kept[0] - 1) : kept[-1] + 2] if kept else points[:1]


def _pen(pace: Pace | None) -> float:
    return 1.6 if pace is Pace.TROT else 2.0


def _stand_line(frame: _Frame, found: Limits) -> Iterator[str]:
    """Where a standing horse, which makes no wind, is carried less far than a moving one."""
    points = _points(_inside([(frame.x(c), frame.y(rh)) for c, rh in zip(found.temps_c, found.stand, strict=True)]))
    yield f'<path d="M{points}" fill="none" stroke="{PAPER}" stroke-width="9"/>'
    yield f'<path id="stand-line" d="M{points}" fill="none" {_DOTS}/>'


_DOTS = f'stroke="{INK}" stroke-width="5" stroke-linecap="round" stroke-dasharray="0.1 10"'
_DASH = f'stroke="{INK2}" stroke-width="4" stroke-dasharray="18 7"'


def _sum_rules(frame: _Frame, posts: tuple[Post, ...]) -> Iterator[str]:
    """A sum is a straight line here. Its number stands where the line leaves the box at its upper or right end."""
    for post in posts:
        ends = _rule_ends(frame, post.at)
        if ends is None:
            continue
        (c1, rh1), (c2, rh2) = ends
        x1, y1, x2, y2 = frame.x(c1), frame.y(rh1), frame.x(c2), frame.y(rh2)
        line = f'd="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"'
        yield f'<path {line} stroke="{PAPER}" stroke-width="9"/>'
        yield f'<path class="sum" id="sum-{post.at:g}" {line} {_DASH}/>'
        if rh1 >= frame.high_pct - 1e-6:
            yield _text(x1, _TOP - 10, f"{post.at:g}", bold=True, anchor="middle")
        elif c2 >= frame.high_c - 1e-6:
            yield _text(x2 + 8, y2 + 7, f"{post.at:g}", bold=True)
        else:
            yield _plated(x2, y2 - 14, f"{post.at:g}")


def _rule_ends(frame: _Frame, at: float) -> tuple[tuple[float, float], tuple[float, float]] | None:
    first_c = max(frame.low_c, celsius(at - frame.high_pct))
    last_c = min(frame.high_c, celsius(at - frame.low_pct))
    if first_c >= last_c:
        return None
    return (first_c, at - fahrenheit(first_c)), (last_c, at - fahrenheit(last_c))


def _names(frame: _Frame, found: Limits, posts: tuple[Post, ...]) -> Iterator[str]:
    """Each area's word where it has most room; an area too thin for its word has it in the key only."""
    high = _TEXT * 1.5
    for pace, floor, top in found.areas():
        half = int(len(_name(pace)) * _TEXT * _LETTER / 2 / (_WIDE / _COLUMNS)) + 4
        places: list[tuple[float, float, float]] = []
        for i in range(half, _COLUMNS - half + 1):
            # the room that is free over the whole width of the word
            upper, lower = frame.y(min(top[i - half : i + half + 1])), frame.y(max(floor[i - half : i + half + 1]))
            x = frame.x(found.temps_c[i])
            for share in (0.5, 0.3, 0.7) if lower - upper >= high + 8.0 else ():
                y = upper + high / 2 + 4.0 + share * (lower - upper - high - 8.0)
                room = min(lower - upper, 90.0) - 0.1 * abs(x - _LEFT - _WIDE / 2)
                places.append((room - (200.0 if _on_rule(frame, posts, x, y) else 0.0), x, y))
        if places:
            _, x, y = max(places)
            yield _plated(x, y, _name(pace))


def _on_rule(frame: _Frame, posts: tuple[Post, ...], x: float, y: float) -> bool:
    """Whether a word at this place would stand on a sum's line or hard beside it."""
    temp_c = frame.low_c + (x - _LEFT) / _WIDE * (frame.high_c - frame.low_c)
    return any(abs(frame.y(post.at - fahrenheit(temp_c)) - y) < 2.0 * _TEXT for post in posts)


def _axes(frame: _Frame, temps: Span, humidities: Span) -> Iterator[str]:
    bottom, right = _TOP + _HIGH, _LEFT + _WIDE
    yield f'<rect x="{_LEFT}" y="{_TOP}" width="{_WIDE}" height="{_HIGH}" fill="none" stroke="{INK}" stroke-width="3"/>'
    for temp in _thinned(temps.values):
        temp_c, temp_f = (celsius(temp), temp) if temps.unit == "F" else (temp, fahrenheit(temp))
        x = frame.x(temp_c)
        yield f'<path d="M{x:.1f} {bottom}v9" stroke="{INK}" stroke-width="3"/>'
        yield _text(x, bottom + 31, f"{temp_c:.3g}", anchor="middle")
        yield _text(x, bottom + 55, f"{temp_f:.3g}", anchor="middle", fill=INK2)
    yield _text(right + 36, bottom + 31, "°C air")
    yield _text(right + 36, bottom + 55, "°F", fill=INK2)
    for rh in _thinned(humidities.values):
        y = frame.y(rh)
        yield f'<path d="M{_LEFT} {y:.1f}h-9" stroke="{INK}" stroke-width="3"/>'
        yield _text(_LEFT - 15, y + 7, f"{rh:g}", anchor="end")
    yield _text(24, _TOP - 32, "% humidity")


def _key(stand_apart: bool) -> Iterator[str]:
    left, y = _LEFT + _WIDE + 62, _TOP + 18
    yield _text(left, y, "Carried", bold=True)
    for pace in (None, Pace.STAND, Pace.WALK, Pace.TROT, Pace.CANTER):
        y += 40
        lines = "".join(_hatch(left, y - 20, 46, 28, slope, apart) for slope, apart in _HATCH[pace])
        yield f'<path d="{lines}" stroke="{INK}" stroke-width="{_pen(pace)}"/>' if lines else ""
        yield f'<rect x="{left}" y="{y - 20}" width="46" height="28" fill="none" stroke="{INK}" stroke-width="3"/>'
        yield _text(left + 58, y + 2, _name(pace))
    y += 52
    yield f'<path d="M{left} {y - 6}h46" {_DASH}/>'
    yield _text(left + 58, y, "sum of °F")
    yield _text(left + 58, y + 24, "and %")
    if stand_apart:
        y += 68
        yield f'<path d="M{left} {y - 6}h46" {_DOTS}/>'
        yield _text(left + 58, y, "standing is")
        yield _text(left + 58, y + 24, "carried only")
        yield _text(left + 58, y + 48, "left of this")
    note = "An estimate for a typical horse, our own proposal, not published. Look at the horse."
    yield _text(_LEFT, _HEIGHT - 30, note, size=17, fill=INK2)


def _thinned(values: Sequence[float]) -> Sequence[float]:
    every = -(-len(values) // _MOST_TICKS)
    return values[::every]


def _name(pace: Pace | None) -> str:
    return "no pace" if pace is None else pace.value


def _points(points: Sequence[tuple[float, float]]) -> str:
    return "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _hatch(left: float, top: float, wide: float, high: float, slope: int, apart: int) -> str:
    """Lines at 45 degrees cut at the sides of a box; slope 1 rises to the right, -1 falls."""
    lines, offset = [], float(apart)
    while offset < wide + high:
        # mirrored left to right, a rising line is a falling one
        start = (max(0.0, offset - high), min(high, offset))
        stop = (min(wide, offset), max(0.0, offset - wide))
        (x1, y1), (x2, y2) = ((x if slope == 1 else wide - x, y) for x, y in (start, stop))
        lines.append(f"M{left + x1:.1f} {top + y1:.1f}L{left + x2:.1f} {top + y2:.1f}")
        offset += apart * 2**0.5
    return "".join(lines)


def _plated(x: float, y: float, text: str) -> str:
    """Ink on a piece of paper, so that no hatch runs through the word."""
    wide, high = len(text) * _TEXT * _LETTER + 18, _TEXT * 1.5
    return (
        f'<rect x="{x - wide / 2:.1f}" y="{y - high / 2:.1f}" width="{wide:.1f}" height="{high:.1f}" fill="{PAPER}"/>'
        + _text(x, y + _TEXT * 0.36, text, bold=True, anchor="middle")
    )


def _text(
    x: float, y: float, text: str, *, size: int = _TEXT, bold: bool = False, anchor: str = "start", fill: str = INK
) -> str:
    weight = ' font-weight="700"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}" fill="{fill}"{weight}>'
        f"{escape(text)}</text>"
    )
