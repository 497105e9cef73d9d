"""Owns: made-up alarms and messages for the tests of the bell list, the wall and the yard sheet.

Must not know: what a screen makes of them.
How it works: the texts are the core's own, filled with invented names; the order is that of the core: by priority, then
horses before kit. Times are minutes before the afternoon of the made-up barns.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

from dashboards.calls import CallSeen
from gateway.alarms.rules import BY_CODE, LONGEST_SHELF_S
from gateway.alarms.texts import TEXTS
from gateway.engine.alarm_views import WORDS
from gateway.engine.snapshot import AlarmView, MarkView, Snapshot, TrialView
from gateway.errors import StoreError
from tests.dashboards.conftest import AFTERNOON_S, LABELS, Barns

CONTACTS = ("Ana", "Luis", "Dr. Vera")
NAMES = {"en": "stall fans", "es": "ventiladores"}
MIN_S = 60.0


def ago(minutes: float) -> float:
    return AFTERNOON_S - minutes * MIN_S


def ring(rule: str, subject: str = "stalls", *, place: str = "", ago_min: float = 20.0, **other: Any) -> AlarmView:
    """An alarm that has been raised `ago_min` ago and that nobody has, unless the test says otherwise."""
    known = BY_CODE[rule]
    place = place or (subject if subject in LABELS else "")
    labels: Mapping[str, str] = LABELS.get(place, {"en": place, "es": place})
    words = {lang: {"place": labels[lang], "name": NAMES[lang] if "fan" in subject else subject} for lang in NAMES}
    given: dict[str, Any] = {
        "alarm": f"{rule}:{subject}",
        "rule": rule,
        "subject": subject,
        "place": place,
        "horse": known.horse,
        "priority": WORDS[known.priority],
        "state": "unacknowledged",
        "standing": True,
        "episode": 3,
        "calls": 1,
        "say": {lang: TEXTS[rule].say[lang].format(**words[lang]) for lang in NAMES},
        "do": {lang: TEXTS[rule].do[lang].format(**words[lang]) for lang in NAMES},
        "detail": "",
        "raised_wall_s": ago(ago_min),
        "called_wall_s": ago(ago_min),
        "returned_wall_s": None,
        "taken_by": "",
        "shelved_until_wall_s": None,
        "shelved_by": "",
        "shelved_why": "",
        "longest_shelf_s": LONGEST_SHELF_S[known.priority],
        "cause": "",
        "out_by": "",
        "out_why": "",
        "marks": (),
    }
    return AlarmView(**{**given, **other})


def taken(alarm: AlarmView, by: str = "Luis", ago_min: float = 5.0) -> AlarmView:
    mark = MarkView(number=2, what="acknowledged", wall_s=ago(ago_min), priority=alarm.priority)
    return dataclasses.replace(alarm, state="acknowledged", taken_by=by, marks=(mark,))


def shelved(alarm: AlarmView, by: str = "Ana", why: str = "The vet is here") -> AlarmView:
    return dataclasses.replace(
        alarm, state="shelved", shelved_by=by, shelved_why=why, shelved_until_wall_s=AFTERNOON_S + 8 * MIN_S
    )


def over(alarm: AlarmView, state: str = "returned") -> AlarmView:
    return dataclasses.replace(alarm, state=state, standing=False, returned_wall_s=ago(4.0))


def explained(alarm: AlarmView, by: str) -> AlarmView:
    return dataclasses.replace(alarm, state="suppressed", cause=by)


def out(alarm: AlarmView) -> AlarmView:
    return dataclasses.replace(alarm, state="out-of-service", out_by="Luis", out_why="waits for a part")


def after_test(snapshot: Snapshot, days: float = 3.0, **other: Any) -> Snapshot:
    return dataclasses.replace(snapshot, tested_wall_s=ago(days * 24 * 60), tested_by="Luis", **other)


def barn(*alarms: AlarmView, **other: Any) -> Snapshot:
    """A close afternoon with these alarms, tested three days ago."""
    return after_test(Barns.risky(), alarms=alarms, alarms_wall_s=ago(4.0), **other)


STOP, FANS = ring("level-stop"), ring("kit-not-running", "stall-fans", place="stalls", priority="now", ago_min=7.0)
LINE = ring("bus-lost", "line-2", ago_min=95.0)


def flood() -> Snapshot:
    """Twelve at once."""
    return barn(
        ring("saturated", "rack", ago_min=2), STOP, ring("level-stop", "arena", ago_min=31), FANS,
        ring("level-plan", "outdoors", ago_min=140), LINE,
        ring("place-blind", "arena", ago_min=66), taken(ring("supply-low", "barn", ago_min=12)),
        ring("sensor-suspect", "rack-air", place="rack", ago_min=2000),
        ring("disk-low", "disk", ago_min=5000), ring("flush-due", "stall-mist", place="stalls", ago_min=9),
        ring("hand-ends", "arena-fans", place="arena", ago_min=4),
    )  # fmt: skip


def every_state() -> Snapshot:
    """One of each: taken, alone, explained, over and unread, quiet, out of service."""
    return barn(
        taken(STOP), LINE, over(FANS), explained(ring("sensor-lost", "rack-air", place="rack"), LINE.alarm),
        explained(ring("kit-unreachable", "rack-fan", place="rack"), LINE.alarm),
        shelved(ring("level-plan", "arena")), out(ring("sensor-lost", "outdoor-air", place="outdoors")),
        explained(ring("sensor-suspect", "arena-air", place="arena"), "sensor-lost:gone"),
    )  # fmt: skip


def trials(*numbers: int) -> tuple[TrialView, ...]:
    return tuple(
        TrialView(number=n, contact=CONTACTS[at], by="Ana", wall_s=ago(2 - at / 2)) for at, n in enumerate(numbers)
    )


BELLS: Mapping[str, Callable[[], Snapshot]] = {
    "quiet barn": lambda: after_test(Barns.barn(), alarms_wall_s=ago(3 * 24 * 60)),
    "last one": lambda: after_test(Barns.barn(), alarms=(over(STOP, "normal"),), alarms_wall_s=ago(4.0)),
    "never rung": Barns.barn,
    "one now": lambda: barn(STOP),
    "one taken": lambda: barn(taken(STOP)),
    "kit soon": lambda: barn(dataclasses.replace(FANS, priority="soon")),
    "flood": flood,
    "every state": every_state,
    "trying": lambda: barn(trials=trials(7, 8, 9)),
    "test due": lambda: after_test(Barns.barn(alarms=(ring("test-due", "barn"),)), days=9.0),
}


def call(contact: str = "Ana", way: str = "mail", **other: Any) -> CallSeen:
    given: dict[str, Any] = {
        "contact": contact, "way": way, "kind": "alarm.call", "subject": "NOW: Stalls: level 3, too hot for a horse.",
        "made_wall_s": ago(20.0), "state": "delivered", "why": "250 2.0.0 Ok", "at_wall_s": ago(19.9),
        "alarms": (STOP.alarm,), "attempts": 1, "number": 0,
    }  # fmt: skip
    return CallSeen(**{**given, **other})


def made_calls() -> tuple[CallSeen, ...]:
    """The try of Ana is still on its way, that of Luis came by one of two ways, that of Dr. Vera by none."""
    test: dict[str, Any] = {"kind": "alarm.test", "subject": "A try", "alarms": (), "made_wall_s": ago(2)}
    wait: dict[str, Any] = {"state": "pending", "attempts": 3, "at_wall_s": ago(1)}
    return (
        call("Dr. Vera", **{**test, "number": 9, "state": "given-up", "why": "550 no such mailbox", "attempts": 5}),
        call("Luis", "mqtt", **{**test, **wait, "number": 8, "why": "broker is away"}),
        call("Luis", "webhook", **{**test, "number": 8}),
        call("Luis", "webhook", **{**wait, "why": "connection refused"}),
        call("Luis", kind="alarm.taken", subject="Ana has it: Stalls: level 3, too hot for a horse."),
        call("Dr. Vera", "mqtt", state="pending", at_wall_s=None, attempts=0, why=""),
        call("Dr. Vera", state="given-up", why="550 no such mailbox", attempts=5),
        call(),
    )


class MadeCalls:
    """Messages that went out, newest first."""

    def __init__(self, *calls: CallSeen, readable: bool = True) -> None:
        self.calls, self.readable = calls or made_calls(), readable

    def latest(self, count: int) -> tuple[CallSeen, ...]:
        if not self.readable:
            raise StoreError("the ledger cannot be read")
        return self.calls[:count]
