"""The real core and the real uplink killed hundreds of times, over one history and one store: nothing is lost.

An emulated barn runs a hundred times faster than life, core reads and writes, uplink carries to VictoriaMetrics, which
dies now and then as well. After each kill the law of `tests/conservation.py` is checked over what lies on the disk, and
that everything is there which core said was on the disk. In the end the store has the history, row for row.
"""

from __future__ import annotations

import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from drivers.bench.desk import SOCKET
from gateway.app.bench import prepare
from gateway.store.outbox import Outbox
from tests.conservation import Rows, acknowledged, conserved, course_in, sound
from tests.e2e.stable import COUNTS
from tests.engine.fakes import until
from tests.uplink.store_rig import BARN, Hist, Point, Victoria, series_at

KILLS = max(200, int(os.environ.get("LOOSEBOX_KILLS", "220")))
SPEED = 100.0
BEFORE_ROUNDS, BEFORE_CHANNELS = 7_500, 8  # ten hours at 5 s, to be rolled up, carried and dropped under the kills
# How long both live until the next kill: while one starts, in its first commits, later.
LIVES_S = ((0.0, 0.1), (0.05, 0.4), (0.3, 1.0))
BUSY = 0.3  # how often the kill waits until there is something to interrupt
STORE_DIES = 0.02
UPLINK_ALONE_S = 36.0  # once it lives for long enough to be sure of what it sent, so that core may drop it

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "drivers" / "bench" / "barn.toml"
SERIES = '\n[series]\nurl = "{url}"\norg = "yard"\nbucket = "barns"\ntoken_file = "token"\n'
ROLES = ("core", "uplink")


class Stable:
    """Both roles, ready to be started again at once."""

    def __init__(self, site: Path) -> None:
        self.log, self._told = site.with_name("roles.log"), site.with_name("told")
        self._told.write_bytes(bytes(COUNTS.size))
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.e2e.stable", str(site), str(self._told)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True, cwd=ROOT,
            )  # fmt: skip
        self.living: dict[str, int] = {}

    def start(self, role: str) -> None:
        if role == "core":
            self._told.write_bytes(bytes(COUNTS.size))
        self.living[role] = self._do(role)

    def kill(self, role: str) -> None:
        """It must have been alive until now."""
        assert self._do(f"kill {self.living.pop(role)}") == -signal.SIGKILL, self.log.read_text()[-4000:]

    def end(self, role: str) -> None:
        assert self._do(f"end {self.living.pop(role)}") == 0, self.log.read_text()[-4000:]

    def told(self) -> Rows:
        """What this life of core has acknowledged."""
        readings, events = COUNTS.unpack(self._told.read_bytes())
        return Rows(readings=readings, events=events)

    def close(self) -> None:
        self._process.communicate()

    def _do(self, words: str) -> int:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(words + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


class Seen:
    """What the test itself has read of the history, before the oldest was dropped."""

    def __init__(self, history: Path) -> None:
        self._history, self._front = history, (0, 0)
        self.points: set[Point] = set()

    def look(self) -> None:
        """All that is new since the last look; rows may be committed a little behind the newest."""
        with closing(sqlite3.connect(f"file:{self._history}?mode=ro", uri=True)) as file:
            found = file.execute(
                "SELECT r.boot, r.mono_ms, c.quantity, c.place, c.sensor, r.wall_ms, r.value FROM readings r"
                " JOIN channels c ON c.id = r.channel WHERE (r.boot, r.mono_ms) > (?, ?)",
                (self._front[0], self._front[1] - 300_000),
            ).fetchall()
        for _, _, quantity, place, sensor, ms, value in found:
            what = f"loosebox_{'lost' if value is None else 'reading'}_{quantity}"
            self.points.add((what, place, sensor, BARN.name, ms, 1.0 if value is None else value))
        self._front = max([self._front, *((boot, ms) for boot, ms, *_ in found)])


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path / "store")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def folder(tmp_path: Path, store: Victoria) -> Iterator[Path]:
    """An emulated barn that runs, and a history of another barn's boot before it."""
    folder = tmp_path / "barn"
    text = SHIPPED.read_text().replace('"Cedar Bend"', f'"{BARN.name}"').replace("every_s = 5\n", "every_s = 20\n")
    (tmp_path / "plain.toml").write_text(text)
    site = prepare(folder, speed=SPEED, site_file=tmp_path / "plain.toml")
    site.path.write_text(site.path.read_text() + SERIES.format(url=store.url))
    series_at(store.url, folder)
    before = Hist(folder / "history.db", BEFORE_CHANNELS)
    before.bulk(BEFORE_ROUNDS)
    before.close()
    with (folder / "bench.log").open("ab") as log:
        bench = subprocess.Popen(
            [sys.executable, "-m", "gateway.cli", "bench", "--dir", str(folder), "serve"], stdout=log, stderr=log
        )
    try:
        until((folder / SOCKET).exists, limit_s=30)
        yield folder
    finally:
        bench.terminate()
        bench.wait(20)


@pytest.fixture
def stable(folder: Path) -> Iterator[Stable]:
    made = Stable(folder / "barn.toml")
    yield made
    made.close()


@pytest.mark.timeout(600 + 3 * KILLS)
def test_hundreds_of_kills_of_core_and_uplink_lose_nothing(
    stable: Stable, folder: Path, store: Victoria, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, begun_s = random.Random(20261129), time.monotonic()
    history, cursors = folder / "history.db", folder / "uplink-cursors.json"
    identity, seen, kills = Outbox(history).identity(), Seen(history), Counter[str]()
    stable.start("uplink")
    until(cursors.exists, limit_s=20)  # from now on core knows that somebody waits
    stable.start("core")
    before, alone_until_s = acknowledged(history), 0.0  # before this life of core
    for number in range(KILLS):
        if number == KILLS // 3:
            alone_until_s = time.monotonic() + UPLINK_ALONE_S
        role = "core" if time.monotonic() < alone_until_s else chance.choice(ROLES)
        if chance.random() < BUSY:
            _until_busy(stable, cursors, role)
        time.sleep(chance.uniform(*chance.choice(LIVES_S)))
        if chance.random() < STORE_DIES:
            store.kill()
            kills["store"] += 1
        stable.kill(role)
        kills[role] += 1
        if role == "core":
            told, there = stable.told(), acknowledged(history)
            assert there.readings >= before.readings + told.readings
            assert there.events >= before.events + told.events
            before = there
            kills["core before its first commit"] += told == Rows()
            sound(history, whole=number % 20 == 0)
        else:
            _standing_still(stable, history)
        conserved(history, course_in(cursors))
        seen.look()
        if role == "uplink":
            os.kill(stable.living["core"], signal.SIGCONT)
        if kills["store"] and number % 7 == 0:
            _awake(store)
        stable.start(role)
    _awake(store)
    until(lambda: _dropped(history) > 0, limit_s=120)
    until(lambda: stable.told() != Rows(), limit_s=60)  # it has come as far as to obey an orderly end
    stable.end("core")  # leaves its last commands, so that what is delivered now was sent by an uplink that runs
    until(lambda: _pending(history, cursors) == 0, limit_s=120)
    stable.end("uplink")
    seen.look()
    sound(history, whole=True)
    found = conserved(history, course_in(cursors))
    assert (found.pending, found.dead, found.dropped) == (0, 0, 0)
    assert Outbox(history).identity() == identity  # no file was ever set aside
    assert not [path for path in folder.iterdir() if "damaged" in path.name or "dead" in path.name]
    assert _differ(store.points('{__name__=~"loosebox_(reading|lost)_.*"}'), seen.points) == []
    assert _kit_told(store) == _kit(history)
    assert "Traceback" not in stable.log.read_text() and "defect" not in stable.log.read_text()
    assert kills["core"] + kills["uplink"] == KILLS >= 200
    assert kills["core"] > KILLS // 4 and kills["uplink"] > KILLS // 4
    took_s = time.monotonic() - begun_s
    rows = f"{len(seen.points)} readings, {_dropped(history)} of them dropped by age"
    with capsys.disabled():
        print(f"\nkilled {dict(kills)}; {rows}; {took_s:.0f} s")


def _until_busy(stable: Stable, cursors: Path, role: str) -> None:
    """This life of core has committed something; uplink has noted something. Not for ever: there may be nothing."""
    noted, end_s = cursors.stat().st_mtime_ns, time.monotonic() + 8.0
    while time.monotonic() < end_s:
        if stable.told() != Rows() if role == "core" else cursors.stat().st_mtime_ns != noted:
            return
        time.sleep(0.02)


def _dropped(history: Path) -> int:
    return sum(each.rows for each in Outbox(history).dropped() if each.what == "readings")


def _standing_still(stable: Stable, history: Path) -> None:
    """Core is stopped, so that nobody writes while rows are counted; a little later if it has the file locked."""
    core = stable.living["core"]
    for _ in range(100):
        _stop(core)
        with suppress(sqlite3.OperationalError):
            acknowledged(history)
            return
        os.kill(core, signal.SIGCONT)
        time.sleep(0.05)
    raise AssertionError("core has the history locked all the time")


def _stop(core: int) -> None:
    os.kill(core, signal.SIGSTOP)
    threads = Path(f"/proc/{core}/task")
    until(
        lambda: {(one / "stat").read_text().rsplit(")", 1)[1].split()[0] for one in threads.iterdir()} == {"T"},
        limit_s=20,
    )


def _awake(store: Victoria) -> None:
    if not store.alive:
        store.start()


def _pending(history: Path, cursors: Path) -> int:
    return conserved(history, course_in(cursors)).pending


def _differ(there: set[Point], here: set[Point]) -> list[object]:
    """What only one of them has, or has with another value; the store keeps about twelve digits of a value."""
    in_store, in_history = ({point[:-1]: point[-1] for point in points} for points in (there, here))
    same = in_store.keys() & in_history.keys()
    wrong = [key for key in same if not math.isclose(in_store[key], in_history[key], rel_tol=1e-9, abs_tol=1e-9)]
    return [*(in_store.keys() ^ in_history.keys()), *wrong]


def _kit_told(store: Victoria) -> set[tuple[str, int, float]]:
    return {
        (one["metric"]["kit"], ms, value)
        for one in store.series("loosebox_kit_on")
        for ms, value in zip(one["timestamps"], one["values"], strict=True)
    }


def _kit(history: Path) -> set[tuple[str, int, float]]:
    with closing(sqlite3.connect(history)) as file:
        return {(kit, ms, float(on)) for kit, ms, on in file.execute("SELECT kit, wall_ms, is_on FROM commands")}
