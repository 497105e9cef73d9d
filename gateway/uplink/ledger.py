"""Owns: how far each destination has come, kept on the disk, and what was given up on the way.

Must not know: destinations, the history's rows, when something is sent.
How it works: a `Course` is a frozen value: which parts of the history are still to be sent (lanes, the last one without
end) and what became of the rest. All courses stand in one small file, which is written to a temporary name, synced and
renamed. The core reads the cursors in it, to know what it may drop. A line that a store does not take goes to a second
file with its reason, before the cursor passes it; after a crash it may stand there twice, and counts once.

A file that cannot be read is set aside, and everything is sent again: the far end knows each row by series and time.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.errors import GatewayError

log = logging.getLogger(__name__)

Cursor = tuple[int, int, int, int]
START: Cursor = (0, 0, 0, 0)
SAVE_EVERY_S = 1.0
TRAIL_S = 60.0
TRAIL_STEP_S = 5.0
MOST_DEAD_BYTES = 4_000_000


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
        self._save()

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
        path = self.dead_file
        with self._lock, _as_trouble(path):
            if path.exists() and path.stat().st_size > MOST_DEAD_BYTES:
                path.replace(path.with_name(path.name + ".old"))
            with path.open("ab") as file:
                os.fchmod(file.fileno(), 0o640)
                file.write(json.dumps({"to": name, "why": why, "line": line}).encode() + b"\n")
                file.flush()
                os.fsync(file.fileno())

    @property
    def dead_file(self) -> Path:
        return self._path.with_name(self._path.stem + "-dead.jsonl")

    def _save(self) -> None:
        told = {
            "history": self._history,
            "cursors": {
                name: {"readings": [list(lane.at) for lane in course.lanes], "event": course.event}
                for name, course in self._courses.items()
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
            with contextlib.suppress(OSError):
                self._path.replace(aside)
            return {}


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
