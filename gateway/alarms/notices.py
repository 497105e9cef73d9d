"""Owns: what each contact is told, when, and in how many messages.

Must not know: how a message travels, whether it arrived, texts, clocks.
How it works: at each call everything that a contact should know and does not yet is gathered. It waits a moment, so
that a flood becomes one message and not a hundred, and longer after a message than before the first. Every piece of
news has a name that follows from the journal, so the same news is never planned twice for a contact, and a message
that is sent again carries the same id. What was told before a restart is read from the messages on record.

    news of a contact: call (he is due and it is not taken)   taken (by another, after he was called)
                       over (after he was called)
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from gateway.alarms.book import AlarmAt
from gateway.alarms.contacts import ESCALATE_S, Contact, called_after_s
from gateway.model import Priority

GATHER_S = {Priority.NOW: 5.0, Priority.SOON: 60.0, Priority.WHEN_YOU_CAN: 4 * 3600.0}  # own choice
PAUSE_S, LONG_PAUSE_S = 60.0, 600.0  # after a message; the long one once there were many within an hour
NOW_PAUSE_S, NOW_LONG_PAUSE_S = 30.0, 120.0  # before a message with a NOW
MANY_IN_AN_HOUR, HOUR_S = 6, 3600.0
RETRY_NOW_S = (0.0, 5.0, 15.0, 30.0, 60.0, 120.0)  # the last goes on until somebody has taken the alarm
RETRY_S = (0.0, 5.0, 300.0, 1800.0, 7200.0)


class News(StrEnum):
    """What a contact is told of an alarm."""

    CALL = "call"
    TAKEN = "taken"
    OVER = "over"
    TEST = "test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Calling:
    """One alarm as the planner sees it. `calling_s`: for how long its newest call has been unanswered."""

    alarm: str
    at: AlarmAt
    standing: bool
    episode: int
    calls: int
    priority: Priority
    calling_s: float
    taken_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One piece of news. `calls` tells one call of an episode from the next."""

    alarm: str
    episode: int
    calls: int
    news: News
    priority: Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One message to one contact. The worst news comes first; `id` stays the same however often it is sent."""

    id: str
    contact: str
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeState:
    """What was told to whom, since when news waits for each contact, and when each was told lately."""

    told: Mapping[tuple[str, str], Item] = field(default_factory=dict)
    waits_since_s: Mapping[tuple[str, Priority], float] = field(default_factory=dict)
    sent_s: Mapping[str, tuple[float, ...]] = field(default_factory=dict)


def plan(
    state: NoticeState,
    alarms: Sequence[Calling],
    contacts: Sequence[Contact],
    *,
    now_s: float,
    minute: int | None,
    escalate_s: Mapping[Priority, float] = ESCALATE_S,
) -> tuple[NoticeState, tuple[Notice, ...]]:
    """The messages that are due now. Whoever calls this must keep them before it keeps the new state."""
    due = {priority: called_after_s(contacts, priority, minute, escalate_s) for priority in Priority}
    told, waits = dict(state.told), dict[tuple[str, Priority], float]()
    sent = {name: tuple(at for at in times if now_s - at < HOUR_S) for name, times in state.sent_s.items()}
    notices = []
    for contact in contacts:
        items = [item for alarm in alarms for item in _news(contact.name, alarm, told, due)]
        since = {
            urgency: state.waits_since_s.get((contact.name, urgency), now_s) for urgency in {_urgency(i) for i in items}
        }
        if not items or not _is_time(since, sent.get(contact.name, ()), now_s):
            waits |= {(contact.name, urgency): at_s for urgency, at_s in since.items()}
            continue
        notices.append(_notice(contact.name, items))
        told |= {(contact.name, item.alarm): item for item in items}
        sent[contact.name] = (*sent.get(contact.name, ()), now_s)
    return NoticeState(told=told, waits_since_s=waits, sent_s=sent), tuple(notices)


def told_by(notices: Iterable[Notice]) -> NoticeState:
    """The state after these messages, in order: what a restart goes on from. Waiting and pausing begin anew."""
    return NoticeState(told={(notice.contact, item.alarm): item for notice in notices for item in notice.items})


def trial(contact: str, number: int) -> Notice:
    """The message of the test button, to be told from an alarm by its news."""
    item = Item(alarm="test", episode=number, calls=1, news=News.TEST, priority=Priority.NOW)
    return _notice(contact, [item])


def retry_after_s(attempt: int, priority: Priority) -> float | None:
    """How long after attempt `attempt - 1` the next is made; None: give up, the list still shows it. NOW never does."""
    if priority is Priority.NOW:
        return RETRY_NOW_S[min(attempt, len(RETRY_NOW_S) - 1)]
    return RETRY_S[attempt] if attempt < len(RETRY_S) else None


def _news(
    contact: str, alarm: Calling, told: Mapping[tuple[str, str], Item], due: Mapping[Priority, Mapping[str, float]]
) -> list[Item]:
    last = told.get((contact, alarm.alarm))
    known = last if last is not None and last.episode == alarm.episode else None
    open_ = known is not None and known.news is not News.OVER

    def item(news: News) -> list[Item]:
        calls = alarm.calls if news is News.CALL or known is None else known.calls
        return [Item(alarm=alarm.alarm, episode=alarm.episode, calls=calls, news=news, priority=alarm.priority)]

    if alarm.at is AlarmAt.UNACKNOWLEDGED:
        after_s = due[alarm.priority].get(contact)
        unheard = known is None or known.calls < alarm.calls
        return item(News.CALL) if unheard and after_s is not None and alarm.calling_s >= after_s else []
    if not alarm.standing:
        return item(News.OVER) if open_ else []
    if alarm.at is AlarmAt.ACKNOWLEDGED and open_ and known is not None and known.news is News.CALL:
        return item(News.TAKEN) if alarm.taken_by != contact else []
    return []


def _urgency(item: Item) -> Priority:
    """A call is as urgent as its alarm; that it is taken or over can wait a minute."""
    return item.priority if item.news is News.CALL else min(item.priority, Priority.SOON)


def _is_time(since: Mapping[Priority, float], sent: Sequence[float], now_s: float) -> bool:
    """Whether what waits has waited long enough, and the contact has had quiet for long enough."""
    ripe = {urgency for urgency, at_s in since.items() if now_s - at_s >= GATHER_S[urgency]}
    short_s, long_s = (NOW_PAUSE_S, NOW_LONG_PAUSE_S) if Priority.NOW in ripe else (PAUSE_S, LONG_PAUSE_S)
    pause_s = short_s if len(sent) < MANY_IN_AN_HOUR else long_s
    return bool(ripe) and (not sent or now_s - sent[-1] >= pause_s)


def _notice(contact: str, items: Sequence[Item]) -> Notice:
    ordered = tuple(sorted(items, key=lambda item: (-_urgency(item), item.alarm)))
    names = [f"{item.alarm}/{item.episode}/{item.calls}/{item.news}" for item in ordered]
    digest = hashlib.sha256("\n".join((contact, *names)).encode()).hexdigest()
    return Notice(id=f"notice-{digest[:24]}", contact=contact, items=ordered)
