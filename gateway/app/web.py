"""Owns: the web role: the link on one side, people on the other.

Must not know: devices, SQL, pages.
How it works: one asyncio loop. A task follows the link and publishes each snapshot to the live board; uvicorn serves.
A stop ends the event streams first, since a server waits for its open streams, and then the server.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from functools import partial
from types import FrameType

import uvicorn

from dashboards import metrics
from dashboards.app import Outside, create_app
from dashboards.boards import Limits
from dashboards.door import Access
from dashboards.live import Live
from gateway.app.around import around, report_file
from gateway.app.certificate import ready_certificate
from gateway.app.people import PeopleFile
from gateway.app.web_past import HistoryPast
from gateway.engine import watchdog
from gateway.engine.clock import machine_s
from gateway.engine.link import ask, follow
from gateway.errors import GatewayError
from gateway.site import Site
from gateway.store.series import Pictures

log = logging.getLogger(__name__)

END_STREAMS_S = 2
ALIVE_EVERY_S = 10.0
DEAD_PEER_MS = 30_000


class _Server(uvicorn.Server):
    """A server that ends its event streams before it waits for them."""

    def __init__(self, config: uvicorn.Config, live: Live) -> None:
        super().__init__(config)
        self._live = live

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        asyncio.get_running_loop().call_soon_threadsafe(self._live.stop)
        super().handle_exit(sig, frame)


def run_web(site: Site) -> None:
    """Serve until SIGTERM or SIGINT. Raises GatewayError when the address or the certificate cannot be had."""
    live = Live(machine_s)
    fingerprint = ready_certificate(site.web, site.web_listen) if site.web.tls else ""
    if fingerprint:
        log.info("the certificate's SHA-256 fingerprint is %s", fingerprint)
    config = uvicorn.Config(
        create_app(live, outside_of(site, live, fingerprint)),
        host=site.web_listen,
        port=site.web_port,
        log_level="warning",
        timeout_graceful_shutdown=END_STREAMS_S,
        server_header=False,
        date_header=False,
        proxy_headers=False,  # who asks is whoever is connected, not whom a header names
        ssl_certfile=site.web.cert_file if fingerprint else None,
        ssl_keyfile=site.web.key_file if fingerprint else None,
    )
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(site, live, _Server(config, live)))


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
        more=(metrics.router(live, seen, old_after_s=Limits().ready_within_s),),
    )


async def _serve(site: Site, live: Live, server: _Server) -> None:
    try:
        sockets = [server.config.bind_socket()]
    except SystemExit as error:  # uvicorn's way of saying that the address is taken
        raise GatewayError(
            f"cannot listen on {site.web_listen}:{site.web_port}; "
            "is another web running? Change [web] listen or port in the site file"
        ) from error
    for sock in sockets:  # inherited by every stream: a phone that walked out of reach gives its seat back
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, DEAD_PEER_MS)
    tasks = [asyncio.create_task(_follow(site, live)), asyncio.create_task(_alive())]
    log.info("the wall is at %s://%s:%d/aisle", "https" if site.web.tls else "http", site.web_listen, site.web_port)
    watchdog.ready("serving")
    await server.serve(sockets=sockets)
    watchdog.stopping()
    for task in tasks:
        task.cancel()
    log.info("web has stopped")


async def _follow(site: Site, live: Live) -> None:
    async for snapshot in follow(site.link_socket, "web"):
        live.publish(snapshot)


async def _alive() -> None:
    while True:
        watchdog.alive("serving")
        await asyncio.sleep(ALIVE_EVERY_S)
