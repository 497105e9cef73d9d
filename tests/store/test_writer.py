"""Owns: the checks of when things are written, what happens when they cannot be, and what is said about it.

Must not know: how rows are stored.
How it works: a real thread, real files, real locks; `batch_s` is an hour unless a test is about batches, so that
nothing is written by chance.
"""

from __future__ import annotations

import dataclasses
import math
import sqlite3
import statistics
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from gateway.errors import StoreError
from gateway.model import Channel, FaultChange, Quality, Quantity, Reading
from gateway.site_history import Keep
from gateway.store.pen import Pen
from gateway.store.queries import History
from gateway.store.writer import Writer
from tests.conservation import kept

if TYPE_CHECKING:
    from gateway.ports import Recorder
    from tests.store.conftest import Held, Samples, Until

Hold = Callable[..., "Held"]
CHANNEL = "air-1.temp_c"


def values(path: Path) -> list[float | None]:
    return [reading.value for reading in History(path).readings(channel=CHANNEL)]


def test_writer_fits_the_recorder_port(hold: Hold) -> None:
    recorder: Recorder = hold().writer
    assert recorder.troubles() == {}


def test_event_is_on_the_disk_at_once(hold: Hold, samples: Samples, until: Until) -> None:
    held = hold()
    held.writer.events([samples.command(1), samples.fault(1)])
    until(lambda: held.writer.events_committed == 2)
    assert held.sql("SELECT (SELECT count(*) FROM commands), (SELECT count(*) FROM faults)") == [(1, 1)]


def test_reading_waits_for_its_batch(hold: Hold, samples: Samples) -> None:
    held = hold()
    assert held.writer.flush(5)
    held.writer.reading(samples.reading(1))
    assert values(held.path) == []
    assert held.writer.written().readings == 0
    assert held.writer.flush(5)
    assert values(held.path) == [1.0]


def test_batch_is_written_when_its_time_is_over(hold: Hold, samples: Samples, until: Until) -> None:
    held = hold(batch_s=0.05)
    held.writer.reading(samples.reading(1))
    held.writer.beat(1, 0, samples.stamp(1))
    until(lambda: held.writer.written().readings == 1)
    assert held.writer.written().beats == 1


def test_event_takes_waiting_readings_along(hold: Hold, samples: Samples, until: Until) -> None:
    held = hold()
    held.writer.reading(samples.reading(1))
    held.writer.events([samples.fault(2)])
    until(lambda: held.writer.events_committed == 1)
    assert values(held.path) == [1.0]


def test_missing_folder_is_said_and_made_good_without_loss(hold: Hold, samples: Samples, tmp_path: Path) -> None:
    path = tmp_path / "not-yet" / "history.db"
    held = hold(path)
    held.writer.reading(samples.reading(1))
    held.writer.events([samples.command(1)])
    assert not held.writer.flush(0.3)
    said = held.writer.trouble()
    assert "not being written" in said
    assert "folder" in said
    assert held.writer.events_committed == 0
    path.parent.mkdir()
    assert held.writer.flush(5)
    assert held.writer.trouble() == ""
    assert values(path) == [1.0]
    assert held.writer.events_committed == 1
    kept(path, readings=1, events=1)


def test_locked_file_is_said_and_nothing_is_lost(hold: Hold, samples: Samples, until: Until) -> None:
    held = hold(stall_s=60)
    assert held.writer.flush(5)
    with closing(sqlite3.connect(held.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        held.writer.events([samples.command(1)])
        until(held.writer.trouble)
        assert "locked" in held.writer.trouble()
        other.execute("ROLLBACK")
    assert held.writer.flush(10)
    assert held.writer.trouble() == ""
    kept(held.path, readings=0, events=1)


def test_hanging_disk_is_said_in_words_that_hold_still(hold: Hold, samples: Samples, until: Until) -> None:
    held = hold(stall_s=0.1)  # a lock stands for the disk: the writer waits 2 s for it inside SQLite
    assert held.writer.flush(5)
    with closing(sqlite3.connect(held.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        held.writer.events([samples.command(1)])
        until(held.writer.trouble)
        said = {held.writer.trouble() for _ in range(3)}
        other.execute("ROLLBACK")
    assert len(said) == 1
    # 1 780 000 001 s is 2026-05-28 20:26:41 UTC, four hours less in New York in summer (date -d @1780000001).
    assert "since 2026-05-28 16:26: the disk does not answer" in said.pop()
    until(lambda: not held.writer.trouble())
    kept(held.path, readings=0, events=1)


def test_control_never_waits_for_the_disk(hold: Hold, samples: Samples) -> None:
    held = hold()
    assert held.writer.flush(5)
    with closing(sqlite3.connect(held.path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        longest_s = 0.0
        for n in range(2000):
            began_s = time.monotonic()
            held.writer.reading(samples.reading(n))
            held.writer.events([samples.command(n)])
            held.writer.trouble()
            longest_s = max(longest_s, time.monotonic() - began_s)
        other.execute("ROLLBACK")
    assert longest_s < 1.9  # the lock alone makes the writing thread wait 2 s; a busy machine some tenths
    assert held.writer.flush(10)
    assert len(values(held.path)) == 2000
    assert held.writer.events_committed == 2000


def test_commits_do_not_wait_for_housekeeping(hold: Hold, samples: Samples, tmp_path: Path) -> None:
    """A file of an older program has months to roll up; events go on the disk between any two bites of that."""
    path = tmp_path / "history.db"
    hold(path).writer.close(5)
    with closing(sqlite3.connect(path)) as file:
        file.execute("INSERT INTO boots (boot) VALUES ('boot-z')")
        numbers = "WITH RECURSIVE n (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n WHERE n < 1000000)"
        file.execute(f"{numbers} INSERT INTO readings SELECT 1, n * 5000, n * 5000, 1, 1, n, 'good', NULL, NULL FROM n")
        file.commit()
    held = hold(path, keep=Keep(raw_days=1.0))
    took_s = []
    for n in range(40):
        begun_s = time.monotonic()
        held.writer.events([samples.command(n)])
        assert held.writer.flush(5)
        took_s.append(time.monotonic() - begun_s)
    rolled_ms = held.sql("SELECT mono_ms FROM rolled")[0][0]
    assert 0 < rolled_ms < 1_000_000 * 5000 - 7_200_000, "housekeeping was going on, and not yet at its end"
    assert statistics.median(took_s) < 0.25


def test_full_memory_drops_oldest_readings_and_records_the_gap(hold: Hold, samples: Samples, tmp_path: Path) -> None:
    path = tmp_path / "not-yet" / "history.db"
    held = hold(path, limit_rows=10)
    held.writer.events([samples.command(n) for n in range(1, 5)])
    for n in range(1, 21):
        held.writer.reading(samples.reading(n))
    assert not held.writer.flush(0.2)
    path.parent.mkdir()
    assert held.writer.flush(5)
    assert values(path) == [15.0, 16.0, 17.0, 18.0, 19.0, 20.0]
    assert len(History(path).commands()) == 4
    written = held.writer.written()
    assert (written.readings, written.lost_readings, written.lost_events) == (6, 14, 0)
    assert [(g.what, g.first.mono_s, g.last.mono_s, g.lost) for g in History(path).gaps()] == [
        ("readings", 1.0, 14.0, 14)
    ]
    kept(path, readings=20, events=4)


def test_newer_file_stays_untouched_until_it_is_moved_away(hold: Hold, samples: Samples, tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    Writer(path, samples.barn, samples.channels).close(5)
    with closing(sqlite3.connect(path)) as newer:
        newer.execute("PRAGMA user_version = 99")
    before = path.read_bytes()
    held = hold(path)
    held.writer.events([samples.command(1)])
    assert not held.writer.flush(0.3)
    assert "schema 99" in held.writer.trouble()
    assert path.read_bytes() == before
    path.rename(tmp_path / "newer.db")
    assert held.writer.flush(5)
    assert len(History(path).commands()) == 1


def test_damaged_file_is_set_aside_and_said_while_writing_goes_on(hold: Hold, samples: Samples, tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    path.write_bytes(b"no database " * 1000)
    held = hold(path)
    held.writer.events([samples.command(1)])
    assert held.writer.flush(5)
    assert "set aside as history.db.damaged-1" in held.writer.trouble()
    assert held.writer.troubles().keys() == {"history-damaged"}
    kept(path, readings=0, events=1)


def test_file_moved_away_under_the_writer_is_begun_anew(hold: Hold, samples: Samples, tmp_path: Path) -> None:
    held = hold()
    held.writer.events([samples.command(1)])
    assert held.writer.flush(5)
    held.path.rename(tmp_path / "moved.db")
    held.writer.events([samples.command(2)])
    assert held.writer.flush(5)
    assert [c.reasons[0].text for c in History(held.path).commands()] == ["number 2"]


def test_repeated_batch_changes_nothing(samples: Samples, hold: Hold, tmp_path: Path) -> None:
    """A COMMIT that reported an error may have reached the disk, so the same rows may come twice."""
    held = hold(tmp_path / "never" / "h.db")  # gives a backlog nobody writes
    held.writer.events([samples.command(1), samples.fault(2), samples.level(2)])
    held.writer.reading(samples.reading(3))
    held.writer.beat(4, 0, samples.stamp(4))
    batch = held.writer._backlog.take()
    pen = Pen(tmp_path / "h.db", samples.barn, samples.channels, check=True)
    for _ in range(2):
        pen.write(batch, numbers_after=10)
    pen.close()
    with closing(sqlite3.connect(tmp_path / "h.db")) as file:
        counts = [
            file.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("readings", "commands", "faults", "levels", "beats", "boots")
        ]
        assert file.execute("SELECT id FROM commands").fetchall() == [(11,)]
    assert counts == [1, 1, 1, 1, 1, 1]


def test_numbers_of_events_go_on_after_a_restart(hold: Hold, samples: Samples) -> None:
    for n in (1, 2):
        held = hold()
        held.writer.events([samples.command(n), samples.fault(n)])
        assert held.writer.close(5)
    assert held.sql("SELECT id FROM commands ORDER BY id") == [(1,), (3,)]
    assert held.sql("SELECT id FROM faults ORDER BY id") == [(2,), (4,)]


def test_same_event_at_the_same_instant_in_two_runs_is_kept_twice(hold: Hold, samples: Samples) -> None:
    for _ in range(2):
        held = hold()
        held.writer.events([samples.command(1)])
        assert held.writer.close(5)
    assert len(History(held.path).commands()) == 2


def test_row_with_strange_content_does_not_hold_up_the_others(hold: Hold, samples: Samples) -> None:
    held = hold()
    name = "/dev/tty\udcff"  # how Python shows a file name that is no UTF-8
    strange = dataclasses.replace(samples.stamp(2), mono_s=math.inf, wall_s=math.nan)
    held.writer.events([FaultChange(subject=name, code="x", text=name, active=True, stamp=strange), samples.command(3)])
    held.writer.reading(dataclasses.replace(samples.reading(4), value=math.nan))
    held.writer.reading(samples.reading(5))
    assert held.writer.flush(5), held.writer.trouble()
    assert [f.subject for f in History(held.path).faults()] == ["/dev/tty?"]
    assert values(held.path) == [None, 5.0]


def test_channel_that_the_barn_does_not_list_is_kept(hold: Hold, samples: Samples) -> None:
    held = hold()
    held.writer.reading(samples.reading(1, channel="stranger.temp_c"))
    assert held.writer.flush(5)
    assert [r.value for r in History(held.path).readings(channel="stranger.temp_c")] == [1.0]


def test_moved_sensor_leaves_old_readings_at_the_old_place(samples: Samples, tmp_path: Path) -> None:
    path = tmp_path / "h.db"
    for n, place in enumerate(["stalls", "arena"]):
        moved = Channel(name=CHANNEL, sensor="air-1", place=place, quantity=Quantity.TEMP)
        writer = Writer(path, samples.barn, (moved,))
        writer.reading(samples.reading(n))
        assert writer.close(5)
    with closing(sqlite3.connect(path)) as file:
        found = file.execute("SELECT c.place, r.value FROM readings r JOIN channels c ON c.id = r.channel")
        assert sorted(found) == [("arena", 1.0), ("stalls", 0.0)]
    assert values(path) == [0.0, 1.0]


def test_order_is_boot_then_monotonic_whatever_the_wall_clock_says(hold: Hold, samples: Samples) -> None:
    held = hold()
    for boot, mono_s, wall_s in [("first", 50.0, 9e8), ("first", 60.0, 2e9), ("second", 1.0, 5.0)]:
        stamp = dataclasses.replace(samples.stamp(mono_s, boot=boot), wall_s=wall_s)
        held.writer.reading(dataclasses.replace(samples.reading(0), value=mono_s, stamp=stamp))
    assert held.writer.flush(5)
    assert values(held.path) == [50.0, 60.0, 1.0]
    since = samples.stamp(60.0, boot="first")
    assert [r.value for r in History(held.path).readings(channel=CHANNEL, since=since)] == [60.0, 1.0]
    assert [r.value for r in History(held.path).readings(channel=CHANNEL, limit=1)] == [1.0]


def test_last_command_of_each_kit_is_found(hold: Hold, samples: Samples) -> None:
    held = hold()
    held.writer.events([samples.command(1), samples.command(2, on=False), samples.command(3, kit="mist")])
    assert held.writer.flush(5)
    last = History(held.path).last_commands()
    assert {kit: (c.on, c.stamp.mono_s) for kit, c in last.items()} == {"fans": (False, 2.0), "mist": (True, 3.0)}


def test_close_writes_what_waits_and_says_so(hold: Hold, samples: Samples) -> None:
    held = hold()
    held.writer.reading(samples.reading(1))
    assert held.writer.close(5)
    assert values(held.path) == [1.0]
    assert held.writer.close(5)


def test_close_of_a_broken_history_comes_back_and_says_no(hold: Hold, samples: Samples, tmp_path: Path) -> None:
    held = hold(tmp_path / "never" / "history.db")
    held.writer.reading(samples.reading(1))
    began_s = time.monotonic()
    assert not held.writer.close(5)
    assert time.monotonic() - began_s < 5


def test_reader_beside_the_writer_always_sees_whole_batches(hold: Hold, samples: Samples) -> None:
    held = hold(batch_s=0.001)
    assert held.writer.flush(5)
    seen: list[int] = []
    stop = threading.Event()
    broken: list[StoreError] = []

    def read() -> None:
        while not stop.is_set():
            try:
                seen.append(len(History(held.path).commands(limit=10_000)))
            except StoreError as error:
                broken.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    for n in range(200):
        held.writer.reading(samples.reading(n))
        held.writer.events([samples.command(2 * n), samples.command(2 * n + 1)])
    assert held.writer.flush(10)
    stop.set()
    reader.join()
    assert broken == []
    assert seen == sorted(seen)
    assert all(count % 2 == 0 for count in seen)
    assert len(History(held.path).commands(limit=10_000)) == 400


@pytest.mark.parametrize("content", [None, b""])
def test_question_to_no_history_is_an_error_of_ours(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "h.db").write_bytes(content)
    with pytest.raises(StoreError):
        History(tmp_path / "h.db").last_commands()


def test_quality_and_detail_of_a_missing_value_are_kept(hold: Hold, samples: Samples) -> None:
    held = hold()
    torn = Reading(channel=CHANNEL, value=None, quality=Quality.TORN, detail="01 04", stamp=samples.stamp(1.0))
    held.writer.reading(torn)
    assert held.writer.flush(5)
    assert History(held.path).readings(channel=CHANNEL) == (torn,)
