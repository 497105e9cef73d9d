"""Owns: one turn of calling: what is newly told, what is settled without a word, what is sent now.

Must not know: threads, files, the wires.
How it works: pure; `turn` is the same function live and in tests. Its caller keeps `entries` and `changes` before it
keeps the state, and the state before it hands over `sends`: a power cut at any point leaves either nothing of a
message, or a message that is sent, perhaps twice, under one id.

    snapshot -> heard -> callings -> plan -> compose -> entries --+
                            '------> outdated -> changes          +-> tries -> due -> sends
    snapshot.trials ------------------> trial -> entries ---------+

Each way has one message in the air at a time, the most urgent first, then the one that was tried least. When one has
arrived, what waits for the same way is due at once: its far end is back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from gateway.alarms.notices import Calling, Notice, NoticeState, plan, told_by, trial
from gateway.barn import Barn
from gateway.engine.snapshot import Snapshot
from gateway.model import Stamp
from gateway.site_alarms import AlarmPlan
from gateway.uplink.callings import CORE_LOST, Heard, callings, heard, listen
from gateway.uplink.calls_ledger import Pending
from gateway.uplink.compose import Scene, compose
from gateway.uplink.tries import Change, Entry, Try, TryAt, answered, begun, change, is_trial, outdated, urgency
from gateway.uplink.verdict import Outcome, Verdict

TRIAL_YOUNG_S = 300.0
CLOCK_SLIP_S = 60.0

Key = tuple[str, str]  # a message and a way


@dataclass(frozen=True, slots=True, kw_only=True)
class Office:
    """What stays the same: whom to call, by which ways each, and what the barn is called. `page`: of the bell list."""

    plan: AlarmPlan
    ways: Mapping[str, tuple[str, ...]]  # by the contact's name
    barn: Barn
    page: str = ""

    def language(self, contact: str) -> str:
        return next((each.language for each in self.plan.contacts if each.name == contact), "en")


@dataclass(frozen=True, slots=True, kw_only=True)
class CallState:
    """What was told, what core last said, and the messages that are not at their end."""

    heard: Heard
    notices: NoticeState = field(default_factory=NoticeState)
    tries: Mapping[Key, Try] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What one turn wants. Keep `entries` and `changes`, then the state, then send."""

    state: CallState
    entries: tuple[Entry, ...] = ()
    changes: tuple[Change, ...] = ()
    sends: tuple[Try, ...] = ()


def start(now_s: float) -> CallState:
    return CallState(heard=listen(now_s))


def restored(state: CallState, told: Sequence[Notice], pending: Sequence[Pending], now_s: float) -> CallState:
    """With what the ledger has of before; what this run knows itself counts more."""
    before = told_by(told)
    notices = replace(state.notices, told={**before.told, **state.notices.told})
    tries: dict[Key, Try] = {}
    for one in pending:
        found = Try(
            notice=one.notice, message=one.message, way=one.way, made_s=now_s, due_s=now_s, attempts=one.attempts
        )
        tries[found.key] = found
    return replace(state, notices=notices, tries={**tries, **state.tries})


def turn(
    state: CallState, office: Office, snapshot: Snapshot | None, *, now_s: float, minute: int | None, stamp: Stamp
) -> Turn:
    """`minute` is that of the barn's day, None while its clock is not set; `stamp` the moment for the record."""
    now = heard(state.heard, snapshot, state.notices.told, now_s)
    alarms = callings(now, snapshot, state.notices.told, now_s)
    notices, planned = plan(
        state.notices, alarms, office.plan.contacts, now_s=now_s, minute=minute, escalate_s=office.plan.escalate_s
    )
    if snapshot is not None and now.is_fresh(now_s):
        trials = tuple(_trials(snapshot, office, notices))
        notices = replace(notices, told={**notices.told, **told_by(trials).told})
        planned += trials
    scene = Scene(barn=office.barn, page=office.page, snapshot=snapshot, stamp=stamp)
    entries = tuple(_entry(notice, office, scene) for notice in planned)
    tries = {**state.tries, **{one.key: one for entry in entries for one in begun(entry, now_s)}}
    settled = {key: why for key, one in tries.items() if (why := _ended(one, office, now, alarms, now_s))}
    changes = tuple(change(tries[key], TryAt.GIVEN_UP, why, stamp.wall_s) for key, why in settled.items())
    left = {key: one for key, one in tries.items() if key not in settled}
    sends = tuple(_due(left, now_s)) if now.knows(now_s) else ()
    flying = {one.key: replace(one, flying=True) for one in sends}
    after = CallState(heard=now, notices=notices, tries={**left, **flying})
    return Turn(state=after, entries=entries, changes=changes, sends=tuple(flying.values()))


def take_answer(
    state: CallState, key: Key, verdict: Verdict, *, now_s: float, wall_s: float
) -> tuple[CallState, Change | None]:
    """The state after a sender's word. None when that message is at its end already."""
    one = state.tries.get(key)
    if one is None:
        return state, None
    after, what = answered(one, verdict, now_s, wall_s)
    tries = {other: each for other, each in state.tries.items() if other != key}
    if after is not None:
        tries[key] = after
    if verdict.outcome is Outcome.DELIVERED:
        tries = {other: _hurried(each, one.way, now_s) for other, each in tries.items()}
    return replace(state, tries=tries), what


def _entry(notice: Notice, office: Office, scene: Scene) -> Entry:
    message = compose(notice, office.language(notice.contact), scene)
    return Entry(notice=notice, message=message, stamp=scene.stamp, ways=office.ways.get(notice.contact, ()))


def _trials(snapshot: Snapshot, office: Office, notices: NoticeState) -> Iterator[Notice]:
    """Of the trials that somebody asked for a moment ago, those that were not sent yet."""
    newest: dict[str, int] = {}
    for each in snapshot.trials:
        age_s = snapshot.wall_s - each.wall_s
        before = notices.told.get((each.contact, "test"))
        known = max(newest.get(each.contact, 0), 0 if before is None else before.episode)
        if -CLOCK_SLIP_S <= age_s <= TRIAL_YOUNG_S and each.number > known and each.contact in office.ways:
            newest[each.contact] = each.number
            yield trial(each.contact, each.number)


def _ended(one: Try, office: Office, now: Heard, alarms: Sequence[Calling], now_s: float) -> str:
    """Why a message is given up without another try; empty while it is wanted."""
    if one.flying:
        return ""
    if one.way not in office.ways.get(one.notice.contact, ()):
        return "this contact or this way is no longer in the site file"
    known = {alarm.alarm: alarm for alarm in alarms}
    is_of_core = all(item.alarm == CORE_LOST for item in one.notice.items)
    if is_trial(one.notice) or now.is_fresh(now_s) or (is_of_core and known):
        return outdated(one.notice, known, now_s - one.made_s)
    return ""


def _due(tries: Mapping[Key, Try], now_s: float) -> Iterator[Try]:
    """At most one of each way, the most urgent first, then the least tried, then the oldest."""
    ways = {one.way for one in tries.values()} - {one.way for one in tries.values() if one.flying}
    for way in sorted(ways):
        ready = [one for one in tries.values() if one.way == way and one.due_s <= now_s]
        if ready:
            yield min(ready, key=lambda one: (-urgency(one.notice), one.attempts, one.made_s))


def _hurried(one: Try, way: str, now_s: float) -> Try:
    if one.way != way or one.flying or one.held:
        return one
    return replace(one, due_s=min(one.due_s, now_s))
