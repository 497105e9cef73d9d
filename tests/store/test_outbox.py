"""Owns: the checks of cursors: every reading comes once, in order, whatever was committed when.

Must not know: tables.
How it works: a state machine commits readings in order and behind the front, over several boots, takes pages of any
size with any number of interruptions, and in the end compares what came with what was handed in.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from gateway.model import LevelChange, Reason
from gateway.store.outbox import Outbox
from gateway.store.position import START
from tests.store.ink import Ink, at, command


class CursorMachine(RuleBasedStateMachine):
    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.mkdtemp()
        self.ink = Ink(Path(self.folder) / "h.db")
        self.outbox = Outbox(self.ink.path)
        self.cursor = START
        self.handed: list[float] = []
        self.came: list[float] = []
        self.boot, self.now, self.value = 0, 100, 0.0

    def put(self, mono_s: float) -> None:
        self.value += 1
        self.handed.append(self.value)
        self.ink.put([at(mono_s, boot=f"boot-{self.boot}")], self.value)

    @rule(count=st.integers(1, 5))
    def commit_in_order(self, count: int) -> None:
        for _ in range(count):
            self.now += 1
            self.put(self.now)
        self.ink.commit()

    @rule(back=st.integers(1, 50))
    def commit_behind_the_front(self, back: int) -> None:
        self.put(self.now - back - self.value / 1000)
        self.ink.commit()

    @rule()
    def boot_again(self) -> None:
        self.boot += 1
        self.now = 100

    @rule()
    def restart_core(self) -> None:
        self.ink.reopen(in_order=False)

    @rule(limit=st.integers(1, 7))
    def take_a_page(self, limit: int) -> None:
        rows, self.cursor = self.outbox.page(self.cursor, limit)
        assert len(rows) <= limit
        self.came += [row[3] for row in rows if row[3] is not None]

    @invariant()
    def none_comes_twice_and_the_rest_is_pending(self) -> None:
        if hasattr(self, "cursor"):
            assert len(set(self.came)) == len(self.came)
            assert self.outbox.pending(self.cursor) == len(self.handed) - len(self.came)

    def teardown(self) -> None:
        if hasattr(self, "cursor"):
            while (page := self.outbox.page(self.cursor, 3))[0]:
                self.came += [row[3] for row in page[0] if row[3] is not None]
                self.cursor = page[1]
            assert sorted(self.came) == self.handed
            assert self.outbox.pending(self.cursor) == 0
            self.ink.close()
            shutil.rmtree(self.folder)


TestCursor = CursorMachine.TestCase
TestCursor.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)


def test_backlog_lane_ends_where_the_live_lane_began(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put(at(float(n)) for n in range(1, 11))
    ink.commit()
    outbox = Outbox(ink.path)
    split = outbox.newest()
    ink.put(at(float(n)) for n in range(11, 21))
    ink.commit()
    live, _ = outbox.page(split, 100)
    backlog, end = outbox.page(START, 100, until=split)
    assert [row[3] for row in backlog] == [float(n) for n in range(1, 11)]
    assert [row[3] for row in live] == [float(n) for n in range(11, 21)]
    assert end == split
    assert (outbox.pending(START), outbox.pending(START, until=split), outbox.pending(split)) == (20, 10, 10)


def test_events_come_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.events(command(n, at(float(n))) for n in range(1, 8))
    ink.commit()
    outbox = Outbox(ink.path)
    assert [number for number, _ in outbox.events_after(2, 3)] == [3, 4, 5]
    assert outbox.events_after(7, 10) == ()
    assert outbox.newest_event() == 7


class Interrupted(Outbox):
    """Somebody commits just before it asks for the commands."""

    def __init__(self, path: Path, commit: Callable[[], None]) -> None:
        super().__init__(path)
        self._commit = commit

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        with super()._open() as connection:
            connection.set_trace_callback(lambda said: self._commit() if "FROM commands" in said else None)
            yield connection


def test_event_that_is_committed_between_two_questions_is_not_passed_over(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.events([command(1, at(1.0))])
    ink.commit()
    reason = Reason(code="n", text="2")
    level = LevelChange(place="stalls", before=None, after=1, sum_f_pct=131.0, reason=reason, stamp=at(2.0))
    ink.events([level, command(3, at(2.0))])
    first = [number for number, _ in Interrupted(ink.path, ink.commit).events_after(0, 10)]
    assert Outbox(ink.path).newest_event() == 3  # it was committed meanwhile
    rest = [number for number, _ in Outbox(ink.path).events_after(first[-1], 10)]
    assert first + rest == [1, 2, 3]


def test_channels_are_told_with_place_and_quantity(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    assert Outbox(ink.path).channels() == {1: ("air-1.temp_c", "air-1", "stalls", "temp_c")}


def test_each_file_has_an_identity_of_its_own(tmp_path: Path) -> None:
    one, other = Ink(tmp_path / "one.db"), Ink(tmp_path / "other.db")
    assert Outbox(one.path).identity() != Outbox(other.path).identity()
    one.reopen()
    assert len(Outbox(one.path).identity()) == 32
    json.dumps(Outbox(one.path).newest())  # a cursor fits a JSON file
