"""Owns: the signs and the pole, as SVG.

Must not know: snapshots, words, pages, what a level means.
How it works: one pure function for each picture, numbers in, text out. Colour is `currentColor` and the CSS
variables --paper, --ink2 and --lost, so every face of the screen and paper share one drawing. Hatches are drawn
line by line and need no shared definitions. Signs are hidden from screen readers; the words beside them speak.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

# Rails of the gate, top first: 14 high with gaps of 14, of 110. At 400 px on a 24-inch screen (0.277 mm a pixel)
# a gap is 4 minutes of arc at 12 m.
RAILS_Y = (14, 42, 70)
SIGN_STATES = ("on", "asked", "off")

# The pole's scale ends here; a hotter sum fills it to its end.
POLE_END = 200.0


def gate(level: int | None, height: int) -> str:
    """Two posts with 0 to 3 rails, 3 with a brace; None is two dashed posts and a question mark."""
    body = _unknown_gate() if level is None else _known_gate(level)
    return _svg(body, box=(130, 110), height=height, css="gate")


def _unknown_gate() -> str:
    posts = "".join(f'<path d="M{x} 4V104"/>' for x in (19.5, 110.5))
    mark = (
        '<path d="M46 34C48 18 60 12 68 13C82 15 88 27 84 39C80 50 67 53 66 68" fill="none" stroke="currentColor" '
        'stroke-width="12"/><circle cx="66" cy="89" r="8.5"/>'
    )
    return f'<g fill="none" stroke="currentColor" stroke-width="15" stroke-dasharray="16 12">{posts}</g>{mark}'


def _known_gate(level: int) -> str:
    posts = "".join(f'<rect x="{x}" y="4" width="15" height="100"/>' for x in (12, 103))
    rails = "".join(_rail(y) if place >= 3 - level else _socket(y) for place, y in enumerate(RAILS_Y))
    ground = '<path d="M0 103H130V110H0Z"/>' if level == 0 else ""
    brace = '<path d="M27 84V72L90 14H103V26L40 84Z"/>' if level == 3 else ""
    return posts + rails + ground + brace


def _rail(y: int) -> str:
    return f'<rect x="2" y="{y}" width="126" height="14"/>'


def _socket(y: int) -> str:
    return "".join(f'<rect x="{x}" y="{y + 4}" width="14" height="7"/>' for x in (26, 90))


def pole(
    *,
    temp_f: float | None,
    rh_pct: float | None,
    posts: Sequence[float],
    labels: tuple[str, str],
    outline: bool,
    width: int,
    height: int,
) -> str:
    """A rod for °F and a rod for % laid end to end against the posts of the sum.

    `outline` draws an old reading as one empty rod. Without numbers it is a dashed ghost of one fixed length,
    which says nothing about the place.
    """
    scale, top, bar = width / POLE_END, height * 0.3, height * 0.54
    base = top + bar
    parts = [_post(at * scale, index, top, base) for index, at in enumerate(posts) if at <= POLE_END]
    if temp_f is None or rh_pct is None:
        parts.append(_ghost(width * 0.6, top, bar))
    else:
        split = max(0.0, min(temp_f, POLE_END)) * scale
        end = max(split, max(0.0, min(temp_f + rh_pct, POLE_END)) * scale)
        parts.append(_outline_rod(end, top, bar) if outline else _rods(split, end, top, bar, labels))
    parts.append(f'<rect x="0" y="{base + 3:g}" width="{width}" height="5" fill="var(--ink2)"/>')
    return _svg("".join(parts), box=(width, height), height=height, css="pole")


def _post(x: float, index: int, top: float, base: float) -> str:
    above = top * (0.25 + 0.3 * index)
    return (
        f'<rect x="{x - 5:.1f}" y="{top - above:.1f}" width="10" height="{base - top + above + 8:.1f}" '
        f'fill="var(--ink2)"/>'
    )


def _ghost(end: float, top: float, bar: float) -> str:
    return (
        f'<rect x="2" y="{top + 2:g}" width="{end:.1f}" height="{bar - 4:g}" fill="none" stroke="var(--lost)" '
        f'stroke-width="4" stroke-dasharray="16 12"/>'
    )


def _outline_rod(end: float, top: float, bar: float) -> str:
    return (
        f'<rect x="2" y="{top + 2:g}" width="{max(0.0, end - 4):.1f}" height="{bar - 4:g}" fill="var(--paper)" '
        f'stroke="currentColor" stroke-width="4"/>'
    )


def _rods(split: float, end: float, top: float, bar: float, labels: tuple[str, str]) -> str:
    size = bar * 0.72
    heat = f'<rect x="0" y="{top:g}" width="{split:.1f}" height="{bar:g}"/>'
    damp = ""
    if end - split > 8:
        damp = (
            f'<rect x="{split + 5:.1f}" y="{top + 2:g}" width="{end - split - 7:.1f}" height="{bar - 4:g}" '
            f'fill="var(--paper)"/>'
            f'<path d="{_hatch(split + 5, end - 2, top + 2, top + bar - 2)}" stroke="currentColor" stroke-width="4"/>'
            f'<rect x="{split + 5:.1f}" y="{top + 2:g}" width="{end - split - 7:.1f}" height="{bar - 4:g}" '
            f'fill="none" stroke="currentColor" stroke-width="4"/>'
        )
    return heat + damp + _rod_labels(split, end, top + bar * 0.5 + size * 0.375, size, labels)


def _rod_labels(split: float, end: float, y: float, size: float, labels: tuple[str, str]) -> str:
    """Each label stands in its rod; when one does not fit, both stand behind the end."""
    if not any(labels):
        return ""
    inside = (_label_width(labels[0], size) + 14 <= split, _label_width(labels[1], size) + 18 <= end - split)
    if not all(inside):
        return _plated(end + 12, y, size, " + ".join(labels))
    return _text(10, y, size, labels[0], "var(--paper)") + _plated(split + 11, y, size, labels[1])


def _plated(x: float, y: float, size: float, text: str) -> str:
    """Ink on a piece of paper, so that no hatch and no post runs through the figures."""
    plate = (
        f'<rect x="{x - 4:.1f}" y="{y - size * 0.84:.1f}" width="{_label_width(text, size) + 8:.1f}" '
        f'height="{size * 0.94:.1f}" fill="var(--paper)"/>'
    )
    return plate + _text(x, y, size, text, "currentColor")


def _label_width(text: str, size: float) -> float:
    """B612 Bold: digits 0.65 em, the degree sign narrower, the percent sign wider (from the font's own table)."""
    return size * sum({"°": 0.45, "%": 0.97, " ": 0.3}.get(letter, 0.65) for letter in text)


def _text(x: float, y: float, size: float, text: str, fill: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:.1f}" font-weight="700" fill="{fill}">{escape(text)}</text>'


def _hatch(left: float, right: float, top: float, bottom: float) -> str:
    """Lines rising to the right, 13 apart, cut at the four sides of the box."""
    step, lines, at = 13.0, [], left + top + 13.0
    while at < right + bottom:
        start = (max(left, at - bottom), min(bottom, at - left))
        stop = (min(right, at - top), max(top, at - right))
        lines.append(f"M{start[0]:.1f} {start[1]:.1f}L{stop[0]:.1f} {stop[1]:.1f}")
        at += step
    return "".join(lines)


def fan(state: str, height: int) -> str:
    """On: filled blades in a solid ring. Asked: empty blades in a dashed ring. Off: empty blades, no ring."""
    shape = "M50 46C40 34 43 17 56 15C65 26 61 39 50 46Z"
    blade = 'fill="currentColor"' if state == "on" else 'fill="none" stroke-width="5"'
    turns = "".join(f'<path d="{shape}" transform="rotate({turn} 50 50)" {blade}/>' for turn in (0, 120, 240))
    ring = {
        "on": '<circle cx="50" cy="50" r="44"/>',
        "asked": '<circle cx="50" cy="50" r="44" stroke-dasharray="15 12.6"/>',
        "off": "",
    }[state]
    hub = '<circle cx="50" cy="50" r="5" fill="currentColor"/>'
    return _drawn(f"{ring}{turns}{hub}", height, f"fan {state}")


def mist(state: str, height: int) -> str:
    """On: a nozzle with full drops. Asked: a broken pipe with empty drops. Off: a nozzle alone."""
    broken = ' stroke-dasharray="14 14"' if state == "asked" else ""
    pipe = f'<path d="M8 16H92"{broken}/><path d="M50 16V30M36 30H64"/>'
    places = ((26, 54), (50, 50), (74, 54), (16, 80), (38, 76), (62, 76), (84, 80))
    drop = {
        "on": '<path d="M{x} {y}v10"/>',
        "asked": '<circle cx="{x}" cy="{y}" r="5" stroke-width="3"/>',
        "off": "",
    }[state]
    return _drawn(pipe + "".join(drop.format(x=x, y=y + 2) for x, y in places), height, f"mist {state}")


def valve(state: str, height: int) -> str:
    """A gate valve in its pipe, as on a plan: full triangles open, empty ones shut, dashed ones asked and not seen."""
    body = {"on": 'fill="currentColor"', "asked": 'stroke-dasharray="11 8"', "off": ""}[state]
    pipe = '<path d="M2 62H14M86 62H98"/>'
    halves = f'<path d="M16 40V84L50 62Z" {body}/><path d="M84 40V84L50 62Z" {body}/>'
    return _drawn(f'{pipe}{halves}<path d="M50 60V26M30 24H70"/>', height, f"valve {state}")


def hand(height: int) -> str:
    """An open hand: a person has it."""
    palm = (
        "M24 52V30a6.5 6.5 0 0 1 13 0V46h2V17a6.5 6.5 0 0 1 13 0V45h2V20a6.5 6.5 0 0 1 13 0V48h2V32a6.5 6.5 0 0 1 13 0"
        "V64C82 84 70 94 54 94C40 94 31 87 25 74L12 58C7 50 16 44 21 50Z"
    )
    return _svg(f'<path d="{palm}"/>', box=(100, 100), height=height, css="sign hand")


def plug(height: int) -> str:
    """A pulled plug: no reading, no link."""
    lead = '<path d="M4 78C18 78 18 62 30 62"/><path d="M30 48h14a14 14 0 0 1 0 28H30Z" fill="currentColor"/>'
    pins = '<path d="M58 56h8M58 68h8" stroke-width="6"/>'
    socket = '<path d="M96 22C84 22 84 38 78 38"/><path d="M78 24H70a14 14 0 0 0 0 28h8Z"/>'
    return _drawn(lead + pins + socket, height, "plug")


def bell(state: str, height: int) -> str:
    """The bell in the yard, on its post. On: a full bell. Asked: an empty one. Off: an empty one whose rope is tied."""
    post = '<path d="M12 97V10H74M12 38L38 12"/><path d="M62 12V24"/>'
    fill = ' fill="currentColor"' if state == "on" else ""
    body = f'<path d="M62 24C49 26 48 42 44 58L36 68H88L80 58C76 42 75 26 62 24Z"{fill}/>'
    rope = '<path d="M62 74V84C62 92 40 92 30 84L12 74"/>' if state == "off" else '<path d="M62 74V97"/>'
    return _drawn(f"{post}{body}{rope}", height, f"bell {state}")


def parcel(state: str, height: int) -> str:
    """A message. Delivered: a full box. Pending: a dashed one. Given up: an empty one, struck out."""
    box = {
        "delivered": '<rect x="14" y="22" width="72" height="56" fill="currentColor"/>',
        "pending": '<rect x="14" y="22" width="72" height="56" stroke-dasharray="14 12"/>',
        "given-up": '<rect x="14" y="22" width="72" height="56"/><path d="M4 88L96 12"/>',
    }[state]
    return _drawn(box, height, f"parcel {state}")


def swatch(*, hatched: bool, height: int) -> str:
    """A piece of rod for the key: full is heat, hatched is damp."""
    if not hatched:
        return _svg('<rect width="40" height="30"/>', box=(40, 30), height=height, css="swatch")
    frame = '<rect x="2" y="2" width="36" height="26" fill="none" stroke="currentColor" stroke-width="4"/>'
    lines = f'<path d="{_hatch(2, 38, 2, 28)}" stroke="currentColor" stroke-width="4"/>'
    return _svg(lines + frame, box=(40, 30), height=height, css="swatch")


def _drawn(body: str, height: int, css: str) -> str:
    pen = '<g fill="none" stroke="currentColor" stroke-width="7" stroke-linecap="round">'
    return _svg(f"{pen}{body}</g>", box=(100, 100), height=height, css=f"sign {css}")


def _svg(body: str, *, box: tuple[int, int], height: int, css: str) -> str:
    """Size attributes are for paper and for browsers without the style sheet, which sets its own."""
    wide = round(height * box[0] / box[1])
    return (
        f'<svg class="{css}" viewBox="0 0 {box[0]} {box[1]}" preserveAspectRatio="xMinYMid" width="{wide}" '
        f'height="{height}" fill="currentColor" aria-hidden="true">{body}</svg>'
    )
