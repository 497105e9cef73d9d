"""Owns: calling people and the sign of life, wired together from a site file, as parts of the uplink role.

Must not know: who is told when, what a message says, how it travels.
How it works: the ways that the site file names each have their sender; the record stands beside the cursors, where
uplink may write. Both parts follow core through the link that uplink has anyway.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from ipaddress import ip_address
from pathlib import Path

from gateway.app.web_calls import calls_file
from gateway.engine.clock import BoardClock, machine_s
from gateway.engine.snapshot import Snapshot
from gateway.site import Site
from gateway.site_web import WebAccess
from gateway.uplink.by_broker import ByBroker
from gateway.uplink.by_mail import ByMail
from gateway.uplink.by_webhook import ByWebhook
from gateway.uplink.call_ways import ways_of
from gateway.uplink.caller import Caller
from gateway.uplink.calls_turn import Office
from gateway.uplink.heart_beats import HeartBeats
from gateway.uplink.heartbeat import Heart
from gateway.uplink.kept_calls import KeptCalls
from gateway.uplink.message import Sender
from gateway.uplink.mqtt import BrokerLine

log = logging.getLogger(__name__)

BELL_LIST = "bell"


def open_caller(
    site: Site, cursors: Path, line: BrokerLine | None, newest: Callable[[], Snapshot | None],
    stack: contextlib.ExitStack,
) -> Caller:  # fmt: skip
    """Whoever calls people, not yet started."""
    clock, senders = BoardClock(), _senders(site, line)
    office = Office(
        plan=site.alarms, ways=ways_of(senders, site.alarms.ways), barn=site.barn,
        page=page_of(site.web, site.web_listen, site.web_port),
    )  # fmt: skip
    kept = KeptCalls(calls_file(cursors), stamp=clock.stamp, clock=machine_s)
    caller = Caller(office, kept, senders, newest=newest, stamp=clock.stamp)
    stack.callback(caller.close)
    log.info("uplink calls %s", ", ".join(f"{name} by {' and '.join(ways)}" for name, ways in office.ways.items()))
    return caller


def open_heart(site: Site, newest: Callable[[], Snapshot | None], stack: contextlib.ExitStack) -> HeartBeats | None:
    """The sign of life, not yet started; None when nobody watches."""
    heartbeat = site.alarms.heartbeat
    if heartbeat is None:
        return None
    heart = Heart(heartbeat, site.alarms.inside, barn=site.barn.name, wall_s=_wall_s)
    beats = HeartBeats(heart, newest)
    stack.callback(beats.close)
    return beats


def page_of(web: WebAccess, listen: str, port: int) -> str:
    """The address of the bell list for somebody on the barn's network; empty when nobody there reaches it."""
    address = ip_address(listen)
    if address.is_loopback:
        return ""
    host = web.hosts[0] if web.hosts else "" if address.is_unspecified else listen
    named = f"[{host}]" if ":" in host else host
    return f"{'https' if web.tls else 'http'}://{named}:{port}/{BELL_LIST}" if host else ""


def _senders(site: Site, line: BrokerLine | None) -> list[Sender]:
    ways = site.alarms.ways.values()
    found: list[Sender] = []
    if site.alarms.mail is not None and any(way.mail for way in ways):
        found.append(ByMail(site.alarms.mail))
    if any(way.webhook for way in ways):
        found.append(ByWebhook(site.alarms.inside, wall_s=_wall_s))
    if line is not None and site.broker is not None and any(way.mqtt for way in ways):
        found.append(ByBroker(line, site.broker.prefix))
    return found


def _wall_s() -> float:
    return BoardClock().stamp().wall_s
