"""Owns: a TCP connection to a Modbus device or gateway, from opening to closing.

Must not know: what is asked, sensors, quantities.
How it works: it connects at first use. One request is under way at a time; its answer must carry its transaction
number. After a time-out, a bad frame or a byte that nobody asked for the connection is closed and the next request
opens a new one: a late answer then has no way to reach us, and a peer that lost power without a word (its end stays
"open" for hours) is noticed by the first request that it does not answer. A device that closed an idle connection
costs nothing: that is seen before the next request is sent.

    closed --ask--> open --answer, refusal--> open
      ^               |  --time-out, bad frame, closed by the peer--> closed, next ask connects at once
      |               v
      +---(1 .. 10 s)--- unreachable   calls in between fail at once
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from typing import Any, Final, TypeVar

from drivers.modbus_frame import TcpFrame
from drivers.modbus_pdu import Request, TargetSilent
from drivers.pause import Pause
from gateway.barn import BusSpec
from gateway.errors import BusTimeout, PortGone, ReadError, Refused

T = TypeVar("T")

_SHORTEST_WAIT_S: Final = 0.001  # a socket takes 0 for "do not wait at all"


class ModbusTcpWire:
    """One connection, held by this process."""

    def __init__(self, spec: BusSpec, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._name = spec.name
        self._peer = (str(spec.options["host"]), int(spec.options["tcp_port"]))
        self._within_s = float(spec.options["answer_within_s"])
        self._now_s = now_s
        self._socket: socket.socket | None = None
        self._pause = Pause()
        self._trouble = ""
        self._closed = False
        self._transaction = 0

    def ask(self, request: Request[T]) -> T:
        """One request and its checked answer. Raises ReadError; blocks for 2 times `answer_within_s` at most."""
        link = self._opened()
        self._transaction = self._transaction % 0xFFFF + 1
        exchange = TcpFrame(request, self._transaction)
        try:
            return exchange.parse(self._exchanged(link, exchange))
        except (Refused, TargetSilent):  # whoever refuses is there
            raise
        except ReadError:
            self._drop()
            raise
        except OSError as error:
            self._drop()
            raise PortGone(f"{self._said()} lost the connection: {error}") from error

    def close(self) -> None:
        """Close the connection for good; idempotent."""
        self._closed = True
        self._drop()

    def _opened(self) -> socket.socket:
        if self._closed:
            raise PortGone(f"{self._name}: closed")
        if self._socket is not None and _has_something(self._socket):
            self._drop()  # the peer has closed it, or says what nobody asked
        if self._socket is None:
            left_s = self._pause.left_s(self._now_s())
            if left_s > 0:
                raise PortGone(f"{self._trouble}; next try in {left_s:.0f} s")
            self._socket = self._connected()
        return self._socket

    def _connected(self) -> socket.socket:
        try:
            link = socket.create_connection(self._peer, timeout=self._within_s)
        except OSError as error:
            self._pause.failed(self._now_s())
            self._trouble = f"{self._said()} cannot be reached: {error}"
            raise PortGone(self._trouble) from error
        self._pause.worked()
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return link

    def _exchanged(self, link: socket.socket, exchange: TcpFrame[Any]) -> bytes:
        until_s = self._now_s() + self._within_s
        link.settimeout(self._within_s)
        link.sendall(exchange.frame)
        raw = b""
        while (missing := exchange.length(raw) - len(raw)) > 0:
            left_s = until_s - self._now_s()
            data = _received(link, missing, left_s) if left_s > 0 else None
            if data is None:
                raise BusTimeout(exchange.what, self._within_s, raw)
            if not data:
                raise PortGone(f"{self._said()} closed the connection instead of answering")
            raw += data
        return raw

    def _said(self) -> str:
        return f"{self._name}: {self._peer[0]}, port {self._peer[1]},"

    def _drop(self) -> None:
        link, self._socket = self._socket, None
        if link is not None:
            link.close()


def _has_something(link: socket.socket) -> bool:
    return bool(select.select([link], [], [], 0)[0])


def _received(link: socket.socket, most: int, wait_s: float) -> bytes | None:
    """What has come within `wait_s`, at most `most` bytes; None when nothing has."""
    link.settimeout(max(_SHORTEST_WAIT_S, wait_s))
    try:
        return link.recv(most)
    except TimeoutError:
        return None
