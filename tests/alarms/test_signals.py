"""When lamps and chimes are on. Times are counted by hand from the two figures of the design: 2 s, every 30 s."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from gateway.alarms.book import AlarmAt, Book
from gateway.alarms.signals import SignalRun, signals_after
from gateway.barn import SignalSpec
from gateway.model import AlarmStep, Priority, SignalKind
from tests.alarms.scenes import Bell, facts, hot, stamp, troubles

NIGHT = ((21 * 60, 6 * 60),)
LAMP = SignalSpec(name="lamp", kind=SignalKind.LAMP, relay="block", output=4)
SOON_LAMP = SignalSpec(name="soon", kind=SignalKind.LAMP, relay="block", output=5, least=Priority.SOON)
CHIME = SignalSpec(name="chime", kind=SignalKind.CHIME, relay="block", output=6, least=Priority.SOON, quiet=NIGHT)
ALL = (LAMP, SOON_LAMP, CHIME)
NOON, MIDNIGHT = 12 * 60, 0


def on(book: Book, *, minute: int | None = NOON, now_s: float = 0.0) -> set[str]:
    return {name for name, run in signals_after({}, ALL, book, now_s=now_s, minute=minute).items() if run.on}


def with_soon() -> Bell:
    bell = Bell()
    bell.run(facts(troubles=troubles(("history", "history-unwritten"))), for_s=120)
    assert bell.calling() == ["history-lost:history"]
    return bell


def with_now() -> Bell:
    bell = Bell()
    bell.run(hot(3), for_s=120)
    assert bell.calling() == ["level-stop:stalls"]
    return bell


def test_nothing_is_on_in_a_quiet_barn_and_nothing_is_asked_where_nothing_is_fitted() -> None:
    assert on(Book()) == set()
    assert signals_after({}, (), with_now().state.book, now_s=0.0, minute=NOON) == {}


def test_each_calls_from_its_own_priority_up() -> None:
    assert on(with_soon().state.book) == {"soon", "chime"}
    assert on(with_now().state.book) == {"lamp", "soon", "chime"}
    idle = Bell()
    idle.run(facts(test_age_s=8 * 86_400.0), for_s=7200, every_s=10.0)
    assert idle.calling() == ["test-due:barn"]  # it can wait for the next round
    assert on(idle.state.book) == set()


@pytest.mark.parametrize(
    ("what", "changes"),
    [
        (AlarmStep.ACKNOWLEDGED, {}),
        (AlarmStep.SHELVED, {"until_mono_s": 1e9, "until_wall_s": 1e9}),
        (AlarmStep.SUPPRESSED, {"why": "bus-lost:line"}),
        (AlarmStep.RETURNED, {}),
    ],
)
def test_an_alarm_that_asks_for_nobody_lights_nothing(what: AlarmStep, changes: dict[str, Any]) -> None:
    bell = with_now()
    bell.file(what, "level-stop:stalls", **changes)
    assert bell.at("level-stop:stalls") is not AlarmAt.UNACKNOWLEDGED
    assert on(bell.state.book) == set()


@pytest.mark.parametrize(
    ("minute", "sounds"), [(20 * 60 + 59, True), (21 * 60, False), (MIDNIGHT, False), (359, False), (360, True)]
)
def test_a_chime_is_quiet_in_its_hours(minute: int, sounds: bool) -> None:
    assert on(with_soon().state.book, minute=minute) == ({"soon", "chime"} if sounds else {"soon"})


def test_a_chime_sounds_at_night_for_what_cannot_wait_and_while_the_clock_is_not_set() -> None:
    assert "chime" in on(with_now().state.book, minute=MIDNIGHT)
    assert "chime" in on(with_soon().state.book, minute=None)


def test_a_chime_sounds_for_two_seconds_at_once_and_then_every_thirty() -> None:
    runs: Mapping[str, SignalRun] = {}
    sounded, shone, book = [], [], with_soon().state.book
    for now_s in range(1000, 1125):
        before = Book() if now_s < 1007 else book
        runs = signals_after(runs, ALL, before, now_s=float(now_s), minute=NOON)
        sounded += [now_s] if runs["chime"].on else []
        shone += [now_s] if runs["soon"].on else []
    assert sounded == [1007, 1008, 1037, 1038, 1067, 1068, 1097, 1098]
    assert shone == list(range(1007, 1125))
    assert runs["soon"].since_s == 1007 and runs["chime"].since_s == 1099


def test_what_was_taken_and_comes_again_sounds_at_once() -> None:
    bell, runs = with_soon(), {"chime": SignalRun(on=False, since_s=0.0, calls_since_s=0.0)}
    bell.file(AlarmStep.ACKNOWLEDGED, "history-lost:history")
    runs = signals_after(runs, (CHIME,), bell.state.book, now_s=10.0, minute=NOON)
    assert runs["chime"].calls_since_s is None
    bell.file(AlarmStep.WORSE, "history-lost:history", stamp=stamp(bell.now_s))
    runs = signals_after(runs, (CHIME,), bell.state.book, now_s=11.0, minute=NOON)
    assert runs["chime"].on
