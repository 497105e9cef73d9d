"""Power cuts at every step of raising, calling, escalating, taking and ending an alarm, with the conservation law.

At each cut only what was on the disk is left; the run goes on from it. Whatever the cut, everybody is told the same, a
message that leaves twice has one id and the same bytes, and messages by way = pending + delivered + given up.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.engine.snapshot import AlarmView
from gateway.uplink.calls_ledger import CallsReader
from gateway.uplink.message import Message
from gateway.uplink.tries import TryAt
from gateway.uplink.verdict import Outcome, Verdict
from tests.uplink.call_scenes import AWAY, DELIVERED, REFUSED, WALL_S, Cut, Desk, conserved, kinds, told_once, view

ALL = [
    ("Ana", "alarm.call"),
    ("Luis", "alarm.call"),
    ("Ana", "alarm.taken"),
    ("Ana", "alarm.over"),
    ("Luis", "alarm.over"),
]


class Run:
    """A desk whose power may go; what arrived, as the far ends saw it."""

    def __init__(self, folder: Path) -> None:
        self.desk = Desk(folder)
        self.desk.verdict_of = self._sent
        self.verdicts: dict[str, Verdict] = {}
        self.arrived: list[tuple[Message, str]] = []
        self.cuts = 0

    def _sent(self, message: Message, way: str) -> Verdict:
        verdict = self.verdicts.get(way, DELIVERED)
        if verdict.outcome is Outcome.DELIVERED:
            self.arrived.append((message, way))
        return verdict

    def turn(self, after_s: float) -> None:
        self.desk.now_s += after_s
        try:
            self.desk.turn()
        except Cut:
            self.cuts += 1
            self.desk.power_cut()

    def check(self) -> None:
        conserved(self.desk, CallsReader(self.desk.path).counts())
        told_once(self.desk)
        on_record = {notice.id for notice in self.desk.kept.on_record()[0]}
        assert {message.id for message, _ in self.desk.sent} <= on_record, "nothing leaves that was not kept before"
        bodies: dict[str, set[str]] = {}
        for message, _ in self.desk.sent:
            bodies.setdefault(message.id, set()).add(repr(message))
        assert all(len(different) == 1 for different in bodies.values()), "one id, one message"
        twice = Counter((message.id, way) for message, way in self.arrived)
        assert sum(count - 1 for count in twice.values()) <= self.cuts, "twice only where a cut came between"


def life() -> Iterator[tuple[float, AlarmView]]:
    """One alarm: raised, unanswered for six minutes, taken by Luis, over."""
    for _ in range(8):
        yield 1.0, view(called_wall_s=WALL_S)
    for _ in range(36):
        yield 10.0, view(called_wall_s=WALL_S)
    for _ in range(20):  # a cut makes news wait anew, so that it has time to be told twice over
        yield 10.0, view(state="acknowledged", taken_by="Luis")
    for _ in range(20):
        yield 10.0, view(state="normal")


def lived(folder: Path, cut_in: int | None) -> tuple[Run, list[int]]:
    """A whole life; the steps at which something was kept or sent."""
    run, busy, step = Run(folder), list[int](), 0
    run.desk.cut_in = cut_in if cut_in is not None else 10**9
    for after_s, alarm in life():
        run.desk.says(alarm)
        before, left = len(run.desk.sent), run.desk.cut_in
        run.turn(after_s)
        if cut_in is None:
            taken = (left or 0) - (run.desk.cut_in or 0)
            busy += range(step, step + taken) if len(run.desk.sent) > before else []
            step += taken
    return run, busy


def test_a_cut_at_every_step_of_an_alarm_s_life_changes_nothing_that_anybody_is_told(tmp_path: Path) -> None:
    (tmp_path / "whole").mkdir()
    whole, busy = lived(tmp_path / "whole", None)
    assert kinds(whole.arrived) == ALL and whole.cuts == 0
    assert len(busy) > 40
    sent_twice = 0
    for cut_in in busy:
        folder = tmp_path / f"cut-{cut_in}"
        folder.mkdir()
        run, _ = lived(folder, cut_in)
        assert run.cuts == 1
        assert sorted(set(kinds(run.arrived))) == sorted(ALL), f"cut at step {cut_in}"
        assert {m.id for m, _ in run.arrived} == {m.id for m, _ in whole.arrived}, "the same messages, the same ids"
        run.check()
        assert CallsReader(run.desk.path).counts()[TryAt.PENDING] == 0
        sent_twice += len(run.arrived) > len(whole.arrived)
        run.desk.kept.close()
    assert sent_twice > 0, "a cut between sending and keeping must have been among them"


KEYS = ("fire:barn", "bus-lost:line", "disk-low:disk")
STATES = ("unacknowledged", "acknowledged", "normal", "shelved")
VERDICTS = st.sampled_from((DELIVERED, AWAY, REFUSED))
ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("alarm"), st.sampled_from(KEYS), st.sampled_from(STATES), st.integers(0, 2)),
        st.tuples(st.just("wait"), st.sampled_from((1.0, 6.0, 61.0, 400.0)), st.integers(1, 8), st.just(0)),
        st.tuples(st.just("way"), st.sampled_from(("mail", "webhook", "mqtt")), VERDICTS, st.just(0)),
        st.tuples(st.just("cut"), st.integers(0, 12), st.just(0), st.just(0)),
        st.tuples(st.just("core"), st.booleans(), st.just(0), st.just(0)),
    ),
    min_size=5,
    max_size=30,
)  # fmt: skip


def changed(alarms: dict[str, AlarmView], key: str, state: str, more: int, now_s: float) -> AlarmView:
    """The next state of an alarm as its life cycle allows: a new episode after an end, a new call while it stands."""
    last = alarms.get(key, view(key, "normal", episode=0, calls=0, raised_wall_s=WALL_S))
    priority = "soon" if key == "disk-low:disk" else "now"
    if state == "unacknowledged" and (not last.standing or more == 2):
        episode, raised_s = last.episode + 1, WALL_S + now_s
        return view(key, state, episode=episode, raised_wall_s=raised_s, called_wall_s=raised_s, priority=priority)
    calls = last.calls + 1 if state == "unacknowledged" and more == 1 else last.calls
    return view(key, state, episode=last.episode, calls=calls, raised_wall_s=last.raised_wall_s, priority=priority)


@settings(max_examples=40, deadline=None)
@given(ACTIONS)
def test_whatever_happens_the_law_holds_and_nobody_is_told_twice(
    actions: list[tuple[str, object, object, int]],
) -> None:
    with tempfile.TemporaryDirectory() as name:
        run, alarms = Run(Path(name)), dict[str, AlarmView]()
        for kind, first, second, more in actions:
            if kind == "alarm":
                alarms[str(first)] = changed(alarms, str(first), str(second), more, run.desk.now_s)
                run.desk.says(*alarms.values())
            elif kind == "wait":
                for _ in range(int(str(second))):
                    run.turn(float(str(first)))
            elif kind == "way":
                assert isinstance(second, Verdict)
                run.verdicts[str(first)] = second
            elif kind == "cut":
                run.desk.cut_in = int(str(first))
            elif first:
                run.desk.says(*alarms.values())
            else:
                run.desk.says_nothing()
            run.check()
        run.desk.cut_in, run.verdicts = None, {}
        ended = [changed(alarms, key, "normal", 0, run.desk.now_s) for key in alarms]
        run.desk.says(*ended)
        for _ in range(120):
            run.turn(61.0)
        run.check()
        assert CallsReader(run.desk.path).counts()[TryAt.PENDING] == 0, "everything comes to an end"
        run.desk.kept.close()


def test_the_check_finds_a_desk_that_keeps_nothing(tmp_path: Path) -> None:
    run = Run(tmp_path)
    run.desk.kept.write = lambda entries, changes: True  # type: ignore[method-assign]
    run.desk.says(view())
    for _ in range(10):
        run.turn(1.0)
    with pytest.raises(AssertionError, match="kept before"):
        run.check()
