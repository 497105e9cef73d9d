"""Who is called in a replayed summer, and what they do: take alarms, walk rounds, test weekly or forget to. Invented.

Ana is called first, Luis after her. Whoever got a message takes its alarms after some minutes, by night after more. At
the rounds somebody stands before the wall and takes all that is still open there. A mister whose line has stood idle is
flushed by hand once a day, as its alarm asks; sometimes a fan is taken by hand for a while.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Final

from gateway.alarms.book import Alarm, Book, apart_s
from gateway.alarms.contacts import Contact
from gateway.alarms.notices import Calling, News, Notice, NoticeState, plan
from gateway.barn import Barn
from gateway.model import AlarmChange, AlarmStep, HandChange, HandKind, KitKind, Stamp

CONTACTS: Final = (Contact(name="Ana", order=1), Contact(name="Luis", order=2))
ANSWER_MIN: Final = (2.0, 8.0, 25.0)  # least, usual, most minutes from a message to taking its alarms
NIGHT: Final = (22 * 60, 6 * 60)
NIGHT_TIMES: Final = 3.0  # so much longer at night
ROUNDS: Final = (6 * 60 + 30, 12 * 60, 18 * 60 + 30)  # minutes of the day; 10 min each
ROUND_MIN: Final = 10
TEST_DAY, TEST_FROM, TEST_UNTIL = 0, 8 * 60, 10 * 60  # Mondays, at a time between
FORGOTTEN: Final = 0.2  # share of the Mondays on which nobody tests; it is then done at the next round but one
BY_HAND_EVERY_DAYS: Final = 5.0
FLUSH_S: Final = 120.0


class People:
    """The people of one summer. Asked at each step; the same seed acts alike."""

    def __init__(self, barn: Barn, seed: int) -> None:
        self._barn, self._chance = barn, random.Random(seed)
        self.notices = NoticeState()
        self._answers: dict[tuple[str, str], float] = {}  # (contact, alarm) -> when it is taken
        self._test_at: tuple[int, int] | None = None
        self._flushed_day = -1
        self._hand_day, self._hand_minute = -1, 0

    def told(self, book: Book, stamp: Stamp, minute: int, now_s: float) -> tuple[Notice, ...]:
        """The messages that go out now; each is answered later."""
        self.notices, notices = plan(
            self.notices, [_calling(key, alarm, stamp) for key, alarm in book.alarms.items()], CONTACTS,
            now_s=now_s, minute=minute,
        )  # fmt: skip
        for notice in notices:
            least, usual, most = (60.0 * each for each in ANSWER_MIN)
            wait_s = self._chance.triangular(least, most, usual) * (NIGHT_TIMES if _is_night(minute) else 1.0)
            for item in notice.items:
                if item.news is News.CALL:
                    self._answers[notice.contact, item.alarm] = now_s + wait_s
        return notices

    def files(self, book: Book, stamp: Stamp, minute: int, day: int, now_s: float) -> Iterator[AlarmChange]:
        """What they do to alarms now."""
        taken: dict[str, str] = {}
        for (who, key), due_s in list(self._answers.items()):
            if now_s >= due_s:
                del self._answers[who, key]
                taken.setdefault(key, who)
        if any(begin <= minute < begin + ROUND_MIN for begin in ROUNDS):
            taken |= {key: "Ana" for key, alarm in book.alarms.items() if not alarm.taken}
        for key, who in taken.items():
            if not book.of(key).taken:
                yield _line(key, book.of(key), AlarmStep.ACKNOWLEDGED, stamp, who)
        if self._tests(minute, day):
            yield _line("test-due:barn", Alarm(), AlarmStep.TESTED, stamp, "Ana")

    def hands(self, stagnant: bool, stamp: Stamp, minute: int, day: int) -> Iterator[HandChange]:
        """What they take by hand now. `stagnant`: a mister says that its line must be flushed first."""
        if stagnant and self._flushed_day != day and 9 * 60 <= minute < 19 * 60:
            self._flushed_day = day
            for kit in self._barn.kit:
                if kit.kind is KitKind.MISTER:
                    yield _hand(kit.name, HandKind.ON, FLUSH_S, stamp, "flush")
        if day != self._hand_day:
            self._hand_day = day
            self._hand_minute = self._chance.randrange(7 * 60, 18 * 60)
            if self._chance.random() > 1.0 / BY_HAND_EVERY_DAYS:
                self._hand_minute = 24 * 60
        elif minute >= self._hand_minute:
            self._hand_minute = 24 * 60
            fan = self._chance.choice([kit.name for kit in self._barn.kit if kit.kind is KitKind.FAN])
            kind = self._chance.choice((HandKind.ON, HandKind.OFF))
            yield _hand(fan, kind, 60.0 * self._chance.choice((15, 30, 60)), stamp, "work there")

    def is_waited_for(self, now_s: float, within_s: float) -> bool:
        """Whether somebody answers soon, or a message waits."""
        return bool(self.notices.waits_since_s) or any(due_s - now_s < within_s for due_s in self._answers.values())

    def _tests(self, minute: int, day: int) -> bool:
        if self._test_at is None:
            first = day + (TEST_DAY - day) % 7
            self._test_at = (first if first > day else first + 7, self._chance.randrange(TEST_FROM, TEST_UNTIL))
            return True  # when the barn began to be watched
        if (day, minute) < self._test_at:
            return False
        monday = self._test_at[0] - (self._test_at[0] - TEST_DAY) % 7 + 7
        at = self._chance.randrange(TEST_FROM, TEST_UNTIL)
        late = self._chance.random() < FORGOTTEN
        self._test_at = (monday + (1 if late else 0), at)
        return True


def _calling(key: str, alarm: Alarm, stamp: Stamp) -> Calling:
    ago_s = apart_s(alarm.called, stamp)
    return Calling(
        alarm=key, at=alarm.at, standing=alarm.standing, episode=alarm.episode, calls=alarm.calls,
        priority=alarm.priority, calling_s=ago_s or 0.0, taken_by=alarm.taken_by,
    )  # fmt: skip


def _line(key: str, alarm: Alarm, what: AlarmStep, stamp: Stamp, by: str) -> AlarmChange:
    return AlarmChange(alarm=key, what=what, episode=alarm.episode, priority=alarm.priority, stamp=stamp, by=by)


def _hand(subject: str, kind: HandKind, lasts_s: float, stamp: Stamp, why: str) -> HandChange:
    return HandChange(
        subject=subject, kind=kind, until_mono_s=stamp.mono_s + lasts_s, until_wall_s=stamp.wall_s + lasts_s,
        by="Luis", why=why, stamp=stamp,
    )  # fmt: skip


def _is_night(minute: int) -> bool:
    return minute >= NIGHT[0] or minute < NIGHT[1]
