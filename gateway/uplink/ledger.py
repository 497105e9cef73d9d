"""Owns: how far each destination has come, kept on the disk, and what was given up on the way.

Must not know: destinations, the history's rows, when something is sent.
How it works: a `Course` is a frozen value: which parts of the history are still to be sent (lanes, the last one without
end) and what became of the rest. All courses stand in one small file, which is written to a temporary name, synced and
renamed. The core reads the cursors in it, to know what it may drop. They are those of a minute ago: what a store has
acknowledged since then may have to be sent again. A line that a store does not take goes to a second file with its
reason, before the cursor passes it; after a crash it may stand there twice, and counts once.

A file that cannot be read is set aside, and everything is sent again: the far end knows each row by series and time.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gateway.errors import GatewayError
from gateway.uplink import dead
from gateway.uplink.dead import DeadLetter

log = logging.getLogger(__name__)

Cursor = tuple[int, int, int, int]
START: Cursor = (0, 0, 0, 0)
SAVE_EVERY_S = 1.0
TRAIL_S = 60.0
TRAIL_STEP_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """A part of the history that is to be sent, from a cursor to another or without end."""

    at: Cursor
    until: Cursor | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How far one destination is. Lanes are in the order of the history; the last is the live one."""

    lanes: tuple[Lane, ...] = (Lane(at=START),)
    event: int = 0
    readings: int = 0  # delivered
    events: int = 0
    dead: int = 0

    @property
    def live(self) -> Lane:
        return self.lanes[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Where a course was at a moment of the machine."""

    at_s: float
    course: Course


class Ledger:
    """All courses of this gateway. Any thread; raises GatewayError when the disk does not take it."""

    def __init__(self, path: Path, names: Sequence[str], *, history: str, clock: Callable[[], float]) -> None:
        self._path, self._clock = path, clock
        self._lock = threading.Lock()
        self._saved_s = -SAVE_EVERY_S
        self._unsaved = False
        found = self._read()
        known = found.get("history") == history
        self._history = history
        self._courses = {name: _course(found, name) if known else Course() for name in names}
        self._trails: dict[str, tuple[Mark, ...]] = {name: _trail(found, name) if known else () for name in names}
        others = found.get("courses") if known else None  # of destinations that may come back to the site file
        self._others = (
            {name: one for name, one in others.items() if name not in names} if isinstance(others, dict) else {}
        )
        self._dead = _number(found, path)
        self._save()
        with contextlib.suppress(OSError):
            dead.remove(self._dead_file(self._dead - 1))  # left by a kill in `revive`

    def course(self, name: str) -> Course:
        with self._lock:
            return self._courses[name]

    def advance(self, name: str, course: Course, *, hurry: bool = False) -> None:
        """A new course; on the disk within a second, with `hurry` when this returns."""
        now_s = self._clock()
        with self._lock:
            self._trails[name] = _longer(self._trails[name], Mark(at_s=now_s, course=self._courses[name]))
            self._courses[name] = course
            self._unsaved = True
            if hurry or now_s - self._saved_s >= SAVE_EVERY_S:
                self._save()

    def rewind(self, name: str) -> Course:
        """Back to where the course was a minute of sending ago: what was acknowledged since may not have been kept."""
        with self._lock:
            if trail := self._trails[name]:
                self._courses[name] = trail[0].course
                self._trails[name] = ()
                self._unsaved = True
            return self._courses[name]

    def save(self) -> None:
        """On the disk when this returns."""
        with self._lock:
            if self._unsaved:
                self._save()

    def bury(self, name: str, line: str, why: str) -> None:
        """Keep a line that is not taken, with the reason. The newest few megabytes are kept."""
        with self._lock, _as_trouble(self.dead_file):
            dead.append(self.dead_file, DeadLetter(to=name, why=why, line=line, history=self._history))

    def dead_letters(self) -> tuple[DeadLetter, ...]:
        """All that lie there, for whatever destination."""
        with self._lock, _as_trouble(self.dead_file):
            return dead.read(self.dead_file)

    def revive(self, name: str, sent: dead.Sent) -> None:
        """Letters that were taken after all count as delivered; those that were not keep their new reason.

        The rest goes to a file of the next number, and counts when the ledger names it: one step, whatever happens.
        """
        here = self.dead_letters()
        with self._lock, _as_trouble(self.dead_file):
            gone, said = set(sent.taken), {(letter.to, letter.line): letter for letter in sent.left}
            rest = [said.get((letter.to, letter.line), letter) for letter in here if letter not in gone]
            old, self._dead = self.dead_file, self._dead + 1
            _replace(self.dead_file, dead.content(rest))
            moved = _moved(
                self._courses[name].dead, *(self._mine(name, letters) for letters in (here, rest, sent.taken))
            )
            self._courses[name] = _revived(self._courses[name], *moved)
            self._trails[name] = tuple(
                replace(mark, course=_revived(mark.course, *moved)) for mark in self._trails[name]
            )
            self._save()
            dead.remove(old)

    def _mine(self, name: str, letters: Iterable[DeadLetter]) -> list[DeadLetter]:
        """Those that are counted in the course of `name`. Old ones do not name their history."""
        return [letter for letter in letters if letter.to == name and letter.history in ("", self._history)]

    @property
    def dead_file(self) -> Path:
        return self._dead_file(self._dead)

    def _dead_file(self, number: int) -> Path:
        return _numbered(self._path, number)

    def _save(self) -> None:
        told = {
            "history": self._history,
            "dead_letters": self._dead,
            "cursors": {
                name: {"readings": [list(lane.at) for lane in sure.lanes], "event": sure.event}
                for name in self._courses
                for sure in (self._sure(name),)
            },
            "courses": self._others | {name: _course_json(course) for name, course in self._courses.items()},
            "trails": {
                name: [{"at_s": mark.at_s, "course": _course_json(mark.course)} for mark in trail]
                for name, trail in self._trails.items()
            },
        }
        with _as_trouble(self._path):
            _replace(self._path, json.dumps(told).encode())
        self._saved_s, self._unsaved = self._clock(), False

    def _sure(self, name: str) -> Course:
        """What core may go by: `rewind` must still find the rows of the last minute."""
        trail = self._trails[name]
        return trail[0].course if trail else self._courses[name]

    def _read(self) -> dict[str, Any]:
        try:
            found = json.loads(self._path.read_bytes())
            if not isinstance(found, dict):
                raise ValueError("no object")
            return found
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise GatewayError(f"{self._path} cannot be read: {error.strerror or error}") from error
        except (ValueError, RecursionError) as error:
            aside = self._path.with_name(self._path.name + ".damaged")
            log.error("%s cannot be read (%s); it is now %s, and all is sent again", self._path, error, aside.name)
            with contextlib.suppress(OSError):  # it stays in place until replaced: without a file core would drop
                aside.unlink(missing_ok=True)
                aside.hardlink_to(self._path)
            return {}


def dead_letters_of(path: Path) -> tuple[DeadLetter, ...]:
    """What lies beside the cursors, looked at without changing anything."""
    with _as_trouble(path):
        try:
            found = json.loads(path.read_bytes())
        except (FileNotFoundError, ValueError):
            found = {}
        file = _numbered(path, _number(found if isinstance(found, dict) else {}, path))
    with _as_trouble(file):
        return dead.read(file)


def _numbered(path: Path, number: int) -> Path:
    return path.with_name(f"{path.stem}-dead{f'-{number}' if number else ''}.jsonl")


def _number(found: dict[str, Any], path: Path) -> int:
    """Which file has the dead letters; without the ledger's word the newest that there is."""
    if isinstance(found.get("dead_letters"), int):
        return int(found["dead_letters"])
    names = (each.stem.rpartition("-dead-")[2] for each in path.parent.glob(f"{path.stem}-dead-*.jsonl"))
    return max((int(number) for number in names if number.isdecimal()), default=0)


def _moved(
    counted: int, before: Sequence[DeadLetter], after: Sequence[DeadLetter], taken: Sequence[DeadLetter]
) -> tuple[int, int]:
    """How many (readings, events) of the dead letters that a course counts were taken after all.

    More may be counted than lie there, when the file grew too large; or fewer, after a crash.
    """
    vanished = max(0, counted - len(before))
    total = counted - min(counted, vanished + len(after))
    events = min(total, sum(not letter.is_reading for letter in taken))
    return total - events, events


def _revived(course: Course, readings: int, events: int) -> Course:
    """The course of a minute ago may count fewer dead: what died since then will be sent again from there."""
    events = min(events, course.dead)
    readings = min(readings, course.dead - events)
    return replace(
        course,
        dead=course.dead - readings - events,
        readings=course.readings + readings,
        events=course.events + events,
    )


def _longer(trail: tuple[Mark, ...], mark: Mark) -> tuple[Mark, ...]:
    """With `mark`, if the last is not too young; without what is not needed to go back TRAIL_S from it."""
    if trail and 0 <= mark.at_s - trail[-1].at_s < TRAIL_STEP_S:
        return trail
    old = [number for number, one in enumerate(trail) if one.at_s <= mark.at_s - TRAIL_S]
    return (*trail[(old[-1] if old else 0) :], mark)


def _course_json(course: Course) -> dict[str, Any]:
    lanes = [[list(lane.at), None if lane.until is None else list(lane.until)] for lane in course.lanes]
    counts = {"readings": course.readings, "events": course.events, "dead": course.dead}
    return {"lanes": lanes, "event": course.event, **counts}


def _course(found: dict[str, Any], name: str) -> Course:
    """What was saved; what stands in the cursors alone (after a restore) counts too."""
    try:
        if name in found.get("courses", {}):
            return _course_of(found["courses"][name])
        if name in found.get("cursors", {}):
            saved = found["cursors"][name]
            return Course(lanes=(Lane(at=min(map(_cursor, saved["readings"]))),), event=int(saved["event"]))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        log.error("the course of %s is unreadable (%r): all is sent again", name, error)
    return Course()


def _course_of(saved: Any) -> Course:
    lanes = tuple(Lane(at=_cursor(at), until=None if until is None else _cursor(until)) for at, until in saved["lanes"])
    if not lanes or lanes[-1].until is not None:
        raise ValueError("no live lane")
    counts: dict[str, Any] = {key: int(saved[key]) for key in ("event", "readings", "events", "dead")}
    return Course(lanes=lanes, **counts)


def _cursor(found: Any) -> Cursor:
    boot, mono_ms, channel, late = (int(number) for number in found)
    return boot, mono_ms, channel, late


def _trail(found: dict[str, Any], name: str) -> tuple[Mark, ...]:
    try:
        return tuple(
            Mark(at_s=float(mark["at_s"]), course=_course_of(mark["course"])) for mark in found["trails"][name]
        )
    except (KeyError, TypeError, ValueError):
        return ()


def _replace(path: Path, content: bytes) -> None:
    """The whole new content or the old one, whatever happens."""
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(path.name + ".new")
    with new.open("wb") as file:
        os.fchmod(file.fileno(), 0o640)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


@contextlib.contextmanager
def _as_trouble(path: Path) -> Any:
    try:
        yield
    except OSError as error:
        raise GatewayError(f"{path} cannot be written: {error.strerror or error}") from error
