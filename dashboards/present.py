"""Owns: what the aisle board says: which place is worst, which word, which number, what is written beside it.

Must not know: HTML, SVG, files, sockets, clocks.
How it works: a snapshot and the words of one or two languages go in, a frozen view comes out. Nothing is decided
again that the core has decided; only the shape for the eye is added. A place without a level counts as its last
level or 1, whichever is worse, and wins a tie: unknown is never shown as fine. Two equal views look the same, so
a view that did not change need not be drawn again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards.air_text import air_note, air_text, differs, pace_of, roof_limits, sentence
from dashboards.clock_text import old_text
from dashboards.messages import Line, Message, in_each, worst_message
from dashboards.words import Words
from gateway.engine.snapshot import KitView, PlaceView, Snapshot

# More rows than this cannot be read from 3 m; the worst ones stay and the board says how many are missing.
ROWS_AT_MOST = 6

# Names and other places of the worst level that fit beside the word, alone and with what the roof says.
WHERE_AT_MOST, WHERE_AT_MOST_LIMITED = 3, 2

# Letters that fit below a pole beside at most one kit sign, and beside two; smaller rows hold half as many again.
NOTE_LETTERS, NOTE_LETTERS_TWO_SIGNS, SMALL_ROWS = 34, 25, 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """One drawn sign of a row: `kind` is fan or mister, `state` on, asked or off."""

    kind: str
    state: str
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One place. A lost row holds no number in any field that is shown. `differs`: the rule and the air do."""

    name: str
    fit: str
    level: int | None
    freshness: str
    verdict: tuple[Line, ...]
    sum_text: str
    temp_f: int | None
    rh_pct: int | None
    note: tuple[Line, ...]
    differs: bool
    signs: tuple[Sign, ...]
    said: str


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
        rows=tuple(_row(place, texts, snapshot.posts, _letters(place, len(shown))) for place in shown),
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
        rows=tuple(_lost_row(place, texts, signs=()) for place in shown),
        hidden="",
        message=None,
        posts=snapshot.posts if snapshot else (),
    )


def counted_level(place: PlaceView) -> int:
    """The level at which a place counts when the worst is sought."""
    return place.level if place.level is not None else max(place.last_level or 0, 1)


def shown_sum(sum_f_pct: float, posts: Sequence[float]) -> int:
    """The whole number nearest to the sum that has not passed a post which the sum itself has not reached."""
    nearest = math.floor(sum_f_pct + 0.5)
    return math.floor(sum_f_pct) if any(sum_f_pct < post <= nearest for post in posts) else nearest


def temp_f_of(temp_c: float) -> int:
    """Whole degrees Fahrenheit."""
    return math.floor(temp_c * 9 / 5 + 32 + 0.5)


def label_of(place: PlaceView, lang: str) -> str:
    """The name of a place in a language, or the name in the site file when it has none."""
    return place.label.get(lang, place.name)


def _worst(places: Sequence[PlaceView]) -> PlaceView:
    """The highest level leads; in a tie the unknown, then places where horses are ridden, then a roof that limits."""
    return max(places, key=lambda p: (counted_level(p), p.level is None, p.kind == "riding", roof_limits(p)))


def _head(places: Sequence[PlaceView], texts: Sequence[Words]) -> Head:
    worst = _worst(places)
    verdict = in_each(texts, lambda words: words.verdict(worst.kind, worst.level))
    alike = [p for p in places if p.level == worst.level and (worst.level is None or p.kind == worst.kind)]
    if worst.level is None:
        alike = [p for p in alike if counted_level(p) == counted_level(worst)]
    limited = [p for p in alike if roof_limits(p) and pace_of(p) == pace_of(worst)] if roof_limits(worst) else []
    limit = in_each(texts, lambda words: air_text(worst, words)) if limited else ()
    where = _names(limited or alike, WHERE_AT_MOST_LIMITED if limited else WHERE_AT_MOST, texts[0])
    others = len(alike) - len(limited or alike)
    said = ", ".join((verdict[0].text, *(line.text for line in limit[:1])))
    return Head(
        level=worst.level,
        verdict=verdict,
        where=where,
        limit=limit,
        also=texts[0].more.format(n=others) if others else "",
        fit=_fit(where),
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


def _row(place: PlaceView, texts: Sequence[Words], posts: Sequence[float], letters: int) -> Row:
    signs = _signs(place.kit, texts[0])
    if place.level is None or place.sum_f_pct is None or place.temp_c is None or place.rh_pct is None:
        return _lost_row(place, texts, signs)
    words, name = texts[0], label_of(place, texts[0].lang)
    late = place.freshness != "fresh"
    facts = {
        "place": name,
        "word": words.verdict(place.kind, place.level),
        "sum": shown_sum(place.sum_f_pct, posts),
        "temp": temp_f_of(place.temp_c),
        "rh": math.floor(place.rh_pct + 0.5),
        "age": old_text(place.age_s or 0.0, words),
    }
    said = (words.said_row_late if late else words.said_row).format(**facts)
    return Row(
        name=name,
        fit=_fit((name,)),
        level=place.level,
        freshness="late" if late else "fresh",
        verdict=in_each(texts, lambda words: words.verdict(place.kind, place.level)),
        sum_text=str(facts["sum"]),
        temp_f=temp_f_of(place.temp_c),
        rh_pct=math.floor(place.rh_pct + 0.5),
        note=_note(place, texts, late, letters),
        differs=differs(place),
        signs=signs,
        said=f"{said}. {sentence(place, words) or air_note(place, words)}",
    )


def _letters(place: PlaceView, rows: int) -> int:
    """How many letters of a note fit in the row of this place."""
    letters = NOTE_LETTERS if len(place.kit) < 2 else NOTE_LETTERS_TWO_SIGNS
    return int(letters * SMALL_ROWS) if rows > 4 else letters


def _note(place: PlaceView, texts: Sequence[Words], late: bool, letters: int) -> tuple[Line, ...]:
    """The age of a late reading, then the air, in each language as far as the letters fit."""
    ages = in_each(texts, lambda words: old_text(place.age_s or 0.0, words)) if late else ()
    note = (*ages, *in_each(texts, lambda words: air_note(place, words)))
    for count in range(len(note), 1, -1):  # the first language always stays
        if sum(len(line.text) + 1 for line in note[:count]) <= letters:
            return note[:count]
    return note[:1]


def _lost_row(place: PlaceView, texts: Sequence[Words], signs: tuple[Sign, ...]) -> Row:
    words, name = texts[0], label_of(place, texts[0].lang)
    return Row(
        name=name,
        fit=_fit((name,)),
        level=None,
        freshness="lost",
        verdict=in_each(texts, lambda words: words.unknown),
        sum_text="",
        temp_f=None,
        rh_pct=None,
        note=in_each(texts, lambda words: words.no_reading),
        differs=False,
        signs=signs,
        said=words.said_row_lost.format(place=name, word=words.unknown),
    )


def _signs(kit: Sequence[KitView], words: Words) -> tuple[Sign, ...]:
    """One sign for each kind of kit of a place; of several the least proven one is shown."""
    signs = []
    for kind in ("fan", "mister"):
        states = {_kit_state(item) for item in kit if item.kind == kind}
        state = next((s for s in ("asked", "on", "off") if s in states), None)
        if state is not None:
            signs.append(Sign(kind=kind, state=state, said=f"{words.kit[kind]}: {words.kit_state[state]}"))
    return tuple(signs)


def _kit_state(kit: KitView) -> str:
    """Only what the hardware shows counts as running; asked and not seen is its own sign."""
    if kit.seen:
        return "on"
    return "asked" if kit.asked else "off"


def _fit(names: Sequence[str]) -> str:
    """The size class that lets the longest name stand on one line."""
    longest = max((len(name) for name in names), default=0)
    return next((f"s{limit}" for limit in (7, 10, 14) if longest <= limit), "s20")


def labels(temp_f: int, rh_pct: int) -> tuple[str, str]:
    """The two numbers as they stand in the rods."""
    return f"{temp_f}°", f"{rh_pct}%"


def verdicts(place: PlaceView, languages: Mapping[str, Words]) -> dict[str, str]:
    """The word of a place in every language."""
    return {lang: words.verdict(place.kind, place.level) for lang, words in languages.items()}
