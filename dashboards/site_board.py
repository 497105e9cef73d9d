"""Owns: what the site board says: which barns in which order, each with its word, its number, its age, what is lost.

Must not know: HTML, SVG, sockets, brokers, stores, clocks.
How it works: the roster as it is now, the words of one language and a unit go in, a frozen view comes out. Nothing is
decided again. A row without a level has no number in any field. The age stands beside its row, not in it: it changes
all the time, and a row that did not change need not be sent again.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards.clock_text import old_text
from dashboards.device import Unit
from dashboards.roster import BarnNow, PlaceNow
from dashboards.rows import shown_sum
from dashboards.sheet import air_numbers
from dashboards.site_days import Day, Points
from dashboards.words import Words
from gateway.barn import DEFAULT_POSTS

ROWS_AT_MOST = 60
OTHERS_AT_MOST = 5
POSTS = tuple(post.at for post in DEFAULT_POSTS)
LEVELS = ("3", "unknown", "2", "1", "0")  # in the order of the board


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """What the organisation file says of a barn."""

    name: str = ""
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """Which barns are to be seen. `level` is one of LEVELS, or empty for all; `page` counts from 1."""

    level: str = ""
    page: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """Another place of the barn."""

    name: str
    level: int | None
    sum_text: str
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BarnRow:
    """One barn by its worst place. `note` is there instead of numbers when nothing is known."""

    id: str
    name: str
    level: int | None
    lost: bool
    late: bool
    word: str
    place: str
    sum_text: str
    air: str
    note: str
    others: tuple[Chip, ...]
    others_more: str
    troubles: str
    by_hand: str
    page: str
    highest: str
    points: Points
    said_day: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """How many barns are at a level. `word` names it for riding and standing places."""

    level: str
    rails: int | None
    n: int
    word: str
    chosen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteBoard:
    """Everything that changes on the page. `ages` is by the id of the row."""

    heading: str
    said: str
    counts: tuple[Count, ...]
    rows: tuple[BarnRow, ...]
    ages: Mapping[str, str]
    before: int | None
    after: int | None
    day_end_s: float


def chosen_barns(barns: Sequence[BarnNow], chosen: Chosen) -> tuple[tuple[BarnNow, ...], int]:
    """The barns of a page, and how many the choice has on all pages."""
    found = [barn for barn in barns if not chosen.level or level_key(barn) == chosen.level]
    begin = (chosen.page - 1) * ROWS_AT_MOST
    return tuple(found[begin : begin + ROWS_AT_MOST]), len(found)


def site_board(
    barns: Sequence[BarnNow], own: Mapping[str, Own], chosen: Chosen, words: Words, unit: Unit, day: Day
) -> SiteBoard:
    """The board of all barns."""
    shown, total = chosen_barns(barns, chosen)
    lost = sum(barn.lost is not None for barn in barns)
    said = words.site["lost_n" if lost else "lost_0"].format(n=lost)
    return SiteBoard(
        heading=words.site["barns"].format(n=len(barns)),
        said=said,
        counts=_counts(barns, chosen, words),
        rows=tuple(_row(barn, own.get(barn.prefix, Own()), words, unit, day) for barn in shown),
        ages={row_id(barn): _age(barn, words) for barn in shown},
        before=chosen.page - 1 if chosen.page > 1 else None,
        after=chosen.page + 1 if chosen.page * ROWS_AT_MOST < total else None,
        day_end_s=day.end_s,
    )


def level_key(barn: BarnNow) -> str:
    """Under which level a barn is counted."""
    return "unknown" if barn.level is None else str(barn.level)


def row_id(barn: BarnNow) -> str:
    """A name for its row that any page can carry."""
    return hashlib.sha256(barn.prefix.encode()).hexdigest()[:10]


def _counts(barns: Sequence[BarnNow], chosen: Chosen, words: Words) -> tuple[Count, ...]:
    n = Counter(level_key(barn) for barn in barns)
    return tuple(
        Count(
            level=level,
            rails=None if level == "unknown" else int(level),
            n=n[level],
            word=words.unknown if level == "unknown" else f"{words.riding[int(level)]} · {words.standing[int(level)]}",
            chosen=chosen.level == level,
        )
        for level in LEVELS
    )


def _row(barn: BarnNow, own: Own, words: Words, unit: Unit, day: Day) -> BarnRow:
    worst = barn.places[0] if barn.places else None
    level, points = barn.level, day.found.get((barn.name, worst.name), ()) if worst else ()
    highest = max((total for _, total in points), default=None)
    top = "" if highest is None else str(shown_sum(highest, POSTS))
    place = worst.label.get(words.lang, worst.name) if worst else ""
    return BarnRow(
        id=row_id(barn),
        name=own.name or barn.name,
        level=level,
        lost=barn.lost is not None,
        late=worst is not None and worst.late,
        word=words.unknown if worst is None else words.verdict(worst.kind, level),
        place="" if barn.lost else place,
        sum_text=_sum(worst) if worst and not barn.lost else "",
        air=_air(worst, unit) if worst and not barn.lost else "",
        note=_note(barn, words),
        others=() if barn.lost else tuple(_chip(each, words) for each in barn.places[1 : OTHERS_AT_MOST + 1]),
        others_more="" if barn.lost else _more(len(barn.places) - 1 - OTHERS_AT_MOST, words),
        troubles=words.site["troubles"].format(n=barn.troubles) if barn.troubles else "",
        by_hand=words.site["by_hand"].format(n=barn.by_hand) if barn.by_hand else "",
        page=own.page,
        highest=words.site["highest"].format(sum=top) if top else "",
        points=points,
        said_day=words.site["day"].format(place=place, sum=top) if top else "",
    )


def _note(barn: BarnNow, words: Words) -> str:
    if barn.lost is not None:
        return words.site[f"lost_{barn.lost.value}"]
    if not barn.places:
        return words.site["no_places"]
    return words.no_reading if barn.level is None else ""


def _age(barn: BarnNow, words: Words) -> str:
    """How old the reading of the worst place is; of a lost gateway, for how long nothing is known."""
    if barn.lost is not None:
        return "" if barn.silent_s is None else _for(barn.silent_s, words)
    worst = barn.places[0] if barn.places else None
    if worst is None or worst.age_s is None:
        return ""
    text = old_text(worst.age_s, words)
    return words.site["at_least"].format(age=text) if worst.at_least else text


_SPANS = ((86_400.0, 172_800.0, "days"), (3_600.0, 7_200.0, "h"), (60.0, 60.0, "min"))


def _for(seconds: float, words: Words) -> str:
    for unit_s, from_s, name in _SPANS:
        if seconds >= from_s:
            return words.site[f"for_{name}"].format(n=int(seconds // unit_s))
    return words.site["for_s"].format(n=int(seconds // 10 * 10))


def _sum(place: PlaceNow) -> str:
    return "" if place.sum_f_pct is None else str(shown_sum(place.sum_f_pct, POSTS))


def _air(place: PlaceNow, unit: Unit) -> str:
    if place.temp_c is None or place.rh_pct is None:
        return ""
    return air_numbers(place.temp_c, place.rh_pct, unit)


def _chip(place: PlaceNow, words: Words) -> Chip:
    name, word = place.label.get(words.lang, place.name), words.verdict(place.kind, place.level)
    if place.level is None:
        said = words.said_row_lost.format(place=name, word=word)
    else:
        said = words.site["said_other"].format(place=name, word=word, sum=_sum(place))
    return Chip(name=name, level=place.level, sum_text=_sum(place), said=said)


def _more(n: int, words: Words) -> str:
    return words.more.format(n=n) if n > 0 else ""
