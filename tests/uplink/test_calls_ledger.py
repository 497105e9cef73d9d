"""The record of calls in a real file: cuts at every statement, a killed process, damage, a full disk, its bounds."""

from __future__ import annotations

import dataclasses
import os
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.alarms.notices import Item, News, Notice
from gateway.app.web_calls import LedgerCalls, calls_file
from gateway.errors import StoreError
from gateway.model import Priority
from gateway.uplink import calls_ledger
from gateway.uplink.calls_ledger import LEAST, CallsLedger, CallsReader
from gateway.uplink.kept_calls import AGAIN_S, KeptCalls
from gateway.uplink.message import Message
from gateway.uplink.tries import Change, Entry, TryAt
from tests.engine.fakes import HandClock
from tests.uplink.call_scenes import stamp

ROOT = Path(__file__).parents[2]


def entry(number: int, now_s: float = 0.0, ways: tuple[str, ...] = ("mail", "mqtt"), **changes: object) -> Entry:
    """An invented message; its words hold what a file may spoil."""
    item = Item(alarm=f"bus-lost:l{number}", episode=number, calls=1, news=News.CALL, priority=Priority.SOON)
    notice = Notice(id=f"notice-{number}", contact="Ana", items=(item,))
    message = Message(
        id=notice.id, contact="Ana", language="es", kind="alarm.call", priority=Priority.SOON, made_wall_s=now_s + 0.25,
        subject="línea “x” <&>", text="una\ndos\n", data={"barn": "Ñ", "count": 1, "alarms": [{"since": None}]},
    )  # fmt: skip
    made = dataclasses.replace(stamp(now_s), **changes)  # type: ignore[arg-type]
    return Entry(notice=notice, message=message, stamp=made, ways=ways)


def delivered(number: int, way: str = "mail", attempts: int = 1) -> Change:
    return Change(id=f"notice-{number}", way=way, state=TryAt.DELIVERED, attempts=attempts, why="", wall_s=5.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "uplink-calls.db"


@pytest.fixture
def ledger(path: Path) -> Iterator[CallsLedger]:
    made = CallsLedger(path)
    yield made
    made.close()


def test_what_is_written_comes_back_as_it_was(path: Path, ledger: CallsLedger) -> None:
    entries = [entry(1), entry(2, ways=("webhook",))]
    waits = Change(id="notice-1", way="mqtt", state=TryAt.PENDING, attempts=3, why="áé", wall_s=7.5)
    ledger.write(entries, [delivered(1), waits], stamp(0))
    again = CallsLedger(path)
    assert list(again.told()) == [each.notice for each in entries]
    assert [(one.notice, one.message, one.way, one.attempts) for one in again.pending()] == [
        (entries[0].notice, entries[0].message, "mqtt", 3), (entries[1].notice, entries[1].message, "webhook", 0),
    ]  # fmt: skip
    again.close()
    assert CallsReader(path).counts() == {TryAt.PENDING: 2, TryAt.DELIVERED: 1, TryAt.GIVEN_UP: 0}
    assert stat.S_IMODE(path.stat().st_mode) == 0o640, "the pages read it by the group, nobody else does"


def test_the_group_reads_whatever_the_mask_of_the_role_is(path: Path) -> None:
    before = os.umask(0o077)
    try:
        ledger = CallsLedger(path)
        ledger.write([entry(1)], [], stamp(0))
        modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()}
        ledger.close()
    finally:
        os.umask(before)
    assert modes == {path.name: 0o640, f"{path.name}-wal": 0o640, f"{path.name}-shm": 0o640}


def test_the_settings_that_a_power_cut_relies_on(ledger: CallsLedger) -> None:
    ask = ledger._connection.execute
    assert ask("PRAGMA journal_mode").fetchone() == ("wal",)
    assert ask("PRAGMA synchronous").fetchone() == (2,)  # FULL: https://www.sqlite.org/pragma.html#pragma_synchronous


def test_a_message_that_is_there_stays_as_it_is(path: Path, ledger: CallsLedger) -> None:
    ledger.write([entry(1)], [delivered(1)], stamp(0))
    ledger.write([entry(1, 99.0)], [], stamp(99))
    (mail, mqtt) = CallsReader(path).latest(10)
    assert (mail.state, mqtt.state, mail.message.made_wall_s) == (TryAt.DELIVERED, TryAt.PENDING, 0.25)


def test_a_cut_at_any_statement_leaves_all_of_a_write_or_nothing(path: Path, ledger: CallsLedger) -> None:
    """SQLite's own progress handler stops the write ever later; the copy is what a cut leaves."""
    ledger.write([entry(1)], [], stamp(0))
    seen: set[tuple[int, int]] = set()
    for stop in range(1, 2000, 4):
        left = [stop]

        def tick(left: list[int] = left) -> int:
            left[0] -= 1
            return int(left[0] == 0)

        ledger._connection.set_progress_handler(tick, 1)
        try:
            ledger.write([entry(2)], [delivered(1)], stamp(1))
            done = True
        except sqlite3.OperationalError:
            done = False
        ledger._connection.set_progress_handler(None, 0)
        folder = path.parent / f"cut-{stop}"
        folder.mkdir()
        for suffix in ("", "-wal"):
            shutil.copy(path.with_name(path.name + suffix), folder / (path.name + suffix))
        cut = CallsLedger(folder / path.name)
        seen.add((len(list(cut.told())), len(cut.pending())))
        cut.close()
        if done:
            break
    assert done and seen == {(1, 2), (2, 3)}


KILLED = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from gateway.uplink.calls_ledger import CallsLedger
from tests.uplink.call_scenes import stamp
from tests.uplink.test_calls_ledger import delivered, entry
ledger = CallsLedger(Path(sys.argv[1]))
for number in range(1, 100_000):
    ledger.write([entry(number)], [], stamp(number))
    print(number, "written", flush=True)
    ledger.write([], [delivered(number)], stamp(number))
    print(number, "delivered", flush=True)
"""


@pytest.mark.parametrize("lines", [1, 8, 33])
def test_a_killed_process_loses_nothing_that_it_had_said_was_kept(path: Path, lines: int) -> None:
    child = subprocess.Popen([sys.executable, "-c", KILLED, str(path), str(ROOT)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    said = [child.stdout.readline().split() for _ in range(lines)]
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stdout.close()
    rows = {(row.notice.id, row.way): row.state for row in CallsReader(path).latest(100_000)}
    for number, what in said:
        assert (f"notice-{number}", "mqtt") in rows
        if what == "delivered":
            assert rows[f"notice-{number}", "mail"] is TryAt.DELIVERED
    again = CallsLedger(path)
    notices = list(again.told())
    counts = CallsReader(path).counts()
    assert 2 * len(notices) == sum(counts.values()) and counts[TryAt.PENDING] == len(again.pending())
    again.close()


def test_what_is_settled_and_old_goes_and_what_is_pending_stays(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(calls_ledger, "MOST", 300)
    monkeypatch.setattr(calls_ledger, "LEAST", 20)
    monkeypatch.setattr(calls_ledger, "PRUNE_EVERY", 10)
    ledger = CallsLedger(path)
    for number in range(1, 501):
        settle = [delivered(number, way) for way in ("mail", "mqtt")] if number != 3 else [delivered(3)]
        ledger.write([entry(number, float(number))], settle, stamp(number))
    kept = [notice.id for notice in ledger.told()]
    assert len(kept) <= 311 and kept[0] == "notice-3" and kept[-1] == "notice-500"
    day_s = 86_400.0
    later = stamp(401 * day_s)
    ledger.write([entry(501 + n, later.mono_s) for n in range(10)], [], dataclasses.replace(later, trusted=False))
    assert len(list(ledger.told())) > 290, "a clock that is not set empties nothing"
    ledger.write([entry(520 + n, later.mono_s) for n in range(10)], [], later)
    kept = [notice.id for notice in ledger.told()]
    assert kept[0] == "notice-3" and 20 <= len(kept) <= 32, "the newest few stay whatever the clock says"
    ledger.close()
    assert LEAST == 1000


def test_a_damaged_file_is_set_aside_and_told_and_calls_go_on(path: Path) -> None:
    ledger = CallsLedger(path)
    ledger.write([entry(n) for n in range(50)], [], stamp(0))
    ledger.close()
    whole = bytearray(path.read_bytes())
    whole[4096:8192] = b"\x55" * 4096
    path.write_bytes(whole)
    kept = KeptCalls(path, stamp=lambda: stamp(1), clock=lambda: 0.0)
    assert "set aside as uplink-calls.db.damaged-1" in kept.trouble
    assert path.with_name("uplink-calls.db.damaged-1").read_bytes()[4096:4100] == b"\x55" * 4
    assert kept.on_record() == ([], [])
    assert kept.write([entry(1)], [])
    assert len(kept.on_record()[1]) == 2
    kept.close()


def test_damage_that_shows_while_it_runs_is_set_aside_too(path: Path) -> None:
    kept = KeptCalls(path, stamp=lambda: stamp(1), clock=lambda: 0.0)
    kept.write([entry(1)], [])
    assert kept._ledger is not None
    kept._ledger._connection.execute("UPDATE notices SET items = '{'")
    assert kept.on_record() == ([], [])
    assert "damaged" in kept.trouble
    assert kept.write([entry(2)], []) and [notice.id for notice in kept.on_record()[0]] == ["notice-2"]
    kept.close()


def test_a_file_of_another_program_or_a_newer_one_is_left_alone(path: Path) -> None:
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE hay (bales)")
    other.close()
    before = path.read_bytes()
    kept = KeptCalls(path, stamp=lambda: stamp(1), clock=lambda: 0.0)
    assert "another program" in kept.trouble and not kept.write([entry(1)], []) and kept.waiting == 1
    kept.close()
    assert path.read_bytes() == before
    path.unlink()
    CallsLedger(path).close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version = 9")
    newer.close()
    with pytest.raises(StoreError, match="schema 9"):
        CallsReader(path).latest(1)
    assert "schema 9" in KeptCalls(path, stamp=lambda: stamp(1), clock=lambda: 0.0).trouble


def test_a_full_disk_keeps_nothing_back_and_all_is_written_when_there_is_room(path: Path) -> None:
    """The file may not grow: SQLite's own limit gives SQLITE_FULL, as a full disk does."""
    clock = HandClock()
    kept = KeptCalls(path, stamp=clock.stamp, clock=clock.now_s)
    assert kept._ledger is not None
    pages = kept._ledger._connection.execute("PRAGMA page_count").fetchone()[0]
    kept._ledger._connection.execute(f"PRAGMA max_page_count = {pages}")
    long = [
        dataclasses.replace(entry(n), message=dataclasses.replace(entry(n).message, text="x" * 9000)) for n in (1, 2)
    ]
    assert not kept.write(long[:1], []), "in memory only"
    assert "full" in kept.trouble and "go out all the same" in kept.trouble
    assert not kept.write(long[1:], [delivered(1)]) and kept.waiting == 3
    kept._ledger._connection.execute("PRAGMA max_page_count = 100000")
    assert not kept.again(), "not before its time"
    clock.at_s += AGAIN_S
    kept.again()
    assert kept.trouble == "" and kept.waiting == 0
    assert [(row.notice.id, row.way, str(row.state)) for row in CallsReader(path).latest(9)] == [
        ("notice-2", "mail", "pending"), ("notice-2", "mqtt", "pending"),
        ("notice-1", "mail", "delivered"), ("notice-1", "mqtt", "pending"),
    ]  # fmt: skip
    kept.close()


def test_a_file_that_can_be_opened_only_later_brings_what_it_had(path: Path) -> None:
    first = CallsLedger(path)
    first.write([entry(1)], [], stamp(0))
    first.close()
    hidden = path.with_name("elsewhere")
    path.rename(hidden)
    path.mkdir()  # nothing can be opened there
    clock = HandClock()
    kept = KeptCalls(path, stamp=clock.stamp, clock=clock.now_s)
    assert kept.trouble and not kept.write([entry(2)], [])
    path.rmdir()
    hidden.rename(path)
    clock.at_s += AGAIN_S
    assert kept.again(), "only now"
    assert [notice.id for notice in kept.on_record()[0]] == ["notice-1", "notice-2"]
    kept.close()


# --- what the pages see -----------------------------------------------------------------------------


def test_the_pages_read_beside_the_writer_newest_first(path: Path, ledger: CallsLedger) -> None:
    cursors = path.with_name("uplink-cursors.json")
    calls = LedgerCalls(calls_file(cursors))
    assert calls_file(cursors) == path
    test = Item(alarm="test", episode=7, calls=1, news=News.TEST, priority=Priority.NOW)
    trial = dataclasses.replace(entry(2).notice, items=(test,))
    ledger.write([entry(1), dataclasses.replace(entry(2), notice=trial, ways=("webhook",))], [delivered(1)], stamp(0))
    newest, *rest = calls.latest(3)
    assert (newest.way, newest.state, newest.number, newest.alarms, newest.at_wall_s) == (
        "webhook",
        "pending",
        7,
        (),
        None,
    )
    assert [(seen.contact, seen.way, seen.state, seen.attempts, seen.at_wall_s) for seen in rest] == [
        ("Ana", "mail", "delivered", 1, 5.0), ("Ana", "mqtt", "pending", 0, None),
    ]  # fmt: skip
    assert rest[0].alarms == ("bus-lost:l1",) and rest[0].subject == "línea “x” <&>"
    assert len(calls.latest(1)) == 1


def test_without_a_record_there_is_nothing_and_of_a_spoilt_one_an_error(path: Path) -> None:
    assert LedgerCalls(path).latest(10) == ()
    path.write_bytes(b"this is no database, whatever its name says" * 100)
    with pytest.raises(StoreError, match="cannot be read"):
        LedgerCalls(path).latest(10)


READER = """
import os, sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from gateway.uplink.calls_ledger import CallsReader
if os.getuid() == 0:
    os.setgid(65534); os.setuid(65534)
print(len(CallsReader(Path(sys.argv[1])).latest(9)))
"""


@pytest.mark.parametrize("is_open", [True, False])
def test_whoever_may_only_read_reads(is_open: bool) -> None:
    """The pages have a user of their own, who may read the file and its folder and write neither."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "uplink-calls.db"
        ledger = CallsLedger(path)
        ledger.write([entry(1)], [], stamp(0))
        if not is_open:
            ledger.close()
        for file in path.parent.iterdir():
            file.chmod(0o444)
        path.parent.chmod(0o555)
        run = subprocess.run(
            [sys.executable, "-c", READER, str(path), str(ROOT)], capture_output=True, text=True, check=False
        )
        path.parent.chmod(0o755)
        ledger.close()
    assert run.stdout == "2\n", run.stderr
