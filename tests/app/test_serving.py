"""A role that serves pages ends when what feeds them has ended: real server, real port."""

from __future__ import annotations

import asyncio
import socket

import pytest
import uvicorn
from starlette.applications import Starlette

from gateway.app.serving import Server, serve
from gateway.errors import GatewayError


class Served:
    """A server on a free port with one task beside it."""

    def __init__(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        self.streams_ended = 0
        config = uvicorn.Config(Starlette(), host="127.0.0.1", port=port, log_level="error", lifespan="off")
        self.server = Server(config, self._end_streams)

    def _end_streams(self) -> None:
        self.streams_ended += 1

    def run(self, error: Exception) -> None:
        async def feed() -> None:
            while not self.server.started:
                await asyncio.sleep(0.01)
            raise error

        asyncio.run(asyncio.wait_for(serve(self.server, "serving", [feed()]), 60))


def test_a_task_that_fails_ends_the_server_and_is_told() -> None:
    """Else the pages would wait for ever for what nobody brings, and the watchdog would be fed all the while."""
    served = Served()
    with pytest.raises(GatewayError, match=r"ZeroDivisionError.*started anew"):
        served.run(ZeroDivisionError("a defect"))
    assert served.streams_ended >= 1, "a server waits for its open streams"


def test_what_a_task_says_itself_is_told_as_it_is() -> None:
    with pytest.raises(GatewayError, match=r"^core speaks another version$"):
        Served().run(GatewayError("core speaks another version"))
