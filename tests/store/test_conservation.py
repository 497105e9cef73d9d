"""The law itself can fail: each way to lose a row, or to count one twice, is noticed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.uplink.ledger import Course, Lane
from tests.conservation import Account, Rows, acknowledged, conserved, kept
from tests.store.ink import Ink, at, command

# Twenty readings, of which one was refused, one dropped while wanted, ten are delivered; five events, three delivered.
COURSE = Course(lanes=(Lane(at=(1, 12_000, 1, 0)),), event=3, readings=10, events=3, dead=1)


@pytest.fixture
def history(tmp_path: Path) -> Path:
    ink = Ink(tmp_path / "h.db")
    ink.put(at(float(n)) for n in range(1, 21))
    ink.events(command(n, at(float(n))) for n in range(1, 6))
    ink.commit()
    run(ink.path, "INSERT INTO dropped VALUES ('readings', 'space', 1, 1, 1000, 1000, 1)")
    run(ink.path, "DELETE FROM readings WHERE mono_ms = 1000")
    ink.close()
    return ink.path


def run(history: Path, statement: str) -> None:
    with closing(sqlite3.connect(history, isolation_level=None)) as file:
        file.execute(statement)


def test_it_holds_where_everything_is_told(history: Path) -> None:
    found = conserved(history, COURSE, rows=Rows(readings=20, events=5))
    assert found == Account(delivered=13, pending=8 + 2, dead=1, dropped=1)
    kept(history, readings=20, events=5)


@pytest.mark.parametrize(
    "lost",
    [
        lambda history: run(history, "DELETE FROM readings WHERE mono_ms = 15000"),
        lambda history: run(history, "DELETE FROM commands WHERE id = 5"),
        lambda history: run(history, "DELETE FROM dropped"),
    ],
)
def test_a_row_that_is_gone_is_noticed(history: Path, lost: Callable[[Path], None]) -> None:
    before = acknowledged(history)
    lost(history)
    with pytest.raises(AssertionError):
        conserved(history, COURSE, rows=before)
    with pytest.raises(AssertionError):
        kept(history, readings=20, events=5)


@pytest.mark.parametrize(
    "wrong",
    [
        replace(COURSE, readings=9),
        replace(COURSE, events=4),
        replace(COURSE, dead=0),
        replace(COURSE, event=4),
        replace(COURSE, lanes=(Lane(at=(1, 13_000, 1, 0)),)),
        replace(COURSE, lanes=(Lane(at=(1, 12_000, 1, 0), until=(1, 14_000, 1, 0)), Lane(at=(1, 15_000, 1, 0)))),
    ],
)
def test_a_course_that_passes_over_a_row_or_counts_one_twice_is_noticed(history: Path, wrong: Course) -> None:
    with pytest.raises(AssertionError):
        conserved(history, wrong)
