"""Owns: the law that every test checks which kills, cuts or fills something.

    acknowledged = delivered + pending + dead-lettered + dropped on record

Must not know: how the history is written or carried. It counts by SQL of its own.
How it works: `kept` is the law of the history alone: what was handed in stands in the file, was dropped on record, or
was lost from memory on record. `conserved` is the law of one destination, from a course as it stands in memory or, by
`course_in`, in uplink's file. Readings and events are counted apart; dead letters are of both, so the law of a
destination is one of sums. Nobody may write meanwhile: a process is stopped or dead, a thread has flushed.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.uplink.ledger import Course, Lane

EVENTS = ("levels", "commands", "faults", "hands", "alarms")
END = (2**62, 2**62, 2**62, 2**62)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """A number of readings and one of events."""

    readings: int = 0
    events: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What became of the rows of a history on the way to one destination. `dropped`: while it still waited."""

    delivered: int
    pending: int
    dead: int
    dropped: int

    @property
    def total(self) -> int:
        return self.delivered + self.pending + self.dead + self.dropped


def acknowledged(history: Path) -> Rows:
    """All rows that the file ever took: those that are there, and those that were dropped on record."""
    with _open(history) as file:
        return _taken(file)


def kept(history: Path, *, readings: int, events: int) -> None:
    """The law of the history: so many were handed in and settled."""
    with _open(history) as file:
        found, lost = _taken(file), dict(file.execute("SELECT what, sum(lost) FROM gaps GROUP BY what").fetchall())
    assert found.readings + lost.get("readings", 0) == readings
    assert found.events + lost.get("events", 0) == events


def conserved(history: Path, course: Course, *, rows: Rows | None = None) -> Account:
    """The law of a destination; `rows` when the test knows itself what was acknowledged, else what the file took."""
    with _open(history) as file:
        there, found = _taken(file), _account(file, course)
    assert rows is None or rows == there
    assert found.total == there.readings + there.events, (found, there)
    return found


def course_in(cursors: Path, name: str = "series") -> Course:
    """The course that stands in uplink's file; the beginning when there is no file yet."""
    if not cursors.exists():
        return Course()
    saved: dict[str, Any] = json.loads(cursors.read_bytes())["courses"][name]
    lanes = tuple(Lane(at=tuple(at), until=tuple(until) if until else None) for at, until in saved["lanes"])
    return Course(
        lanes=lanes, event=saved["event"], readings=saved["readings"], events=saved["events"], dead=saved["dead"]
    )


def dead_letters(cursors: Path) -> set[str]:
    """Every line that was given up and lies beside the cursors; one that stands there twice counts once."""
    number = json.loads(cursors.read_bytes())["dead_letters"]
    pile = cursors.with_name(f"{cursors.stem}-dead{f'-{number}' if number else ''}.jsonl")
    files = (file for file in (pile, pile.with_name(pile.name + ".old")) if file.exists())
    return {json.loads(line)["line"] for file in files for line in file.read_text().splitlines()}


def sound(history: Path, *, whole: bool = False) -> None:
    """SQLite finds nothing wrong. `whole`: every page and every index."""
    with _open(history) as file:
        assert file.execute(f"PRAGMA {'integrity' if whole else 'quick'}_check").fetchall() == [("ok",)]


def unbroken(history: Path) -> None:
    """A barn that carries nothing anywhere, after its end: a sound file, no number of an event missing, no gap."""
    sound(history, whole=True)
    with _open(history) as file:
        newest = max(_one(file, f"SELECT coalesce(max(id), 0) FROM {table}") for table in EVENTS)
        assert _one(file, "SELECT count(*) FROM gaps") == 0
        assert _taken(file).events == newest > 0


@contextmanager
def _open(history: Path) -> Iterator[sqlite3.Connection]:
    """Read-only: the log of a killed writer is left for its next start. All questions see the same history.

    They must: a commit of which the kill left only the last touch to be done comes into sight whenever some reader
    opens the file next.
    """
    with closing(sqlite3.connect(f"file:{history}?mode=ro", uri=True, timeout=1, isolation_level=None)) as file:
        file.execute("BEGIN")
        yield file


def _taken(file: sqlite3.Connection) -> Rows:
    gone = dict(file.execute("SELECT what, sum(rows) FROM dropped GROUP BY what").fetchall())
    return Rows(
        readings=_one(file, "SELECT count(*) FROM readings") + gone.get("readings", 0),
        events=_events(file, 0) + sum(gone.get(table, 0) for table in EVENTS),
    )


def _account(file: sqlite3.Connection, course: Course) -> Account:
    pending = sum(_pending(file, lane) for lane in course.lanes) + _events(file, course.event)
    wanted = _one(file, "SELECT coalesce(sum(rows), 0) FROM dropped WHERE wanted AND what = 'readings'")
    return Account(delivered=course.readings + course.events, pending=pending, dead=course.dead, dropped=wanted)


def _pending(file: sqlite3.Connection, lane: Lane) -> int:
    *key, seen = lane.at
    *last, last_seen = lane.until or END
    place = "(boot, mono_ms, channel)"
    ahead = f"SELECT count(*) FROM readings WHERE {place} > (?, ?, ?) AND {place} <= (?, ?, ?)"
    late = f"SELECT count(*) FROM late WHERE id > ? AND id <= ? AND {place} <= (?, ?, ?)"
    return _one(file, ahead, *key, *last) + _one(file, late, seen, last_seen, *key)


def _events(file: sqlite3.Connection, after: int) -> int:
    return sum(_one(file, f"SELECT count(*) FROM {table} WHERE id > ?", after) for table in EVENTS)


def _one(file: sqlite3.Connection, question: str, *given: int) -> int:
    return int(file.execute(question, given).fetchone()[0])
