"""Owns: the core role: devices, control, history and the link, wired together from a site file.

Must not know: screens, networks.
How it works: `run_core` builds everything on an exit stack, so that what was opened is closed in reverse whatever
happens, ticks until it is told to stop, then lets the bus threads end and leaves every output safe.
"""

from __future__ import annotations

import contextlib
import dataclasses
import fcntl
import logging
import threading
from collections.abc import Iterator
from pathlib import Path

from drivers import registry
from drivers.mqtt_postbox import MqttPostbox
from gateway.alarms.advance import AlarmState
from gateway.alarms.book import Book
from gateway.alarms.book import restored as alarms_restored
from gateway.barn import Barn, BusSpec, RelaySpec, Switched
from gateway.control.decide import ControlState, start_state
from gateway.engine import watchdog
from gateway.engine.actuate import Actuation
from gateway.engine.alarm_desk import AlarmDesk, Answer, desk_of
from gateway.engine.bus import Bus
from gateway.engine.by_hand import ByHand, restored
from gateway.engine.clock import BoardClock, FastClock, load_start, machine_s
from gateway.engine.disk import DiskWatch
from gateway.engine.link import LinkServer
from gateway.engine.loop import Loop
from gateway.engine.outside import outside_troubles
from gateway.engine.poller import Poller
from gateway.engine.remember import remembered
from gateway.engine.step import StepState
from gateway.engine.troubles import Trouble
from gateway.errors import AlreadyRunning, GatewayError
from gateway.model import CommandChange, Reason, Stamp
from gateway.ports import Clock
from gateway.site import Site
from gateway.store.queries import History
from gateway.store.writer import Writer

log = logging.getLogger(__name__)

BENCH_CLOCK = "bench-clock.json"
BUS_END_S = 1.5  # one exchange with a silent device, and its pause
HISTORY_END_S = 1.5
HISTORY_OPEN_S = 5.0
COMMANDS_OF_A_DAY = 600  # a mister at a pulse every five minutes, on and off
FASTEST_ANSWER_S = 0.05  # what an emulated device on a busy machine needs


def clock_for(site: Site, *, emulated: bool) -> Clock:
    """The clock of a real barn, or the one that the bench in the site file's folder has started."""
    return FastClock(load_start(site.path.parent / BENCH_CLOCK)) if emulated else BoardClock()


def run_core(site: Site, *, emulated: bool, stop: threading.Event) -> None:
    """Run until `stop`. Raises GatewayError when the start is impossible."""
    clock = clock_for(site, emulated=emulated)
    barn = _at_speed(site.barn, clock)
    with contextlib.ExitStack() as stack:
        stack.enter_context(_only_one(site))
        wires = {bus.name: registry.open_bus(bus) for bus in barn.buses}
        specs = {bus.name: bus for bus in barn.buses}
        sensors = [registry.open_sensor(spec, specs[spec.bus], wires[spec.bus]) for spec in barn.sensors]
        channels = tuple(channel for sensor in sensors for channel in sensor.channels)
        writer = Writer(site.history_file, barn, channels, keep=site.history)
        stack.callback(writer.close, HISTORY_END_S)
        poller, actuation = Poller(clock, writer, barn.corrections), Actuation(clock)
        for wire in wires.values():
            stack.callback(wire.close)  # after the kit on it was left safe
        ends_last = stack.enter_context(contextlib.ExitStack())  # MQTT kit is let go through the link
        stack.callback(actuation.close)
        stack.callback(poller.close)
        buses = {bus.name: Bus(bus.name) for bus in barn.buses}
        stack.callback(_end_buses, tuple(buses.values()))  # runs first: then nobody else uses the wires
        for spec, sensor in zip(barn.sensors, sensors, strict=True):
            poller.add(spec, sensor, buses[spec.bus])
        for item, relay in _with_relay(barn):
            actuator = registry.open_kit(item, relay, specs[relay.bus], wires[relay.bus])
            actuation.add(item, actuator, buses[relay.bus], relay.refresh_s)
        disk = DiskWatch(site.history_file.parent)
        stack.callback(disk.close)
        stamp = clock.stamp()
        loop = Loop(
            barn,
            StepState(
                control=_start(site, barn, writer, stamp),
                started_s=stamp.mono_s,
                alarms=AlarmState(book=_alarms_before(site, writer, stamp)),
            ),
            clock=clock,
            poller=poller,
            actuation=actuation,
            buses=tuple(buses.values()),
            recorder=writer,
            publish=lambda snapshot: link.publish(snapshot),  # runs only after the link is there
            feed=watchdog.alive,
            around=lambda: _around(site, link, disk),
            emulated=emulated,
        )
        postboxes = tuple(wire for wire in wires.values() if isinstance(wire, MqttPostbox))
        link = LinkServer(site.link_socket, on_request=_desk(site, barn, clock, loop, writer), postboxes=postboxes)
        ends_last.callback(link.close)
        for postbox in postboxes:
            postbox.join(clock, link.tell)
        counts = len(barn.sensors), len(barn.kit), len(barn.signals)
        log.info("core runs %s: %d sensors, %d kit, %d signals", barn.name, *counts)
        watchdog.ready("first step")
        loop.run(stop)
        watchdog.stopping()
        writer.events(_farewell(barn, clock.stamp()))
    log.info("core has stopped after %d steps; all kit left in its safe state", loop.state.steps)


def _desk(site: Site, barn: Barn, clock: Clock, loop: Loop, writer: Writer) -> Answer:
    """Whoever answers what people ask for over the link."""
    by_hand = ByHand(barn, clock, writer, take=loop.take, newest=lambda: loop.newest)
    alarms = AlarmDesk(
        clock, book=lambda: loop.state.alarms.book, file=loop.file, flush=writer.flush,
        contacts=[contact.name for contact in site.alarms.contacts],
    )  # fmt: skip
    return desk_of(by_hand.answer, alarms.answer)


def _around(site: Site, link: LinkServer, disk: DiskWatch) -> Iterator[Trouble]:
    """What is wrong beside devices and history: where the history lies, and on the way out of the barn."""
    alarms = site.alarms
    if found := disk.trouble():
        yield found
    if site.broker or site.series or alarms.contacts or alarms.heartbeat:
        yield from outside_troubles(link.at_uplink(), machine_s())


def _start(site: Site, barn: Barn, writer: Writer, stamp: Stamp) -> ControlState:
    """The state of this start, with what the history still tells of the time before."""
    if not writer.flush(HISTORY_OPEN_S):
        log.warning("the history is not open yet: what was before this start is not known. %s", writer.trouble())
        return start_state(barn, stamp.mono_s)
    history = History(site.history_file)
    by_hand = restored(history.hands(), stamp)
    for change in by_hand.values():
        log.info("%s: still %s by hand, %s", change.subject, change.kind, change.by)
    past = history.commands(limit=COMMANDS_OF_A_DAY * max(1, len(barn.kit)))
    return remembered(start_state(barn, stamp.mono_s, by_hand), barn, past, stamp)


def _alarms_before(site: Site, writer: Writer, stamp: Stamp) -> Book:
    """What the journal says of the alarms before this start."""
    if not writer.flush(HISTORY_OPEN_S):
        log.warning("the history is not open yet: which alarms stood before is not known. %s", writer.trouble())
        return Book()
    return alarms_restored(History(site.history_file).alarms(), stamp)


def make_safe(site: Site) -> tuple[str, ...]:
    """Put every output into its safe state once, without running. Returns one sentence per output that failed."""
    failed = []
    buses = {bus.name: bus for bus in site.barn.buses}
    wires = {bus.name: registry.open_bus(bus) for bus in site.barn.buses}
    for spec, relay in _with_relay(site.barn):
        actuator = registry.open_kit(spec, relay, buses[relay.bus], wires[relay.bus])
        try:
            actuator.set(spec.safe_on)
        except GatewayError as error:
            failed.append(f"{spec.name}: {error}")
        finally:
            actuator.close()
    return tuple(failed)


def _with_relay(barn: Barn) -> Iterator[tuple[Switched, RelaySpec]]:
    """Every output in use, with its relay block."""
    relays = {relay.name: relay for relay in barn.relays}
    items: tuple[Switched, ...] = (*barn.kit, *barn.signals)
    return ((item, relays[item.relay]) for item in items)


def _end_buses(buses: tuple[Bus, ...]) -> None:
    for bus in buses:
        if not bus.close(BUS_END_S):
            log.warning("bus %s did not end; its devices keep what they have", bus.name)


def _farewell(barn: Barn, stamp: Stamp) -> tuple[CommandChange, ...]:
    reason = Reason(code="core-stops", text="core stops, the contact is released")
    return tuple(CommandChange(kit=kit.name, on=kit.safe_on, reasons=(reason,), stamp=stamp) for kit in barn.kit)


def _at_speed(barn: Barn, clock: Clock) -> Barn:
    """A barn whose serial lines wait less when its clock runs faster, else one silent device would cost an hour."""
    factor = clock.real_s(1.0)
    if factor == 1.0:
        return barn

    def faster(spec: BusSpec) -> BusSpec:
        if "answer_within_s" not in spec.options:
            return spec
        wait_s = max(FASTEST_ANSWER_S, spec.options["answer_within_s"] * factor)
        return dataclasses.replace(spec, options={**spec.options, "answer_within_s": wait_s})

    return dataclasses.replace(barn, buses=tuple(faster(bus) for bus in barn.buses))


@contextlib.contextmanager
def _only_one(site: Site) -> Iterator[None]:
    """Hold the lock of this site. Raises AlreadyRunning: two cores would fight over the same fans."""
    path: Path = site.link_socket.with_suffix(".lock")
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise AlreadyRunning(f"another core already runs with {path}; stop it first") from error
        yield
