"""Owns: the tables of the history, and how they came to be.

Must not know: files, connections, what is asked of the tables.
How it works: numbered steps that are only ever appended; a released one is never edited.

Order of rows is (boot, mono_ms): `boots.id` counts the boots as they came, `mono_ms` runs within one. `wall_ms` is
what the clock said; it is a label and may be wrong where `trusted` is 0. `clocks` has a row for each time at which wall
time jumped against `mono_ms` or the trust in it changed; so a boot that got its time late can be put right afterwards
without touching its readings. Readings are keyed by time first: a batch lands on few pages, which spares the card. The
coarser tables are keyed by channel first, for they are written once an hour and read by channel.
"""

from __future__ import annotations

from dataclasses import dataclass

APPLICATION_ID = 0x4C424F58  # "LBOX": tells our file from any other SQLite file


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """One step of the schema. Never edit one that was released; append the next."""

    version: int
    name: str
    statements: tuple[str, ...]


_WHEN = """
    boot    INTEGER NOT NULL REFERENCES boots (id),
    mono_ms INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL"""

# An event has the number that the writer gave it, so that writing it twice changes nothing.
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
# What the device gave, where a correction was added to it; which correction that was stands in `corrections`.
RAW = Migration(
    version=2,
    name="raw",
    statements=(
        "ALTER TABLE readings ADD COLUMN raw REAL",
        "CREATE TABLE corrections (channel TEXT NOT NULL, offset REAL NOT NULL, since TEXT NOT NULL, person TEXT"
        " NOT NULL, reference TEXT NOT NULL, PRIMARY KEY (channel, offset, since, person, reference)) STRICT",
    ),
)
HANDS = Migration(
    version=3,
    name="hands",
    statements=(
        f"CREATE TABLE hands (id INTEGER PRIMARY KEY, {_WHEN}, subject TEXT NOT NULL, kind TEXT NOT NULL,"
        " until_mono_ms INTEGER NOT NULL, until_wall_ms INTEGER NOT NULL, person TEXT NOT NULL, why TEXT NOT NULL)"
        " STRICT",
    ),
)
_COARSE = "(channel INTEGER NOT NULL REFERENCES channels (id), boot INTEGER NOT NULL REFERENCES boots (id),\
 slot INTEGER NOT NULL, low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL, count INTEGER NOT NULL,\
 PRIMARY KEY (channel, boot, slot)) STRICT, WITHOUT ROWID"
_NEWEST_MS = "SELECT max(mono_ms) FROM {} WHERE boot = boots.id"
LAST_MS = f"max(coalesce(({_NEWEST_MS.format('readings')}), 0), coalesce(({_NEWEST_MS.format('beats')}), 0))"
# For keeping it for years: coarser tables with `slot` = mono_ms divided by their width, what was dropped, which
# readings were committed behind others of later times (`late`), and how long each boot but the running one lasted.
YEARS = Migration(
    version=4,
    name="years",
    statements=(
        "CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT",
        "INSERT INTO about VALUES ('identity', lower(hex(randomblob(16)))), ('closed', 'no')",
        "ALTER TABLE boots ADD COLUMN last_ms INTEGER",
        f"UPDATE boots SET last_ms = {LAST_MS} WHERE id < (SELECT max(id) FROM boots)",
        "CREATE TABLE clocks (boot INTEGER NOT NULL REFERENCES boots (id), mono_ms INTEGER NOT NULL,"
        " offset_ms INTEGER NOT NULL, trusted INTEGER NOT NULL, PRIMARY KEY (boot, mono_ms)) STRICT, WITHOUT ROWID",
        "INSERT OR IGNORE INTO clocks SELECT boot, min(mono_ms), wall_ms - mono_ms, trusted FROM readings"
        " GROUP BY boot, trusted",
        f"CREATE TABLE minutes {_COARSE}",
        f"CREATE TABLE quarters {_COARSE}",
        "CREATE TABLE rolled (one INTEGER PRIMARY KEY CHECK (one = 1), boot INTEGER NOT NULL, mono_ms INTEGER"
        " NOT NULL) STRICT",
        "INSERT INTO rolled VALUES (1, 0, 0)",
        "CREATE TABLE late (id INTEGER PRIMARY KEY AUTOINCREMENT, boot INTEGER NOT NULL, mono_ms INTEGER NOT NULL,"
        " channel INTEGER NOT NULL) STRICT",
        "CREATE TABLE dropped (what TEXT NOT NULL, why TEXT NOT NULL, wanted INTEGER NOT NULL, boot INTEGER NOT NULL"
        " REFERENCES boots (id), first_mono_ms INTEGER NOT NULL, last_mono_ms INTEGER NOT NULL, rows INTEGER NOT"
        " NULL, PRIMARY KEY (what, why, wanted, boot)) STRICT, WITHOUT ROWID",
    ),
)
# The journal of the alarms, from which their state is read at a start: only ever added to.
ALARMS = Migration(
    version=5,
    name="alarms",
    statements=(
        f"CREATE TABLE alarms (id INTEGER PRIMARY KEY, {_WHEN}, alarm TEXT NOT NULL, what TEXT NOT NULL, episode"
        " INTEGER NOT NULL, priority INTEGER NOT NULL, until_mono_ms INTEGER NOT NULL, until_wall_ms INTEGER NOT NULL,"
        " person TEXT NOT NULL, why TEXT NOT NULL) STRICT",
    ),
)
MIGRATIONS = (FIRST, RAW, HANDS, YEARS, ALARMS)
