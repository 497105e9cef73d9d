"""Clocks, and what systemd is told."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from gateway.engine import watchdog
from gateway.engine.clock import BoardClock, FastClock, FastStart, load_start, machine_s
from gateway.errors import SiteError


def test_board_clock_counts_and_labels() -> None:
    clock = BoardClock()
    first, second = clock.stamp(), clock.stamp()
    assert second.mono_s >= first.mono_s
    assert first.boot == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert isinstance(first.trusted, bool)
    assert clock.real_s(3.0) == 3.0


def test_fast_clock_runs_faster_from_its_start() -> None:
    clock = FastClock(FastStart(machine_s=machine_s() - 10, wall_s=1_000_000.0, speed=60))
    stamp = clock.stamp()
    assert 600 <= stamp.mono_s < 660
    assert stamp.wall_s == pytest.approx(1_000_000 + stamp.mono_s)
    assert stamp.trusted and clock.real_s(60) == 1.0


def test_two_roles_of_one_bench_see_the_same_time_and_boot(tmp_path: Path) -> None:
    FastStart(machine_s=machine_s(), wall_s=5.0, speed=2.0).save(tmp_path / "clock.json")
    one, two = FastClock(load_start(tmp_path / "clock.json")), FastClock(load_start(tmp_path / "clock.json"))
    assert one.stamp().boot == two.stamp().boot
    assert abs(one.now_s() - two.now_s()) < 1


def test_a_missing_or_torn_start_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(SiteError, match="loosebox run"):
        load_start(tmp_path / "none.json")
    (tmp_path / "torn.json").write_text('{"machine_s":')
    with pytest.raises(SiteError, match="loosebox run"):
        load_start(tmp_path / "torn.json")


@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_hears_ready_alive_and_stopping(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool
) -> None:
    address = f"@loosebox-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as hear:
        hear.bind("\0" + address[1:] if abstract else address)
        hear.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        watchdog.ready("first step")
        watchdog.alive("step 2")
        watchdog.stopping()
        assert [hear.recv(200) for _ in range(3)] == [
            b"READY=1\nSTATUS=first step",
            b"WATCHDOG=1\nSTATUS=step 2",
            b"STOPPING=1",
        ]


def test_without_systemd_nothing_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not watchdog.notify("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not watchdog.notify("READY=1")
