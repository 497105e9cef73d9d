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
    "kit_not_running",
    "kit_unreachable",
    "bus-stuck",
    "place_lost",
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
    """The worst trouble in each language, and how many more there are. `size` 0 is the largest letter that fits."""

    lines: tuple[Line, ...]
    more: tuple[Line, ...]
    plug: bool
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trouble:
    rank: int
    lines: tuple[Line, ...]
    plug: bool = False


def in_each(texts: Sequence[Words], make: Callable[[Words], str]) -> tuple[Line, ...]:
    """The same text in each language; a second language that says the same letters is left out."""
    lines = tuple(Line(lang=words.lang, text=make(words)) for words in texts)
    return tuple(line for at, line in enumerate(lines) if line.text not in {one.text for one in lines[:at]})


def worst_message(snapshot: Snapshot, texts: Sequence[Words]) -> Message | None:
    """The line for the message bar, or None when nothing needs a person."""
    troubles = sorted(
        (*_kit_troubles(snapshot, texts), *_lost_places(snapshot, texts), *_faults(snapshot, texts)),
        key=lambda trouble: trouble.rank,
    )
    if not troubles:
        return None
    others = len(troubles) - 1
    more = in_each(texts, lambda words: words.more.format(n=others)) if others else ()
    longest = max(len(line.text) for line in troubles[0].lines) + max((len(line.text) for line in more), default=0)
    size = sum(longest > letters for letters in LETTERS)
    return Message(lines=troubles[0].lines, more=more, plug=troubles[0].plug, size=size)


def _kit_troubles(snapshot: Snapshot, texts: Sequence[Words]) -> Iterator[_Trouble]:
    """The core grants a contact a few seconds to follow; `trouble` says when that time is over."""
    for place in snapshot.places:
        for kit in place.kit:
            if kit.trouble:
                yield _kit_trouble(place, kit, texts)


def _kit_trouble(place: PlaceView, kit: KitView, texts: Sequence[Words]) -> _Trouble:
    key = {None: "kit_unreachable", True: "kit_not_stopping", False: "kit_not_running"}[kit.seen]

    def line(words: Words) -> str:
        text = {
            "kit_unreachable": words.kit_unreachable,
            "kit_not_stopping": words.kit_not_stopping,
            "kit_not_running": words.kit_not_running,
        }[key]
        return text.format(place=place.label.get(words.lang, place.name), kit=words.kit.get(kit.kind, kit.name))

    return _Trouble(rank=RANKS.index(key), lines=in_each(texts, line))


def _lost_places(snapshot: Snapshot, texts: Sequence[Words]) -> Iterator[_Trouble]:
    for place in snapshot.places:
        if place.level is None:
            lines = in_each(texts, partial(_lost_text, place, snapshot))
            yield _Trouble(rank=RANKS.index("place_lost"), lines=lines, plug=True)


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


def _faults(snapshot: Snapshot, texts: Sequence[Words]) -> Iterator[_Trouble]:
    told = {kit.name for place in snapshot.places for kit in place.kit if kit.trouble}
    for fault in snapshot.faults:
        if fault.subject not in told and not _told_by_a_place(fault, snapshot.places):
            key = fault.code if fault.code in RANKS else "fault_other"
            yield _Trouble(rank=RANKS.index(key), lines=in_each(texts, partial(_fault_text, fault)))


def _told_by_a_place(fault: FaultView, places: Sequence[PlaceView]) -> bool:
    """A lost place names the sensor that it waits for at the head of its sentence."""
    return fault.code == "sensor-lost" and any(
        place.level is None and place.lost_text.startswith(f"{fault.subject}:") for place in places
    )


def _fault_text(fault: FaultView, words: Words) -> str:
    return words.fault.get(fault.code, words.fault_other).format(subject=fault.subject)
