"""Owns: fixtures of the bench tests.

Must not know: what each test looks at.
How it works: `bench` runs on a clock moved by hand and is stopped after the test; `master` is an independent
Modbus master (pymodbus) on its line.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusSerialClient

from drivers.bench.barn import Bench
from drivers.bench.weather import HotDay
from gateway.barn import Barn
from tests.bench_barn.rig import NEW_YORK_SUMMER_H, HandClock, fresh_barn


@pytest.fixture
def barn(tmp_path: Path) -> Barn:
    return fresh_barn(tmp_path)


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def bench(barn: Barn, clock: HandClock, tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(barn, folder=tmp_path, clock=clock, weather=HotDay(zone_offset_h=NEW_YORK_SUMMER_H))
    bench.start()
    yield bench
    bench.stop()


@pytest.fixture
def master(bench: Bench, tmp_path: Path) -> Iterator[ModbusSerialClient]:
    client = ModbusSerialClient(str(tmp_path / "line-a"), baudrate=9600, timeout=1, retries=0)
    assert client.connect()
    yield client
    client.close()  # type: ignore[no-untyped-call]
