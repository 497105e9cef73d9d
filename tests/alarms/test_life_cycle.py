"""The life cycle after ISA-18.2 / IEC 62682: a property test against the figure, chatter, quiet, and power cuts.

The model of the property test is the standard's figure written down as a table of states (from memory, checked against
the state names of public process-industry documents), not our code: it knows letters and events only.
"""

from __future__ import annotations

import dataclasses
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from gateway.alarms.book import AlarmAt, after, restored
from gateway.alarms.rule import Finding
from gateway.alarms.rules import LEAST_STANDING_S, RESTLESS_OFF_S
from gateway.model import AlarmChange, AlarmStep, Priority
from tests.alarms.scenes import Bell, signal, stamp, what

KEY = "signal:x"
ON_S, OFF_S, AGAIN_S = 10.0, 20.0, 300.0


class Wire:
    """What the rule of a test finds now."""

    def __init__(self) -> None:
        self.found: list[Finding] = []

    def on(self, priority: Priority = Priority.SOON, **changes: Any) -> None:
        self.found = [Finding(subject="x", priority=priority, **changes)]

    def off(self) -> None:
        self.found = []


def bell(wire: Wire, **changes: Any) -> Bell:
    given = {"on_s": ON_S, "off_s": OFF_S, "again_s": AGAIN_S, **changes}
    return Bell((signal(lambda: wire.found, **given),))


# Which letters may follow which in one step of the figure; E, F, G keep their own counsel until they are left.
FOLLOWS = {
    "A": set("ABEFG"),
    "B": set("BCDAEFG"),  # to A: when an alarm that need not be read is over
    "C": set("CABEFG"),
    "D": set("DABEFG"),
    "E": set("EABDFG"),  # to D: by way of B, when the shelf and the cause end between two looks
    "F": set("FABCDEG"),  # to C: it was taken before another alarm explained it; to D likewise by way of B
    "G": set("GABEF"),
}


class LifeCycle(RuleBasedStateMachine):
    """Random signals, people and restarts; after each step the letter may only have moved along the figure."""

    steps = 0

    @initialize(stays=st.booleans())
    def begin(self, stays: bool) -> None:
        self.wire = Wire()
        self.cause = Wire()
        self.bell = Bell(
            (
                signal(lambda: self.cause.found, on_s=0.0, off_s=0.0, code="cause"),
                signal(lambda: self.wire.found, on_s=ON_S, off_s=OFF_S, again_s=AGAIN_S, stays=stays),
            )
        )
        self.letter = "A"
        self.raised_s: list[float] = []
        self.names: list[str] = []

    @rule(on=st.booleans(), priority=st.sampled_from(Priority), unsure=st.booleans())
    def signal(self, on: bool, priority: Priority, unsure: bool) -> None:
        self.wire.on(priority, causes=("cause:x",), unsure=unsure) if on else self.wire.off()

    @rule(on=st.booleans())
    def explained(self, on: bool) -> None:
        self.cause.on() if on else self.cause.off()

    @rule(seconds=st.sampled_from((1.0, 5.0, 11.0, 21.0, 310.0, 1900.0)))
    def wait(self, seconds: float) -> None:
        for line in self.bell.step(after_s=seconds):
            if (line.alarm, line.what) == (KEY, AlarmStep.RAISED):
                if self.bell.at(KEY) is AlarmAt.UNACKNOWLEDGED:
                    self.raised_s.append(self.bell.now_s)
                assert self.wire.found and not self.wire.found[0].unsure

    @rule(current=st.booleans())
    def acknowledge(self, current: bool) -> None:
        episode = self.bell.alarm(KEY).episode
        self.bell.file(AlarmStep.ACKNOWLEDGED, KEY, episode=episode if current else episode - 1)
        if not current:
            assert self.bell.at(KEY).value == self.letter, "an old acknowledgement changes nothing"

    @rule(minutes=st.sampled_from((1, 10, 1440)))
    def shelve(self, minutes: int) -> None:
        ends_s = self.bell.now_s + 60.0 * minutes
        self.bell.file(AlarmStep.SHELVED, KEY, why="vet", until_mono_s=ends_s, until_wall_s=stamp(ends_s).wall_s)

    @rule(what=st.sampled_from((AlarmStep.UNSHELVED, AlarmStep.OUT_OF_SERVICE, AlarmStep.IN_SERVICE)))
    def maintain(self, what: AlarmStep) -> None:
        self.bell.file(what, KEY, why="repair")

    @precondition(lambda self: bool(self.bell.journal))
    @rule()
    def power_cut(self) -> None:
        """Everything but the journal is gone; the same boot of the machine."""
        book = restored(self.bell.journal, stamp(self.bell.now_s))
        assert book == self.bell.state.book
        self.bell.state = dataclasses.replace(self.bell.state, book=book, timers={})

    @invariant()
    def moves_along_the_figure(self) -> None:
        if hasattr(self, "bell"):
            letter = self.bell.at(KEY).value
            LifeCycle.steps += 1
            assert letter in FOLLOWS[self.letter], f"{self.letter} to {letter}"
            self.letter = letter

    @invariant()
    def keeps_its_promises(self) -> None:
        if not hasattr(self, "bell"):
            return
        alarm = self.bell.alarm(KEY)
        gaps = [b - a for a, b in pairwise(self.raised_s)]
        assert all(gap >= LEAST_STANDING_S for gap in gaps), "two alarms within ten minutes"
        assert alarm.shelf is None or alarm.shelf.until_mono_s <= self.bell.now_s + 86_400.0
        if alarm.at is AlarmAt.ACKNOWLEDGED:
            assert alarm.taken_by == "Ana", "every acknowledgement has a name"
        if alarm.at is AlarmAt.UNACKNOWLEDGED:
            assert alarm.calls >= 1 and alarm.called is not None


def test_ten_thousand_random_steps_stay_on_the_figure() -> None:
    LifeCycle.steps = 0
    size = settings(max_examples=300, stateful_step_count=80, deadline=None, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(LifeCycle, settings=size)
    assert LifeCycle.steps >= 10_000


def test_the_whole_walk_through_the_figure() -> None:
    wire = Wire()
    walk = bell(wire)
    wire.on()
    assert what(walk.run(for_s=ON_S)) == []
    assert what(walk.step()) == [(KEY, "raised")]
    assert walk.at(KEY) is AlarmAt.UNACKNOWLEDGED
    walk.file(AlarmStep.ACKNOWLEDGED, KEY)
    assert walk.at(KEY) is AlarmAt.ACKNOWLEDGED
    assert walk.alarm(KEY).taken_by == "Ana"
    assert what(walk.run(for_s=AGAIN_S)) == [(KEY, "again")]
    assert walk.at(KEY) is AlarmAt.UNACKNOWLEDGED
    wire.off()
    walk.run(for_s=LEAST_STANDING_S)
    assert walk.at(KEY) is AlarmAt.RETURNED
    walk.file(AlarmStep.ACKNOWLEDGED, KEY)
    assert walk.at(KEY) is AlarmAt.NORMAL


@pytest.mark.parametrize("half_s", [1.0, 3.0, 7.0, 15.0, 40.0, 130.0, 400.0])
def test_a_chattering_input_gives_at_most_one_alarm_in_ten_minutes(half_s: float) -> None:
    """On and off for `half_s` each, for eight hours."""
    wire = Wire()
    chatter = bell(wire)
    raised = []
    for second in range(8 * 3600):
        wire.on() if int(second / half_s) % 2 == 0 else wire.off()
        raised += [chatter.now_s for line in chatter.step() if line.what is AlarmStep.RAISED]
    assert all(b - a >= 600.0 for a, b in pairwise(raised))
    # Restless after the second: an off time shorter than half an hour ends it no more.
    assert len(raised) <= 2
    assert bool(raised) == (half_s > ON_S)


def test_an_alarm_that_flutters_for_seconds_is_not_raised_and_one_that_holds_is() -> None:
    wire = Wire()
    quick = bell(wire)
    wire.on()
    quick.run(for_s=ON_S - 1)
    wire.off()
    quick.step()
    wire.on()
    assert quick.run(for_s=ON_S) == []
    assert what(quick.step()) == [(KEY, "raised")]


def test_what_nobody_can_tell_raises_nothing_and_ends_nothing() -> None:
    wire = Wire()
    blind = bell(wire)
    wire.on(unsure=True)
    assert blind.run(for_s=1000, every_s=10.0) == []
    wire.on()
    blind.run(for_s=20)
    wire.on(unsure=True)
    assert blind.run(for_s=5000, every_s=10.0) == []
    assert blind.at(KEY) is AlarmAt.UNACKNOWLEDGED


def test_it_comes_back_when_it_gets_worse_even_from_a_shelf() -> None:
    wire = Wire()
    worse = bell(wire)
    wire.on(Priority.WHEN_YOU_CAN)
    worse.run(for_s=20)
    worse.file(AlarmStep.SHELVED, KEY, why="later", until_mono_s=worse.now_s + 86_400, until_wall_s=0.0)
    assert worse.at(KEY) is AlarmAt.SHELVED
    wire.on(Priority.NOW)
    assert what(worse.step()) == [(KEY, "unshelved"), (KEY, "worse")]
    assert worse.at(KEY) is AlarmAt.UNACKNOWLEDGED
    wire.on(Priority.WHEN_YOU_CAN)
    worse.run(for_s=60)
    assert worse.alarm(KEY).priority is Priority.NOW, "an episode is as urgent as it ever was"


def test_a_shelf_ends_by_itself_and_the_alarm_calls_anew() -> None:
    wire = Wire()
    shelved = bell(wire)
    wire.on()
    shelved.run(for_s=20)
    shelved.file(AlarmStep.ACKNOWLEDGED, KEY)
    shelved.file(AlarmStep.SHELVED, KEY, why="vet", until_mono_s=shelved.now_s + 600, until_wall_s=0.0)
    assert shelved.run(for_s=599) == []
    assert what(shelved.step()) == [(KEY, "unshelved")]
    assert shelved.at(KEY) is AlarmAt.UNACKNOWLEDGED
    assert shelved.alarm(KEY).calls == 2


@pytest.mark.parametrize(("stays", "letter"), [(True, "D"), (False, "A")])
def test_a_rule_says_whether_an_alarm_that_is_over_waits_to_be_read(stays: bool, letter: str) -> None:
    wire = Wire()
    over = bell(wire, stays=stays)
    wire.on()
    over.run(for_s=20)
    wire.off()
    over.run(for_s=LEAST_STANDING_S + OFF_S)
    assert over.at(KEY).value == letter


def test_the_end_of_a_restless_alarm_is_told_only_after_half_an_hour() -> None:
    wire = Wire()
    restless = bell(wire)
    for _ in range(2):
        wire.on()
        restless.run(for_s=LEAST_STANDING_S + 20)
        wire.off()
        restless.run(for_s=OFF_S + 1)
    assert restless.alarm(KEY).restless and restless.alarm(KEY).standing
    restless.run(for_s=RESTLESS_OFF_S)
    assert not restless.alarm(KEY).standing


def test_an_acknowledgement_of_an_older_episode_does_not_take_the_new_one() -> None:
    wire = Wire()
    old = bell(wire)
    wire.on()
    old.run(for_s=20)
    wire.off()
    old.run(for_s=700)
    wire.on()
    old.run(for_s=20)
    assert old.alarm(KEY).episode == 2
    old.file(AlarmStep.ACKNOWLEDGED, KEY, episode=1)
    assert old.at(KEY) is AlarmAt.UNACKNOWLEDGED


# --- power cuts -------------------------------------------------------------------------------------


def _busy() -> Bell:
    """A night of everything: raised, taken, again, shelved, explained, out of service, over, restless."""
    wire, cause = Wire(), Wire()
    night = Bell(
        (
            signal(lambda: cause.found, on_s=0.0, off_s=0.0, code="cause"),
            signal(lambda: wire.found, on_s=ON_S, off_s=OFF_S, again_s=AGAIN_S),
        )
    )
    wire.on(causes=("cause:x",))
    night.run(for_s=20)
    night.file(AlarmStep.ACKNOWLEDGED, KEY)
    night.run(for_s=400)
    night.file(
        AlarmStep.SHELVED, KEY, why="vet", until_mono_s=night.now_s + 900, until_wall_s=stamp(night.now_s + 900).wall_s
    )
    cause.on()
    night.run(for_s=30)
    night.file(AlarmStep.OUT_OF_SERVICE, KEY, why="repair")
    cause.off()
    night.run(for_s=1000)
    night.file(AlarmStep.IN_SERVICE, KEY)
    wire.off()
    night.run(for_s=700)
    wire.on(Priority.NOW)
    night.run(for_s=30)
    night.file(AlarmStep.TESTED, "test-due:barn", why="reached Ana, Luis; fail-safe tried")
    return night


def test_after_a_cut_at_any_line_the_journal_gives_the_state_that_was() -> None:
    night = _busy()
    assert {line.what for line in night.journal} >= {
        AlarmStep.RAISED, AlarmStep.AGAIN, AlarmStep.ACKNOWLEDGED, AlarmStep.SHELVED, AlarmStep.SUPPRESSED,
        AlarmStep.OUT_OF_SERVICE, AlarmStep.IN_SERVICE, AlarmStep.RELEASED, AlarmStep.RETURNED, AlarmStep.TESTED,
    }  # fmt: skip
    book = restored((), stamp(0.0))
    for count, line in enumerate(night.journal, start=1):
        book = after(book, (line,))
        assert restored(night.journal[:count], line.stamp) == book
    assert book == night.state.book


def test_a_cut_between_steps_raises_nothing_twice_and_forgets_no_call() -> None:
    wire = Wire()
    cut = bell(wire)
    wire.on()
    cut.run(for_s=20)
    for _ in range(10):  # ten cuts in ten minutes
        cut.state = dataclasses.replace(cut.state, book=restored(cut.journal, stamp(cut.now_s)), timers={})
        cut.run(for_s=60)
    assert [line.what for line in cut.journal] == [AlarmStep.RAISED]
    assert cut.at(KEY) is AlarmAt.UNACKNOWLEDGED


SHELVED = AlarmChange(
    alarm=KEY, what=AlarmStep.SHELVED, episode=1, priority=Priority.SOON, stamp=stamp(100.0), by="Ana", why="vet",
    until_mono_s=700.0, until_wall_s=stamp(700.0).wall_s,
)  # fmt: skip


@pytest.mark.parametrize(
    ("now", "ends_s"),
    [
        (stamp(400.0), 700.0),
        (stamp(5.0, boot="boot-2", wall_s=stamp(400.0).wall_s), 305.0),
        (stamp(5.0, boot="boot-2", trusted=False), 5.0),
        (stamp(5.0, boot="boot-2", wall_s=0.0), 605.0),  # the clock was set back: never longer than it was given
        (stamp(400.0, wall_s=stamp(0.0).wall_s + 3e7), 700.0),  # a year forward in the same boot expires nothing
    ],
)
def test_a_shelf_keeps_its_end_over_a_restart_where_a_clock_can_tell(now: Any, ends_s: float) -> None:
    shelf = restored([SHELVED], now).of(KEY).shelf
    assert shelf is not None and shelf.by == "Ana"
    assert shelf.until_mono_s == pytest.approx(ends_s)
