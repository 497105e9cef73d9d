"""Owns: positions in the history: what is old, and what every destination has had.

Must not know: threads, how something is dropped.
How it works: a position is (boot id, mono_ms). Age is counted in running time: within the newest boot by its monotonic
clock, before that by how long each boot lasted. What has been delivered is read from the file that uplink keeps; when
it cannot be read, nothing counts as delivered, when there is none, nobody wants anything.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Position = tuple[int, int]
Cursor = tuple[int, int, int, int]  # boot id, mono_ms, channel id, number of the last late reading seen

START: Cursor = (0, 0, 0, 0)
END: Position = (2**62, 0)
MOST_EVENTS = 2**62


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """Readings before `readings` and events up to the number `event` were taken by every destination."""

    readings: Position
    event: int


NOBODY_WANTS = Delivered(readings=END, event=MOST_EVENTS)
NOTHING = Delivered(readings=(0, 0), event=0)


def older_than(connection: sqlite3.Connection, newest: Position, age_ms: float) -> Position:
    """The position before which everything is older than `age_ms` of running, counted back from `newest`."""
    boot_id, mono_ms = newest
    left_ms = age_ms
    if mono_ms >= left_ms:
        return boot_id, int(mono_ms - left_ms)
    left_ms -= max(0, mono_ms)
    earlier = "SELECT id, coalesce(last_ms, 0) FROM boots WHERE id < ? ORDER BY id DESC"
    for earlier_id, lasted_ms in connection.execute(earlier, (boot_id,)):
        if lasted_ms >= left_ms:
            return earlier_id, int(lasted_ms - left_ms)
        left_ms -= lasted_ms
    return 0, 0


def delivered(connection: sqlite3.Connection, cursors: Path | None) -> Delivered:
    """How far all destinations are."""
    if cursors is None:
        return NOBODY_WANTS
    try:
        said = json.loads(cursors.read_bytes())
        if not isinstance(said, dict) or said["history"] != identity(connection):
            return NOTHING  # cursors of another file: uplink has not yet noticed
        return _least(connection, said["cursors"])
    except FileNotFoundError:
        return NOBODY_WANTS
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return NOTHING


def identity(connection: sqlite3.Connection) -> str:
    """The name of this file of history, which no other has."""
    return str(connection.execute("SELECT value FROM about WHERE name = 'identity'").fetchone()[0])


def _least(connection: sqlite3.Connection, cursors: dict[str, Any]) -> Delivered:
    if not cursors:
        return NOBODY_WANTS
    lanes = [[int(number) for number in lane] for each in cursors.values() for lane in each["readings"]]
    events = min(int(each["event"]) for each in cursors.values())
    if any(len(lane) != len(START) for lane in lanes):
        return NOTHING
    least = min(((lane[0], lane[1]) for lane in lanes), default=END)
    seen = min((lane[3] for lane in lanes), default=MOST_EVENTS)
    first_late = connection.execute("SELECT boot, mono_ms FROM late WHERE id > ? ORDER BY boot, mono_ms", (seen,))
    # The reading at the cursor itself was delivered, others of the same instant perhaps not: it stays a little longer.
    return Delivered(readings=min(least, first_late.fetchone() or END), event=events)
