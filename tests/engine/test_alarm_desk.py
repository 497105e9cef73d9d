"""What people ask of alarms: what is refused, that every change has a name, and that the journal comes first."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from gateway.alarms.book import AlarmAt, Book, after
from gateway.engine.alarm_desk import REQUESTS, AlarmDesk, desk_of
from gateway.errors import LinkError
from gateway.model import AlarmChange, AlarmStep
from tests.alarms.scenes import Bell, facts, hot, troubles
from tests.engine.fakes import HandClock

KEY = "level-stop:stalls"
LOST = "sensor-lost:back"


class Desk:
    """A desk with a book that takes in what is filed."""

    def __init__(self, *, works: bool = True) -> None:
        bell = Bell()
        bell.run(hot(3, troubles=troubles(("back", "sensor-lost"))), for_s=120)
        self.book: Book = bell.state.book
        self.log: list[Any] = []
        self._works = works
        self.clock = HandClock(bell.now_s)
        self.desk = AlarmDesk(
            self.clock, book=lambda: self.book, file=self._file, flush=self._flush, contacts=("Ana", "Luis")
        )

    def _file(self, change: AlarmChange) -> None:
        self.log.append(change)
        self.book = after(self.book, (change,))

    def _flush(self, timeout_s: float) -> bool:
        self.log.append("flush")
        return self._works

    def ask(self, do: str, alarm: str = KEY, **more: Any) -> dict[str, Any]:
        return self.desk.answer("web", {"do": do, "alarm": alarm, "by": "Ana", **more})

    def at(self, alarm: str = KEY) -> AlarmAt:
        return self.book.of(alarm).at


def test_an_acknowledgement_is_filed_before_it_is_answered_and_has_a_name() -> None:
    desk = Desk()
    assert desk.ask("acknowledge", episode=1) == {"done": True, "recorded": True}
    assert [desk.log[0].what, desk.log[0].by, desk.log[1]] == [AlarmStep.ACKNOWLEDGED, "Ana", "flush"]
    assert desk.at() is AlarmAt.ACKNOWLEDGED
    assert "nobody is called" in desk.ask("acknowledge", episode=1)["error"]


def test_a_history_that_cannot_be_written_stops_nobody_and_is_said() -> None:
    desk = Desk(works=False)
    assert desk.ask("acknowledge", episode=1) == {"done": True, "recorded": False}
    assert desk.at() is AlarmAt.ACKNOWLEDGED


def test_who_looked_at_an_older_episode_is_told_to_look_again() -> None:
    desk = Desk()
    assert "look again" in desk.ask("acknowledge", episode=2)["error"]
    assert desk.log == []


@pytest.mark.parametrize(
    ("alarm", "minutes", "fits"),
    [(KEY, 10, True), (KEY, 10.1, False), (KEY, 0.9, False), (KEY, 0, False), (LOST, 1440, True), (LOST, 1441, False)],
)
def test_the_most_urgent_is_quiet_for_ten_minutes_at_most_and_never_for_ever(
    alarm: str, minutes: float, fits: bool
) -> None:
    desk = Desk()
    answer = desk.ask("shelve", alarm, minutes=minutes, why="vet is here")
    assert ("done" in answer) is fits
    assert (desk.at(alarm) is AlarmAt.SHELVED) is fits


def test_shelving_says_why_and_can_be_ended() -> None:
    desk = Desk()
    assert "say why" in desk.ask("shelve", minutes=10)["error"]
    assert "is not shelved" in desk.ask("unshelve")["error"]
    desk.ask("shelve", minutes=10, why="vet is here")
    line = desk.log[0]
    assert line.until_mono_s - line.stamp.mono_s == line.until_wall_s - line.stamp.wall_s == 600.0
    assert desk.ask("unshelve")["done"] is True
    assert desk.at() is AlarmAt.UNACKNOWLEDGED


def test_kit_may_be_taken_out_of_service_and_horses_may_not() -> None:
    desk = Desk()
    assert "about horses" in desk.ask("out-of-service", why="too loud")["error"]
    assert "say why" in desk.ask("out-of-service", LOST)["error"]
    assert desk.ask("out-of-service", LOST, why="new sensor is ordered")["done"] is True
    assert desk.at(LOST) is AlarmAt.OUT_OF_SERVICE
    assert desk.ask("in-service", LOST)["done"] is True
    assert desk.at(LOST) is AlarmAt.UNACKNOWLEDGED


def test_a_weekly_test_counts_when_it_reached_two_people_and_the_fail_safe_was_tried() -> None:
    desk = Desk()
    assert "reached 1" in desk.ask("weekly-test", reached=["Ana", "Ana"], fail_safe=True)["error"]
    assert "fail-safe" in desk.ask("weekly-test", reached=["Ana", "Luis"])["error"]
    assert desk.ask("weekly-test", reached=["Luis", "Ana"], fail_safe=True)["done"] is True
    assert desk.book.test is not None
    assert (desk.book.test.by, desk.book.test.why) == ("Ana", "reached Ana, Luis; fail-safe tried")


# --- trials -----------------------------------------------------------------------------------------


def test_a_trial_is_filed_with_the_next_number_and_who_asked() -> None:
    desk = Desk()
    assert desk.ask("trial", contact="Luis") == {"done": True, "recorded": True}
    assert desk.ask("trial", contact="Ana") == {"done": True, "recorded": True}
    filed = [each for each in desk.log if each != "flush"]
    now = int(desk.clock.stamp().wall_s)
    assert [(each.alarm, str(each.what), each.episode, each.by) for each in filed] == [
        ("trial:Luis", "tried", now + 1, "Ana"), ("trial:Ana", "tried", now + 2, "Ana"),
    ]  # fmt: skip


def test_numbers_go_on_from_the_journal_and_never_come_twice_before_the_next_step() -> None:
    desk = Desk()
    desk.ask("trial", contact="Luis")
    after_a_restart = Desk()
    after_a_restart.book = desk.book
    after_a_restart.clock.at_s += 60
    stale = desk.book  # what is filed reaches the book only with the step
    for contact in ("Luis", "Ana"):
        after_a_restart.book = stale
        after_a_restart.ask("trial", contact=contact)
    first, second = [each.episode for each in after_a_restart.log if each != "flush"]
    assert desk.book.trials[-1].number < first < second


def test_after_a_lost_journal_no_trial_has_the_number_of_one_that_was_sent_long_ago() -> None:
    desk = Desk()
    for _ in range(9):
        desk.ask("trial", contact="Luis")
        desk.clock.at_s += 60
    sent = {trial.number for trial in desk.book.trials}
    fresh = Desk()
    fresh.clock.at_s = desk.clock.at_s
    fresh.ask("trial", contact="Luis")
    assert fresh.book.trials[-1].number > max(sent)


@pytest.mark.parametrize("restart", [False, True], ids=["same run", "after a restart"])
def test_a_contact_is_tried_every_thirty_seconds_at_most(restart: bool) -> None:
    desk = Desk()
    desk.ask("trial", contact="Luis")
    if restart:
        fresh = Desk()
        fresh.book, fresh.clock.at_s = desk.book, desk.clock.at_s
        desk = fresh
    desk.clock.at_s += 29
    assert desk.ask("trial", contact="Luis")["error"] == "a trial for Luis went out 29 s ago: wait 1 s, look there"
    assert "done" in desk.ask("trial", contact="Ana"), "another contact need not wait"
    desk.clock.at_s += 1
    assert "done" in desk.ask("trial", contact="Luis")


@pytest.mark.parametrize("contact", ["luis", "Maria", ""])
def test_who_is_no_contact_is_told_who_is(contact: str) -> None:
    desk = Desk()
    assert desk.ask("trial", contact=contact)["error"].endswith("contacts are: Ana, Luis")
    assert desk.log == []


def test_a_barn_without_contacts_says_what_to_do() -> None:
    desk = AlarmDesk(HandClock(), book=Book, file=lambda _: None, flush=lambda _: True)
    assert "[[contacts]]" in desk.answer("web", {"do": "trial", "contact": "Ana", "by": "Luis"})["error"]


@pytest.mark.parametrize("do", [do for do in REQUESTS if do not in ("weekly-test", "trial")])
def test_an_alarm_that_was_never_heard_of_is_no_alarm(do: str) -> None:
    desk = Desk()
    assert desk.ask(do, "fire:moon", minutes=10, why="x") == {"error": "there is no alarm fire:moon"}
    assert desk.log == []


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"do": "dance"}, "cannot do 'dance'"),
        ({"do": ["shelve"]}, "cannot do"),
        ({"by": " "}, "by must say who asks"),
        ({"by": "A\r\nB"}, "by must be a text"),
        ({"alarm": 7}, "alarm must be a text"),
        ({"episode": "1"}, "episode must be a number"),
        ({"do": "shelve", "minutes": True}, "minutes must be a number"),
        ({"do": "shelve", "minutes": float("nan")}, "minutes must be a number"),
        ({"do": "shelve", "minutes": 10, "why": "x" * 121}, "why must be a text"),
        ({"do": "weekly-test", "reached": "Ana"}, "reached must be a list"),
        ({"do": "weekly-test", "reached": ["Ana", 7]}, "reached must be a text"),
    ],
)
def test_what_cannot_be_understood_is_an_error_of_the_link(changes: dict[str, Any], says: str) -> None:
    desk = Desk()
    with pytest.raises(LinkError, match=says):
        desk.desk.answer("web", {"do": "acknowledge", "alarm": KEY, "by": "Ana", **changes})
    assert desk.log == []


def test_one_desk_hands_each_request_to_the_right_place() -> None:
    answer = desk_of(lambda peer, request: {"to": "hands"}, lambda peer, request: {"to": "alarms"})
    assert answer("web", {"do": "shelve"}) == {"to": "alarms"}
    for do in ("hand", "dance", None, ["shelve"]):
        assert answer("web", {"do": do}) == {"to": "hands"}


def test_a_quiet_barn_has_nothing_to_take() -> None:
    bell = Bell()
    bell.run(facts(), for_s=10)
    desk = AlarmDesk(HandClock(), book=lambda: bell.state.book, file=lambda change: None, flush=lambda timeout_s: True)
    assert "there is no alarm" in desk.answer("web", {"do": "acknowledge", "alarm": KEY, "by": "Ana"})["error"]


def test_an_alarm_that_came_a_million_times_can_still_be_taken() -> None:
    desk = Desk()
    alarm = desk.book.alarms[KEY]
    desk.book = dataclasses.replace(
        desk.book, alarms={**desk.book.alarms, KEY: dataclasses.replace(alarm, episode=1_000_000)}
    )
    assert desk.ask("acknowledge", episode=1_000_000) == {"done": True, "recorded": True}
