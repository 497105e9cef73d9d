"""Owns: how alarms look from outside.

Must not know: rules beyond their texts' names, screens.
How it works: every alarm that is not normal, and those that ended within a day, worst first. Nothing in a view grows
by itself with time, so that two views of the same state are equal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.alarms.book import Alarm, AlarmAt, Book, apart_s
from gateway.alarms.rules import BY_CODE, LONGEST_SHELF_S
from gateway.alarms.texts import place_of, spoken
from gateway.barn import Barn
from gateway.engine.snapshot import AlarmView, MarkView
from gateway.model import Priority, Stamp

SHOWN_AFTER_S = 86_400.0
LOOK_AGAIN_S = 60.0  # whether a day has passed since one has ended
WORDS = {Priority.NOW: "now", Priority.SOON: "soon", Priority.WHEN_YOU_CAN: "when-you-can"}
_LATEST_FIRST = {AlarmAt.UNACKNOWLEDGED: 0, AlarmAt.RETURNED: 1, AlarmAt.ACKNOWLEDGED: 2}


def alarm_views(barn: Barn, book: Book, stamp: Stamp) -> tuple[AlarmView, ...]:
    """The alarms that anybody may want to see: by state, then horses before kit within a priority."""
    return seen_again(Seen(), barn, book, stamp).views


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The views of a book, kept from step to step: a text is filled in when its alarm changes, not every second.

    `made` has each view with the alarm from which it was made.
    """

    book: Book = field(default_factory=Book)
    views: tuple[AlarmView, ...] = ()
    made: Mapping[str, tuple[Alarm, AlarmView]] = field(default_factory=dict)
    at_s: float = -math.inf


def seen_again(seen: Seen, barn: Barn, book: Book, stamp: Stamp) -> Seen:
    """The views now: those of before while the book is the same one, looked through again every minute."""
    if seen.book is book and 0.0 <= stamp.mono_s - seen.at_s < LOOK_AGAIN_S:
        return seen
    made: dict[str, tuple[Alarm, AlarmView]] = {}
    for key, alarm in book.alarms.items():
        if _is_shown(alarm, stamp):
            before = seen.made.get(key)
            made[key] = before if before is not None and before[0] is alarm else (alarm, _view(barn, key, alarm))
    ordered = sorted(made, key=lambda key: _rank(key, made[key][0]))
    return Seen(book=book, views=tuple(made[key][1] for key in ordered), made=made, at_s=stamp.mono_s)


def _is_shown(alarm: Alarm, stamp: Stamp) -> bool:
    if alarm.at is not AlarmAt.NORMAL:
        return True
    ago_s = apart_s(alarm.returned, stamp)
    return ago_s is not None and ago_s < SHOWN_AFTER_S


def _rank(key: str, alarm: Alarm) -> tuple[bool, int, bool, int, str]:
    rule = BY_CODE.get(key.split(":")[0])
    calm = alarm.at in (AlarmAt.NORMAL, AlarmAt.SHELVED, AlarmAt.SUPPRESSED, AlarmAt.OUT_OF_SERVICE)
    return calm, -alarm.priority, rule is None or not rule.horse, _LATEST_FIRST.get(alarm.at, 3), key


def _view(barn: Barn, key: str, alarm: Alarm) -> AlarmView:
    code, _, subject = key.partition(":")
    rule, text = BY_CODE.get(code), spoken(barn, code, subject)
    return AlarmView(
        alarm=key,
        rule=code,
        subject=subject,
        place=place_of(barn, subject),
        horse=rule is not None and rule.horse,
        priority=WORDS[alarm.priority],
        state=alarm.at.name.lower().replace("_", "-"),
        standing=alarm.standing,
        episode=alarm.episode,
        calls=alarm.calls,
        say=text.say,
        do=text.do,
        detail=alarm.why,
        raised_wall_s=None if alarm.raised is None else alarm.raised.wall_s,
        called_wall_s=None if alarm.called is None else alarm.called.wall_s,
        returned_wall_s=None if alarm.returned is None else alarm.returned.wall_s,
        taken_by=alarm.taken_by,
        shelved_until_wall_s=None if alarm.shelf is None else alarm.shelf.until_wall_s,
        shelved_by="" if alarm.shelf is None else alarm.shelf.by,
        shelved_why="" if alarm.shelf is None else alarm.shelf.why,
        longest_shelf_s=LONGEST_SHELF_S[alarm.priority],
        cause=alarm.cause,
        out_by=alarm.out_by,
        out_why=alarm.out_why,
        marks=tuple(
            MarkView(number=mark.number, what=str(mark.what), wall_s=mark.wall_s, priority=WORDS[mark.priority])
            for mark in alarm.marks
        ),
    )
