"""Owns: the web role: the link on one side, people on the other.

Must not know: devices, SQL, pages.
How it works: one asyncio loop. A task follows the link and publishes each snapshot to the live board; `serving` serves.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from functools import partial

from dashboards import metrics
from dashboards.app import Outside, create_app
from dashboards.boards import Limits
from dashboards.door import Access
from dashboards.live import Live
from gateway.app.around import around, report_file
from gateway.app.certificate import ready_certificate
from gateway.app.people import PeopleFile
from gateway.app.serving import Server, config_of, serve
from gateway.app.web_calls import LedgerCalls, calls_file
from gateway.app.web_past import HistoryPast
from gateway.engine.clock import machine_s
from gateway.engine.link import ask, follow
from gateway.site import Site
from gateway.store.series import Pictures

log = logging.getLogger(__name__)


def run_web(site: Site) -> None:
    """Serve until SIGTERM or SIGINT. Raises GatewayError when the address or the certificate cannot be had."""
    live = Live(machine_s)
    fingerprint = ready_certificate(site.web, site.web_listen) if site.web.tls else ""
    if fingerprint:
        log.info("the certificate's SHA-256 fingerprint is %s", fingerprint)
    app = create_app(live, outside_of(site, live, fingerprint))
    server = Server(config_of(app, site.web_listen, site.web_port, site.web, fingerprint), live.stop)
    scheme = "https" if site.web.tls else "http"
    says = f"the wall is at {scheme}://{site.web_listen}:{site.web_port}/aisle"
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve(server, says, [_follow(site, live)]))


def outside_of(site: Site, live: Live, fingerprint: str) -> Outside:
    """What the screens of this site need of the world."""
    own = socket.gethostname().lower()
    cursors = site.history.cursors or site.history_file
    seen = partial(around, site.history_file, report_file(cursors))
    return Outside(
        clock=machine_s,
        people=PeopleFile(site.web.people_file),
        access=Access(
            open_to_read=site.web.open_to_read,
            hosts=frozenset((*site.web.hosts, own, f"{own}.local")),
            fingerprint=fingerprint,
        ),
        ask=partial(ask, site.link_socket),
        past=HistoryPast(site.barn, Pictures(site.history_file)),
        contacts=tuple(contact.name for contact in site.alarms.contacts),
        calls=LedgerCalls(calls_file(cursors)),
        more=(metrics.router(live, seen, old_after_s=Limits().ready_within_s),),
    )


async def _follow(site: Site, live: Live) -> None:
    async for snapshot in follow(site.link_socket, "web"):
        live.publish(snapshot)
