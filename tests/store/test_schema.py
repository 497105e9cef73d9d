"""Owns: the checks of opening, migrating, refusing and setting aside.

Must not know: the writer's thread.
How it works: real files; what SQLite shall be set to is taken from its documentation.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from gateway.errors import NewerSchema, StoreError
from gateway.store import schema
from gateway.store.queries import History
from gateway.store.schema import MIGRATIONS, Migration, open_for_writing

SCHEMA_1 = Path(__file__).parent / "data" / "schema1.sql"
NEXT = MIGRATIONS[-1].version + 1


def made(path: Path) -> Path:
    """A good file with one boot in it."""
    with closing(open_for_writing(path, check=True).connection) as connection:
        connection.execute("INSERT INTO boots (boot) VALUES ('boot-a')")
    return path


def shape(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    found = connection.execute("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name")
    return [(name, " ".join(sql.split())) for name, sql in found]


def test_fresh_file_gets_the_newest_schema_with_its_record(tmp_path: Path) -> None:
    with closing(open_for_writing(tmp_path / "h.db", check=True).connection) as connection:
        assert connection.execute("SELECT version FROM migrations").fetchall() == [(m.version,) for m in MIGRATIONS]
        assert connection.execute("PRAGMA user_version").fetchone() == (MIGRATIONS[-1].version,)


def test_writing_connection_syncs_fully_in_wal_mode(tmp_path: Path) -> None:
    # 2 is FULL: "PRAGMA synchronous", sqlite.org/pragma.html.
    with closing(open_for_writing(tmp_path / "h.db", check=True).connection) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)


def test_empty_file_counts_as_fresh(tmp_path: Path) -> None:
    (tmp_path / "h.db").touch()
    opened = open_for_writing(tmp_path / "h.db", check=True)
    opened.connection.close()
    assert opened.set_aside is None


def test_file_of_schema_1_opens_and_answers(tmp_path: Path) -> None:
    path = tmp_path / "h.db"
    with closing(sqlite3.connect(path)) as old:
        old.executescript(SCHEMA_1.read_text())
    open_for_writing(path, check=True).connection.close()
    history = History(path)
    assert history.schema_version() == MIGRATIONS[-1].version
    # The values below stand in the script.
    assert [r.value for r in history.readings(channel="air-1.temp_c")] == [21.5, None]
    assert history.last_commands()["fans"].reasons[0].text == "air is heavy"
    assert [level.after for level in history.levels()] == [1]
    assert [fault.code for fault in history.faults()] == ["silent"]
    assert [beat.steps for beat in history.beats()] == [7]
    assert [gap.lost for gap in history.gaps()] == [3]


def test_released_schema_1_is_never_edited(tmp_path: Path) -> None:
    with (
        closing(sqlite3.connect(":memory:")) as old,
        closing(open_for_writing(tmp_path / "h.db", check=True, migrations=MIGRATIONS[:1]).connection) as new,
    ):
        old.executescript(SCHEMA_1.read_text())
        assert shape(old) == shape(new)


def test_older_file_is_migrated_and_keeps_its_rows(tmp_path: Path) -> None:
    path = made(tmp_path / "h.db")
    more = Migration(version=NEXT, name="note", statements=("ALTER TABLE boots ADD COLUMN note TEXT",))
    with closing(open_for_writing(path, check=True, migrations=(*MIGRATIONS, more)).connection) as connection:
        assert connection.execute("SELECT boot, note FROM boots").fetchall() == [("boot-a", None)]
        assert connection.execute("SELECT name FROM migrations WHERE version = ?", (NEXT,)).fetchone() == ("note",)


def test_failed_migration_leaves_the_old_schema(tmp_path: Path) -> None:
    path = made(tmp_path / "h.db")
    bad = Migration(version=NEXT, name="bad", statements=("ALTER TABLE boots ADD COLUMN note TEXT", "NO SUCH THING"))
    with pytest.raises(sqlite3.OperationalError):
        open_for_writing(path, check=True, migrations=(*MIGRATIONS, bad))
    with closing(open_for_writing(path, check=True).connection) as connection:
        assert connection.execute("SELECT * FROM boots").fetchall() == [(1, "boot-a")]
        assert connection.execute("PRAGMA user_version").fetchone() == (MIGRATIONS[-1].version,)


def test_newer_file_is_refused_and_untouched(tmp_path: Path) -> None:
    path = made(tmp_path / "h.db")
    with closing(sqlite3.connect(path)) as newer:
        newer.execute(f"PRAGMA user_version = {NEXT}")
    before = path.read_bytes()
    with pytest.raises(NewerSchema):
        open_for_writing(path, check=True)
    with pytest.raises(NewerSchema):
        History(path).schema_version()
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir() if "damaged" in p.name] == []


def test_database_of_another_program_is_refused_and_untouched(tmp_path: Path) -> None:
    path = tmp_path / "h.db"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE theirs (a)")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="another program"):
        open_for_writing(path, check=True)
    assert path.read_bytes() == before


@pytest.mark.parametrize("damage", ["header", "cut short", "pages"])
def test_damaged_file_is_set_aside_whole_and_a_fresh_one_begun(tmp_path: Path, damage: str) -> None:
    path = made(tmp_path / "h.db")
    good = path.read_bytes()
    page = 4096  # the default page size, sqlite.org/pragma.html
    bad = {
        "header": b"nothing that SQLite knows" * 400,
        "cut short": good[: 2 * page],
        "pages": good[:page] + b"\xa5" * (len(good) - page),
    }[damage]
    path.write_bytes(bad)
    opened = open_for_writing(path, check=True)
    with closing(opened.connection) as connection:
        assert connection.execute("SELECT count(*) FROM boots").fetchone() == (0,)
    assert opened.set_aside == tmp_path / "h.db.damaged-1"
    assert len(opened.set_aside.read_bytes()) == len(bad)


def test_second_damaged_file_does_not_replace_the_first(tmp_path: Path) -> None:
    path = tmp_path / "h.db"
    for number in (1, 2):
        path.write_bytes(b"broken %d " % number * 500)
        open_for_writing(path, check=True).connection.close()
    assert (tmp_path / "h.db.damaged-1").read_bytes().startswith(b"broken 1")
    assert (tmp_path / "h.db.damaged-2").read_bytes().startswith(b"broken 2")


def test_power_cut_while_the_file_is_first_made_is_undone(tmp_path: Path) -> None:
    """A hot rollback journal: sqlite.org/atomiccommit.html, section 4.2. Only a writer may play it back."""
    work, path = tmp_path / "work.db", tmp_path / "h.db"
    with closing(sqlite3.connect(work, isolation_level=None)) as first:
        first.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        first.execute("PRAGMA cache_size = 1")
        first.execute("BEGIN")
        first.execute("CREATE TABLE half (made)")
        first.execute("INSERT INTO half SELECT zeroblob(100000)")
        shutil.copy(work, path)  # what the disk holds when the power goes
        shutil.copy(f"{work}-journal", f"{path}-journal")
    with closing(open_for_writing(path, check=True).connection) as connection:
        names = {name for name, _ in shape(connection)}
    assert "half" not in names
    assert "readings" in names
