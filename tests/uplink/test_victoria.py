"""The history carried to a real store, through its death and ours; uplink as a process of its own."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.engine.clock import machine_s
from gateway.store.outbox import Outbox
from gateway.uplink.backoff import Patience
from gateway.uplink.ledger import Ledger
from gateway.uplink.series import Store
from gateway.uplink.stream import Stream
from gateway.uplink.to_store import ToStore
from tests.conservation import Rows, conserved, course_in
from tests.engine.fakes import until
from tests.uplink.store_rig import BARN, PLAIN_SITE, Hist, Victoria, series_at

KILLS_S = 45.0  # how long the killing goes on
SITE = (
    PLAIN_SITE
    + """
[series]
url = "{url}"
org = "yard"
bucket = "barns"
token_file = "token"
"""
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path / "store")
    made.start()
    yield made
    made.kill()


def stream_to(store: Victoria, hist: Hist, folder: Path) -> tuple[Stream, Ledger]:
    outbox = Outbox(hist.path)
    ledger = Ledger(folder / "cursors.json", ["series"], history=outbox.identity(), clock=machine_s)
    to = ToStore(Store(series_at(store.url, folder)), BARN.name)
    patience = Patience(first_s=0.1, longest_s=0.5, hold_s=1.0)
    return Stream(outbox, ledger, to, clock=machine_s, mono_s=machine_s, patience=patience), ledger


def carry(stream: Stream, hist: Hist) -> None:
    for _ in range(10_000):
        standing = stream.standing()
        if standing.readings == hist.acknowledged and standing.lanes == 1:
            return
        time.sleep(min(stream.turn(), 0.1))
    raise AssertionError(stream.standing())


def test_a_store_that_is_killed_right_after_it_took_rows_has_all_of_them_in_the_end(
    store: Victoria, tmp_path: Path
) -> None:
    """It acknowledges before its disk has them: without going back a minute rows would be missing."""
    hist = Hist(tmp_path / "history.db", 8)
    hist.add(0, 50)
    stream, ledger = stream_to(store, hist, tmp_path)
    carry(stream, hist)
    for n in range(1, 4):
        store.kill()
        hist.add(50 * n, 50 * n + 50)
        for _ in range(3):
            time.sleep(stream.turn() / 4)
        conserved(hist.path, ledger.course("series"), rows=Rows(readings=hist.acknowledged))
        store.start()
        carry(stream, hist)
    assert store.points() == hist.points()
    assert hist.acknowledged == stream.standing().readings
    conserved(hist.path, ledger.course("series"), rows=Rows(readings=hist.acknowledged))
    stream.close()
    hist.close()


def test_a_week_at_speed_with_the_store_down_for_two_days_agrees_row_for_row(store: Victoria, tmp_path: Path) -> None:
    """4 channels at 30 s: 80,640 rows. The whole size, 64 channels at 5 s, is `streams_bench.py --week`."""
    rounds_of_day = 24 * 120
    hist = Hist(tmp_path / "history.db", 4)
    stream: Stream | None = None
    for day in range(7):
        hist.bulk(rounds_of_day, every_s=30.0, first=day * rounds_of_day)
        if stream is None:
            stream, ledger = stream_to(store, hist, tmp_path)
        if day == 3:
            store.kill()
        if day == 5:
            store.start()
        if day in (3, 4):
            for _ in range(2):
                time.sleep(stream.turn() / 4)
            assert stream.standing().state == "away"
        else:
            carry(stream, hist)
        conserved(hist.path, ledger.course("series"), rows=Rows(readings=hist.acknowledged))
    assert stream is not None
    assert hist.acknowledged == 7 * rounds_of_day * 4 == stream.standing().readings
    assert store.points() == hist.points()
    stream.close()
    hist.close()


def test_the_same_rows_sent_again_are_kept_once(store: Victoria, tmp_path: Path) -> None:
    hist = Hist(tmp_path / "history.db", 4)
    hist.add(0, 100)
    for _ in range(3):
        stream, _ = stream_to(store, hist, tmp_path)
        carry(stream, hist)
        stream.close()
        (tmp_path / "cursors.json").unlink()
    assert sum(len(one["values"]) for one in store.series('{__name__=~"loosebox_reading_.*"}')) == 400
    hist.close()


def test_uplink_killed_at_random_moments_loses_nothing(store: Victoria, tmp_path: Path) -> None:
    """Uplink as a process, killed again and again while the history grows and the store dies too."""
    chance = random.Random(4711)
    hist = Hist(tmp_path / "history.db", 16)
    hist.add(0, 200)
    series_at(store.url, tmp_path)
    (tmp_path / "barn.toml").write_text(SITE.format(barn=BARN.name, url=store.url))
    began_s, kills, first = machine_s(), 0, 200
    while machine_s() - began_s < KILLS_S:
        with (tmp_path / "uplink.log").open("ab") as log:
            command = [sys.executable, "-m", "gateway.cli", "uplink", str(tmp_path / "barn.toml")]
            uplink = subprocess.Popen(command, stdout=log, stderr=log)
        end_s = machine_s() + chance.uniform(0.6, 3.0)
        while machine_s() < end_s:
            more = chance.randrange(1, 40)
            hist.add(first, first + more)
            first += more
            time.sleep(0.05)
        if chance.random() < 0.15:
            store.kill()
            time.sleep(chance.uniform(0.0, 1.0))
            store.start()
        uplink.kill()
        uplink.wait()
        kills += 1
        conserved(hist.path, course_in(tmp_path / "uplink-cursors.json"), rows=Rows(readings=hist.acknowledged))
    with (tmp_path / "uplink.log").open("ab") as log:
        uplink = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        cursors = tmp_path / "uplink-cursors.json"
        until(lambda: told(cursors) == hist.acknowledged, limit_s=40)
    finally:
        uplink.terminate()
        assert uplink.wait(10) == 0
    assert kills >= 10
    conserved(hist.path, course_in(cursors), rows=Rows(readings=hist.acknowledged))
    assert store.points() == hist.points()
    assert not (tmp_path / "uplink-cursors-dead.jsonl").exists()
    assert "Traceback" not in (tmp_path / "uplink.log").read_text()
    hist.close()


def told(cursors: Path) -> int:
    """How many readings uplink counts as delivered, once nothing is left over."""
    course = json.loads(cursors.read_text())["courses"]["series"]
    return int(course["readings"]) if len(course["lanes"]) == 1 else -1
