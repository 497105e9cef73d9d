"""Owns: what the yard sheet says: the verdict in a sentence, what is broken, places, kit with one button each.

Must not know: HTML, SVG, files, sockets, who looks.
How it works: a snapshot, the words of one language and a unit go in, a frozen view comes out. Nothing is decided again
that the core has decided. The heat number stays °F + % in both units, because the posts are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.air_text import inputs_text, policy_text
from dashboards.alarm_text import GATES, calling, do_of, say_of, standing, taken_text
from dashboards.bell_view import anchor, counted, said_of
from dashboards.clock_text import old_text, since_text, time_text
from dashboards.device import Unit
from dashboards.messages import untold
from dashboards.past import PlaceDay, worst_point
from dashboards.present import worst_place
from dashboards.rows import kit_state, label_of, shown_sum, temp_f_of
from dashboards.words import Words
from gateway.engine.snapshot import AlarmView, KitView, PlaceView, Snapshot

ALARMS_AT_MOST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetTrouble:
    """`sign` is what is drawn beside it: a plug for what is not heard, a fan as it should be known by now.

    An alarm has its priority as a word, who has it, its place on the bell list, and for a horse a gate.
    """

    text: str
    todo: str
    sign: str
    urgency: str = ""
    has: str = ""
    at: str = ""
    gate: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetKit:
    """`state` is on, asked or off as drawn; `says` what it does, `why` why. `hand`: a person has it."""

    name: str
    title: str
    kind: str
    state: str
    says: str
    why: str
    hand: bool
    button: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPlace:
    """A place. Without a reading every number is empty."""

    name: str
    level: int | None
    freshness: str
    verdict: str
    air: str
    sum_text: str
    temp_f: int | None
    rh_pct: int | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Everything that changes on the page. `said` is the verdict as it is spoken.

    `calling` alarms have nobody, `standing` are these and those that somebody has; `bells` says the same, and `more`
    how many of them are not shown here.
    """

    level: int | None
    word: str
    sentence: str
    because: str
    worst: str
    said: str
    troubles: tuple[SheetTrouble, ...]
    places: tuple[SheetPlace, ...]
    kit: tuple[SheetKit, ...]
    posts: tuple[float, ...]
    calling: int
    standing: int
    bells: str
    more: str


def sheet_of(snapshot: Snapshot, words: Words, unit: Unit, day: PlaceDay | None) -> Sheet:
    """The sheet of a snapshot; `day` is today of the worst place, as far as it is known."""
    worst, alarms = worst_place(snapshot.places), standing(snapshot.alarms)
    name, word = label_of(worst, words.lang), words.verdict(worst.kind, worst.level)
    does = _does(worst, words)
    return Sheet(
        level=worst.level,
        word=word,
        sentence=f"{name}: {does[0].lower() + does[1:]}" if words.lang == "es" else f"{name}. {does}",
        because="" if worst.level is None else f"{inputs_text(worst, words)} {policy_text(worst, words)}",
        worst=worst_text(day, snapshot, words),
        said=f"{word}: {name}",
        troubles=_troubles(snapshot, words),
        places=tuple(_place(place, snapshot, words, unit) for place in snapshot.places),
        kit=tuple(kit_of(kit, place, snapshot, words) for place in snapshot.places for kit in place.kit),
        posts=snapshot.posts,
        calling=len(calling(snapshot.alarms)),
        standing=len(alarms),
        bells=said_of(snapshot.alarms, words) if alarms else "",
        more=counted("more", len(alarms) - ALARMS_AT_MOST, words) if len(alarms) > ALARMS_AT_MOST else "",
    )


def _troubles(snapshot: Snapshot, words: Words) -> tuple[SheetTrouble, ...]:
    """The worst alarms, then what no alarm tells."""
    alarms = standing(snapshot.alarms)
    others = (
        SheetTrouble(
            text=f"{each.lines[0].text}.",
            todo=words.todo.get(each.key, words.todo["other"]),
            sign=_SIGNS.get(each.key, "plug"),
        )
        for each in untold(snapshot, (words,), alarms)
    )
    return (*(_alarm(alarm, snapshot, words) for alarm in alarms[:ALARMS_AT_MOST]), *others)


def _alarm(alarm: AlarmView, snapshot: Snapshot, words: Words) -> SheetTrouble:
    return SheetTrouble(
        text=say_of(alarm, words),
        todo=do_of(alarm, words),
        sign="plug",
        urgency=words.bell[alarm.priority],
        has=taken_text(alarm, snapshot, words),
        at=anchor(alarm.alarm),
        gate=GATES[alarm.priority] if alarm.horse else None,
    )


# A fan that is asked and does not run, or all that run and are not enough.
_SIGNS = {
    "kit_not_running": "asked", "kit_not_stopping": "on", "kit_unreachable": "asked", "kit_other": "asked",
    "kit-at-its-end": "on",
}  # fmt: skip


def worst_text(day: PlaceDay | None, snapshot: Snapshot, words: Words) -> str:
    """The highest sum of today and when that was; now, when it has never been higher."""
    point = worst_point(day.air) if day else None
    if point is None:
        return words.yard["worst_none"]
    place = worst_place(snapshot.places)
    total, at_s = point.sum_f_pct, point.wall_s
    if place.sum_f_pct is not None and place.sum_f_pct >= total:
        total, at_s = place.sum_f_pct, snapshot.wall_s
    time = time_text(at_s, snapshot.zone, words)
    return words.yard["worst"].format(
        place=label_of(place, words.lang), sum=shown_sum(total, snapshot.posts), time=time
    )


def kit_title(kit: KitView, place: PlaceView, words: Words) -> str:
    """What people call it: the place and the kind, with its own name when the place has several of the kind."""
    alike = sum(other.kind == kit.kind for other in place.kit)
    title = words.hands["title"].format(place=label_of(place, words.lang), kit=words.kit.get(kit.kind, kit.kind))
    return f"{title} ({kit.name})" if alike > 1 else title


def kit_of(kit: KitView, place: PlaceView, snapshot: Snapshot, words: Words) -> SheetKit:
    """One piece of kit."""
    state = kit_state(kit)
    return SheetKit(
        name=kit.name,
        title=kit_title(kit, place, words),
        kind=kit.kind,
        state=state,
        says=_says(kit, state, snapshot, words),
        why=why_text(kit, words),
        hand=bool(kit.hand),
        button=words.yard["give_back" if kit.hand else "change"],
    )


def why_text(kit: KitView, words: Words) -> str:
    """Why it is as it is, in words of the language; the core's own sentence for a code that has none."""
    codes = [code for code in kit.reason_codes if code != "by-hand"]
    return words.why.get(codes[0], words.why["other"]) if codes else ""


def _says(kit: KitView, state: str, snapshot: Snapshot, words: Words) -> str:
    yard = words.yard
    if kit.hand:
        asked = yard["hand_on" if kit.hand == "on" else "hand_off"]
        time = "–" if kit.hand_until_wall_s is None else hand_time(kit.hand_until_wall_s, snapshot, words)
        text = yard["by_hand"].format(state=asked, time=time, name=kit.hand_by)
        follows = (state == "on") == (kit.hand == "on")
        return text if follows else f"{text} · {yard[_DIFFERS[state]]}"
    if state == "asked":
        return yard["unproven"]
    return f"{yard['state_on' if state == 'on' else 'state_off']} · {yard['auto']}"


# What is added when kit does not do what a person asked.
_DIFFERS = {"on": "state_on", "asked": "unproven", "off": "state_off"}


def hand_time(wall_s: float, snapshot: Snapshot, words: Words) -> str:
    """The end of a time by hand, with its day when that is another one."""
    return since_text(wall_s, snapshot.wall_s, snapshot.zone, words)


def _does(place: PlaceView, words: Words) -> str:
    if place.level is None:
        return words.yard["say_unknown"]
    return words.yard[f"say_{place.kind}_{place.level}"]


def _place(place: PlaceView, snapshot: Snapshot, words: Words, unit: Unit) -> SheetPlace:
    name, word = label_of(place, words.lang), words.verdict(place.kind, place.level)
    if place.level is None or place.temp_c is None or place.rh_pct is None or place.sum_f_pct is None:
        return SheetPlace(name=name, level=None, freshness="lost", verdict=words.unknown, air=words.no_reading,
                          sum_text="", temp_f=None, rh_pct=None, note="")  # fmt: skip
    air = air_numbers(place.temp_c, place.rh_pct, unit)
    notes = [inputs_text(place, words)]
    if place.cooled_by and place.cooled_until_wall_s is not None:
        till = hand_time(place.cooled_until_wall_s, snapshot, words)
        notes.append(words.yard["cooled"].format(name=place.cooled_by, time=till))
    if place.freshness != "fresh":
        notes.insert(0, old_text(place.age_s or 0.0, words))
    return SheetPlace(
        name=name,
        level=place.level,
        freshness=place.freshness,
        verdict=word,
        air=air,
        sum_text=str(shown_sum(place.sum_f_pct, snapshot.posts)),
        temp_f=temp_f_of(place.temp_c),
        rh_pct=math.floor(place.rh_pct + 0.5),
        note=" ".join(notes),
    )


def air_numbers(temp_c: float, rh_pct: float, unit: Unit) -> str:
    """Temperature and damp as people say them. In °C they are no sum, so no plus stands between."""
    damp = math.floor(rh_pct + 0.5)
    if unit == "c":
        return f"{math.floor(temp_c + 0.5)} °C, {damp} %"
    return f"{temp_f_of(temp_c)}° + {damp} %"


def riding_places(places: Sequence[PlaceView]) -> tuple[PlaceView, ...]:
    """The places that have a roof to show; where nobody rides, all."""
    return tuple(place for place in places if place.kind == "riding") or tuple(places)
