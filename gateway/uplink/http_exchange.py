"""Owns: one POST over a connection that stands, and the beginning of its answer.

Must not know: addresses, TLS, what an answer means.
How it works: h11 knows the form of HTTP and refuses half a head, a head without end and what is no HTTP. Every write
and read gets what is left of the time. Once the head is there nothing can change the status any more; of the body at
most `MOST_BODY` bytes are taken in, for `BODY_S` seconds at most, so that a far end can finish.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Mapping
from dataclasses import dataclass

import h11

from gateway import __version__
from gateway.uplink.reach import Hurry, short

BODY_S = 2.0
MOST_BODY = 65_536
_RECEIVE = 16_384


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """`said` is the beginning of the body or what stands behind the status, on one line; nobody vouches for it."""

    status: int
    said: str
    retry_after: str


def posted(
    sock: socket.socket, *, host: str, path: str, body: bytes, headers: Mapping[str, str], hurry: Hurry
) -> Answer:
    """Raises OSError when no whole head comes back in time."""
    line = h11.Connection(our_role=h11.CLIENT)
    request = h11.Request(
        method="POST",
        target=path,
        headers=[
            ("Host", host),
            ("User-Agent", f"loosebox/{__version__}"),
            ("Content-Type", "application/json"),
            ("Content-Length", str(len(body))),
            ("Connection", "close"),
            *headers.items(),
        ],
    )
    outgoing = [line.send(request), line.send(h11.Data(data=body)), line.send(h11.EndOfMessage())]
    _send(sock, b"".join(part or b"" for part in outgoing), hurry)
    head = _head(line, sock, hurry)
    said = _body(line, sock, Hurry(BODY_S)) or head.reason
    waits = [value for name, value in head.headers if name == b"retry-after"]
    return Answer(
        status=head.status_code, said=short(said), retry_after=waits[-1].decode("ascii", "replace") if waits else ""
    )


def _send(sock: socket.socket, outgoing: bytes, hurry: Hurry) -> None:
    left = memoryview(outgoing)
    while left:
        sock.settimeout(hurry.left_s())
        left = left[sock.send(left) :]


def _head(line: h11.Connection, sock: socket.socket, hurry: Hurry) -> h11.Response:
    while True:
        event = _next(line, sock, hurry)
        if isinstance(event, h11.Response):
            return event
        if not isinstance(event, h11.InformationalResponse):
            raise ConnectionError("it hung up without an answer")
        if event.status_code == 101:
            raise ConnectionError("it changes the protocol")


def _body(line: h11.Connection, sock: socket.socket, hurry: Hurry) -> bytes:
    body = b""
    with contextlib.suppress(OSError):
        while len(body) < MOST_BODY and isinstance(event := _next(line, sock, hurry), h11.Data):
            body += event.data
    return body[:MOST_BODY]


def _next(line: h11.Connection, sock: socket.socket, hurry: Hurry) -> object:
    try:
        while (event := line.next_event()) is h11.NEED_DATA:
            sock.settimeout(hurry.left_s())
            line.receive_data(sock.recv(_RECEIVE))
    except h11.RemoteProtocolError as error:
        raise ConnectionError(f"it answers what is no HTTP: {error}") from error
    return event
