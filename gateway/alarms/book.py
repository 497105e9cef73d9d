"""Owns: what is known of every alarm, made from the journal alone, and the state it is in.

Must not know: why an alarm is raised, delays, texts, who is told.
How it works: the life cycle of ISA-18.2 and IEC 62682. Independent facts are kept (does the condition stand, has
somebody taken it, is it shelved, explained by another alarm, out of service); the state follows from them:

    A normal                 B unacknowledged          C acknowledged       D returned, still to be read
    E shelved for a time     F explained by another    G out of service     E, F, G are listed, nobody is called

    A --raised--> B --acknowledged--> C --ended--> A        C --worse, again--> B
                  B --returned--> D --acknowledged--> A     D --raised--> B
    any --shelved, suppressed, out of service--> E, F, G --back--> B if the condition stands, else A
                                                         F --released--> C if it was taken before, no second call

`after` is the only way in which a book changes, live and at a start alike: what a power cut leaves of the journal is
the state. A line that does not fit (an acknowledgement of an older episode, an unknown alarm) changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from gateway.model import AlarmChange, AlarmStep, Priority, Stamp

MOST_MARKS = 16
MOST_TRIALS = 20  # as many as there can be contacts: the newest of each is there while it still matters


class AlarmAt(StrEnum):
    """The seven states. Values are the letters of the standard's figure."""

    NORMAL = "A"
    UNACKNOWLEDGED = "B"
    ACKNOWLEDGED = "C"
    RETURNED = "D"
    SHELVED = "E"
    SUPPRESSED = "F"
    OUT_OF_SERVICE = "G"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """Quiet until a time, for a reason, by somebody."""

    until_mono_s: float
    until_wall_s: float
    by: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One step of the present episode that people are told of; numbered from 1 within it."""

    number: int
    what: AlarmStep
    wall_s: float
    priority: Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One alarm. `standing`: its condition stands, after its delays. `taken`: by `taken_by`, or nobody needs to.

    `calls` counts how often this episode has asked for a person, the first time at `rung`, the last at `called`.
    `restless`: raised again soon after it had returned.
    """

    standing: bool = False
    taken: bool = True
    episode: int = 0
    priority: Priority = Priority.WHEN_YOU_CAN
    calls: int = 0
    why: str = ""
    restless: bool = False
    raised: Stamp | None = None
    rung: Stamp | None = None
    called: Stamp | None = None
    returned: Stamp | None = None
    taken_at: Stamp | None = None
    taken_by: str = ""
    shelf: Shelf | None = None
    cause: str = ""
    out_by: str = ""
    out_why: str = ""
    marks: tuple[Mark, ...] = ()

    @property
    def at(self) -> AlarmAt:
        """The state, by the standard's order of precedence."""
        if self.out_by:
            return AlarmAt.OUT_OF_SERVICE
        if self.cause:
            return AlarmAt.SUPPRESSED
        if self.shelf is not None:
            return AlarmAt.SHELVED
        if self.standing:
            return AlarmAt.ACKNOWLEDGED if self.taken else AlarmAt.UNACKNOWLEDGED
        return AlarmAt.NORMAL if self.taken else AlarmAt.RETURNED


@dataclass(frozen=True, slots=True, kw_only=True)
class WeeklyTest:
    """A weekly test on record: who did it, what they found, when."""

    by: str
    why: str
    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A message that `by` had sent to a contact to see whether it arrives; numbers rise through all restarts."""

    number: int
    contact: str
    by: str
    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """All alarms that were ever raised or touched, by RULE:SUBJECT, the newest test, and the newest line's time.

    `trials` are the newest ones, the last one last. They are no alarms: nothing of them stands, and nobody is called.
    """

    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    test: WeeklyTest | None = None
    trials: tuple[Trial, ...] = ()
    newest: Stamp | None = None

    def of(self, alarm: str) -> Alarm:
        """One alarm; normal when it was never heard of."""
        return self.alarms.get(alarm, Alarm())


RESTLESS_WITHIN_S = 3600.0


def after(book: Book, changes: Iterable[AlarmChange]) -> Book:
    """The book with these lines added, in order; the very same one when there are none."""
    changes = tuple(changes)
    if not changes:
        return book
    alarms, test, newest, trials = dict(book.alarms), book.test, book.newest, book.trials
    for change in changes:
        newest = change.stamp
        if change.what is AlarmStep.TESTED:
            test = WeeklyTest(by=change.by, why=change.why, stamp=change.stamp)
        elif change.what is AlarmStep.TRIED:
            trials = (*trials, _trial(change))[-MOST_TRIALS:]
        else:
            alarms[change.alarm] = _changed(alarms.get(change.alarm, Alarm()), change)
    return Book(alarms=alarms, test=test, trials=trials, newest=newest)


def restored(changes: Iterable[AlarmChange], stamp: Stamp) -> Book:
    """The book of a journal at a start. The ends of shelves are moved onto the clock of this boot.

    Where nobody knows how long ago a shelf was begun, it ends: an alarm too many is better than one too few.
    """
    journal = tuple(changes)
    book = after(Book(), journal)
    begun = {change.alarm: change.stamp for change in journal if change.what is AlarmStep.SHELVED}
    return replace(book, alarms={name: _rebased(each, begun.get(name), stamp) for name, each in book.alarms.items()})


def apart_s(earlier: Stamp | None, later: Stamp) -> float | None:
    """Seconds between two stamps; None when no clock tells. A wall clock that was set back gives 0."""
    if earlier is None:
        return None
    if earlier.boot == later.boot:
        return later.mono_s - earlier.mono_s
    if earlier.trusted and later.trusted:
        return max(0.0, later.wall_s - earlier.wall_s)
    return None


def _rebased(alarm: Alarm, begun: Stamp | None, stamp: Stamp) -> Alarm:
    if alarm.shelf is None or begun is None or begun.boot == stamp.boot:
        return alarm
    spent_s, whole_s = apart_s(begun, stamp), alarm.shelf.until_mono_s - begun.mono_s
    left_s = 0.0 if spent_s is None else min(whole_s, whole_s - spent_s)
    return replace(alarm, shelf=replace(alarm.shelf, until_mono_s=stamp.mono_s + left_s))


def _trial(change: AlarmChange) -> Trial:
    contact = change.alarm.partition(":")[2]
    return Trial(number=change.episode, contact=contact, by=change.by, stamp=change.stamp)


def _changed(alarm: Alarm, change: AlarmChange) -> Alarm:
    match change.what:
        case AlarmStep.RAISED:
            return _raised(alarm, change)
        case AlarmStep.WORSE | AlarmStep.AGAIN if alarm.standing:
            worse = replace(alarm, taken=False, priority=change.priority, why=change.why or alarm.why)
            return _marked(_loud(worse, change.stamp), change)
        case AlarmStep.RETURNED | AlarmStep.ENDED if alarm.standing:
            taken = alarm.taken or change.what is AlarmStep.ENDED
            return _marked(replace(alarm, standing=False, taken=taken, returned=change.stamp), change)
        case AlarmStep.ACKNOWLEDGED if change.episode == alarm.episode and not alarm.taken:
            return _marked(replace(alarm, taken=True, taken_by=change.by, taken_at=change.stamp), change)
        case AlarmStep.SHELVED:
            shelf = Shelf(
                until_mono_s=change.until_mono_s, until_wall_s=change.until_wall_s, by=change.by, why=change.why
            )
            return replace(alarm, shelf=shelf)
        case AlarmStep.UNSHELVED if alarm.shelf is not None:
            return _back(replace(alarm, shelf=None), change.stamp)
        case AlarmStep.SUPPRESSED:
            return replace(alarm, cause=change.why)
        case AlarmStep.RELEASED if alarm.cause:
            return _loud(replace(alarm, cause=""), change.stamp)  # taken before it was explained, it is taken still
        case AlarmStep.OUT_OF_SERVICE:
            return replace(alarm, out_by=change.by, out_why=change.why)
        case AlarmStep.IN_SERVICE if alarm.out_by:
            return _back(replace(alarm, out_by="", out_why=""), change.stamp)
    return alarm


def _raised(alarm: Alarm, change: AlarmChange) -> Alarm:
    quiet_s = apart_s(alarm.returned, change.stamp)
    begun = replace(
        alarm,
        standing=True,
        taken=False,
        episode=change.episode,
        priority=change.priority,
        calls=0,
        why=change.why,
        restless=quiet_s is not None and quiet_s < RESTLESS_WITHIN_S,
        raised=change.stamp,
        rung=None,
        called=None,
        returned=None,
        taken_at=None,
        taken_by="",
        marks=(),
    )
    return _marked(_loud(begun, change.stamp), change)


def _loud(alarm: Alarm, stamp: Stamp) -> Alarm:
    """With one more call, unless it is quiet by a person's will or explained by another alarm."""
    if alarm.at is not AlarmAt.UNACKNOWLEDGED:
        return alarm
    return replace(alarm, calls=alarm.calls + 1, rung=alarm.rung or stamp, called=stamp)


def _back(alarm: Alarm, stamp: Stamp) -> Alarm:
    """From shelved or out of service to what fits the condition now: it calls anew, or is normal."""
    if not alarm.standing:
        return replace(alarm, taken=True)
    return _loud(replace(alarm, taken=False, taken_by="", taken_at=None), stamp)


def _marked(alarm: Alarm, change: AlarmChange) -> Alarm:
    """With one more mark; the first is kept, and the newest of the others."""
    number = alarm.marks[-1].number + 1 if alarm.marks else 1
    new = Mark(number=number, what=change.what, wall_s=change.stamp.wall_s, priority=change.priority)
    marks = (*alarm.marks, new)
    return replace(alarm, marks=marks if len(marks) <= MOST_MARKS else (marks[0], *marks[2:]))
