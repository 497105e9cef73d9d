"""Owns: the uplink role: what leaves the barn and what comes in over networks, wired together from a site file.

Must not know: devices; how core works.
How it works: one thread keeps the line to the broker, one the link to core, one each the streams of the history, some
the calls to people; this one tells how everything stands, core too, and looks whether all still show themselves. When
one hangs the role ends, and whoever started it starts it anew. It is a process of its own: what speaks to networks must
not share the fate of what holds relays.
"""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from gateway.app.around import report_file
from gateway.app.uplink_calls import open_caller, open_heart
from gateway.engine import watchdog
from gateway.engine.clock import BoardClock, machine_s
from gateway.engine.link_words import OutsideTrouble
from gateway.engine.snapshot import Snapshot
from gateway.errors import GatewayError
from gateway.site import Broker, Site
from gateway.store.outbox import Outbox
from gateway.uplink.caller import CallsTold
from gateway.uplink.carrier import Carrier
from gateway.uplink.courier import Courier, state_of
from gateway.uplink.ledger import Ledger
from gateway.uplink.mqtt import BrokerLine
from gateway.uplink.report import write_report
from gateway.uplink.states import States
from gateway.uplink.stream import Destination, Standing

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
TELL_EVERY_S = 5.0


class Part(Protocol):
    """A thread of ours that must show itself."""

    def hung_s(self) -> float: ...


def run_uplink(site: Site, stop: threading.Event) -> None:
    """Carry until `stop`. Raises GatewayError when a part hangs and only a new start can help."""
    if not (site.broker or site.series or site.alarms.contacts or site.alarms.heartbeat):
        log.info("uplink has nothing to do: %s names no destination", site.path.name)
        _release(site)
        watchdog.ready("nothing to do")
        stop.wait()
    else:
        with contextlib.ExitStack() as stack:
            _carry(site, stop, stack)
    watchdog.stopping()
    log.info("uplink has stopped")


def _carry(site: Site, stop: threading.Event, stack: contextlib.ExitStack) -> None:
    at_broker = _AtBroker(site, site.broker, stack) if site.broker else None
    courier = at_broker.courier if at_broker else _follower(site, stack)
    destinations = _destinations(site, at_broker)
    outbox, clock = Outbox(site.history_file), BoardClock()
    carrier = Carrier(outbox, _cursors(site), destinations, mono_s=clock.now_s) if destinations else None
    if carrier is not None:
        stack.callback(carrier.close)
    else:
        _release(site)
    calls = _Calls(site, at_broker, lambda: courier.newest, stack)
    parts = {"the link": courier, **(at_broker.parts if at_broker else {}), **calls.parts}
    if at_broker is not None:
        at_broker.start()
    courier.start()
    calls.start()
    watchdog.ready("carrying")
    told_s = -TELL_EVERY_S
    while not stop.wait(LOOK_EVERY_S):
        _all_alive(parts)
        if carrier is not None:
            carrier.tick()
        if at_broker is not None:
            at_broker.tick()
        if machine_s() - told_s >= TELL_EVERY_S:
            told_s = machine_s()
            standings = carrier.standings() if carrier else ()
            courier.troubles([*_troubles(standings, at_broker), *calls.troubles()])
            write_report(
                report_file(_cursors(site)),
                at_s=told_s,
                streams=standings,
                broker_up=at_broker.up if at_broker else None,
                queued=at_broker.line.queued if at_broker else 0,
                calls=calls.told,
            )
        watchdog.alive("carrying")


def _follower(site: Site, stack: contextlib.ExitStack) -> Courier:
    """The link to core where there is no broker: nothing is to be published, nothing to be heard."""
    courier = Courier(site.link_socket, publish=lambda parcel: False, listen=lambda topics: None)
    stack.callback(courier.close)
    return courier


class _Calls:
    """Whoever calls people, and the sign of life; each where the site file wants it."""

    def __init__(
        self,
        site: Site,
        at_broker: _AtBroker | None,
        newest: Callable[[], Snapshot | None],
        stack: contextlib.ExitStack,
    ) -> None:
        line = at_broker.line if at_broker else None
        self._caller = open_caller(site, _cursors(site), line, newest, stack) if site.alarms.contacts else None
        self._heart = open_heart(site, newest, stack)
        found = {"the calls": self._caller, "the heartbeat": self._heart}
        self.parts: Mapping[str, Part] = {name: part for name, part in found.items() if part is not None}

    def start(self) -> None:
        for part in (self._caller, self._heart):
            if part is not None:
                part.start()

    @property
    def told(self) -> CallsTold | None:
        return self._caller.told if self._caller else None

    def troubles(self) -> Iterator[OutsideTrouble]:
        told = self.told
        if told is not None and told.lost:
            yield OutsideTrouble(subject="calls", code="calls-lost", text=told.lost)
        if told is not None and told.cut_off:
            yield OutsideTrouble(subject="contacts", code="contact-lost", text=told.cut_off)


def _troubles(standings: Sequence[Standing], at_broker: _AtBroker | None) -> Iterator[OutsideTrouble]:
    """What is wrong beyond the barn, for core; it has delays of its own."""
    for one in standings:
        if one.name == "series" and one.state in ("away", "refused", "stopped"):
            text = f"the store takes nothing ({one.state}): {one.why}"
            yield OutsideTrouble(subject="store", code="store-lost", text=text)
    if at_broker is not None and not at_broker.up:
        yield OutsideTrouble(subject="broker", code="broker-lost", text=f"the broker is not reached: {at_broker.why}")


def _destinations(site: Site, at_broker: _AtBroker | None) -> list[Destination]:
    found: list[Destination] = []
    if site.series is not None:
        from gateway.uplink.series import Store  # 30 MB of memory, which a barn without a store is spared
        from gateway.uplink.to_store import ToStore

        found.append(ToStore(Store(site.series), site.barn.name))
        log.info("uplink carries the history to the store %s", site.series.url)
    if at_broker is not None and at_broker.broker.publish:
        from gateway.uplink.to_broker import ToBroker

        found.append(ToBroker(at_broker.line, at_broker.broker.prefix))
        log.info("uplink publishes the history at the broker %s", at_broker.broker.host)
    return found


class _AtBroker:
    """The line to the broker, and what is carried over it between core and devices."""

    def __init__(self, site: Site, broker: Broker, stack: contextlib.ExitStack) -> None:
        self.broker, self.up, self.why = broker, False, "not yet"
        since_s = BoardClock().stamp().wall_s
        courier = Courier(
            site.link_socket,
            publish=lambda parcel: self.line.publish(parcel),
            listen=lambda topics: self.line.listen(topics),
        )
        self.line = BrokerLine(
            broker,
            take=courier.take,
            changed=self._changed,
            state=lambda here: state_of(courier, here=here, since_s=since_s),
        )
        self.courier = courier
        self._states = States(broker.prefix, self.line.publish)
        self.parts: Mapping[str, Part] = {"the broker": self.line}
        stack.callback(courier.close)
        stack.callback(self.line.close)

    def start(self) -> None:
        self.line.start()
        log.info("uplink carries between core and the broker %s:%d", self.broker.host, self.broker.port)

    def tick(self) -> None:
        if self.broker.publish and self.up:
            self._states.turn(self.courier.newest, machine_s())

    def _changed(self, up: bool, why: str) -> None:
        if up and not self.up:
            self._states.anew()
        self.up, self.why = up, why
        self.courier.broker(up, why)


def _all_alive(parts: Mapping[str, Part]) -> None:
    if hung := [name for name, part in parts.items() if part.hung_s() > 0]:
        raise GatewayError(f"uplink: the thread of {hung[0]} hangs; ending, to be started anew")


def _release(site: Site) -> None:
    """Nobody waits for the history any more: the core may drop what is old."""
    path = _cursors(site)
    with contextlib.suppress(GatewayError):
        if path.exists():
            Ledger(path, (), history=Outbox(site.history_file).identity(), clock=machine_s)


def _cursors(site: Site) -> Path:
    return site.history.cursors or site.history_file.with_name("uplink-cursors.json")
