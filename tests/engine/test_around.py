"""Troubles of what is around core become alarms and end again: through the real link, history, disk and step.

Must not know: how a trouble is found; it is made, as it comes about in a barn.
How it works: a whole core without devices. The barn's clock is moved by hand; the link keeps the machine's clock, and
what is told of its age is an argument. Delays are those of the table of rules, counted here in seconds.
"""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest

from gateway.alarms.rules import BY_CODE, LEAST_STANDING_S
from gateway.control.decide import start_state
from gateway.engine.actuate import Actuation
from gateway.engine.clock import machine_s
from gateway.engine.disk import DiskWatch, shortage
from gateway.engine.link import LinkServer
from gateway.engine.link_words import OutsideTrouble
from gateway.engine.loop import Loop
from gateway.engine.outside import WORD_WITHIN_S, outside_troubles
from gateway.engine.poller import Poller
from gateway.engine.snapshot import Snapshot
from gateway.engine.step import StepState
from gateway.engine.troubles import Trouble
from gateway.model import FaultChange
from gateway.ports import Recorder
from gateway.site_history import Keep
from gateway.store.writer import Writer
from gateway.uplink.courier import Courier
from tests.control.barns import barn
from tests.engine.fakes import HandClock, ListRecorder, until

STEP_S = 10.0
BARN = barn(kit=())


class Core:
    """A core whose time is moved by hand."""

    def __init__(self, recorder: Recorder | None = None, around: Callable[[], Iterable[Trouble]] = tuple) -> None:
        self.clock, self.published = HandClock(), list[Snapshot]()
        self.loop = Loop(
            BARN, StepState(control=start_state(BARN, 0.0), started_s=0.0), clock=self.clock,
            poller=Poller(self.clock, ListRecorder()), actuation=Actuation(self.clock), buses=(),
            recorder=recorder or ListRecorder(), publish=self.published.append, feed=lambda _: None, around=around,
        )  # fmt: skip

    def run(self, for_s: float) -> None:
        for _ in range(round(for_s / STEP_S) + 1):
            self.loop.tick()
            self.clock.at_s += STEP_S

    def codes(self) -> set[str]:
        """The faults that the newest snapshot shows, without those of the devices that this core has not."""
        return {fault.code for fault in self.published[-1].faults if not fault.code.startswith("sensor-")}

    def state(self, alarm: str) -> str:
        """Its state in the newest snapshot; empty when it is not there at all."""
        return next((view.state for view in self.published[-1].alarms if view.alarm == alarm), "")

    def rises(self, alarm: str) -> None:
        """After its delay, and not before it."""
        rule = BY_CODE[alarm.partition(":")[0]]
        self.run(max(0.0, rule.on_s - 3 * STEP_S))
        assert self.state(alarm) == "" or rule.on_s <= STEP_S
        self.run(4 * STEP_S)
        assert self.state(alarm) == "unacknowledged"

    def returns(self, alarm: str) -> None:
        rule = BY_CODE[alarm.partition(":")[0]]
        self.run(max(rule.off_s, LEAST_STANDING_S) + 2 * STEP_S)
        assert self.state(alarm) == ("returned" if rule.stays else "normal")


class Scene:
    """A core with a real link, and an uplink that can come and go."""

    def __init__(self, path: Path) -> None:
        self.path, self.older_s = path, 0.0
        self.server = LinkServer(path)
        self.core = Core(around=lambda: outside_troubles(self.server.at_uplink(), machine_s() + self.older_s))
        self.courier: Courier | None = None

    def uplink_comes(self) -> Courier:
        """As in a barn without a broker."""
        self.courier = Courier(self.path, publish=lambda _: False, listen=lambda _: None)
        self.courier.start()
        until(lambda: self.server.at_uplink().here is True)
        return self.courier

    def uplink_goes(self) -> None:
        assert self.courier is not None
        self.courier.close()
        until(lambda: self.server.at_uplink().here is False)

    def says(self, *told: OutsideTrouble) -> None:
        assert self.courier is not None
        before_s = self.server.at_uplink().word_s
        self.courier.troubles(told)
        until(lambda: self.server.at_uplink().word_s > before_s)

    def close(self) -> None:
        if self.courier is not None:
            self.courier.close()
        self.server.close()


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    made = Scene(tmp_path / "link.sock")
    yield made
    made.close()


# --- uplink -----------------------------------------------------------------------------------------


def test_a_start_leaves_uplink_time_to_come(scene: Scene) -> None:
    scene.core.run(0.0)
    assert scene.core.codes() == set()
    scene.older_s = WORD_WITHIN_S + 1
    scene.core.run(0.0)
    assert scene.core.codes() == {"uplink-lost"}


def test_an_uplink_that_goes_is_an_alarm_until_it_is_back(scene: Scene) -> None:
    scene.uplink_comes()
    scene.core.run(300.0)
    assert scene.core.codes() == set()
    scene.uplink_goes()
    scene.core.rises("uplink-lost:uplink")
    scene.uplink_comes()
    scene.core.returns("uplink-lost:uplink")


def test_an_uplink_that_is_there_and_says_nothing_is_lost_too(scene: Scene) -> None:
    scene.uplink_comes()
    scene.says(OutsideTrouble(subject="store", code="store-lost", text="refuses the key"))
    scene.older_s = WORD_WITHIN_S + 1
    scene.core.run(0.0)
    assert scene.core.codes() == {"uplink-lost"}, "what it said before counts no more"
    scene.core.rises("uplink-lost:uplink")
    scene.older_s = 0.0
    scene.says()
    scene.core.returns("uplink-lost:uplink")


@pytest.mark.parametrize("subject", ["store", "broker", "calls"])
def test_what_uplink_says_is_an_alarm_until_it_says_that_it_is_over(scene: Scene, subject: str) -> None:
    scene.uplink_comes()
    scene.says(OutsideTrouble(subject=subject, code=f"{subject}-lost", text="no answer\nfor a while"))
    scene.core.rises(f"{subject}-lost:{subject}")
    view = next(view for view in scene.core.published[-1].alarms if view.subject == subject)
    assert view.detail == "no answer for a while"
    scene.says()
    scene.core.returns(f"{subject}-lost:{subject}")


# --- history and disk -------------------------------------------------------------------------------


def test_a_damaged_history_is_an_alarm_for_this_run_and_waits_to_be_read_after_the_next_start(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    path.write_bytes(b"no database " * 1000)
    writer = Writer(path, BARN, (), 0.01)
    assert writer.flush(10.0)
    core = Core(writer)
    core.run(20.0)
    assert core.codes() == {"history-damaged"}
    assert core.state("history-damaged:history") == "unacknowledged"
    core.run(3600.0)
    assert core.state("history-damaged:history") == "unacknowledged"
    assert core.state("history-lost:history") == "", "a fresh one is being written"
    assert writer.close(10.0)
    again = Writer(path, BARN, (), 0.01)  # the next start
    assert again.flush(10.0)
    core.loop._recorder = again
    core.returns("history-damaged:history")
    assert again.close(10.0)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 60 MB: by the rule it is low below 3 MB and full below 0.6 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=60m", "tmpfs", str(disk)], check=True)
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def leave(disk: Path, free_bytes: int) -> None:
    seen = os.statvfs(disk)
    with (disk / "ballast").open("ab") as ballast:
        size = ballast.tell() + seen.f_bavail * seen.f_frsize - free_bytes
        os.ftruncate(ballast.fileno(), max(0, size))
        os.posix_fallocate(ballast.fileno(), 0, max(1, size))


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount")


@needs_root
def test_a_disk_that_fills_up_is_an_alarm_more_urgent_when_it_is_full(small_disk: Path) -> None:
    watch = DiskWatch(small_disk, every_s=0.01)
    core = Core(around=lambda: [found] if (found := watch.trouble()) else [])
    try:
        core.run(0.0)
        assert core.codes() == set()
        leave(small_disk, 2_000_000)
        until(lambda: watch.trouble() is not None)
        assert (found := watch.trouble()) and found.code == "disk-low" and "of 63 MB are left" in found.text
        core.rises("disk-low:disk")
        leave(small_disk, 300_000)
        until(lambda: (now := watch.trouble()) is not None and now.code == "disk-full")
        core.run(20.0)
        assert [v.priority for v in core.published[-1].alarms if v.alarm == "disk-low:disk"] == ["soon"]
        (small_disk / "ballast").unlink()
        until(lambda: watch.trouble() is None)
        core.returns("disk-low:disk")
    finally:
        watch.close()


@needs_root
def test_a_history_that_finds_no_room_is_one_alarm_of_the_disk(small_disk: Path) -> None:
    writer = Writer(small_disk / "history.db", BARN, (), 0.01)
    core = Core(writer)
    try:
        core.run(0.0)
        assert writer.flush(10.0)
        leave(small_disk, 0)
        for _ in range(600):  # whatever is left in the file's own pages
            if writer.troubles():
                break
            core.run(0.0)
            writer.flush(0.05)
        core.rises("disk-low:disk")
        assert core.codes() == {"disk-full", "history-unwritten"}
        assert core.state("history-lost:history") == "suppressed"
        (small_disk / "ballast").unlink()
        until(lambda: writer.flush(0.5), limit_s=60)
        core.returns("disk-low:disk")
    finally:
        writer.close(10.0)


def test_a_budget_that_is_used_up_is_no_room_either(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "history.db", BARN, (), 0.01, keep=Keep(budget_mb=1))
    core = Core(writer)
    for _ in range(2000):  # whatever is left in the file's own pages
        if writer.troubles():
            break
        text = "a sentence of some length " * 200
        writer.events([FaultChange(subject="x", code="y", text=text, active=True, stamp=core.clock.stamp())])
        writer.flush(0.05)
    core.run(0.0)
    assert core.codes() == {"disk-full", "history-unwritten"}
    writer.close(10.0)


@pytest.mark.parametrize(
    ("size", "free", "before", "code"),
    [  # by hand: 32 GB card: 500 MB and 50 MB; 2 GB card: 5 % is 100 MB, 1 % is 20 MB
        (32e9, 501e6, "", ""),
        (32e9, 499e6, "", "disk-low"),
        (32e9, 49e6, "", "disk-full"),
        (32e9, 599e6, "disk-low", "disk-low"),
        (32e9, 601e6, "disk-low", ""),
        (32e9, 59e6, "disk-full", "disk-full"),
        (32e9, 61e6, "disk-full", "disk-low"),
        (2e9, 101e6, "", ""),
        (2e9, 99e6, "", "disk-low"),
        (2e9, 19e6, "", "disk-full"),
        (1e12, 501e6, "", ""),
    ],
)
def test_how_much_room_is_little(size: float, free: float, before: str, code: str) -> None:
    assert shortage(size, free, before) == code


def test_a_disk_that_does_not_answer_holds_up_nobody(tmp_path: Path) -> None:
    asked, go = threading.Event(), threading.Event()

    def hangs(path: Path) -> os.statvfs_result:
        asked.set()
        go.wait(30)
        return os.statvfs(path)

    watch = DiskWatch(tmp_path, statvfs=hangs)
    assert asked.wait(10)
    assert watch.trouble() is None
    watch.close()
    go.set()


def test_a_folder_that_is_not_there_is_left_to_the_history(tmp_path: Path) -> None:
    looks = []

    def look(path: Path) -> os.statvfs_result:
        looks.append(path)
        return os.statvfs(path)

    watch = DiskWatch(tmp_path / "gone", every_s=0.01, statvfs=look)
    until(lambda: len(looks) > 2)  # it lives on
    assert watch.trouble() is None
    watch.close()
