"""Owns: the one line of the message bar: what needs a person, worst first.

Must not know: HTML, how the rest of the board looks.
How it works: kit that does not follow, hanging lines, lost places and the remaining faults of the snapshot become
messages with a rank. The worst is shown in each language, the others are counted. A fault that a message of
another kind already tells is not told twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from dashboards.clock_text import since_text, zone_of
from dashboards.words import Words
from gateway.engine.snapshot import FaultView, KitView, PlaceView, Snapshot

# What hurts a horse first: air that should move and does not, then not knowing, then the paperwork.
RANKS = (
    "fire",
    "kit-at-its-end",
    "kit_not_running",
    "kit_unreachable",
    "kit_other",
    "bus-stuck",
    "place_lost",
    "water-stuck",
    "kit_not_stopping",
    "sensor-lost",
    "fault_other",
    "history-unwritten",
)


# How many letters of the largest and of the middle size stand on one line of the bar.
LETTERS = (54, 66)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A text and its language."""

    lang: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """The worst trouble in each language, and how many more there are. `size` 0 is the largest letter that fits.

    `hand`: nothing is wrong, but a person has something by hand.
    """

    lines: tuple[Line, ...]
    more: tuple[Line, ...]
    plug: bool
    size: int
    hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something that needs a person, in each language; `key` names what it is and what to do."""

    key: str
    rank: int
    lines: tuple[Line, ...]
    plug: bool = False


def in_each(texts: Sequence[Words], make: Callable[[Words], str]) -> tuple[Line, ...]:
    """The same text in each language; a second language that says the same letters is left out."""
    lines = tuple(Line(lang=words.lang, text=make(words)) for words in texts)
    return tuple(line for at, line in enumerate(lines) if line.text not in {one.text for one in lines[:at]})


def worst_message(snapshot: Snapshot, texts: Sequence[Words]) -> Message | None:
    """The line for the message bar: the worst trouble, else what is by hand; None when there is neither."""
    troubles = all_troubles(snapshot, texts)
    if troubles:
        return _message(troubles[0].lines, len(troubles) - 1, texts, plug=troubles[0].plug)
    hands = [(place, kit) for place in snapshot.places for kit in place.kit if kit.hand]
    if not hands:
        return None
    lines = in_each(texts, partial(_hand_text, *hands[0], snapshot))
    return _message(lines, len(hands) - 1, texts, hand=True)


def _message(
    lines: tuple[Line, ...], others: int, texts: Sequence[Words], *, plug: bool = False, hand: bool = False
) -> Message:
    more = in_each(texts, lambda words: words.more.format(n=others)) if others else ()
    longest = max(len(line.text) for line in lines) + max((len(line.text) for line in more), default=0)
    size = sum(longest > letters for letters in LETTERS)
    return Message(lines=lines, more=more, plug=plug, size=size, hand=hand)


def _hand_text(place: PlaceView, kit: KitView, snapshot: Snapshot, words: Words) -> str:
    """Which thing a person has, how, until when, and who."""
    time = words.clock_unset
    if kit.hand_until_wall_s is not None and snapshot.clock_trusted:
        time = since_text(kit.hand_until_wall_s, snapshot.wall_s, snapshot.zone, words)
    return words.hand_line.format(
        place=place.label.get(words.lang, place.name),
        kit=words.kit.get(kit.kind, kit.name),
        state=words.yard["hand_on" if kit.hand == "on" else "hand_off"],
        time=time,
        name=kit.hand_by,
    )


def all_troubles(snapshot: Snapshot, texts: Sequence[Words]) -> list[Trouble]:
    """Everything that needs a person, worst first."""
    found = (*_kit_troubles(snapshot, texts), *_lost_places(snapshot, texts), *_faults(snapshot, texts))
    return sorted(found, key=lambda trouble: trouble.rank)


def _kit_troubles(snapshot: Snapshot, texts: Sequence[Words]) -> Iterator[Trouble]:
    """The core grants a contact a few seconds to follow; `trouble` says when that time is over."""
    for place in snapshot.places:
        for kit in place.kit:
            if kit.trouble:
                yield _kit_trouble(place, kit, texts)


def _kit_trouble(place: PlaceView, kit: KitView, texts: Sequence[Words]) -> Trouble:
    truth = kit.seen if kit.running is None else kit.running  # what runs, not what its relay says
    key = {None: "kit_unreachable", True: "kit_not_stopping", False: "kit_not_running"}[truth]
    if truth is kit.asked:
        key = "kit_other"

    def line(words: Words) -> str:
        text = {
            "kit_unreachable": words.kit_unreachable,
            "kit_not_stopping": words.kit_not_stopping,
            "kit_not_running": words.kit_not_running,
            "kit_other": words.kit_other,
        }[key]
        return text.format(place=place.label.get(words.lang, place.name), kit=words.kit.get(kit.kind, kit.name))

    return Trouble(key=key, rank=RANKS.index(key), lines=in_each(texts, line))


def _lost_places(snapshot: Snapshot, texts: Sequence[Words]) -> Iterator[Trouble]:
    for place in snapshot.places:
        if place.level is None:
            lines = in_each(texts, partial(_lost_text, place, snapshot))
            yield Trouble(key="place_lost", rank=RANKS.index("place_lost"), lines=lines, plug=True)


def _lost_text(place: PlaceView, snapshot: Snapshot, words: Words) -> str:
    name = place.label.get(words.lang, place.name)
    timed = snapshot.clock_trusted and zone_of(snapshot.zone) is not None
    if place.good_wall_s is not None and timed:
        time = since_text(place.good_wall_s, snapshot.wall_s, snapshot.zone, words)
        text = words.place_lost_since.format(place=name, time=time)
    elif place.age_s is not None and place.age_s >= 60:
        text = words.place_lost_for.format(place=name, n=int(place.age_s // 60))
    else:
        text = words.place_lost.format(place=name)
    return f"{text}. {words.reason.get(place.lost_code, words.reason['other'])}"


def _faults(snapshot: Snapshot, texts: Sequence[Words]) -> Iterator[Trouble]:
    told = {kit.name for place in snapshot.places for kit in place.kit if kit.trouble}
    for fault in snapshot.faults:
        if fault.subject not in told and not _told_by_a_place(fault, snapshot.places):
            key = fault.code if fault.code in RANKS else "fault_other"
            yield Trouble(key=key, rank=RANKS.index(key), lines=in_each(texts, partial(_fault_text, fault, snapshot)))


def _told_by_a_place(fault: FaultView, places: Sequence[PlaceView]) -> bool:
    """A lost place names the sensor that it waits for at the head of its sentence."""
    return fault.code == "sensor-lost" and any(
        place.level is None and place.lost_text.startswith(f"{fault.subject}:") for place in places
    )


def _fault_text(fault: FaultView, snapshot: Snapshot, words: Words) -> str:
    """A fault of a place is told with the name that people know."""
    labels = {place.name: place.label.get(words.lang, place.name) for place in snapshot.places}
    subject = labels.get(fault.subject, fault.subject)
    return words.fault.get(fault.code, words.fault_other).format(subject=subject)
