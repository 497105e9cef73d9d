"""Owns: how pages are served: the server's settings, its address, its end.

Must not know: which pages, where what they show comes from.
How it works: uvicorn in the caller's asyncio loop, beside the caller's tasks. A stop ends the event streams first,
since a server waits for its open streams, and then the server. A task that ends by itself ends the server too: pages
that nobody feeds any more must not go on as if they only waited, and whoever started the role starts it anew.
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Callable, Coroutine, Sequence
from types import FrameType
from typing import Any

import uvicorn

from gateway.engine import watchdog
from gateway.errors import GatewayError
from gateway.site_web import WebAccess

log = logging.getLogger(__name__)

END_STREAMS_S = 2
ALIVE_EVERY_S = 10.0
DEAD_PEER_MS = 30_000


class Server(uvicorn.Server):
    """A server that ends its event streams before it waits for them."""

    def __init__(self, config: uvicorn.Config, end_streams: Callable[[], None]) -> None:
        super().__init__(config)
        self._end_streams = end_streams

    def end(self) -> None:
        """End the streams, then the server; idempotent. For the loop's own thread."""
        self._end_streams()
        self.should_exit = True

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        asyncio.get_running_loop().call_soon_threadsafe(self._end_streams)
        super().handle_exit(sig, frame)


def config_of(app: Any, listen: str, port: int, access: WebAccess, fingerprint: str) -> uvicorn.Config:
    """The settings. `fingerprint` is empty without TLS."""
    return uvicorn.Config(
        app,
        host=listen,
        port=port,
        log_level="warning",
        timeout_graceful_shutdown=END_STREAMS_S,
        server_header=False,
        date_header=False,
        proxy_headers=False,  # who asks is whoever is connected, not whom a header names
        ssl_certfile=access.cert_file if fingerprint else None,
        ssl_keyfile=access.key_file if fingerprint else None,
    )


async def serve(server: Server, says: str, tasks: Sequence[Coroutine[Any, Any, None]]) -> None:
    """Serve until SIGTERM or SIGINT, beside `tasks`. `says` is what the log has when it begins.

    Raises GatewayError when a task has failed.
    """
    sockets = _bound(server)
    running = [asyncio.create_task(task) for task in (*tasks, _alive())]
    for each in running:
        each.add_done_callback(lambda _: server.end())
    log.info("%s", says)
    watchdog.ready("serving")
    await server.serve(sockets=sockets)
    watchdog.stopping()
    for task in running:
        task.cancel()
    for ended in await asyncio.gather(*running, return_exceptions=True):
        if isinstance(ended, GatewayError):
            raise ended
        if isinstance(ended, Exception):
            log.error("web: a task has failed", exc_info=ended)
            raise GatewayError(f"web: a task has failed ({type(ended).__name__}); ending, to be started anew")
    log.info("web has stopped")


def _bound(server: Server) -> list[socket.socket]:
    try:
        sockets = [server.config.bind_socket()]
    except SystemExit as error:  # uvicorn's way of saying that the address is taken
        raise GatewayError(
            f"cannot listen on {server.config.host}:{server.config.port}; "
            "is another web running? Change [web] listen or port in the site file"
        ) from error
    for sock in sockets:  # inherited by every stream: a phone that walked out of reach gives its seat back
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, DEAD_PEER_MS)
    return sockets


async def _alive() -> None:
    while True:
        watchdog.alive("serving")
        await asyncio.sleep(ALIVE_EVERY_S)
