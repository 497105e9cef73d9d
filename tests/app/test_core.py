"""Core's own wiring: the safe state without core, and starting on a barn that is not there yet."""

from __future__ import annotations

import asyncio
import dataclasses
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers import registry
from drivers.bench.barn import Bench
from drivers.bench.weather import HotDay
from gateway.alarms.contacts import Contact
from gateway.app.bench import prepare
from gateway.app.core import make_safe, run_core
from gateway.barn import Switched
from gateway.engine.clock import FastClock, load_start
from gateway.engine.link import ask, follow
from gateway.engine.snapshot import Snapshot
from gateway.errors import AlreadyRunning, StoreError
from gateway.model import AlarmStep
from gateway.site import Site
from gateway.store.queries import History
from tests.e2e.barn import loosebox
from tests.engine.fakes import until
from tests.engine.test_link import Peer


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
    items: tuple[Switched, ...] = (*site.barn.kit, *site.barn.signals)
    for item in items:
        relay = relays[item.relay]
        registry.open_kit(item, relay, buses[relay.bus], wires[relay.bus]).set(not item.safe_on)
    for wire in wires.values():
        wire.close()


def _lamp_shines(site: Site) -> bool | None:
    """What the relay block says of the lamp."""
    (relay,), buses = site.barn.relays, {bus.name: bus for bus in site.barn.buses}
    wire = registry.open_bus(buses[relay.bus])
    try:
        return registry.open_kit(site.barn.signals[0], relay, buses[relay.bus], wire).readback()
    finally:
        wire.close()


def _has_commands(site: Site) -> bool:
    """Whether the history has been made and holds its first commands."""
    try:
        return bool(History(site.history_file).commands())
    except StoreError:
        return False


def test_safe_releases_every_contact(site: Site, bench: Bench) -> None:
    from drivers.bench.desk import ask as ask_bench

    _set_everything_unsafe(site)
    running = ask_bench(site.path.parent, {"do": "show"})["running"]
    assert running == {"stall-fans": False, "arena-fans": False, "rack-fan": False, "stall-mist": True}
    assert _lamp_shines(site) is True
    run = loosebox("safe", str(site.path))
    assert run.returncode == 0, run.stderr
    assert _lamp_shines(site) is False
    running = ask_bench(site.path.parent, {"do": "show"})["running"]
    assert running == {"stall-fans": True, "arena-fans": True, "rack-fan": True, "stall-mist": False}


def test_safe_names_every_output_that_it_could_not_reach(site: Site) -> None:
    failed = make_safe(site)
    assert [line.split(":")[0] for line in failed] == [
        *(kit.name for kit in site.barn.kit),
        *(signal.name for signal in site.barn.signals),
    ]


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


def test_core_takes_a_trial_shows_its_signals_and_misses_an_uplink_that_has_gone(site: Site) -> None:
    """Over the real link, as web and uplink speak to it."""
    called = dataclasses.replace(site, alarms=dataclasses.replace(site.alarms, contacts=(Contact(name="Ana"),)))
    stop = threading.Event()
    thread = threading.Thread(target=run_core, args=(called,), kwargs={"emulated": True, "stop": stop})
    thread.start()
    try:
        until(lambda: _has_commands(site), limit_s=20)
        with Peer(site.link_socket) as uplink:
            uplink.hello("uplink")
            asked = asyncio.run(ask(site.link_socket, {"do": "trial", "contact": "Ana", "by": "Luis"}))
            assert asked == {"done": True, "recorded": True}
            seen = asyncio.run(_until_seen(site, lambda snapshot: snapshot.trials != ()))
        [trial] = seen.trials
        assert (trial.contact, trial.by) == ("Ana", "Luis") and trial.number > trial.wall_s - 1, "a number of its own"
        assert [(s.name, s.kind, s.asked) for s in seen.signals] == [("aisle-lamp", "lamp", False)]
        assert 0.0 < seen.step_s < 60.0
        assert _uplink_faults(seen) == []
        gone = asyncio.run(_until_seen(site, lambda snapshot: _uplink_faults(snapshot) != []))
        assert _uplink_faults(gone) == ["uplink-lost"]
        assert any(each.what is AlarmStep.TRIED for each in History(site.history_file).alarms())
    finally:
        stop.set()
        thread.join(20)
    assert not thread.is_alive()


def _uplink_faults(snapshot: Snapshot) -> list[str]:
    return [fault.code for fault in snapshot.faults if fault.subject == "uplink"]


async def _until_seen(site: Site, wanted: Callable[[Snapshot], bool]) -> Snapshot:
    """The first snapshot that is as wanted."""
    async with asyncio.timeout(60):
        async for snapshot in follow(site.link_socket, "test"):
            if wanted(snapshot):
                return snapshot
    raise AssertionError("the link has ended")
