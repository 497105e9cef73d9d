"""Owns: the checks of what waits in memory.

Must not know: files, threads.
How it works: a state machine hands in, takes, commits and gives back in any order; whatever happens, everything
handed in is written, waiting, or counted as lost, and no event goes while a reading could.
"""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from gateway.model import Beat, FaultChange, Quality, Reading, Stamp
from gateway.store.backlog import Backlog, Batch


def stamp(n: int) -> Stamp:
    return Stamp(mono_s=float(n), wall_s=float(n), boot="b", trusted=True)


class BacklogMachine(RuleBasedStateMachine):
    @initialize(limit=st.integers(1, 8))
    def begin(self, limit: int) -> None:
        self.limit, self.backlog, self.out = limit, Backlog(limit), Batch(readings=(), events=(), beat=None, gaps=())
        self.is_out = False
        self.made = self.readings = self.events = 0
        self.written_readings: list[float] = []
        self.written_events: list[int] = []
        self.gaps: dict[str, int] = {"readings": 0, "events": 0}

    @rule()
    def hand_in_a_reading(self) -> None:
        self.made += 1
        self.readings += 1
        self.backlog.reading(Reading(channel="c", value=1.0, quality=Quality.GOOD, stamp=stamp(self.made)))

    @rule(count=st.integers(0, 3))
    def hand_in_events(self, count: int) -> None:
        self.made += 1
        self.events += count
        one = FaultChange(subject="s", code="c", text="t", active=True, stamp=stamp(self.made))
        self.backlog.events([one] * count)

    @rule()
    def hand_in_a_beat(self) -> None:
        self.made += 1
        self.backlog.beat(Beat(steps=self.made, late=0, stamp=stamp(self.made)))

    @precondition(lambda self: not self.is_out)
    @rule()
    def take(self) -> None:
        self.out, self.is_out = self.backlog.take(), True
        assert self.backlog.empty

    @precondition(lambda self: self.is_out)
    @rule()
    def commit(self) -> None:
        self.is_out = False
        self.written_readings += [r.stamp.mono_s for r in self.out.readings]
        self.written_events += [number for number, _ in self.out.events]
        for gap in self.out.gaps:
            self.gaps[gap.what] += gap.lost

    @precondition(lambda self: self.is_out)
    @rule()
    def fail(self) -> None:
        lost_events = self.backlog.lost_events
        self.is_out = False
        self.backlog.give_back(self.out)
        left = self.backlog.take()
        self.backlog.give_back(left)
        assert len(left.readings) + len(left.events) <= self.limit
        if self.backlog.lost_events > lost_events:
            assert left.readings == ()

    def teardown(self) -> None:
        if not hasattr(self, "backlog"):
            return
        if not self.is_out:
            self.take()
        self.commit()
        self.take()
        self.commit()
        assert self.readings == len(self.written_readings) + self.backlog.lost_readings
        assert self.events == len(self.written_events) + self.backlog.lost_events
        assert self.gaps == {"readings": self.backlog.lost_readings, "events": self.backlog.lost_events}

    @invariant()
    def written_in_order_and_once(self) -> None:
        assert self.written_readings == sorted(set(self.written_readings))
        assert self.written_events == sorted(set(self.written_events))


TestBacklog = BacklogMachine.TestCase
TestBacklog.settings = settings(max_examples=150, stateful_step_count=30, deadline=None)


def test_oldest_reading_goes_first_and_events_stay() -> None:
    backlog = Backlog(3)
    backlog.events([FaultChange(subject="s", code="c", text="t", active=True, stamp=stamp(0))])
    for n in range(1, 5):
        backlog.reading(Reading(channel="c", value=1.0, quality=Quality.GOOD, stamp=stamp(n)))
    batch = backlog.take()
    assert [r.stamp.mono_s for r in batch.readings] == [3.0, 4.0]
    assert [number for number, _ in batch.events] == [1]
    assert [(g.what, g.first.mono_s, g.last.mono_s, g.lost) for g in batch.gaps] == [("readings", 1.0, 2.0, 2)]


def test_newest_beat_stands_for_all_before() -> None:
    backlog = Backlog(3)
    backlog.beat(Beat(steps=1, late=0, stamp=stamp(1)))
    first = backlog.take()
    backlog.beat(Beat(steps=2, late=0, stamp=stamp(2)))
    backlog.give_back(first)
    beat = backlog.take().beat
    assert beat is not None
    assert beat.steps == 2
