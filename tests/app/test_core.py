"""Core's own wiring: the safe state without core, and starting on a barn that is not there yet."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers import registry
from drivers.bench.barn import Bench
from drivers.bench.weather import HotDay
from gateway.app.bench import prepare
from gateway.app.core import make_safe, run_core
from gateway.engine.clock import FastClock, load_start
from gateway.errors import AlreadyRunning, StoreError
from gateway.site import Site
from gateway.store.queries import History
from tests.e2e.barn import loosebox
from tests.engine.fakes import until


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return prepare(tmp_path / "bench", speed=1.0)


@pytest.fixture
def bench(site: Site) -> Iterator[Bench]:
    folder = site.path.parent
    clock = FastClock(load_start(folder / "bench-clock.json"))
    made = Bench(site.barn, folder=folder, clock=clock, weather=HotDay(zone_offset_h=-4))
    made.start()
    yield made
    made.stop()


def _set_everything_unsafe(site: Site) -> None:
    buses = {bus.name: bus for bus in site.barn.buses}
    wires = {bus.name: registry.open_bus(bus) for bus in site.barn.buses}
    relays = {relay.name: relay for relay in site.barn.relays}
    for kit in site.barn.kit:
        relay = relays[kit.relay]
        registry.open_kit(kit, relay, buses[relay.bus], wires[relay.bus]).set(not kit.safe_on)
    for wire in wires.values():
        wire.close()


def _has_commands(site: Site) -> bool:
    """Whether the history has been made and holds its first commands."""
    try:
        return bool(History(site.history_file).commands())
    except StoreError:
        return False


def test_safe_releases_every_contact(site: Site, bench: Bench) -> None:
    from drivers.bench.desk import ask

    _set_everything_unsafe(site)
    running = ask(site.path.parent, {"do": "show"})["running"]
    assert running == {"stall-fans": False, "arena-fans": False, "rack-fan": False, "stall-mist": True}
    run = loosebox("safe", str(site.path))
    assert run.returncode == 0, run.stderr
    running = ask(site.path.parent, {"do": "show"})["running"]
    assert running == {"stall-fans": True, "arena-fans": True, "rack-fan": True, "stall-mist": False}


def test_safe_names_every_output_that_it_could_not_reach(site: Site) -> None:
    failed = make_safe(site)
    assert [line.split(":")[0] for line in failed] == [kit.name for kit in site.barn.kit]


def test_core_starts_without_any_device_and_says_so_in_the_history(site: Site) -> None:
    stop = threading.Event()
    thread = threading.Thread(target=run_core, args=(site,), kwargs={"emulated": True, "stop": stop})
    thread.start()
    try:
        until(lambda: _has_commands(site), limit_s=20)
        with pytest.raises(AlreadyRunning):
            run_core(site, emulated=True, stop=stop)
    finally:
        stop.set()
        thread.join(10)
    assert not thread.is_alive()
    first = {c.kit: c for c in reversed(History(site.history_file).commands())}
    assert first["stall-fans"].on and first["stall-fans"].reasons[0].code == "air-unknown"
    assert not first["stall-mist"].on
