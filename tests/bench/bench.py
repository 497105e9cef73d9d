"""`make bench`: what a step costs, what the roles weigh, how fast a year is replayed.

Figures hold for the machine that they are printed on; the ratios, both sides measured in the same run, travel better.
"""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from gateway.app.replay import plain_barn, replay
from gateway.barn import DEFAULT_POSTS
from gateway.control.decide import start_state
from gateway.control.inputs import air_at
from gateway.engine.snapshot import encode
from gateway.engine.step import StepInputs, StepState, step
from gateway.model import Latest, Policy
from tests.bench import (
    capacity_bench,
    control_bench,
    heat_bench,
    history_bench,
    modbus_bench,
    reaction_bench,
    screens_bench,
    streams_bench,
)
from tests.control.barns import air, barn, fan, sensor, stamp
from tests.e2e.barn import running_barn

T = TypeVar("T")

STEPS = 3000
ROLES = {"core": 45, "web": 75, "uplink": None, "bench": None}


def main() -> None:
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    print(f"{platform.machine()}, Python {platform.python_version()}, one core")
    _step()
    heat_bench.main()
    _replay()
    control_bench.main()
    modbus_bench.main()
    reaction_bench.main()
    history_bench.main()
    streams_bench.main()
    capacity_bench.main()
    screens_bench.main()
    _memory()


def _measure(name: str, prepare: Callable[[int], T], work: Callable[[int, T], object]) -> float:
    """Print wall and processor time of `work`; returns the 99th percentile of its processor time [ms]."""
    wall, processor = [], []
    for number in range(STEPS):
        given = prepare(number)
        begun, begun_cpu = time.perf_counter_ns(), time.thread_time_ns()
        work(number, given)
        wall.append((time.perf_counter_ns() - begun) / 1e6)
        processor.append((time.thread_time_ns() - begun_cpu) / 1e6)
    for kind, times_ms in (("wall", sorted(wall)), ("processor", sorted(processor))):
        p99_ms = times_ms[int(len(times_ms) * 0.99)]
        print(f"  {name:28} {kind:9}  median {statistics.median(times_ms):7.3f} ms   p99 {p99_ms:7.3f} ms")
    return p99_ms


def _step() -> None:
    """64 sensors at 32 places with a fan each; every number differs at every step, so that nothing is remembered."""
    places = tuple(f"p{n}" for n in range(32))
    the_barn = barn(
        sensors=tuple(sensor(f"{p}-{n}", place=p) for p in places for n in range(2)),
        kit=tuple(fan(f"fan-{p}", place=p) for p in places),
        places=places,
    )

    def latest(number: int) -> dict[str, Latest]:
        found: dict[str, Latest] = {}
        for rank, spec in enumerate(the_barn.sensors):
            found |= air(20 + (number * 7 + rank) % 150 / 10, 40 + (number + rank) % 500 / 10, number, name=spec.name)
        return found

    state = StepState(control=start_state(the_barn, 0), started_s=0)

    def whole(number: int, table: dict[str, Latest]) -> None:
        nonlocal state
        result = step(the_barn, state, StepInputs(latest=table, seen={}, stamp=stamp(number)), number)
        state = result.state
        encode(result.snapshot)

    def reading_only(number: int, table: dict[str, Latest]) -> None:
        for place in places:
            air_at((s for s in the_barn.sensors if s.place == place), table, number)

    print("step, 64 sensors, 32 places, 32 fans, snapshot encoded (aim: p99 below 20 ms)")
    whole_ms = _measure("whole step", latest, whole)
    part_ms = _measure("of it, judging the readings", latest, reading_only)
    print(f"  whole step / judging the readings, p99 of processor time: {whole_ms / part_ms:.1f}")


def _replay() -> None:
    import datetime

    from drivers.bench.weather_rows import WeatherRow

    first = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    rows = [
        WeatherRow(when=first + datetime.timedelta(hours=h), temp_c=15 + h % 24, rh_pct=40 + h % 50)
        for h in range(24 * 60)
    ]
    begun = time.perf_counter()
    replay(plain_barn(DEFAULT_POSTS, Policy.STRICTER), rows, lambda _: None)
    took_s = time.perf_counter() - begun
    print(f"replay: 60 hourly days in {took_s:.2f} s, {60 * 86400 / took_s:,.0f} times faster than the days themselves")


def _rss_mb(process: int) -> float:
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def _memory() -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as bare:
        time.sleep(0.5)
        bare_mb = _rss_mb(bare.pid)
        bare.communicate(b"\n")
    print(f"resident memory after 60 s of the emulated barn with one open stream (bare interpreter {bare_mb:.0f} MB)")
    with tempfile.TemporaryDirectory() as folder, running_barn(Path(folder) / "bench", speed=1) as running:
        stream = running.stream()
        time.sleep(60)
        for role, aim_mb in ROLES.items():
            used_mb = _rss_mb(running.child(role))
            aim = f"   (aim: below {aim_mb})" if aim_mb else ""
            print(f"  {role:8} {used_mb:6.1f} MB, {used_mb / bare_mb:.1f} times the bare interpreter{aim}")
        stream.kill()
        stream.communicate()


if __name__ == "__main__":
    main()
