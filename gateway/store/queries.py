"""Owns: questions to the history.

Must not know: threads, how and when something is written.
How it works: each question opens the file read-only, asks, and closes it, so that no reader ever holds back the
write-ahead log or keeps an old file alive. Answers are values of the model, in the order (boot, mono). A reader
that may not write into the folder cannot open a file in WAL mode after the writer has ended cleanly, because the
log is gone then; nobody writes in that state, so the file is opened as immutable for that one question.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from gateway.errors import NewerSchema, StoreError
from gateway.model import AlarmChange, Beat, CommandChange, FaultChange, HandChange, LevelChange, Reading, Stamp
from gateway.store import rows, schema
from gateway.store.backlog import Gap
from gateway.store.migrations import MIGRATIONS

NEWEST = MIGRATIONS[-1].version
_NO_RIGHT = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
WHEN = "b.boot, t.mono_ms, t.wall_ms, t.trusted"
_ORDER = "ORDER BY t.boot DESC, t.mono_ms DESC"
_COMMAND = f"SELECT {WHEN}, t.kit, t.is_on, t.reasons FROM commands t JOIN boots b ON b.id = t.boot"


class History:
    """Read-only. Raises StoreError when the file is not there, not ours, or of another schema."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def schema_version(self) -> int:
        with self._open() as connection:
            return schema.version_of(connection)

    def last_commands(self) -> dict[str, CommandChange]:
        """The newest command of each piece of kit: what a restart goes on from."""
        newest = "WHERE t.id IN (SELECT max(id) FROM commands GROUP BY kit)"
        with self._open() as connection:
            found = [rows.command(row) for row in connection.execute(f"{_COMMAND} {newest}")]
        return {change.kit: change for change in found}

    def readings(self, *, channel: str, since: Stamp | None = None, limit: int = 20_000) -> tuple[Reading, ...]:
        """The newest `limit` readings of a channel at or after `since`, oldest first."""
        columns = f"{WHEN}, c.name, t.value, t.quality, t.detail, t.raw"
        table = "readings t JOIN boots b ON b.id = t.boot JOIN channels c ON c.id = t.channel"
        position = "(SELECT id FROM boots WHERE boot = ?), ?"
        where = "c.name = ?" + (f" AND (t.boot, t.mono_ms) >= ({position})" if since else "")
        query = f"SELECT {columns} FROM {table} WHERE {where} {_ORDER} LIMIT ?"
        start = (since.boot, rows.whole_ms(since.mono_s)) if since else ()
        return tuple(rows.reading(row) for row in self._newest(query, (channel, *start, limit)))

    def levels(self, *, limit: int = 1000) -> tuple[LevelChange, ...]:
        columns = f"{WHEN}, t.place, t.level_before, t.level_after, t.sum_f_pct, t.code, t.text"
        query = f"SELECT {columns} FROM levels t JOIN boots b ON b.id = t.boot ORDER BY t.id DESC LIMIT ?"
        return tuple(rows.level(row) for row in self._newest(query, (limit,)))

    def commands(self, *, limit: int = 1000) -> tuple[CommandChange, ...]:
        query = f"{_COMMAND} ORDER BY t.id DESC LIMIT ?"
        return tuple(rows.command(row) for row in self._newest(query, (limit,)))

    def faults(self, *, limit: int = 1000) -> tuple[FaultChange, ...]:
        columns = f"{WHEN}, t.subject, t.code, t.text, t.active"
        query = f"SELECT {columns} FROM faults t JOIN boots b ON b.id = t.boot ORDER BY t.id DESC LIMIT ?"
        return tuple(rows.fault(row) for row in self._newest(query, (limit,)))

    def hands(self, *, limit: int = 1000) -> tuple[HandChange, ...]:
        columns = f"{WHEN}, t.subject, t.kind, t.until_mono_ms, t.until_wall_ms, t.person, t.why"
        query = f"SELECT {columns} FROM hands t JOIN boots b ON b.id = t.boot ORDER BY t.id DESC LIMIT ?"
        return tuple(rows.hand(row) for row in self._newest(query, (limit,)))

    def alarms(self, *, limit: int = 100_000) -> tuple[AlarmChange, ...]:
        """The journal of the alarms, in the order in which it was written."""
        columns = f"{WHEN}, t.alarm, t.what, t.episode, t.priority, t.until_mono_ms, t.until_wall_ms, t.person, t.why"
        query = f"SELECT {columns} FROM alarms t JOIN boots b ON b.id = t.boot ORDER BY t.id DESC LIMIT ?"
        return tuple(rows.alarm(row) for row in self._newest(query, (limit,)))

    def beats(self, *, limit: int = 1000) -> tuple[Beat, ...]:
        query = f"SELECT {WHEN}, t.steps, t.late FROM beats t JOIN boots b ON b.id = t.boot {_ORDER} LIMIT ?"
        return tuple(rows.beat(row) for row in self._newest(query, (limit,)))

    def gaps(self, *, limit: int = 1000) -> tuple[Gap, ...]:
        """What was lost from memory while the file could not be written."""
        columns = f"{WHEN}, t.last_mono_ms, t.last_wall_ms, t.what, t.lost"
        query = f"SELECT {columns} FROM gaps t JOIN boots b ON b.id = t.boot {_ORDER} LIMIT ?"
        return tuple(rows.gap(row) for row in self._newest(query, (limit,)))

    def asking(self) -> AbstractContextManager[sqlite3.Connection]:
        """The file, open for one question of another module of this room."""
        return self._open()

    def _newest(self, query: str, values: rows.Row) -> list[rows.Row]:
        """The answer to a query that gives the newest first, turned round."""
        with self._open() as connection:
            return connection.execute(query, values).fetchall()[::-1]

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            connection = self._connect()
            try:
                yield connection
            finally:
                connection.close()
        except sqlite3.Error as error:
            raise StoreError(f"the history {self._path} cannot be read: {error}") from error

    def _connect(self) -> sqlite3.Connection:
        """The file, opened read-only and known to have our schema."""
        try:
            return self._checked("mode=ro")
        except sqlite3.OperationalError as error:
            if schema.primary_code(error) not in _NO_RIGHT or not self._at_rest():
                raise
        return self._checked("mode=ro&immutable=1")

    def _at_rest(self) -> bool:
        """Nobody has the file open for writing, and no writer left work to be recovered."""
        beside = [self._path.with_name(self._path.name + suffix) for suffix in ("-wal", "-journal")]
        return self._path.exists() and not any(path.exists() for path in beside)

    def _checked(self, how: str) -> sqlite3.Connection:
        connection = schema.connect(self._path, how)
        try:
            self._know(schema.version_of(connection))
        except BaseException:
            connection.close()
            raise
        return connection

    def _know(self, version: int) -> None:
        if version > NEWEST:
            raise NewerSchema(f"the history has schema {version}, this program knows up to {NEWEST}")
        if version < NEWEST:
            raise StoreError(f"the history has schema {version}, not yet {NEWEST}: start the core once")
