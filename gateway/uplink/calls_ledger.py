"""Owns: the file of calls: every message to a contact, and what became of it by each way.

Must not know: who is told when, how a message travels, threads.
How it works: SQLite with one writing connection, full sync, in a write-ahead log, so that the pages can read beside it.
New messages and what became of older ones go in together, in one transaction. Messages stand in the order in which they
were made; a message has one row for each of its ways, so that of all messages

    messages by way = pending + delivered + given up

What is settled goes after `KEEP_DAYS`, or when more than `MOST` messages are there; the newest `LEAST` stay whatever
the clock says, and what is pending stays until it is settled. A damaged file is renamed, never deleted.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from gateway.alarms.notices import Item, News, Notice
from gateway.errors import NewerSchema, StoreError
from gateway.model import Priority, Stamp
from gateway.uplink.message import Message
from gateway.uplink.tries import Change, Entry, TryAt

APPLICATION_ID = 0x4C42_434C  # "LBCL"
VERSION = 1
KEEP_DAYS, DAY_S = 400.0, 86_400.0
MOST, LEAST = 20_000, 1_000
PRUNE_EVERY = 100  # messages
WAL_KEEP_BYTES = 1024 * 1024
_BUSY_S = 2.0
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_NO_RIGHT = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
_SCHEMA = (
    """CREATE TABLE notices (
        number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, contact TEXT NOT NULL,
        boot TEXT NOT NULL, mono_s REAL NOT NULL, wall_s REAL NOT NULL, trusted INTEGER NOT NULL,
        items TEXT NOT NULL, message TEXT NOT NULL) STRICT""",
    """CREATE TABLE tries (
        notice INTEGER NOT NULL REFERENCES notices (number) ON DELETE CASCADE, way TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('pending', 'delivered', 'given-up')),
        attempts INTEGER NOT NULL, why TEXT NOT NULL, wall_s REAL,
        PRIMARY KEY (notice, way)) STRICT, WITHOUT ROWID""",
    "CREATE INDEX pending ON tries (notice) WHERE state = 'pending'",
)
_SETTLED = "NOT EXISTS (SELECT 1 FROM tries WHERE notice = number AND state = 'pending')"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pending:
    """A message that is not yet at its end by one way."""

    notice: Notice
    message: Message
    way: str
    attempts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A message by one way, as it stands. `wall_s` is of its newest change; None before the first try."""

    notice: Notice
    message: Message
    way: str
    state: TryAt
    attempts: int
    why: str
    wall_s: float | None


class CallsLedger:
    """The writing end; one thread. Raises sqlite3.Error, OSError or StoreError when the disk does not do it."""

    def __init__(self, path: Path) -> None:
        self._connection = _opened(path)
        self._since_pruned = PRUNE_EVERY

    def write(self, entries: Sequence[Entry], changes: Sequence[Change], now: Stamp) -> None:
        """All of it is on the disk when this returns, or nothing of it."""
        with closing(self._connection.cursor()) as cursor:
            if self._connection.in_transaction:  # the undoing of the last one failed as well
                cursor.execute("ROLLBACK")
            cursor.execute("BEGIN IMMEDIATE")
            try:
                for entry in entries:
                    _add(cursor, entry)
                cursor.executemany(
                    "UPDATE tries SET state = ?, attempts = ?, why = ?, wall_s = ?"
                    " WHERE way = ? AND notice = (SELECT number FROM notices WHERE id = ?)",
                    [(c.state, c.attempts, c.why, c.wall_s, c.way, c.id) for c in changes],
                )
                self._prune(cursor, len(entries), now)
                cursor.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    cursor.execute("ROLLBACK")
                raise

    def told(self) -> Iterator[Notice]:
        """All messages, in the order in which they were made."""
        for row in self._connection.execute("SELECT id, contact, items FROM notices ORDER BY number"):
            yield _notice(*row)

    def pending(self) -> list[Pending]:
        """What is not at its end, oldest first."""
        return [
            Pending(notice=row.notice, message=row.message, way=row.way, attempts=row.attempts)
            for row in _rows(self._connection, "WHERE t.state = 'pending' ORDER BY n.number, t.way")
        ]

    def close(self) -> None:
        self._connection.close()

    def _prune(self, cursor: sqlite3.Cursor, added: int, now: Stamp) -> None:
        self._since_pruned += added
        if self._since_pruned < PRUNE_EVERY:
            return
        self._since_pruned = 0
        newest = "(SELECT coalesce(max(number), 0) FROM notices)"
        cursor.execute(f"DELETE FROM notices WHERE number <= {newest} - ? AND {_SETTLED}", (MOST,))
        if now.trusted:
            cursor.execute(
                f"DELETE FROM notices WHERE wall_s < ? AND trusted AND number <= {newest} - ? AND {_SETTLED}",
                (now.wall_s - KEEP_DAYS * DAY_S, LEAST),
            )


class CallsReader:
    """The reading end, for any role. Raises StoreError when the file is not ours or cannot be read."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def latest(self, count: int) -> list[Row]:
        """The newest `count` rows, newest first; none when nobody was ever called."""
        if not self._path.exists():
            return []
        with self._open() as connection:
            rows = _rows(connection, "ORDER BY n.number DESC, t.way LIMIT ?", (count,))
            return list(rows)

    def counts(self) -> dict[TryAt, int]:
        """How many there are of each state."""
        with self._open() as connection:
            found = dict(connection.execute("SELECT state, count(*) FROM tries GROUP BY state"))
        return {state: found.get(state, 0) for state in TryAt}

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(self._connect()) as connection:
                yield connection
        except (sqlite3.Error, ValueError, KeyError) as error:
            raise StoreError(f"the record of calls {self._path} cannot be read: {error}") from error

    def _connect(self) -> sqlite3.Connection:
        try:
            return _checked(self._path, "mode=ro")
        except sqlite3.OperationalError as error:
            beside = self._path.with_name(self._path.name + "-wal")
            if _primary(error) not in _NO_RIGHT or beside.exists():
                raise
        return _checked(self._path, "mode=ro&immutable=1")  # nobody has it open, and we may not write beside it


def set_aside(path: Path) -> Path:
    """Renames a damaged file and its log under the first free number."""
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    for suffix in ("-shm", "-wal", ""):  # the file last: a cut between leaves a damaged file that is found again
        source = path.with_name(path.name + suffix)
        if source.exists():
            source.rename(aside.with_name(aside.name + suffix))
    return aside


def is_damage(error: Exception) -> bool:
    return isinstance(error, sqlite3.Error) and _primary(error) in _DAMAGE


def _primary(error: sqlite3.Error) -> int:
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def _connect(path: Path, how: str) -> sqlite3.Connection:
    uri = f"file:{quote(str(path.absolute()))}?{how}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=_BUSY_S, check_same_thread=False)


def _opened(path: Path) -> sqlite3.Connection:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o640)
    os.fchmod(handle, 0o640)  # the pages read it, by the group
    os.close(handle)
    connection = _connect(path, "mode=rw")
    try:
        _know(connection, or_empty=True)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA journal_size_limit = {WAL_KEEP_BYTES}")
        found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
        if found != "ok":
            error = sqlite3.DatabaseError(found)
            error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise error
        _lay_out(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _lay_out(connection: sqlite3.Connection) -> None:
    if connection.execute("PRAGMA user_version").fetchone()[0] == VERSION:
        return
    connection.execute("BEGIN IMMEDIATE")  # a failure closes the connection, which rolls back
    for statement in _SCHEMA:
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID:d}")
    connection.execute(f"PRAGMA user_version = {VERSION:d}")
    connection.execute("COMMIT")


def _checked(path: Path, how: str) -> sqlite3.Connection:
    connection = _connect(path, how)
    try:
        connection.execute("PRAGMA query_only = ON")
        _know(connection, or_empty=False)
    except BaseException:
        connection.close()
        raise
    return connection


def _know(connection: sqlite3.Connection, *, or_empty: bool) -> None:
    """Raises StoreError when the file is not ours, or newer than this program."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    is_empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0 and version == 0
    if owner != APPLICATION_ID and not (or_empty and is_empty):
        raise StoreError("the record of calls is a database of another program, or was never begun")
    if version > VERSION:
        raise NewerSchema(f"the record of calls has schema {version}, this program knows up to {VERSION}")


def _add(cursor: sqlite3.Cursor, entry: Entry) -> None:
    """A message that is there already stays as it is."""
    stamp, notice = entry.stamp, entry.notice
    cursor.execute(
        "INSERT INTO notices (id, contact, boot, mono_s, wall_s, trusted, items, message)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING",
        (
            notice.id, notice.contact, stamp.boot, stamp.mono_s, stamp.wall_s, int(stamp.trusted),
            _items_json(notice.items), _message_json(entry.message),
        ),
    )  # fmt: skip
    if cursor.rowcount:
        number = cursor.lastrowid
        cursor.executemany(
            "INSERT INTO tries VALUES (?, ?, 'pending', 0, '', NULL)", [(number, way) for way in entry.ways]
        )


def _rows(connection: sqlite3.Connection, rest: str, values: Sequence[Any] = ()) -> Iterator[Row]:
    columns = "n.id, n.contact, n.items, n.message, t.way, t.state, t.attempts, t.why, t.wall_s"
    query = f"SELECT {columns} FROM tries t JOIN notices n ON n.number = t.notice {rest}"
    for id_, contact, items, message, way, state, attempts, why, wall_s in connection.execute(query, values):
        notice = _notice(id_, contact, items)
        yield Row(
            notice=notice, message=_message(notice, message), way=way, state=TryAt(state), attempts=attempts, why=why,
            wall_s=wall_s,
        )  # fmt: skip


# --- JSON -------------------------------------------------------------------------------------------


def _items_json(items: Sequence[Item]) -> str:
    return json.dumps([[i.alarm, i.episode, i.calls, i.news, int(i.priority)] for i in items], ensure_ascii=False)


def _notice(id_: str, contact: str, items: str) -> Notice:
    found = [
        Item(alarm=alarm, episode=episode, calls=calls, news=News(news), priority=Priority(priority))
        for alarm, episode, calls, news, priority in json.loads(items)
    ]
    return Notice(id=id_, contact=contact, items=tuple(found))


def _message_json(message: Message) -> str:
    return json.dumps(
        {
            "language": message.language,
            "kind": message.kind,
            "priority": int(message.priority),
            "made_wall_s": message.made_wall_s,
            "subject": message.subject,
            "text": message.text,
            "data": message.data,
        },
        ensure_ascii=False,
        allow_nan=False,
    )


def _message(notice: Notice, text: str) -> Message:
    said = json.loads(text)
    return Message(id=notice.id, contact=notice.contact, **{**said, "priority": Priority(said["priority"])})
