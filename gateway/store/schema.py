"""Owns: how the file of the history is opened for writing.

Must not know: threads, batches, what the rows mean.
How it works: each step of the schema runs in one transaction together with its record and with `user_version`, so
that a power cut leaves the old or the new schema, never one between. A file of a newer program, or of another
program, is refused before anything is written to it.

A file that was closed in order is believed. After an unclean stop it is looked through: a small one whole, before it
is used; of a large one first the tables that a start needs, and the rest while core already runs (`Inspector`). A
damaged file is renamed, never deleted, and a fresh one is begun.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from gateway.errors import NewerSchema, StoreError
from gateway.store.migrations import APPLICATION_ID, MIGRATIONS, YEARS, Migration

BUSY_MS = 2000
WAL_KEEP_BYTES = 8 * 1024 * 1024
DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
WHOLE_CHECK_BYTES = 64 * 1024 * 1024  # about a second on a slow card; a larger file would hold up the start
_NEEDED_AT_ONCE = ("boots", "places", "channels", "levels", "commands", "faults", "hands", "gaps")


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A connection for writing, where a damaged predecessor now lies, and whether the rest is still to be checked."""

    connection: sqlite3.Connection
    set_aside: Path | None
    unchecked: bool = False


def open_for_writing(path: Path, *, check: bool, migrations: tuple[Migration, ...] = MIGRATIONS) -> Opened:
    """The writing connection, at the newest schema. `check`: after an unclean stop, look for damage.

    Raises NewerSchema, StoreError, sqlite3.Error or OSError; the file is then as it was.
    """
    try:
        return _open(path, check, migrations, None)
    except sqlite3.DatabaseError as error:
        if primary_code(error) not in DAMAGE:
            raise
    return _open(path, False, migrations, set_aside(path))


def connect(path: Path, how: str) -> sqlite3.Connection:
    """A connection that begins no transaction by itself. `how` is the query of SQLite's file URI."""
    uri = f"file:{quote(str(path.absolute()))}?{how}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_MS / 1000)


def version_of(connection: sqlite3.Connection) -> int:
    """The schema number of an open file; 0 for an empty one. Raises StoreError for a file that is not ours."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0
    if owner != APPLICATION_ID and not (empty and version == 0):
        raise StoreError("the file is a database of another program")
    return version


def primary_code(error: sqlite3.Error) -> int:
    """SQLite's primary result code, without the extension in the upper bits; 0 when there is none."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def say_closed(connection: sqlite3.Connection, closed: str) -> None:
    """Note in the file whether it is closed in order: "yes" or "no"."""
    connection.execute("UPDATE about SET value = ? WHERE name = 'closed' AND value <> ?", (closed, closed))


def quick_check(connection: sqlite3.Connection, table: str = "") -> None:
    """Raises sqlite3.DatabaseError with the code of a damaged file when one is found."""
    what = f"'{table}'" if table else "1"
    found = str(connection.execute(f"PRAGMA quick_check({what})").fetchone()[0])
    if found != "ok":
        error = sqlite3.DatabaseError(found)
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


def set_aside(path: Path, word: str = "damaged") -> Path:
    """Renames the file and its write-ahead log under the first free number; keeps them a pair."""
    number = 1
    while (aside := path.with_name(f"{path.name}.{word}-{number}")).exists():
        number += 1
    for suffix in ("-shm", "-wal", ""):  # the file last: a cut between leaves a damaged file that is found again
        source = path.with_name(path.name + suffix)
        if source.exists():
            source.rename(aside.with_name(aside.name + suffix))
    return aside


def _open(path: Path, check: bool, migrations: tuple[Migration, ...], aside: Path | None) -> Opened:
    _refuse_newer(path, migrations[-1].version)
    connection = connect(path, "mode=rwc")
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA journal_size_limit = {WAL_KEEP_BYTES}")
        unchecked = check and not _was_closed(connection) and not _checked(connection, path)
        _migrate(connection, migrations)
        if migrations[-1].version >= YEARS.version:
            say_closed(connection, "no")
    except BaseException:
        connection.close()
        raise
    return Opened(connection=connection, set_aside=aside, unchecked=unchecked)


def _was_closed(connection: sqlite3.Connection) -> bool:
    if version_of(connection) < YEARS.version:
        return False
    found = connection.execute("SELECT value FROM about WHERE name = 'closed'").fetchone()
    return bool(found == ("yes",))


def _checked(connection: sqlite3.Connection, path: Path) -> bool:
    """Looks for damage; False when the larger part is still to be looked through."""
    if path.stat().st_size <= WHOLE_CHECK_BYTES:
        quick_check(connection)
        return True
    there = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    for table in _NEEDED_AT_ONCE:
        if table in there:
            quick_check(connection, table)
    return False


def _refuse_newer(path: Path, newest: int) -> None:
    """Looks at the file without the right to change it."""
    if not path.exists() or path.stat().st_size == 0:
        return
    with closing(connect(path, "mode=ro")) as connection:
        try:
            version = version_of(connection)
        except sqlite3.OperationalError as error:
            # A power cut while the file was first made: only a writer may undo the half-made page.
            if primary_code(error) == sqlite3.SQLITE_READONLY:
                return
            raise
    if version > newest:
        raise NewerSchema(f"the file has schema {version}, this program knows up to {newest}")


def _migrate(connection: sqlite3.Connection, migrations: tuple[Migration, ...]) -> None:
    done = version_of(connection)
    for migration in migrations:
        if migration.version <= done:
            continue
        connection.execute("BEGIN IMMEDIATE")  # a failure closes the connection, which rolls back
        for statement in migration.statements:
            connection.execute(statement)
        connection.execute("INSERT INTO migrations VALUES (?, ?)", (migration.version, migration.name))
        connection.execute(f"PRAGMA user_version = {migration.version:d}")
        connection.execute("COMMIT")
