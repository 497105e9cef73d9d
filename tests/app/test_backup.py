"""Owns: the checks of backup and restore.

Must not know: how a backup is packed, but for what it must not contain.
How it works: real files; a writer that goes on writing while the backup is made; damage of every part of a backup.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import sqlite3
import threading
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from gateway.app.backup import restore
from gateway.cli import main
from gateway.errors import GatewayError
from gateway.store.outbox import Outbox
from gateway.store.position import START
from gateway.store.queries import History
from gateway.store.writer import Writer
from tests.app.history_site import BARN, CHANNELS, site_file
from tests.app.test_export import reading, write

SECRET = "correct horse battery staple"


@pytest.fixture
def barn(tmp_path: Path) -> Path:
    folder = tmp_path / "barn"
    folder.mkdir()
    site_file(folder)
    for secret in ("broker-password", "people.json", "web-key.pem", "store-token"):
        (folder / secret).write_text(SECRET)
    write(folder / "history.db", (reading(0, float(n), float(n)) for n in range(100)))
    return folder


def backed_up(barn: Path) -> Path:
    out = barn.parent / "backup.zip"
    assert main(["backup", "--site", str(barn / "barn.toml"), "--out", str(out)]) == 0
    return out


def restored(packed: Path, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    assert main(["restore", str(packed), "--site", str(folder / "barn.toml")]) == 0
    return folder / "history.db"


def values(path: Path) -> list[float | None]:
    return [each.value for each in History(path).readings(channel="air-1.temp_c")]


def test_restore_on_a_fresh_board_brings_site_file_and_history(barn: Path, tmp_path: Path) -> None:
    path = restored(backed_up(barn), tmp_path / "fresh")
    assert values(path) == [float(n) for n in range(100)]
    assert (tmp_path / "fresh" / "barn.toml").read_bytes() == (barn / "barn.toml").read_bytes()
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_core_goes_on_in_a_restored_history(barn: Path, tmp_path: Path) -> None:
    path = restored(backed_up(barn), tmp_path / "fresh")
    write(path, [reading(0, 5.0, 1000.0, boot="new board")])
    assert values(path) == [*(float(n) for n in range(100)), 1000.0]


def test_backup_of_a_running_core_is_whole_up_to_one_commit(barn: Path, tmp_path: Path) -> None:
    writer, stop = Writer(barn / "history.db", BARN, CHANNELS, 0.001), threading.Event()

    def go_on() -> None:
        n = 100
        while not stop.is_set():
            for channel in (0, 1):  # always both in one batch or both not
                writer.reading(reading(channel, float(n), float(n)))
            n += 1
            writer.flush(1)

    thread = threading.Thread(target=go_on)
    thread.start()
    packed = [backed_up(barn).rename(tmp_path / f"{n}.zip") for n in range(3)]
    stop.set()
    thread.join()
    assert writer.close(5)
    for number, each in enumerate(packed):
        path = restored(each, tmp_path / f"fresh-{number}")
        found = values(path)
        assert found == [float(n) for n in range(len(found))]
        assert len(found) >= 100
        with closing(sqlite3.connect(path)) as file:
            assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_no_secret_is_in_a_backup(barn: Path) -> None:
    with zipfile.ZipFile(backed_up(barn)) as archive:
        assert set(archive.namelist()) == {"history.db", "site.toml", "list.json"}
        assert all(SECRET.encode() not in archive.read(name) for name in archive.namelist())


def test_what_was_there_is_kept_beside(barn: Path) -> None:
    packed = backed_up(barn)
    write(barn / "history.db", [reading(0, 100.0, 100.0)])
    assert len(values(restored(packed, barn))) == 100
    assert len(values(barn / "history.db.before-restore-1")) == 101


def test_what_was_delivered_before_the_backup_is_not_sent_again(barn: Path, tmp_path: Path) -> None:
    outbox = Outbox(barn / "history.db")
    _, cursor = outbox.page(START, 60)
    told = {"history": outbox.identity(), "cursors": {"store": {"readings": [cursor], "event": 0}}, "more": 1}
    (barn / "uplink-cursors.json").write_text(json.dumps(told))
    path = restored(backed_up(barn), tmp_path / "fresh")
    found = json.loads((tmp_path / "fresh" / "uplink-cursors.json").read_text())
    assert found == {
        **told,
        "cursors": {"store": {"readings": [list(cursor)], "event": 0}},
        "history": found["history"],
    }
    assert found["history"] == Outbox(path).identity() != outbox.identity()
    assert Outbox(path).pending(cursor) == 40


def test_restore_is_refused_while_core_runs(barn: Path, capsys: pytest.CaptureFixture[str]) -> None:
    packed = backed_up(barn)
    with (barn / "link.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert main(["restore", str(packed), "--site", str(barn / "barn.toml")]) == 1
    assert "stop it" in capsys.readouterr().err
    assert not (barn / "history.db.before-restore-1").exists()


def repacked(packed: Path, change: Callable[[str, bytes], bytes]) -> Path:
    out = packed.with_name("changed.zip")
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, change(name, old.read(name)))
    return out


def changed_list(**more: object) -> Callable[[str, bytes], bytes]:
    return lambda name, content: (
        json.dumps({**json.loads(content), **more}).encode() if name == "list.json" else content
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (changed_list(schema=99), "schema 99"),
        (changed_list(form=2), "install the newer"),
        (changed_list(sha256={}), "not a backup"),
        (lambda name, content: content[:-1] + b"x" if name == "history.db" else content, "damaged"),
        (lambda name, content: b"{" if name == "list.json" else content, "not a backup"),
    ],
    ids=["newer schema", "newer form", "no sums", "one byte of the history", "torn list"],
)
def test_bad_backup_is_refused_and_changes_nothing(
    barn: Path, change: Callable[[str, bytes], bytes], said: str
) -> None:
    packed = repacked(backed_up(barn), change)
    before = (barn / "history.db").read_bytes()
    with pytest.raises(GatewayError, match=said):
        restore(packed, barn / "barn.toml")
    assert (barn / "history.db").read_bytes() == before
    assert [path.name for path in barn.iterdir() if "restore" in path.name] == []


def test_sums_that_fit_do_not_hide_a_broken_history(barn: Path) -> None:
    """Whoever repaired the sums by hand: the file itself is looked at as well."""
    import hashlib

    packed = backed_up(barn)
    broken = b"no database " * 1000
    sums = {"history.db": hashlib.sha256(broken).hexdigest()}
    with zipfile.ZipFile(packed) as archive:
        about = json.loads(archive.read("list.json"))
    about["sha256"] |= sums
    whole = repacked(
        packed,
        lambda name, content: {"list.json": json.dumps(about).encode(), "history.db": broken}.get(name, content),
    )
    with pytest.raises(GatewayError):
        restore(whole, barn / "barn.toml")
    assert len(values(barn / "history.db")) == 100


@pytest.mark.parametrize("content", [b"", b"no zip", None])
def test_file_that_is_no_backup_is_said(barn: Path, content: bytes | None, capsys: pytest.CaptureFixture[str]) -> None:
    packed = barn / "x.zip"
    if content is not None:
        packed.write_bytes(content)
    assert main(["restore", str(packed), "--site", str(barn / "barn.toml")]) == 1
    assert "x.zip" in capsys.readouterr().err


def test_older_backup_is_brought_to_the_newest_schema(barn: Path) -> None:
    """A backup made by the first release: its history has schema 1."""
    import hashlib

    data = Path(__file__).parents[1] / "store" / "data" / "schema1.sql"
    old = barn.parent / "old.db"
    with closing(sqlite3.connect(old)) as file:
        file.executescript(data.read_text())
    content = old.read_bytes()
    sums = {"history.db": hashlib.sha256(content).hexdigest(), "site.toml": ""}
    about = {"form": 1, "program": "0.1.0", "schema": 1, "made": 0.0, "sha256": sums}
    with zipfile.ZipFile(barn.parent / "old.zip", "w") as archive:
        archive.writestr("history.db", content)
        archive.writestr("list.json", json.dumps(about))
    restore(barn.parent / "old.zip", barn / "barn.toml")
    assert values(barn / "history.db") == [21.5, None]


def test_backup_without_room_or_history_is_refused(barn: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (barn / "history.db").unlink()
    assert main(["backup", "--site", str(barn / "barn.toml"), "--out", str(barn / "b.zip")]) == 1
    assert "has core run yet" in capsys.readouterr().err
    assert not (barn / "b.zip").exists()
    assert main(["backup", "--site", str(barn / "barn.toml"), "--out", str(barn / "no" / "b.zip")]) == 1


@pytest.mark.skipif(os.geteuid() != 0, reason="only root restores for another user")
def test_root_restores_for_the_user_of_the_folder(barn: Path, tmp_path: Path) -> None:
    packed = backed_up(barn)
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    shutil.chown(fresh, 65534, 65534)
    assert os.stat(restored(packed, fresh)).st_uid == 65534
