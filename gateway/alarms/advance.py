"""Owns: one step of all alarms: findings and the passing of time in, lines of the journal out.

Must not know: the facts, texts, who is told, clocks.
How it works: for each alarm a timer remembers since when its condition holds, or is gone. When a delay has passed a
line is written, and only `book.after` makes the new state of it. Timers are not in the journal: after a start the
delays begin anew, and what stood goes on standing until its condition has been gone for its whole off-delay.

    condition holds for on_s -----------------> raised, or the cause's if that stands: suppressed, then raised
    gone for off_s, rung LEAST_STANDING ago   -> returned (to be read) or ended
    priority of the finding rose -------------> worse           acknowledged again_s ago -> again
    the cause is over, the condition still holds for on_s -> released; the condition is over as well -> ended, released
    the shelf's time is over -----------------> unshelved

Rules are walked in the order of the table, causes first, and each sees what those before it have just written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from gateway.alarms.book import Alarm, AlarmAt, Book, after, apart_s
from gateway.alarms.facts import Facts
from gateway.alarms.rule import Finding, Rule, key_of
from gateway.alarms.rules import LEAST_STANDING_S, RESTLESS_OFF_S, RULES
from gateway.model import AlarmChange, AlarmStep, Priority, Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class Timer:
    """Since when (of this run's clock) a condition holds, or is gone. `alone_s`: since when no cause explains it."""

    holds: bool
    since_s: float
    alone_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmState:
    """What one step hands to the next: the book, which the journal keeps, and the timers, which nobody needs to."""

    book: Book = field(default_factory=Book)
    timers: Mapping[str, Timer] = field(default_factory=dict)


def advance(
    state: AlarmState, facts: Facts, stamp: Stamp, rules: Sequence[Rule] = RULES
) -> tuple[AlarmState, tuple[AlarmChange, ...]]:
    """The alarms one step later, and what must be added to the journal."""
    desk = _Desk(state.book, state.timers, stamp)
    desk.expire()
    for rule in rules:
        found = {finding.subject: finding for finding in rule.find(facts, desk.stands)}
        for subject in desk.subjects(rule, found):
            desk.judge(rule, subject, found.get(subject))
    desk.retire({rule.code for rule in rules})
    return AlarmState(book=desk.book, timers=desk.timers), tuple(desk.lines)


class _Desk:
    """One step in the making."""

    def __init__(self, book: Book, timers: Mapping[str, Timer], stamp: Stamp) -> None:
        self.book, self.stamp, self.now_s = book, stamp, stamp.mono_s
        self.before = timers
        self.known: dict[str, set[str]] = {}
        for key in (*(key for key, alarm in book.alarms.items() if alarm.standing or alarm.cause), *timers):
            code, _, subject = key.partition(":")
            self.known.setdefault(code, set()).add(subject)
        self.timers: dict[str, Timer] = {}
        self.lines: list[AlarmChange] = []

    def stands(self, key: str) -> bool:
        """Whether this alarm stands, as far as this step has come."""
        return self.book.of(key).standing

    def subjects(self, rule: Rule, found: Mapping[str, Finding]) -> list[str]:
        """Whatever was found, stands, is explained by a cause, or was being timed; in a fixed order."""
        return [*found, *sorted(self.known.get(rule.code, set()) - found.keys())]

    def expire(self) -> None:
        """Ends the shelves whose time is over."""
        for key, alarm in list(self.book.alarms.items()):
            if alarm.shelf is not None and self.now_s >= alarm.shelf.until_mono_s:
                self._write(key, AlarmStep.UNSHELVED)

    def retire(self, codes: set[str]) -> None:
        """Ends what stands by a rule that this program no longer has."""
        for key, alarm in list(self.book.alarms.items()):
            if key.split(":")[0] not in codes and alarm.standing:
                self._write(key, AlarmStep.ENDED)

    def judge(self, rule: Rule, subject: str, found: Finding | None) -> None:
        """One alarm, one step later."""
        key = key_of(rule, subject)
        cause = "" if found is None else next((each for each in found.causes if self.stands(each)), "")
        timer = self._timed(key, found, cause)
        if timer is None:
            return
        kept_s = self.now_s - timer.since_s
        if found is not None and not found.unsure:
            self._holding(rule, key, found, cause, timer, kept_s)
        elif found is None:
            self._gone(rule, key, kept_s)
        if found is not None or self.book.of(key).standing:
            self.timers[key] = timer

    def _timed(self, key: str, found: Finding | None, cause: str) -> Timer | None:
        """The timer after this step; None when nobody can tell, and a condition that may hold must begin anew."""
        if found is not None and found.unsure:
            return None
        holds, before = found is not None, self.before.get(key)
        kept = before is not None and before.holds == holds
        since_s = before.since_s if before is not None and kept else self.now_s
        alone_s = before.alone_s if before is not None and kept and not cause else self.now_s
        return Timer(holds=holds, since_s=since_s, alone_s=alone_s)

    def _holding(self, rule: Rule, key: str, found: Finding, cause: str, timer: Timer, kept_s: float) -> None:
        alarm = self.book.of(key)
        if cause and not alarm.cause and (alarm.standing or kept_s >= rule.on_s):
            self._write(key, AlarmStep.SUPPRESSED, why=cause)
        elif not cause and alarm.cause and self.now_s - timer.alone_s >= rule.on_s:
            self._write(key, AlarmStep.RELEASED, why=alarm.cause)
        alarm = self.book.of(key)
        if not alarm.standing:
            if kept_s >= rule.on_s:
                self._call(key, AlarmStep.RAISED, found)
        elif found.priority > alarm.priority:
            self._call(key, AlarmStep.WORSE, found)
        elif alarm.at is AlarmAt.ACKNOWLEDGED and rule.again_s > 0 and self._ago_s(alarm.taken_at) >= rule.again_s:
            self._write(key, AlarmStep.AGAIN)

    def _call(self, key: str, what: AlarmStep, found: Finding) -> None:
        """Raises, or says that it is worse. Somebody wanted quiet for something less urgent: that is then over."""
        alarm = self.book.of(key)
        if alarm.shelf is not None and found.priority > alarm.priority:
            self._write(key, AlarmStep.UNSHELVED)
        self._write(key, what, priority=found.priority, why=found.text)

    def _gone(self, rule: Rule, key: str, kept_s: float) -> None:
        alarm = self.book.of(key)
        if alarm.standing and kept_s >= self._off_s(rule, alarm) and self._stood_long(alarm):
            self._write(key, AlarmStep.RETURNED if rule.stays and not alarm.cause else AlarmStep.ENDED)
        if alarm.cause and not self.book.of(key).standing:
            self._write(key, AlarmStep.RELEASED, why=alarm.cause)

    def _off_s(self, rule: Rule, alarm: Alarm) -> float:
        return max(rule.off_s, RESTLESS_OFF_S) if alarm.restless else rule.off_s

    def _stood_long(self, alarm: Alarm) -> bool:
        """An alarm that has called nobody may go as fast as it likes."""
        return alarm.rung is None or self._ago_s(alarm.rung) >= LEAST_STANDING_S

    def _ago_s(self, then: Stamp | None) -> float:
        """How long ago; for ever when no clock tells."""
        ago_s = apart_s(then, self.stamp)
        return math.inf if ago_s is None else ago_s

    def _write(self, key: str, what: AlarmStep, *, priority: Priority | None = None, why: str = "") -> None:
        alarm = self.book.of(key)
        line = AlarmChange(
            alarm=key,
            what=what,
            episode=alarm.episode + 1 if what is AlarmStep.RAISED else alarm.episode,
            priority=alarm.priority if priority is None else priority,
            stamp=self.stamp,
            why=why,
        )
        self.lines.append(line)
        self.book = after(self.book, (line,))
