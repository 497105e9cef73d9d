"""Owns: the checks that nothing acknowledged is lost when a process is killed or the disk refuses.

Must not know: how the writer works inside.
How it works: real child processes, a real SIGKILL, real file rights, a real limit of the kernel on the file size.
"""

from __future__ import annotations

import json
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from gateway.store.outbox import Outbox
from gateway.store.position import START
from gateway.store.queries import History
from gateway.uplink.ledger import Course, Lane
from tests.conservation import Rows, conserved, kept, sound

if TYPE_CHECKING:
    from tests.store.conftest import Held, Samples

ROOT = Path(__file__).parents[2]
KILLS = int(os.environ.get("LOOSEBOX_KILLS", "60"))
Start = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts children and leaves none behind."""
    made: list[subprocess.Popen[str]] = []

    def begin(mode: str, path: Path) -> subprocess.Popen[str]:
        child = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("child.py")), mode, str(path)],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        made.append(child)
        return child

    yield begin
    for child in made:
        child.kill()
        child.communicate()


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that another user can reach, which pytest's own is not."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


def line(child: subprocess.Popen[str]) -> str:
    assert child.stdout is not None
    return child.stdout.readline()


def go_on(child: subprocess.Popen[str]) -> None:
    assert child.stdin is not None
    child.stdin.write("\n")
    child.stdin.flush()


def killed_after(child: subprocess.Popen[str], lines: int) -> list[int]:
    """The last acknowledgement that arrived before the kill, and what was still in the pipe."""
    acknowledged = [int(word) for _ in range(lines) for word in line(child).split()][-2:]
    child.kill()
    rest, _ = child.communicate()
    for last in rest.splitlines():
        if len(last.split()) == 2 and rest.endswith("\n"):
            acknowledged = [int(word) for word in last.split()]
    return acknowledged


@pytest.mark.parametrize("seed", range(8))
def test_kill_in_mid_write_loses_nothing_acknowledged(start: Start, tmp_path: Path, seed: int) -> None:
    path = tmp_path / "history.db"
    lines = random.Random(seed).randint(5, 600)
    readings, events = killed_after(start("write-for-ever", path), lines)
    history = History(path)
    found = [command.reasons[0].text for command in history.commands(limit=100_000)]
    values = [reading.value for reading in history.readings(channel="air-1.temp_c", limit=100_000)]
    assert len(found) >= events
    assert len(values) >= readings
    # Both are an unbroken beginning of what was handed in: no hole, no double.
    assert found == [str(n) for n in range(1, len(found) + 1)]
    assert values == [float(n) for n in range(1, len(values) + 1)]
    kept(path, readings=len(values), events=len(found))
    sound(path, whole=True)


@pytest.mark.timeout(60 + 5 * KILLS)
def test_killed_again_and_again_every_reading_is_delivered_or_on_record(start: Start, tmp_path: Path) -> None:
    """One file, killed while it commits, rolls up and drops; a follower takes what comes after each kill."""
    path, cursors = tmp_path / "history.db", tmp_path / "cursors.json"
    seed = random.Random(2026)
    cursor, came, events = START, list[float](), 0
    for _ in range(KILLS):
        acknowledged, event = killed_after(start("keep-for-ever", path), seed.randint(1, 25))
        outbox = Outbox(path)
        while (page := outbox.page(cursor, 1000))[0]:
            came += [row[3] for row in page[0] if row[3] is not None]
            cursor = page[1]
        assert came == [float(n) for n in range(1, len(came) + 1)]
        assert len(came) >= acknowledged
        numbers = [number for number, _ in outbox.events_after(events, 10_000)]
        assert numbers == list(range(events + 1, events + len(numbers) + 1))
        events += len(numbers)
        assert events >= event
        course = Course(lanes=(Lane(at=cursor),), event=events, readings=len(came), events=events)
        found = conserved(path, course, rows=Rows(readings=len(came), events=events))
        assert (found.pending, found.dropped) == (0, 0)
        told = {"history": outbox.identity(), "cursors": {"store": {"readings": [cursor], "event": events}}}
        cursors.write_text(json.dumps(told))
        sound(path, whole=True)
        with closing(sqlite3.connect(path)) as file:
            minutes = file.execute("SELECT sum(count), min(count), max(count) FROM minutes").fetchone()
            rolled = file.execute("SELECT mono_ms FROM rolled").fetchone()[0]
        # six readings a minute; the first minute has five, as readings begin at ten seconds
        assert rolled == 0 or minutes == (rolled // 10_000 - 1, 5, 6)
    assert rolled > 0
    assert any(each.what == "readings" for each in outbox.dropped())


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount")
def test_really_full_disk_is_said_and_made_good_without_loss(start: Start, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(disk)], check=True)
    try:
        child = start("small-disk", disk / "history.db")
        handed, committed, said = line(child).split(" ", 2)
        assert 0 < int(committed) < int(handed)
        assert "the disk is full" in said
        subprocess.run(["mount", "-o", "remount,size=60m", str(disk)], check=True)
        go_on(child)
        assert line(child).split() == ["True", handed]
        child.wait(10)
        found = [command.reasons[0].text for command in History(disk / "history.db").commands(limit=100_000)]
        assert found == [str(n) for n in range(1, int(handed) + 1)]
        kept(disk / "history.db", readings=int(handed), events=int(handed))
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount")
def test_read_only_disk_is_said_and_made_good_without_loss(
    start: Start, hold: Callable[..., Held], samples: Samples, open_folder: Path
) -> None:
    """What a worn card turns into, seen by a core that starts then."""
    disk = open_folder / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "mode=1777", "tmpfs", str(disk)], check=True)
    try:
        held = hold(disk / "history.db")
        held.writer.events([samples.command(n) for n in range(5)])
        assert held.writer.close(5)
        held.path.chmod(0o666)
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        child = start("may-not", held.path)
        committed, said = line(child).split(" ", 1)
        assert committed == "0"
        assert "read-only" in said
        assert len(History(held.path).commands()) == 5
        subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
        go_on(child)
        assert line(child).split() == ["True", "10"]
        assert child.wait(10) == 0
        kept(held.path, readings=10, events=15)
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_reader_never_writes_a_checkpoint(start: Start, tmp_path: Path) -> None:
    """All checkpoints are the writer's: then no two connections can reset the log at once."""
    path = tmp_path / "history.db"
    killed_after(start("write-for-ever", path), 100)
    files = {file: file.read_bytes() for file in tmp_path.iterdir() if not file.name.endswith("-shm")}
    assert len(files) == 2  # the database and its log
    assert len(History(path).commands(limit=100_000)) > 0
    assert Outbox(path).page(START, 10)[0]
    assert {file: file.read_bytes() for file in files} == files


def test_full_disk_is_said_and_made_good_without_loss(start: Start, tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    child = start("full-disk", path)
    handed, committed, said = line(child).split(" ", 2)
    assert 0 < int(committed) < int(handed)
    assert "not being written since" in said
    assert "disk" in said
    go_on(child)
    assert line(child).split() == ["True", handed]
    found = [command.reasons[0].text for command in History(path).commands(limit=100_000)]
    assert found == [str(n) for n in range(1, int(handed) + 1)]
    kept(path, readings=int(handed), events=int(handed))


def test_folder_without_the_right_to_write_is_said_and_made_good(start: Start, open_folder: Path) -> None:
    folder = open_folder / "history"
    folder.mkdir(mode=0o555)
    child = start("may-not", folder / "history.db")
    committed, said = line(child).split(" ", 1)
    assert committed == "0"
    assert "folder" in said
    folder.chmod(0o777)
    go_on(child)
    assert line(child).split() == ["True", "10"]
    assert child.wait(10) == 0
    kept(folder / "history.db", readings=10, events=10)


@pytest.mark.parametrize("state", ["alive", "killed", "closed"])
def test_reader_without_the_right_to_write_reads(
    start: Start, hold: Callable[..., Held], samples: Samples, open_folder: Path, state: str
) -> None:
    """The web has a user of its own: it may read the file and its folder and write neither."""
    path = open_folder / "history.db"
    least = 20
    if state == "killed":
        least = killed_after(start("write-for-ever", path), 100)[1]
    else:
        held = hold(path)
        held.writer.events([samples.command(n) for n in range(20)])
        assert held.writer.flush(5)
        assert state == "alive" or held.writer.close(5)
    for file in open_folder.iterdir():
        file.chmod(0o444)
    open_folder.chmod(0o555)
    left = {file.name: file.stat().st_mtime_ns for file in open_folder.iterdir()}
    reader = start("read", path)
    seen = int(line(reader))
    assert {file.name: file.stat().st_mtime_ns for file in open_folder.iterdir()} == left
    open_folder.chmod(0o755)
    assert seen == len(History(path).commands(limit=100_000)) >= least > 0
