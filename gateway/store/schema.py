"""Owns: the tables of the history, how they came to be, and how the file is opened for writing.

Must not know: threads, batches, what the rows mean.
How it works: numbered steps that are only ever appended. Each runs in one transaction together with its
record and with `user_version`, so that a power cut leaves the old or the new schema, never one between. A file
of a newer program, or of another program, is refused before anything is written to it. A damaged file is
renamed, never deleted, and a fresh one is begun.

Order of rows is (boot, mono_ms): `boots.id` counts the boots as they came, `mono_ms` runs within one. `wall_ms`
is what the clock said; it is a label and may be wrong where `trusted` is 0.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from gateway.errors import NewerSchema, StoreError

APPLICATION_ID = 0x4C424F58  # "LBOX": tells our file from any other SQLite file
BUSY_MS = 2000
WAL_KEEP_BYTES = 8 * 1024 * 1024
DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """One step of the schema. Never edit one that was released; append the next."""

    version: int
    name: str
    statements: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A connection for writing, and where a damaged predecessor now lies."""

    connection: sqlite3.Connection
    set_aside: Path | None


_WHEN = """
    boot    INTEGER NOT NULL REFERENCES boots (id),
    mono_ms INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL"""

# Readings are keyed by time first: one batch then lands on few pages, which spares the card. An event has the
# number that the writer gave it, so that writing it twice changes nothing.
FIRST = Migration(
    version=1,
    name="first",
    statements=(
        "CREATE TABLE migrations (version INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT",
        "CREATE TABLE boots (id INTEGER PRIMARY KEY, boot TEXT NOT NULL UNIQUE) STRICT",
        "CREATE TABLE places (name TEXT PRIMARY KEY, kind TEXT NOT NULL, label TEXT NOT NULL) STRICT",
        "CREATE TABLE channels (id INTEGER PRIMARY KEY, name TEXT NOT NULL, sensor TEXT NOT NULL,"
        " place TEXT NOT NULL, quantity TEXT NOT NULL, UNIQUE (name, sensor, place, quantity)) STRICT",
        f"CREATE TABLE readings ({_WHEN}, channel INTEGER NOT NULL REFERENCES channels (id), value REAL,"
        " quality TEXT NOT NULL, detail TEXT, PRIMARY KEY (boot, mono_ms, channel)) STRICT, WITHOUT ROWID",
        f"CREATE TABLE levels (id INTEGER PRIMARY KEY, {_WHEN}, place TEXT NOT NULL, level_before INTEGER,"
        " level_after INTEGER, sum_f_pct REAL, code TEXT NOT NULL, text TEXT NOT NULL) STRICT",
        f"CREATE TABLE commands (id INTEGER PRIMARY KEY, {_WHEN}, kit TEXT NOT NULL, is_on INTEGER NOT NULL,"
        " reasons TEXT NOT NULL) STRICT",
        "CREATE INDEX commands_by_kit ON commands (kit, id)",
        f"CREATE TABLE faults (id INTEGER PRIMARY KEY, {_WHEN}, subject TEXT NOT NULL, code TEXT NOT NULL,"
        " text TEXT NOT NULL, active INTEGER NOT NULL) STRICT",
        f"CREATE TABLE beats ({_WHEN}, steps INTEGER NOT NULL, late INTEGER NOT NULL,"
        " PRIMARY KEY (boot, mono_ms)) STRICT, WITHOUT ROWID",
        f"CREATE TABLE gaps ({_WHEN}, last_mono_ms INTEGER NOT NULL, last_wall_ms INTEGER NOT NULL,"
        " what TEXT NOT NULL, lost INTEGER NOT NULL, PRIMARY KEY (boot, mono_ms, what)) STRICT, WITHOUT ROWID",
        f"PRAGMA application_id = {APPLICATION_ID}",
    ),
)
MIGRATIONS = (FIRST,)


def open_for_writing(path: Path, *, check: bool, migrations: tuple[Migration, ...] = MIGRATIONS) -> Opened:
    """The writing connection, at the newest schema. `check` reads the whole file for damage.

    Raises NewerSchema, StoreError, sqlite3.Error or OSError; the file is then as it was.
    """
    try:
        return Opened(connection=_open(path, check, migrations), set_aside=None)
    except sqlite3.DatabaseError as error:
        if primary_code(error) not in DAMAGE:
            raise
    aside = _set_aside(path)
    return Opened(connection=_open(path, check, migrations), set_aside=aside)


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


def _open(path: Path, check: bool, migrations: tuple[Migration, ...]) -> sqlite3.Connection:
    newest = migrations[-1].version
    _refuse_newer(path, newest)
    connection = connect(path, "mode=rwc")
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA journal_size_limit = {WAL_KEEP_BYTES}")
        if check:
            _quick_check(connection)
        _migrate(connection, migrations)
    except BaseException:
        connection.close()
        raise
    return connection


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


def _quick_check(connection: sqlite3.Connection) -> None:
    found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    if found != "ok":
        error = sqlite3.DatabaseError(found)
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


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


def _set_aside(path: Path) -> Path:
    """Renames the file and its write-ahead log under the first free number; keeps them a pair."""
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    for suffix in ("-shm", "-wal", ""):  # the file last: a cut between leaves a damaged file that is found again
        source = path.with_name(path.name + suffix)
        if source.exists():
            source.rename(aside.with_name(aside.name + suffix))
    return aside
