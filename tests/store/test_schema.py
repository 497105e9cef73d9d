"""Owns: the checks of opening, migrating, refusing and setting aside.

Must not know: the writer's thread.
How it works: real files; what SQLite shall be set to is taken from its documentation.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from gateway.errors import NewerSchema, StoreError
from gateway.store.migrations import APPLICATION_ID, MIGRATIONS, Migration
from gateway.store.outbox import NOT_YET, SURE, Outbox
from gateway.store.position import START
from gateway.store.queries import History
from gateway.store.schema import WHOLE_CHECK_BYTES, open_for_writing
from tests.store.ink import Ink, at

if TYPE_CHECKING:
    from tests.store.conftest import Held, Samples, Until

RELEASED = {version: Path(__file__).parent / "data" / f"schema{version}.sql" for version in (1, 3)}
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


@pytest.mark.parametrize("version", RELEASED)
def test_file_of_every_released_schema_opens_and_answers(tmp_path: Path, version: int) -> None:
    path = tmp_path / "h.db"
    with closing(sqlite3.connect(path)) as old:
        old.executescript(RELEASED[version].read_text())
    open_for_writing(path, check=True).connection.close()
    history = History(path)
    assert history.schema_version() == MIGRATIONS[-1].version
    # The values below stand in the scripts.
    assert [r.value for r in history.readings(channel="air-1.temp_c")] == [21.5, None]
    assert history.last_commands()["fans"].reasons[0].text == "air is heavy"
    assert [level.after for level in history.levels()] == [1]
    assert [fault.code for fault in history.faults()] == ["silent"]
    assert [beat.steps for beat in history.beats()] == [7]
    assert [gap.lost for gap in history.gaps()] == [3]
    assert [hand.by for hand in history.hands()] == ["A. Person"] * (version >= 3)
    rows, _ = Outbox(path).page(START, 10)
    assert [(row[2], row[3], row[5]) for row in rows] == [(1780000009000, 21.5, SURE), (1780000104000, None, NOT_YET)]
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("SELECT last_ms FROM boots ORDER BY id").fetchall() == [(9000,), (None,)]


@pytest.mark.parametrize("version", RELEASED)
def test_released_schema_is_never_edited(tmp_path: Path, version: int) -> None:
    released = tuple(migration for migration in MIGRATIONS if migration.version <= version)
    with (
        closing(sqlite3.connect(":memory:")) as old,
        closing(open_for_writing(tmp_path / "h.db", check=True, migrations=released).connection) as new,
    ):
        old.executescript(RELEASED[version].read_text())
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
        assert connection.execute("SELECT id, boot FROM boots").fetchall() == [(1, "boot-a")]
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


def test_file_that_was_closed_in_order_is_not_looked_through(tmp_path: Path) -> None:
    """Damage deep in a file that nobody wrote to is found when it is read; a start does not wait for it."""
    ink = Ink(tmp_path / "h.db")
    ink.put(at(float(n)) for n in range(5000))
    ink.commit()
    ink.close()
    spoil(ink.path)
    opened = open_for_writing(ink.path, check=True)
    opened.connection.close()
    assert opened.set_aside is None
    again = open_for_writing(ink.path, check=True)  # that was not in order: now it is looked through
    again.connection.close()
    assert again.set_aside == tmp_path / "h.db.damaged-1"


def spoil(path: Path) -> None:
    """Overwrite a page near the end, where the newest readings are."""
    content = bytearray(path.read_bytes())
    content[-4096 * 5 : -4096 * 4] = b"\xa5" * 4096
    path.write_bytes(content)


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file too large to be looked through before it is used, not closed in order."""
    ink = Ink(tmp_path_factory.mktemp("large") / "h.db")
    ink.put([at(0.0)])
    ink.commit()
    numbers = "WITH RECURSIVE n (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n WHERE n < 1999999)"
    values = "1, n * 1000, 1780000000000 + n * 1000, 1, 1, n, 'good', NULL, NULL"
    ink.pen._connection.execute(f"{numbers} INSERT INTO readings SELECT {values} FROM n")
    ink.pen.close()
    assert ink.path.stat().st_size > WHOLE_CHECK_BYTES
    return ink.path


def test_large_file_is_looked_through_while_core_runs_and_set_aside_when_damaged(
    hold: Callable[..., Held], samples: Samples, until: Until, tmp_path: Path, large: Path
) -> None:
    path = tmp_path / "h.db"
    shutil.copy(large, path)
    spoil(path)
    held = hold(path)
    held.writer.events([samples.command(1)])
    assert held.writer.flush(5)
    until(lambda: "set aside as h.db.damaged-1" in held.writer.trouble())
    held.writer.events([samples.command(2)])
    assert held.writer.flush(5)
    assert [c.reasons[0].text for c in History(held.path).commands()][-1] == "number 2"
    assert (tmp_path / "h.db.damaged-1").stat().st_size > WHOLE_CHECK_BYTES


def test_large_sound_file_stays_in_place(
    hold: Callable[..., Held], samples: Samples, tmp_path: Path, large: Path, until: Until
) -> None:
    path = tmp_path / "h.db"
    shutil.copy(large, path)
    held = hold(path)
    held.writer.events([samples.command(1)])
    assert held.writer.flush(5)
    inspector = held.writer._inspector
    assert inspector is not None
    until(lambda: not inspector._thread.is_alive())
    assert not inspector.found
    assert held.writer.close(5)
    assert held.writer.trouble() == ""
    assert Outbox(held.path).pending(START) == 2_000_000


def test_look_that_was_cut_short_is_taken_up_at_the_next_start(
    hold: Callable[..., Held], tmp_path: Path, large: Path
) -> None:
    path = tmp_path / "h.db"
    shutil.copy(large, path)
    held = hold(path)
    assert held.writer.flush(5)
    inspector = held.writer._inspector
    assert inspector is not None
    assert held.writer.close(5)
    opened = open_for_writing(path, check=True)
    opened.connection.close()
    assert opened.unchecked is not inspector.sound


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
        first.execute(f"PRAGMA application_id = {APPLICATION_ID}")
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
