"""Owns: which alarms are told on which screen, in whose order, and what is written beside one.

Must not know: HTML, faults, which page asks.
How it works: the core puts alarms in order, worst first and horses before kit within a priority; nothing is put in
another order here. Who has an alarm, and since when, is read from the marks of its present episode. A time is written
only while the clock is trusted.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from dashboards.clock_text import local_of, since_text
from dashboards.words import Words
from gateway.engine.snapshot import AlarmView, Snapshot

PRIORITIES = ("now", "soon", "when-you-can")
STANDING = ("unacknowledged", "acknowledged")
QUIET = ("shelved", "out-of-service")
ON_THE_WALL = ("now", "soon")
GATES = {"now": 3, "soon": 2, "when-you-can": 1}  # the gate of an alarm about a horse shows how much it matters

DAY_S = 86_400.0
DAYS_BY_NAME = 6  # a name of the week means the last one for so many days
_ENDS = re.compile(r"(?<=[.,;]) ")


def standing(alarms: Sequence[AlarmView]) -> tuple[AlarmView, ...]:
    """Those that need somebody, or that somebody has."""
    return tuple(alarm for alarm in alarms if alarm.state in STANDING)


def calling(alarms: Sequence[AlarmView]) -> tuple[AlarmView, ...]:
    """Those that nobody has."""
    return tuple(alarm for alarm in alarms if alarm.state == "unacknowledged")


def say_of(alarm: AlarmView, words: Words) -> str:
    """What is the matter; its name when the core has no text in this language."""
    return alarm.say.get(words.lang, alarm.alarm)


def do_of(alarm: AlarmView, words: Words) -> str:
    """What to do."""
    return alarm.do.get(words.lang, words.todo["other"])


def when_text(wall_s: float | None, snapshot: Snapshot, words: Words) -> str:
    """A time of today or of this week, else how many days ago; the words for a clock without time."""
    if wall_s is None or not snapshot.clock_trusted or local_of(wall_s, snapshot.zone) is None:
        return words.clock_unset
    days = int((snapshot.wall_s - wall_s) // DAY_S)
    if days >= DAYS_BY_NAME:
        return words.bell["days_ago"].format(n=days)
    return since_text(wall_s, snapshot.wall_s, snapshot.zone, words)


def lasting_text(seconds: float, words: Words) -> str:
    """A span as people say it, in whole minutes, then hours, then days."""
    minutes = max(0, int(seconds // 60))
    if minutes < 60:
        return words.hands["minutes"].format(n=minutes)
    if minutes < 24 * 60:
        return words.bell["hours"].format(n=minutes // 60, minute=f"{minutes % 60:02d}")
    return words.bell["days"].format(n=minutes // (24 * 60))


def taken_at_s(alarm: AlarmView) -> float | None:
    """When whoever has it took it."""
    return next((mark.wall_s for mark in reversed(alarm.marks) if mark.what == "acknowledged"), None)


def taken_text(alarm: AlarmView, snapshot: Snapshot, words: Words) -> str:
    """Who has it, and since when; empty when nobody has."""
    if alarm.state != "acknowledged" or not alarm.taken_by:
        return ""
    at_s = taken_at_s(alarm)
    time = "" if at_s is None or not snapshot.clock_trusted else when_text(at_s, snapshot, words)
    return words.bell["has"].format(name=alarm.taken_by, time=time).strip()


def shortened(text: str, letters: int) -> str:
    """As many whole sentences as fit, at least the first; of that one, as many of its parts as fit, at least one."""
    pieces = _ENDS.split(text)
    while len(pieces) > 1 and len(" ".join(pieces)) > letters:
        pieces.pop()
    return re.sub(r"[,;]$", ".", " ".join(pieces))
