"""Owns: plain words for what can go wrong with the file of the history, and what a person can do.

Must not know: threads, rows.
How it works: a table from SQLite's result codes to (what happened, what to do). The words hold still while a
trouble lasts, so that it is one fault and not a new one each second.
"""

from __future__ import annotations

import errno
import sqlite3
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from gateway.errors import NewerSchema, StoreError
from gateway.model import Stamp
from gateway.store.schema import primary_code

# Result codes: "Result and Error Codes", sqlite.org/rescode.html.
_WORDS = {
    sqlite3.SQLITE_FULL: ("the disk is full or its budget is used up", "free space on it, or raise budget_mb"),
    sqlite3.SQLITE_IOERR: ("the disk reports an error", "check its free space, then replace the card or the disk"),
    sqlite3.SQLITE_READONLY: ("the file or the disk is read-only", "mount it writable; a worn card turns read-only"),
    sqlite3.SQLITE_CANTOPEN: (
        "the file cannot be opened",
        "make its folder exist and let this program write there; a worn card turns read-only",
    ),
    sqlite3.SQLITE_PERM: ("the file may not be opened", "let this program write to it"),
    sqlite3.SQLITE_BUSY: ("another program holds it locked", "end the other program"),
    sqlite3.SQLITE_LOCKED: ("another program holds it locked", "end the other program"),
    sqlite3.SQLITE_CORRUPT: ("the file is damaged", "restart to set it aside"),
    sqlite3.SQLITE_NOTADB: ("the file is damaged", "restart to set it aside"),
}


def not_written(error: Exception, path: Path, since: str) -> str:
    """One sentence: what, since when, what to do."""
    what, remedy = _explain(error)
    return f"The history {path} is not being written {since}: {what}; {remedy}. Control goes on."


def for_lack_of_room(error: Exception) -> bool:
    """Whether the disk, or the budget of the history on it, is full."""
    if isinstance(error, sqlite3.Error):
        return primary_code(error) == sqlite3.SQLITE_FULL
    return isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)


def stalled(path: Path, since: str) -> str:
    return f"The history {path} is not being written {since}: the disk does not answer; check it. Control goes on."


def was_damaged(aside: Path) -> str:
    return f"The history was damaged: it was set aside as {aside.name} and a fresh one was begun; keep the old file."


def squeezed(path: Path) -> str:
    return (
        f"The history {path} has used up its disk budget: readings that had not been delivered were dropped; "
        "see to the destinations, or raise budget_mb."
    )


def since(stamp: Stamp | None, zone: str) -> str:
    """When the trouble began, in barn time as far as the clock can be believed."""
    if stamp is None:
        return "since the start"
    try:
        local = datetime.fromtimestamp(stamp.wall_s, ZoneInfo(zone))
    except (ValueError, OverflowError, OSError, KeyError):
        return "since a time unknown"
    return f"since {local:%Y-%m-%d %H:%M}" + ("" if stamp.trusted else " by a clock that is not set")


def _explain(error: Exception) -> tuple[str, str]:
    if isinstance(error, NewerSchema):
        return str(error), "install the newer program again or move the file away"
    if isinstance(error, StoreError):
        return str(error), "name another file in the site file or move this one away"
    if isinstance(error, sqlite3.Error) and primary_code(error) in _WORDS:
        return _WORDS[primary_code(error)]
    if isinstance(error, OSError):
        return error.strerror or str(error), "check the disk and the rights of its folder"
    return f"{type(error).__name__}: {error}", "report this as a defect"
