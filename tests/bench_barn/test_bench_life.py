"""Start and stop of a bench, its socket, its files, and time that passes as its clock says."""

from __future__ import annotations

import json
import os
import socket
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.bench.barn import Bench
from drivers.bench.desk import SOCKET, ask
from drivers.bench.sysfs_tree import SysfsTree
from drivers.bench.weather import HotDay
from gateway.barn import Barn
from gateway.errors import AlreadyRunning, LinkError, SiteError
from tests.bench_barn.rig import NEW_YORK_SUMMER_H, HandClock, until

WEATHER = HotDay(zone_offset_h=NEW_YORK_SUMMER_H)


def another(barn: Barn, folder: Path) -> Bench:
    return Bench(barn, folder=folder, clock=HandClock(), weather=WEATHER)


def shown(folder: Path) -> dict[str, dict[str, float]]:
    zones: dict[str, dict[str, float]] = ask(folder, {"do": "show"})["zones"]
    return zones


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_stop_leaves_no_thread_no_descriptor_and_no_file(barn: Barn, tmp_path: Path) -> None:
    threads, open_before, files = set(threading.enumerate()), descriptors(), set(tmp_path.rglob("*"))
    bench = another(barn, tmp_path)
    bench.start()
    assert len(set(threading.enumerate()) - threads) == 3  # time, line, desk
    assert set(tmp_path.rglob("*")) > files
    bench.stop()
    bench.stop()
    assert set(threading.enumerate()) == threads
    assert descriptors() <= open_before  # fewer, when what an earlier test left was collected meanwhile
    assert set(tmp_path.rglob("*")) == files


def test_bench_that_never_started_can_be_stopped(barn: Barn, tmp_path: Path) -> None:
    files = set(tmp_path.rglob("*"))
    another(barn, tmp_path).stop()
    assert set(tmp_path.rglob("*")) == files


def test_failed_start_undoes_what_it_began(barn: Barn, tmp_path: Path) -> None:
    (tmp_path / "line-a").write_text("somebody's file")
    threads, open_before, files = set(threading.enumerate()), descriptors(), set(tmp_path.rglob("*"))
    with pytest.raises(SiteError, match="line-a"):
        another(barn, tmp_path).start()
    assert set(threading.enumerate()) == threads
    assert descriptors() <= open_before  # fewer, when what an earlier test left was collected meanwhile
    assert set(tmp_path.rglob("*")) == files


def test_second_bench_in_the_same_folder_is_refused_and_disturbs_nothing(
    bench: Bench, barn: Barn, tmp_path: Path
) -> None:
    link = os.readlink(tmp_path / "line-a")
    with pytest.raises(AlreadyRunning):
        another(barn, tmp_path).start()
    assert os.readlink(tmp_path / "line-a") == link
    assert ask(tmp_path, {"do": "show"})["ok"]


def test_socket_and_files_of_a_killed_bench_are_taken_over(barn: Barn, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as left_over:
        left_over.bind(str(tmp_path / SOCKET))
    stale = tmp_path / "sys/class/hwmon/hwmon0/temp1_input"
    stale.parent.mkdir(parents=True)
    stale.write_text("-1\n")
    bench = another(barn, tmp_path)
    bench.start()
    assert ask(tmp_path, {"do": "show"})["ok"]
    assert stale.read_text() != "-1\n"
    bench.stop()


def test_bench_refuses_kinds_that_it_cannot_emulate_each_in_one_line(barn: Barn, tmp_path: Path) -> None:
    sensors = tuple(replace(sensor, kind="thermocouple") for sensor in barn.sensors[:2])
    relays = tuple(replace(relay, bus="kernel") for relay in barn.relays)
    with pytest.raises(SiteError) as caught:
        another(replace(barn, sensors=sensors, relays=relays), tmp_path)
    assert [problem.split(":")[0] for problem in caught.value.problems] == ["stalls-air", "arena-air", "block-1"]


def test_bench_never_writes_into_the_kernels_own_tree() -> None:
    with pytest.raises(SiteError, match="kernel"):
        SysfsTree(Path("/sys"), ())


def test_time_of_the_clock_moves_the_zones(bench: Bench, clock: HandClock, tmp_path: Path) -> None:
    morning = shown(tmp_path)
    clock.pass_s(5 * 3600)  # ten to fifteen o'clock
    until(lambda: shown(tmp_path) != morning, "the zones move")
    afternoon = shown(tmp_path)
    assert all(afternoon[place]["temp_c"] > morning[place]["temp_c"] + 2 for place in morning)


def test_files_follow_time_in_the_units_of_the_kernel(bench: Bench, clock: HandClock, tmp_path: Path) -> None:
    iio = tmp_path / "sys/bus/iio/devices/iio:device0"
    hwmon = tmp_path / "sys/class/hwmon/hwmon0"
    assert (iio / "name").read_text() == "si7020\n"
    assert (hwmon / "name").read_text() == "sht4x\n"

    def number(path: Path) -> float:
        return float(path.read_text())

    def iio_value(key: str) -> float:
        # Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) x scale, milli-°C and milli-percent
        return (number(iio / f"{key}_raw") + number(iio / f"{key}_offset")) * number(iio / f"{key}_scale") / 1000

    # Linux drivers/iio/humidity/si7020.c, as the kernel prints it
    assert (iio / "in_temp_scale").read_text() == "10.725097656\n"
    assert (iio / "in_temp_offset").read_text() == "-4368\n"
    assert number(iio / "in_humidityrelative_scale") == pytest.approx(7.629394531)

    for hours in (0, 4):
        clock.pass_s(hours * 3600)

        def agree() -> bool:
            zones = shown(tmp_path)
            outside, stalls = zones["outdoors"], zones["stalls"]
            return (
                abs(iio_value("in_temp") - outside["temp_c"]) < 0.3
                and abs(iio_value("in_humidityrelative") - outside["rh_pct"]) < 1.5
                and abs(number(hwmon / "temp1_input") / 1000 - stalls["temp_c"]) < 0.3
                and abs(number(hwmon / "humidity1_input") / 1000 - stalls["rh_pct"]) < 1.5
            )

        until(agree, f"files agree with the zones after {hours} h")


def test_reader_never_sees_half_a_file(bench: Bench, clock: HandClock, tmp_path: Path) -> None:
    path = tmp_path / "sys/class/hwmon/hwmon0/temp1_input"
    seen = set[str]()

    def look() -> bool:
        for _ in range(100):
            text = path.read_text()
            assert text.endswith("\n")
            assert 20_000 < int(text) < 45_000
            seen.add(text)
        clock.pass_s(1)
        return len(seen) >= 20

    until(look, "twenty values, each whole")


# --- the socket -------------------------------------------------------------------------------------


def spoken(folder: Path, data: bytes, answers: int) -> list[dict[str, Any]]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
        sock.settimeout(5)
        sock.connect(str(folder / SOCKET))
        sock.sendall(data)
        with sock.makefile("rb") as file:
            return [json.loads(file.readline()) for _ in range(answers)]


def test_wrong_request_is_answered_and_the_talk_goes_on(bench: Bench, tmp_path: Path) -> None:
    lines = [b"{", b"[1]", b'{"do": "dance"}', b"\xff\xfe", b"[" * 3000, b'{"do": ["fault"]}', b'{"do": "show"}']
    answers = spoken(tmp_path, b"".join(line + b"\n" for line in lines), len(lines))
    assert [answer["ok"] for answer in answers] == [False] * 6 + [True]
    assert answers[2]["allowed"] == ["clear", "fault", "show"]


def test_caller_who_says_nothing_does_not_lock_the_others_out(bench: Bench, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as silent:
        silent.connect(str(tmp_path / SOCKET))
        silent.sendall(b'{"do": ')
        assert len(spoken(tmp_path, b'{"do": "show"}\n', 1)) == 1


def test_endless_line_ends_the_talk(bench: Bench, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as rude:
        rude.settimeout(5)
        rude.connect(str(tmp_path / SOCKET))
        with pytest.raises(OSError, match=r"Broken pipe|reset"):
            rude.sendall(b"x" * 10_000_000)
    assert ask(tmp_path, {"do": "show"})["ok"]


def test_only_the_owner_may_ask(bench: Bench, tmp_path: Path) -> None:
    assert (tmp_path / SOCKET).stat().st_mode & 0o077 == 0


def test_asking_where_no_bench_runs_says_so(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="no bench answers"):
        ask(tmp_path, {"do": "show"})
