"""Owns: what one row of the aisle board says: the numbers of a place, its words, the signs of its kit.

Must not know: HTML, SVG, files, sockets, clocks, other places.
How it works: a place and the words of one or two languages go in, a frozen view comes out. A place has all its
numbers or none: when one is missing the row is a lost row, which holds no number in any field. Numbers are labelled
in the first language; the note, which has the sentence, is there in each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.air_text import differs, inputs_text, policy_text, roof_text, shown_carry
from dashboards.clock_text import old_text
from dashboards.messages import Line, in_each
from dashboards.words import Words
from gateway.engine.snapshot import KitView, PlaceView


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """One drawn sign of a row: `kind` is fan, mister or valve, `state` on, asked or off; `hand`: a person has it."""

    kind: str
    state: str
    said: str
    hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A number, or a word in its place, between the words that name it."""

    before: str
    value: str
    after: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One place. `differs`: the rule and the air do. `age` is there when the reading is late.

    `note` says in each language what the rule and the air say, `policy` in the same order which of them counts.
    """

    name: str
    fit: str
    level: int | None
    freshness: str
    verdict: tuple[Line, ...]
    sum_text: str
    temp_f: int | None
    rh_pct: int | None
    age: tuple[Line, ...]
    facts: tuple[Fact, ...]
    note: tuple[Line, ...]
    policy: tuple[Line, ...]
    differs: bool
    signs: tuple[Sign, ...]
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Numbers:
    """The numbers of a place, as they are shown."""

    total: int
    temp_f: int
    rh_pct: int
    wet_bulb_f: int
    carry: str


def row_of(place: PlaceView, texts: Sequence[Words], posts: Sequence[float]) -> Row:
    """The row of a place as it is known now."""
    numbers = _numbers(place, posts)
    if numbers is None:
        return lost_row(place, texts, signs_of(place.kit, texts[0]))
    name, late = label_of(place, texts[0].lang), place.freshness != "fresh"
    return Row(
        name=name,
        fit=fit_of((name,)),
        level=place.level,
        freshness="late" if late else "fresh",
        verdict=in_each(texts, lambda words: words.verdict(place.kind, place.level)),
        sum_text=str(numbers.total),
        temp_f=numbers.temp_f,
        rh_pct=numbers.rh_pct,
        age=in_each(texts, lambda words: old_text(place.age_s or 0.0, words)) if late else (),
        facts=_facts(place, numbers, texts[0]),
        note=tuple(Line(lang=words.lang, text=inputs_text(place, words)) for words in texts),
        policy=tuple(Line(lang=words.lang, text=policy_text(place, words)) for words in texts),
        differs=differs(place),
        signs=signs_of(place.kit, texts[0]),
        said=_said(place, numbers, texts[0], late=late),
    )


def lost_row(place: PlaceView, texts: Sequence[Words], signs: tuple[Sign, ...]) -> Row:
    """The row of a place without a reading."""
    words, name = texts[0], label_of(place, texts[0].lang)
    return Row(
        name=name,
        fit=fit_of((name,)),
        level=None,
        freshness="lost",
        verdict=in_each(texts, lambda words: words.unknown),
        sum_text="",
        temp_f=None,
        rh_pct=None,
        age=(),
        facts=(),
        note=in_each(texts, lambda words: words.no_reading),
        policy=(),
        differs=False,
        signs=signs,
        said=words.said_row_lost.format(place=name, word=words.unknown),
    )


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


def fit_of(names: Sequence[str]) -> str:
    """The size class that lets the longest name stand on one line."""
    longest = max((len(name) for name in names), default=0)
    return next((f"s{limit}" for limit in (7, 10, 14) if longest <= limit), "s20")


def _numbers(place: PlaceView, posts: Sequence[float]) -> _Numbers | None:
    if place.level is None or place.sum_f_pct is None or place.temp_c is None or place.rh_pct is None:
        return None
    if place.wet_bulb_c is None or place.carry is None:
        return None
    return _Numbers(
        total=shown_sum(place.sum_f_pct, posts),
        temp_f=temp_f_of(place.temp_c),
        rh_pct=math.floor(place.rh_pct + 0.5),
        wet_bulb_f=temp_f_of(place.wet_bulb_c),
        carry=shown_carry(place.carry),
    )


def _facts(place: PlaceView, numbers: _Numbers, words: Words) -> tuple[Fact, ...]:
    """The wet bulb, the roof, and the carry with the pace that it is for."""
    return (
        Fact(before=words.wet_bulb, value=f"{numbers.wet_bulb_f}°F"),
        Fact(before=words.carry, value=f"{numbers.carry}×", after=words.pace.get(place.carry_pace, place.carry_pace)),
        Fact(before="", value=roof_text(place, words)),
    )


def _said(place: PlaceView, numbers: _Numbers, words: Words, *, late: bool) -> str:
    """The whole row as it is spoken."""
    text = (words.said_row_late if late else words.said_row).format(
        place=label_of(place, words.lang),
        word=words.verdict(place.kind, place.level),
        sum=numbers.total,
        temp=numbers.temp_f,
        rh=numbers.rh_pct,
        age=old_text(place.age_s or 0.0, words),
    )
    air = words.said_air.format(
        temp=numbers.wet_bulb_f,
        n=numbers.carry,
        pace=words.pace.get(place.carry_pace, place.carry_pace),
        air=roof_text(place, words),
    )
    return f"{text}, {air}. {inputs_text(place, words)} {policy_text(place, words)}"


def signs_of(kit: Sequence[KitView], words: Words) -> tuple[Sign, ...]:
    """One sign for each kind of kit of a place; of several the least proven one. By hand counts if one of them is."""
    signs = []
    for kind in ("fan", "mister", "valve"):
        states = {kit_state(item) for item in kit if item.kind == kind}
        state = next((s for s in ("asked", "on", "off") if s in states), None)
        if state is not None:
            hand = any(item.hand for item in kit if item.kind == kind)
            said = f"{words.kit[kind]}: {words.kit_state[state]}" + (f", {words.by_hand}" if hand else "")
            signs.append(Sign(kind=kind, state=state, said=said, hand=hand))
    return tuple(signs)


def kit_state(kit: KitView) -> str:
    """Only what the hardware shows counts as running, a proof of run most; asked and not seen is its own sign."""
    if kit.seen if kit.running is None else kit.running:
        return "on"
    return "asked" if kit.asked else "off"
