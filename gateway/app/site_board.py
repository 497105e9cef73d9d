"""Owns: the site board as a role: the broker on one side, people on the other, a store beside.

Must not know: devices, core, a barn's site file, pages.
How it works: one thread keeps the line to the broker and puts what it hears into the inbox, of each topic only the
newest, so that a flood costs no memory. The asyncio loop empties the inbox once a second, has the board make its next
beat, and serves. Topics are asked for in turn, since a broker keeps only so much for a listener that is behind: first
how the gateways stand, then their places, then the rest.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import socket
import threading
from collections.abc import Callable

from dashboards.door import Access
from dashboards.roster import Roster
from dashboards.site_app import SiteOutside, create_site_app
from dashboards.site_board import Own
from dashboards.site_page import Organisation
from dashboards.site_watch import Heard, Watch
from gateway.app.certificate import ready_certificate
from gateway.app.people import PeopleFile
from gateway.app.serving import Server, config_of, serve
from gateway.engine.clock import BoardClock, machine_s
from gateway.errors import GatewayError
from gateway.org import Org
from gateway.org_form import is_heard
from gateway.uplink.days import StoreDays
from gateway.uplink.mqtt import BrokerLine
from gateway.uplink.session import Message

log = logging.getLogger(__name__)

BEAT_S = 1.0
MOST_TOPICS = 400_000
TURNS = (("state",), ("places/+",), ("faults", "kit/+"))
TURN_AFTER_S = 1.0  # so long after the last turn, and when nothing kept has come for so long, the next is asked for


class Inbox:
    """Filled by the broker's thread, emptied by the loop."""

    def __init__(self, clock: Callable[[], float], wall: Callable[[], float | None]) -> None:
        self._clock, self._wall = clock, wall
        self._lock = threading.Lock()
        self._heard: dict[str, Heard] = {}
        self.kept_s = -1e9  # when a message that the broker had kept came last

    def take(self, message: Message) -> None:
        now_s = self._clock()
        heard = Heard(
            topic=message.topic, payload=message.payload, retained=message.retained, heard_s=now_s, wall_s=self._wall()
        )
        with self._lock:
            if message.retained:
                self.kept_s = now_s
            before = self._heard.get(message.topic)
            if before is None and len(self._heard) >= MOST_TOPICS:
                return
            if not (message.retained and before is not None and not before.retained):
                self._heard[message.topic] = heard

    def empty(self) -> list[Heard]:
        with self._lock:
            heard, self._heard = self._heard, {}
        return sorted(heard.values(), key=lambda one: one.heard_s)


def filters(org: Org, turn: tuple[str, ...]) -> list[str]:
    """What to ask the broker for."""
    heads = [f"{org.root}/+"] if org.root else list(org.prefixes)
    return [f"{head}/{tail}" for head in heads for tail in turn]


def run_site_board(org: Org) -> None:
    """Serve until SIGTERM or SIGINT. Raises GatewayError when the address or the certificate cannot be had."""
    wall = _wall(BoardClock())
    roster = Roster(
        is_ours=lambda prefix: is_heard(prefix, org.root or None, list(org.prefixes)),
        expected=[barn.prefix for barn in org.barns],
    )
    watch, inbox = Watch(roster, machine_s, wall), Inbox(machine_s, wall)
    fingerprint = ready_certificate(org.web, org.web_listen) if org.web.tls else ""
    if fingerprint:
        log.info("the certificate's SHA-256 fingerprint is %s", fingerprint)
    app = create_site_app(watch, outside_of(org, fingerprint))
    server = Server(config_of(app, org.web_listen, org.web_port, org.web, fingerprint), watch.stop)
    scheme = "https" if org.web.tls else "http"
    says = f"the site board is at {scheme}://{org.web_listen}:{org.web_port}/site"
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve(server, says, [_listen(org, watch, inbox)]))


def outside_of(org: Org, fingerprint: str) -> SiteOutside:
    """What the page needs of the world."""
    own = socket.gethostname().lower()
    return SiteOutside(
        clock=machine_s,
        organisation=Organisation(
            name=org.name,
            zone=org.zone,
            languages=org.languages,
            own={barn.prefix: Own(name=barn.name, page=barn.page) for barn in org.barns},
        ),
        people=PeopleFile(org.web.people_file),
        access=Access(
            open_to_read=org.web.open_to_read,
            hosts=frozenset((*org.web.hosts, own, f"{own}.local")),
            fingerprint=fingerprint,
        ),
        days=StoreDays(org.series) if org.series else None,
    )


def _wall(clock: BoardClock) -> Callable[[], float | None]:
    def wall() -> float | None:
        stamp = clock.stamp()
        return stamp.wall_s if stamp.trusted else None

    return wall


async def _listen(org: Org, watch: Watch, inbox: Inbox) -> None:
    loop = asyncio.get_running_loop()

    def changed(up: bool, _: str) -> None:
        loop.call_soon_threadsafe(watch.broker, up)

    line = BrokerLine(
        org.broker,
        take=inbox.take,
        changed=changed,
        state=None,
        client_id=f"loosebox-site-{secrets.token_hex(6)}",  # several boards may listen beside each other
    )
    line.start()
    try:
        await _beats(org, watch, inbox, line)
    finally:
        await asyncio.to_thread(line.close)


async def _beats(org: Org, watch: Watch, inbox: Inbox, line: BrokerLine) -> None:
    turn, turned_s, asked = 0, machine_s(), filters(org, TURNS[0])
    line.listen(asked)
    while True:
        await asyncio.sleep(BEAT_S)
        now_s = machine_s()
        if not line.up and turn:  # what was kept comes anew with a new connection: in turn again
            turn, asked = 0, filters(org, TURNS[0])
            line.listen(asked)
        quiet = now_s - max(turned_s, inbox.kept_s) >= TURN_AFTER_S
        if line.up and quiet and turn + 1 < len(TURNS):
            turn, turned_s = turn + 1, now_s
            asked += filters(org, TURNS[turn])
            line.listen(asked)
        watch.take(inbox.empty())
        watch.beat()
        if line.hung_s() > 0:
            raise GatewayError("the thread of the broker hangs; ending, to be started anew")
