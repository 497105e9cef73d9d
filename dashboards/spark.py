"""Owns: a day of the sum as one small line against the posts.

Must not know: barns, words, stores, pages.
How it works: points in, SVG out. Only times and sums: no axis, no letters; the words stand beside it. Where a step has
no reading the line breaks. The posts are drawn from their value up, so that what stands in them is seen at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from dashboards.strip import runs

WIDTH, HEIGHT = 240, 48
LOW, HIGH = 100.0, 190.0


def spark(
    points: Sequence[tuple[float, float]],
    *,
    begin_s: float,
    end_s: float,
    step_s: float,
    posts: Sequence[float],
    said: str,
) -> str:
    """The picture; `said` is what it shows, in a sentence."""

    def x(at_s: float) -> float:
        return max(0.0, min(1.0, (at_s - begin_s) / (end_s - begin_s))) * WIDTH

    def y(total: float) -> float:
        return HEIGHT - 3 - (min(HIGH, max(LOW, total)) - LOW) / (HIGH - LOW) * (HEIGHT - 6)

    rules = "".join(f"M0 {y(post):.1f}H{WIDTH}" for post in posts if LOW < post < HIGH)
    lines = "".join(_line([(x(at_s), y(total)) for at_s, total in run]) for run in runs(points, step_s))
    return (
        f'<svg class="spark" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'preserveAspectRatio="none" role="img" aria-label="{escape(said)}">'
        f'<path d="{rules}" stroke="var(--line)" stroke-width="1" fill="none" vector-effect="non-scaling-stroke"/>'
        f'<path d="{lines}" stroke="currentColor" stroke-width="2.5" fill="none" stroke-linejoin="round" '
        f'stroke-linecap="round" vector-effect="non-scaling-stroke"/></svg>'
    )


def _line(run: Sequence[tuple[float, float]]) -> str:
    """A single reading is a dot: a line of no length with round ends."""
    first, *rest = run
    more = "".join(f"L{x:.1f} {y:.1f}" for x, y in rest) or "h0"
    return f"M{first[0]:.1f} {first[1]:.1f}{more}"
