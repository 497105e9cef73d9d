"""Owns: what the bell list says: what stands, what is over and unread, what is quiet, and all in a sentence.

Must not know: HTML, who looks, messages that went out.
How it works: a snapshot and the words of one language go in, a frozen view comes out. Three groups by priority; within
one, horses stand before kit, as the core has ordered them. An alarm that another one explains is told beside that one,
wherever it is. Spans are whole minutes, so that the list is still for a minute.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards.alarm_text import (
    GATES,
    PRIORITIES,
    STANDING,
    calling,
    do_of,
    lasting_text,
    say_of,
    standing,
    taken_text,
    when_text,
)
from dashboards.words import Words
from gateway.engine.snapshot import AlarmView, Snapshot

LONGEST_QUIET_MIN = {"now": 10, "soon": 60, "when-you-can": 60}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """One alarm. `gate` is drawn for a horse, None for kit; `which` goes with every button: its episode and its name;
    `at` is the same in the address of a page.

    `note` says why it is quiet, `others` what it explains.
    """

    id: str
    alarm: str
    which: str
    at: str
    gate: int | None
    kind: str
    say: str
    do: str
    since: str
    has: str
    note: str
    because: str
    others: tuple[str, ...]
    quiet: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Everything of one priority that stands."""

    priority: str
    word: str
    says: str
    rings: tuple[Ring, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BellList:
    """The whole list. `state` is on while one has nobody, asked while all are in hands, off when none stands."""

    state: str
    said: str
    last: str
    groups: tuple[Group, ...]
    over: tuple[Ring, ...]
    quiet: tuple[Ring, ...]
    out: tuple[Ring, ...]
    explained: tuple[Ring, ...]


def bell_of(snapshot: Snapshot, words: Words) -> BellList:
    """The list of a snapshot."""
    roots = _explained(snapshot.alarms)
    rings = {alarm.alarm: _ring(alarm, roots, snapshot, words) for alarm in snapshot.alarms}

    def of(*states: str) -> tuple[Ring, ...]:
        return tuple(rings[alarm.alarm] for alarm in snapshot.alarms if alarm.state in states)

    shown = [alarm.alarm for alarm in snapshot.alarms if alarm.state not in ("normal", "suppressed")]
    groups = (
        Group(priority=priority, word=words.bell[priority], says=words.bell[f"say-{priority}"],
              rings=tuple(rings[a.alarm] for a in standing(snapshot.alarms) if a.priority == priority))
        for priority in PRIORITIES
    )  # fmt: skip
    stands = standing(snapshot.alarms)
    return BellList(
        state="on" if calling(snapshot.alarms) else "asked" if stands else "off",
        said=said_of(snapshot.alarms, words),
        last="" if stands else _last(snapshot, words),
        groups=tuple(group for group in groups if group.rings),
        over=of("returned"),
        quiet=of("shelved"),
        out=of("out-of-service"),
        explained=tuple(ring for ring in of("suppressed") if roots[ring.alarm] not in shown),
    )


def said_of(alarms: Sequence[AlarmView], words: Words) -> str:
    """How many there are of each sort, in one short sentence each; that nobody is needed when none stands."""
    counts = {
        "calls": len(calling(alarms)),
        "held": len(standing(alarms)) - len(calling(alarms)),
        "unread": sum(alarm.state == "returned" for alarm in alarms),
        "hushed": sum(alarm.state in ("shelved", "out-of-service") for alarm in alarms),
    }
    said = [counted(name, n, words) for name, n in counts.items() if n]
    return " ".join(said if standing(alarms) else [words.bell["calm"], *said])


def counted(name: str, n: int, words: Words) -> str:
    """One or several of something, in words."""
    return words.bell[f"{name}_one"] if n == 1 else words.bell[name].format(n=n)


def anchor(alarm: str) -> str:
    """The id of a row, made of the name of its alarm."""
    return "a-" + re.sub(r"[^a-z0-9]+", "-", alarm.lower())


def quiet_min(alarm: AlarmView) -> int:
    """For how many minutes the page offers to make it quiet: what the core allows, and no more than an hour."""
    return min(LONGEST_QUIET_MIN.get(alarm.priority, 10), int(alarm.longest_shelf_s // 60))


def quiet_text(alarm: AlarmView, words: Words) -> str:
    """The same as it stands on a button."""
    minutes = quiet_min(alarm)
    return words.bell["quiet_hour"] if minutes == 60 else words.bell["quiet_min"].format(n=minutes)


def _explained(alarms: Sequence[AlarmView]) -> Mapping[str, str]:
    """For each alarm that another one explains, the one at the root of it."""
    by_name = {alarm.alarm: alarm for alarm in alarms}
    roots = {}
    for alarm in alarms:
        root, hops = alarm, 0
        while root.state == "suppressed" and root.cause in by_name and hops < len(alarms):
            root, hops = by_name[root.cause], hops + 1
        if alarm.state == "suppressed":
            roots[alarm.alarm] = alarm.cause if root is alarm else root.alarm
    return roots


def _ring(alarm: AlarmView, roots: Mapping[str, str], snapshot: Snapshot, words: Words) -> Ring:
    others = [each for each in snapshot.alarms if roots.get(each.alarm) == alarm.alarm]
    return Ring(
        id=anchor(alarm.alarm),
        alarm=alarm.alarm,
        which=f"{alarm.episode} {alarm.alarm}",
        at=f"{alarm.episode}/{alarm.alarm}",
        gate=GATES.get(alarm.priority, 1) if alarm.horse else None,
        kind=words.bell["horse" if alarm.horse else "gear"],
        say=say_of(alarm, words),
        do=do_of(alarm, words),
        since=_since(alarm, snapshot, words),
        has=taken_text(alarm, snapshot, words),
        note=_note(alarm, snapshot, words),
        because=counted("because", len(others), words) if others else "",
        others=tuple(say_of(each, words) for each in others),
        quiet=quiet_text(alarm, words) if alarm.state in STANDING else "",
    )


def _since(alarm: AlarmView, snapshot: Snapshot, words: Words) -> str:
    if not snapshot.clock_trusted or alarm.raised_wall_s is None:
        return words.clock_unset
    if not alarm.standing and alarm.returned_wall_s is not None:
        return words.bell["over_since"].format(time=when_text(alarm.returned_wall_s, snapshot, words))
    age = lasting_text(snapshot.wall_s - alarm.raised_wall_s, words)
    since = words.bell["since"].format(time=when_text(alarm.raised_wall_s, snapshot, words), age=age)
    return since if alarm.calls < 2 else f"{since} · {words.bell['anew'].format(n=alarm.calls)}"


def _note(alarm: AlarmView, snapshot: Snapshot, words: Words) -> str:
    """Why nobody is called for it, who said so, and until when."""
    if alarm.state == "shelved":
        till = when_text(alarm.shelved_until_wall_s, snapshot, words)
        return words.bell["quiet_till"].format(time=till, name=alarm.shelved_by, word=alarm.shelved_why)
    if alarm.state == "out-of-service":
        return words.bell["out_of"].format(name=alarm.out_by, word=alarm.out_why)
    if alarm.state == "suppressed":
        cause = next((each for each in snapshot.alarms if each.alarm == alarm.cause), None)
        return words.bell["because_of"].format(subject=say_of(cause, words) if cause else alarm.cause)
    return ""


def _last(snapshot: Snapshot, words: Words) -> str:
    """When there was one the last time."""
    ended = [alarm for alarm in snapshot.alarms if alarm.state == "normal" and alarm.returned_wall_s is not None]
    if ended:
        newest = max(ended, key=lambda alarm: alarm.returned_wall_s or 0.0)
        time = when_text(newest.returned_wall_s, snapshot, words)
        return words.bell["last"].format(subject=say_of(newest, words), time=time)
    if snapshot.alarms_wall_s is not None:
        return words.bell["last_long"].format(time=when_text(snapshot.alarms_wall_s, snapshot, words))
    return words.bell["last_never"]
