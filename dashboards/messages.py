"""Owns: the one line of the message bar: what needs a person, worst first.

Must not know: HTML, how the rest of the board looks.
How it works: alarms that are NOW or SOON, kit that does not follow, hanging lines, lost places and the remaining faults
of the snapshot become messages with a rank. The worst is shown in each language, the others are counted. A fault that
an alarm or a message of another kind already tells is not told twice. An alarm also says what to do and who has it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from dashboards.alarm_text import GATES, ON_THE_WALL, QUIET, do_of, say_of, shortened, standing, taken_text
from dashboards.clock_text import since_text, zone_of
from dashboards.words import Words
from gateway.engine.snapshot import AlarmView, FaultView, KitView, PlaceView, Snapshot

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


# What waits before any alarm that is only SOON: the core raises a NOW for each of these, a moment later.
GRAVE = ("kit-at-its-end", "kit_not_running")

# The alarms that tell the same as a trouble about the same subject; what is not here is told by one of its own name.
TOLD_BY = {
    "kit-at-its-end": ("saturated",),
    "kit_not_running": ("kit-not-running",),
    "kit_not_stopping": ("contact-stuck",),
    "kit_unreachable": ("kit-unreachable",),
    "kit_other": ("kit-not-in-auto", "kit-not-running", "kit-unreachable", "contact-stuck"),
    "bus-stuck": ("bus-lost",),
    "place_lost": ("place-blind",),
    "history-unwritten": ("history-lost",),
}
OF_THE_WHOLE = ("fire", "history-lost", "supply-low")  # a barn has one of each, whatever its subject is called

# How many letters of the largest and of the middle size stand on one line of the bar.
LETTERS = (54, 66)

# The same for an alarm, with the smallest size: what is the matter in thin letters, what to do in bold ones.
MATTER_LETTERS, ORDER_LETTERS = (70, 79, 88), (72, 80, 88)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A text and its language."""

    lang: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """The worst trouble in each language, and how many more there are. `size` 0 is the largest letter that fits.

    `hand`: nothing is wrong, but a person has something by hand. An alarm also has its priority as a word, what to do,
    who has it, and for a horse a gate.
    """

    lines: tuple[Line, ...]
    more: tuple[Line, ...]
    plug: bool
    size: int
    hand: bool = False
    urgency: tuple[Line, ...] = ()
    orders: tuple[Line, ...] = ()
    taken: tuple[Line, ...] = ()
    gate: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something that needs a person, in each language; `key` names what it is and what to do.

    `told_by` are the alarms (RULE:SUBJECT, or a RULE that is about the whole barn) that tell the same.
    """

    key: str
    rank: int
    lines: tuple[Line, ...]
    plug: bool = False
    told_by: frozenset[str] = frozenset()


def in_each(texts: Sequence[Words], make: Callable[[Words], str]) -> tuple[Line, ...]:
    """The same text in each language; a second language that says the same letters is left out."""
    lines = tuple(Line(lang=words.lang, text=make(words)) for words in texts)
    return tuple(line for at, line in enumerate(lines) if line.text not in {one.text for one in lines[:at]})


def worst_message(snapshot: Snapshot, texts: Sequence[Words]) -> Message | None:
    """The line for the message bar: the worst alarm or trouble, else what is by hand; None when there is neither."""
    alarms = [alarm for alarm in standing(snapshot.alarms) if alarm.priority in ON_THE_WALL]
    quiet = {alarm.alarm for alarm in snapshot.alarms if alarm.state in QUIET}
    troubles = sorted(untold(snapshot, texts, alarms), key=lambda trouble: _trouble_rank(trouble, quiet))
    others = len(alarms) + len(troubles) - 1
    first = alarms[0] if alarms else None
    if first is not None and (not troubles or _alarm_rank(first) < _trouble_rank(troubles[0], quiet)):
        return _alarm_message(first, others, snapshot, texts)
    if troubles:
        return _message(troubles[0].lines, others, texts, plug=troubles[0].plug)
    hands = [(place, kit) for place in snapshot.places for kit in place.kit if kit.hand]
    if not hands:
        return None
    lines = in_each(texts, partial(_hand_text, *hands[0], snapshot))
    return _message(lines, len(hands) - 1, texts, hand=True)


def _alarm_rank(alarm: AlarmView) -> int:
    """NOW stands before every trouble but a fire, SOON before all but the grave ones."""
    return 1 if alarm.priority == "now" else 3


def _trouble_rank(trouble: Trouble, quiet: Collection[str]) -> int:
    """What somebody has made quiet hides nothing else, but a fire is never quiet here."""
    if trouble.key == "fire":
        return 0
    return 5 if not trouble.told_by.isdisjoint(quiet) else 2 if trouble.key in GRAVE else 4


def untold(snapshot: Snapshot, texts: Sequence[Words], alarms: Sequence[AlarmView]) -> list[Trouble]:
    """The troubles that none of these alarms tells, and none that another one explains.

    What somebody has made quiet is still broken, so its trouble is told.
    """
    shown = [*alarms, *(alarm for alarm in snapshot.alarms if alarm.state == "suppressed")]
    told = {alarm.alarm for alarm in shown} | {alarm.rule for alarm in shown if alarm.rule in OF_THE_WHOLE}
    return [trouble for trouble in all_troubles(snapshot, texts) if not trouble.told_by & told]


def _alarm_message(alarm: AlarmView, others: int, snapshot: Snapshot, texts: Sequence[Words]) -> Message:
    """What is the matter on one line of each language, what to do and who has it on the next."""
    lines = tuple(Line(lang=words.lang, text=say_of(alarm, words)) for words in texts)
    urgency = tuple(Line(lang=words.lang, text=words.bell[alarm.priority]) for words in texts)
    taken = tuple(Line(lang=words.lang, text=taken_text(alarm, snapshot, words)) for words in texts)
    more = tuple(Line(lang=words.lang, text=words.more.format(n=others)) for words in texts) if others else ()
    beside = max((len(line.text) for line in more), default=0)
    matter = max(len(line.text) + len(word.text) + 2 + beside for line, word in zip(lines, urgency, strict=True))
    has = max(len(line.text) for line in taken) + 4
    least = max(len(shortened(do_of(alarm, words), 0)) for words in texts) + has
    size = max(_size(matter, MATTER_LETTERS), _size(least, ORDER_LETTERS), 1 if len(texts) > 1 else 0)
    orders = tuple(
        Line(lang=words.lang, text=shortened(do_of(alarm, words), ORDER_LETTERS[size] - has)) for words in texts
    )
    return Message(
        lines=lines, more=more, plug=not alarm.horse, size=size, urgency=urgency, orders=orders,
        taken=taken if taken[0].text else (), gate=GATES[alarm.priority] if alarm.horse else None,
    )  # fmt: skip


def _size(longest: int, letters: Sequence[int]) -> int:
    """The size class in which a line of so many letters fits; the smallest when none does."""
    return min(sum(longest > most for most in letters), len(letters) - 1)


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
                codes = {fault.code for fault in snapshot.faults if fault.subject == kit.name}
                yield _kit_trouble(place, kit, texts, codes)


def _kit_trouble(place: PlaceView, kit: KitView, texts: Sequence[Words], codes: Collection[str]) -> Trouble:
    truth = kit.seen if kit.running is None else kit.running  # what runs, not what its relay says
    key = {None: "kit_unreachable", True: "kit_not_stopping", False: "kit_not_running"}[truth]
    if truth is kit.asked:
        key = "kit_other"
    if truth is not True and "kit-not-running" in codes:
        key = "kit_not_running"  # also while it rests before the next try and is not asked

    def line(words: Words) -> str:
        text = {
            "kit_unreachable": words.kit_unreachable,
            "kit_not_stopping": words.kit_not_stopping,
            "kit_not_running": words.kit_not_running,
            "kit_other": words.kit_other,
        }[key]
        return text.format(place=place.label.get(words.lang, place.name), kit=words.kit.get(kit.kind, kit.name))

    told_by = _alarms_of(key, kit.name)
    return Trouble(key=key, rank=RANKS.index(key), lines=in_each(texts, line), told_by=told_by)


def _alarms_of(key: str, subject: str) -> frozenset[str]:
    rules = TOLD_BY.get(key, (key,))
    return frozenset(rule if rule in OF_THE_WHOLE else f"{rule}:{subject}" for rule in rules)


def _lost_places(snapshot: Snapshot, texts: Sequence[Words]) -> Iterator[Trouble]:
    for place in snapshot.places:
        if place.level is None:
            lines = in_each(texts, partial(_lost_text, place, snapshot))
            sensor = place.lost_text.partition(":")[0]
            told_by = _alarms_of("place_lost", place.name) | {f"sensor-lost:{sensor}"}
            yield Trouble(key="place_lost", rank=RANKS.index("place_lost"), lines=lines, plug=True, told_by=told_by)


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
            lines = in_each(texts, partial(_fault_text, fault, snapshot))
            yield Trouble(key=key, rank=RANKS.index(key), lines=lines, told_by=_told_by(fault))


def _told_by(fault: FaultView) -> frozenset[str]:
    """A doubt about a sensor and what has no rule of its own are told by the rules that gather such things."""
    doubt = {f"sensor-suspect:{fault.subject}"} if fault.code.startswith("sensor-") else set()
    return _alarms_of(fault.code, fault.subject) | doubt | {f"other:{fault.subject}"}


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
