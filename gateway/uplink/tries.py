"""Owns: one message on its way to one contact by one way: when it is tried, and how it ends.

Must not know: threads, files, the wires, what the message says.
How it works: frozen values and pure functions. A try ends in exactly one of two ways, and says why: delivered, or given
up. What is NOW never ends for lack of patience; it ends when somebody has the alarm, or when it is over. A message of
which nothing is true any more is given up before it is sent: nobody is called for what is over.

    pending --sent--> delivered
       ^        |---> AWAY: again after retry_after_s; of a lesser message, given up at the end of them all
       |        '---> REFUSED, BAD: only a person can help. NOW: again after REFUSED_S; else given up at once
       '------------- nothing of it holds any more: given up
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from gateway.alarms.book import AlarmAt
from gateway.alarms.notices import RETRY_S, Calling, Item, News, Notice, retry_after_s
from gateway.model import Priority, Stamp
from gateway.uplink.message import Message
from gateway.uplink.verdict import Outcome, Verdict

REFUSED_S = 600.0  # own choice: a password is mended within minutes, and a wrong one must not lock the mailbox
MOST_ASKED_S = 600.0  # no far end may keep a message waiting for longer
TRIAL_S = 600.0  # whoever has pressed the button has gone by then
PATIENCE_S = sum(RETRY_S)  # a lesser message lasts that long, however often others' success has hurried it


class TryAt(StrEnum):
    """What has become of a message by one way."""

    PENDING = "pending"
    DELIVERED = "delivered"
    GIVEN_UP = "given-up"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A new message for the ledger, with the ways by which it goes."""

    notice: Notice
    message: Message
    stamp: Stamp
    ways: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a message by one way stands now."""

    id: str
    way: str
    state: TryAt
    attempts: int
    why: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """A message that is not yet at an end. `due_s` and `made_s` are on the machine's monotonic clock.

    `flying`: a sender has it now. `held`: the far end has refused, waiting is for a person to mend it.
    """

    notice: Notice
    message: Message
    way: str
    made_s: float
    due_s: float
    attempts: int = 0
    flying: bool = False
    held: bool = False

    @property
    def key(self) -> tuple[str, str]:
        return self.notice.id, self.way


def urgency(notice: Notice) -> Priority:
    """How urgent a message is: as its first news, and only a call is ever more than SOON."""
    first = notice.items[0]
    return first.priority if first.news is News.CALL else min(first.priority, Priority.SOON)


def is_trial(notice: Notice) -> bool:
    return notice.items[0].news is News.TEST


def begun(entry: Entry, now_s: float) -> list[Try]:
    """The tries of a new message, due at once."""
    return [Try(notice=entry.notice, message=entry.message, way=way, made_s=now_s, due_s=now_s) for way in entry.ways]


def answered(one: Try, verdict: Verdict, now_s: float, wall_s: float) -> tuple[Try | None, Change]:
    """What a sender's word makes of a try: None when it is at its end."""
    tried = replace(one, attempts=one.attempts + 1, flying=False)
    if verdict.outcome is Outcome.DELIVERED:
        return None, change(tried, TryAt.DELIVERED, verdict.why, wall_s)
    is_held = verdict.outcome is not Outcome.AWAY
    wait_s = _wait_s(tried, is_held, now_s - one.made_s)
    if wait_s is None:
        times = "" if is_held else f"given up after {tried.attempts} tries: "
        return None, change(tried, TryAt.GIVEN_UP, times + (verdict.why or str(verdict.outcome.value)), wall_s)
    asked_s = min(verdict.wait_s or 0.0, MOST_ASKED_S)
    waits = replace(tried, due_s=now_s + max(wait_s, asked_s), held=is_held)
    return waits, change(tried, TryAt.PENDING, verdict.why, wall_s)


def _wait_s(tried: Try, is_held: bool, age_s: float) -> float | None:
    """None: no more. Tries that came early because the way worked for somebody else leave the last one in its place."""
    priority = urgency(tried.notice)
    if is_held:
        return REFUSED_S if priority is Priority.NOW else None
    wait_s = retry_after_s(tried.attempts, priority)
    return PATIENCE_S - age_s if wait_s is None and age_s < PATIENCE_S else wait_s


def change(one: Try, state: TryAt, why: str, wall_s: float) -> Change:
    return Change(id=one.notice.id, way=one.way, state=state, attempts=one.attempts, why=why, wall_s=wall_s)


def outdated(notice: Notice, alarms: Mapping[str, Calling], age_s: float) -> str:
    """Why nothing of a message holds any more; empty while something does."""
    reasons = [_outdated(item, alarms.get(item.alarm), age_s) for item in notice.items]
    return reasons[0] if all(reasons) else ""


def _outdated(item: Item, alarm: Calling | None, age_s: float) -> str:
    if item.news is News.TEST:
        return "the trial is over: too late to be of use" if age_s > TRIAL_S else ""
    if alarm is None or alarm.episode != item.episode:
        if alarm is not None and alarm.standing:
            return "raised again since"
        return "" if item.news is News.OVER else "over before it could be delivered"
    if item.news is News.OVER:
        return "raised again since" if alarm.standing else ""
    if not alarm.standing:
        return "over before it could be delivered"
    if item.news is News.TAKEN:
        return "called again since" if alarm.at is AlarmAt.UNACKNOWLEDGED else ""
    if alarm.at is AlarmAt.UNACKNOWLEDGED:
        return ""
    if alarm.at is AlarmAt.ACKNOWLEDGED:
        return f"{alarm.taken_by or 'somebody'} had taken it before it could be delivered"
    return f"made quiet before it could be delivered: {alarm.at.name.lower().replace('_', ' ')}"
