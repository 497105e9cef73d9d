"""Owns: what the aisle board says: which place is worst, which word, which number, what is written beside it.

Must not know: HTML, SVG, files, sockets, clocks.
How it works: a snapshot and the words of one or two languages go in, a frozen view comes out. Nothing is decided
again that the core has decided; only the shape for the eye is added. A place without a level counts as its last
level or 1, whichever is worse, and wins a tie: unknown is never shown as fine. Two equal views look the same, so
a view that did not change need not be drawn again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards.air_text import pace_of, roof_limits, roof_text
from dashboards.messages import Line, Message, in_each, worst_message
from dashboards.rows import Row, fit_of, label_of, lost_row, row_of
from dashboards.words import Words
from gateway.engine.snapshot import PlaceView, Snapshot

# More rows than this cannot be read from 3 m; the worst ones stay and the board says how many are missing.
ROWS_AT_MOST = 6

# Names and other places of the worst level that fit beside the word, alone and with what the roof says.
WHERE_AT_MOST, WHERE_AT_MOST_LIMITED = 3, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The verdict for all, and where it holds. `fit` is the size class of the longest name.

    `limit` is what the roof says when the roof is what limits at the places of `where`; `also` counts those that share
    the word for another reason.
    """

    level: int | None
    verdict: tuple[Line, ...]
    where: tuple[str, ...]
    limit: tuple[Line, ...]
    also: str
    fit: str
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Everything inside the frame: what is drawn again when it changes."""

    head: Head
    rows: tuple[Row, ...]
    hidden: str
    message: Message | None
    posts: tuple[float, ...]


def live_board(snapshot: Snapshot, texts: Sequence[Words]) -> Board:
    """The board of a snapshot. `texts` has the languages to show, the first one leads."""
    shown = _shown(snapshot.places)
    missing = len(snapshot.places) - len(shown)
    return Board(
        head=_head(snapshot.places, texts),
        rows=tuple(row_of(place, texts, snapshot.posts) for place in shown),
        hidden=texts[0].places_not_shown.format(n=missing) if missing else "",
        message=worst_message(snapshot, texts),
        posts=snapshot.posts,
    )


def lost_board(snapshot: Snapshot | None, texts: Sequence[Words]) -> Board:
    """The board when the core is not heard: the names that were known, and nothing else."""
    shown = _shown(snapshot.places) if snapshot else ()
    verdict = in_each(texts, lambda words: words.unknown)
    said = texts[0].said_head.format(word=texts[0].unknown, place=texts[0].no_link)
    return Board(
        head=Head(level=None, verdict=verdict, where=(texts[0].no_link,), limit=(), also="", fit="s7", said=said),
        rows=tuple(lost_row(place, texts, signs=()) for place in shown),
        hidden="",
        message=None,
        posts=snapshot.posts if snapshot else (),
    )


def counted_level(place: PlaceView) -> int:
    """The level at which a place counts when the worst is sought."""
    return place.level if place.level is not None else max(place.last_level or 0, 1)


def worst_place(places: Sequence[PlaceView]) -> PlaceView:
    """The highest level leads; in a tie the unknown, then places where horses are ridden, then a roof that limits."""
    return max(places, key=lambda p: (counted_level(p), p.level is None, p.kind == "riding", roof_limits(p)))


def _head(places: Sequence[PlaceView], texts: Sequence[Words]) -> Head:
    worst = worst_place(places)
    verdict = in_each(texts, lambda words: words.verdict(worst.kind, worst.level))
    alike = [p for p in places if p.level == worst.level and (worst.level is None or p.kind == worst.kind)]
    if worst.level is None:
        alike = [p for p in alike if counted_level(p) == counted_level(worst)]
    limited = [p for p in alike if roof_limits(p) and pace_of(p) == pace_of(worst)] if roof_limits(worst) else []
    limit = in_each(texts, lambda words: roof_text(worst, words)) if limited else ()
    where = _names(limited or alike, WHERE_AT_MOST_LIMITED if limited else WHERE_AT_MOST, texts[0])
    others = len(alike) - len(limited or alike)
    said = ", ".join((verdict[0].text, *(line.text for line in limit[:1])))
    return Head(
        level=worst.level,
        verdict=verdict,
        where=where,
        limit=limit,
        also=texts[0].more.format(n=others) if others else "",
        fit=fit_of(where),
        said=texts[0].said_head.format(word=said, place=", ".join(where)),
    )


def _names(places: Sequence[PlaceView], at_most: int, words: Words) -> tuple[str, ...]:
    """The names of places; those beyond the room are counted."""
    names = tuple(label_of(place, words.lang) for place in places)
    if len(names) <= at_most:
        return names
    return (*names[: at_most - 1], words.more.format(n=len(names) - at_most + 1))


def _shown(places: Sequence[PlaceView]) -> tuple[PlaceView, ...]:
    """The places that get a row: all, or the worst ones, always in the order of the site file."""
    if len(places) <= ROWS_AT_MOST:
        return tuple(places)
    worst = sorted(places, key=lambda p: (counted_level(p), p.level is None), reverse=True)[:ROWS_AT_MOST]
    return tuple(place for place in places if any(place is one for one in worst))


def verdicts(place: PlaceView, languages: Mapping[str, Words]) -> dict[str, str]:
    """The word of a place in every language."""
    return {lang: words.verdict(place.kind, place.level) for lang, words in languages.items()}
