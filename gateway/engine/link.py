"""Owns: the link between core and the other roles: newline-delimited JSON on a unix socket.

Must not know: what is in a snapshot, a request or a message beyond its form.
How it works: one thread in core serves every peer with non-blocking sockets.

    peer -> core     {"link":1,"hello":"web"}
    core -> peer     {"link":1,"hello":"core"}         or {"link":1,"refused":"why"} and the end
    core -> peer     {"link":1,"snapshot":{...}}       the newest, again and again

    web -> core      {"link":1,"ask":{...}}            a request, answered in the order of asking
    core -> web      {"link":1,"answered":{...}}

    core -> uplink   {"link":1,"listen":["TOPIC"]}     after hello: what to listen to at the broker
    uplink -> core   {"link":1,"broker":{"up":..,"why":..}}
    uplink -> core   {"link":1,"heard":{"topic":..,"payload":..,"retained":..,"at_s":..}}
    core -> uplink   {"link":1,"tell":{"topic":..,"payload":..,"by_s":..}}
    uplink -> core   {"link":1,"troubles":[{"subject":..,"code":..,"text":..}]}    all that is wrong, every 5 s

A peer that reads slowly gets fewer snapshots, never old ones and never a growing queue. A line that is too long, is
not JSON or says anything else ends the connection with the reason. There is one uplink: a second one takes the place
of the first. What was to be told to an uplink that has gone is forgotten: an old command must not reach a node.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import selectors
import socket
import threading
from collections import deque
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from gateway.engine.clock import machine_s
from gateway.engine.link_words import (
    LINK_VERSION,
    LONGEST_FROM_CORE,
    LONGEST_FROM_PEER,
    LONGEST_PAYLOAD,
    OutsideTrouble,
    Tell,
    broker_from,
    heard_from,
    line,
    listen_line,
    tell_line,
    troubles_from,
    words,
)
from gateway.engine.snapshot import Snapshot, encode, from_json
from gateway.errors import GatewayError, LinkError

log = logging.getLogger(__name__)

MOST_PEERS, RETRY_S = 8, 1.0
MOST_TOLD = 64  # commands on their way to uplink; each is repeated by its relay if it is lost
ANSWER_WITHIN_S = 5.0  # a request that is written to the history first takes up to 1 s

OnRequest = Callable[[str, dict[str, Any]], dict[str, Any]]


class Postbox(Protocol):
    """Whoever waits for messages of the broker. Called in the link's thread: it must not block."""

    @property
    def topics(self) -> tuple[str, ...]: ...

    def heard(self, topic: str, payload: bytes, *, retained: bool, age_s: float) -> None: ...

    def broker(self, *, up: bool, why: str) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class AtUplink:
    """What is known of uplink: whether it is on the link, when it last gave its word, and what it said is wrong.

    `here` is None until it has come for the first time; its word then counts from the start of the link.
    """

    here: bool | None
    word_s: float
    troubles: tuple[OutsideTrouble, ...] = ()


@dataclass(slots=True)
class _Peer:
    sock: socket.socket
    said: bytes = b""
    out: bytes = b""
    name: str = ""
    newest: int = 0
    ending: bool = field(default=False)


class LinkServer:
    """Core's end. `publish` and `tell` may be called by any thread and never block.

    `on_request` answers what web asks, in the link's thread: it must be quick. A GatewayError becomes the answer
    {"error": its text}.
    """

    def __init__(self, path: Path, *, on_request: OnRequest | None = None, postboxes: Sequence[Postbox] = ()) -> None:
        self._path = path
        self._on_request, self._postboxes = on_request, tuple(postboxes)
        self._snapshot: tuple[int, Snapshot] | None = None
        self._peers: dict[socket.socket, _Peer] = {}
        self._uplink: _Peer | None = None
        self._at_uplink = AtUplink(here=None, word_s=machine_s())  # replaced as a whole: any thread may look
        self._tells: deque[Tell] = deque()
        self._selector = selectors.DefaultSelector()
        self._wake_in, self._wake_out = socket.socketpair()
        self._open = True
        self._server = self._listen()
        for sock in (self._wake_in, self._wake_out, self._server):
            sock.setblocking(False)
        self._selector.register(self._server, selectors.EVENT_READ)
        self._selector.register(self._wake_in, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)
        self._thread.start()

    def publish(self, snapshot: Snapshot) -> None:
        """Make this the newest snapshot."""
        count = 1 if self._snapshot is None else self._snapshot[0] + 1
        self._snapshot = (count, snapshot)
        self._wake()

    def tell(self, topic: str, payload: bytes, *, within_s: float) -> bool:
        """Have uplink publish a message within `within_s` seconds of the machine, or never. False: it cannot be."""
        if self._uplink is None or len(self._tells) >= MOST_TOLD or len(payload) > LONGEST_PAYLOAD:
            return False
        self._tells.append(Tell(topic=topic, payload=payload, by_s=machine_s() + within_s))
        self._wake()
        return True

    def at_uplink(self) -> AtUplink:
        """Uplink as it last showed itself. May be called by any thread."""
        return self._at_uplink

    def close(self) -> None:
        """End all connections and remove the socket; idempotent."""
        if not self._open:
            return
        self._open = False
        self._wake()
        self._thread.join(2.0)
        for sock in (*self._peers, self._server, self._wake_in, self._wake_out):
            sock.close()
        with contextlib.suppress(OSError):
            self._path.unlink()

    def _listen(self) -> socket.socket:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()  # left over by a killed core; the lock on the history says that it is gone
        server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        server.bind(str(self._path))
        os.chmod(self._path, 0o660)
        server.listen(MOST_PEERS)
        return server

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_out.send(b".")

    def _run(self) -> None:
        while self._open:
            for key, mask in self._selector.select(timeout=1.0):
                if key.fileobj is self._server:
                    self._accept()
                elif key.fileobj is self._wake_in:
                    with contextlib.suppress(OSError):
                        self._wake_in.recv(4096)
                elif peer := self._peers.get(key.fileobj):  # type: ignore[call-overload]
                    self._serve(peer, mask)  # one that was dropped a moment ago is not there
            try:
                self._hand_over()
                self._offer()
            except Exception:  # a snapshot that has no line must not end the link for good: the next one may have
                log.exception("link: what core says found a defect")

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            sock, _ = self._server.accept()
            if len(self._peers) >= MOST_PEERS:
                sock.close()
                log.warning("link: more than %d peers, one turned away", MOST_PEERS)
                return
            sock.setblocking(False)
            self._peers[sock] = _Peer(sock)
            self._selector.register(sock, selectors.EVENT_READ)

    def _serve(self, peer: _Peer, mask: int) -> None:
        try:
            if mask & selectors.EVENT_READ:
                self._hear(peer)
            if mask & selectors.EVENT_WRITE:
                self._send(peer)
        except (OSError, LinkError) as error:
            self._drop(peer, str(error))
        except Exception:
            # A defect must cost one connection, not the link, which carries the wall and the commands of nodes.
            log.exception("link: what %s said found a defect", peer.name or "a peer")
            self._drop(peer, "a defect in core")

    def _hear(self, peer: _Peer) -> None:
        got = peer.sock.recv(LONGEST_FROM_PEER)
        if not got:
            raise LinkError("")
        peer.said += got
        while b"\n" in peer.said and not peer.ending:
            raw, peer.said = peer.said.split(b"\n", 1)
            self._take(peer, raw)
        if len(peer.said) > LONGEST_FROM_PEER and not peer.ending:
            self._refuse(peer, f"a line is longer than {LONGEST_FROM_PEER} bytes")

    def _take(self, peer: _Peer, raw: bytes) -> None:
        try:
            if len(raw) > LONGEST_FROM_PEER:
                raise LinkError(f"a line is longer than {LONGEST_FROM_PEER} bytes")
            said = words(raw)
            if peer.name == "web" and "ask" in said:
                self._answer(peer, said["ask"])
            elif peer is self._uplink and "heard" in said:
                self._deliver(said["heard"])
            elif peer is self._uplink and "broker" in said:
                state = broker_from(said["broker"])
                self._say_broker(up=state.up, why=state.why)
            elif peer is self._uplink and "troubles" in said:
                told = troubles_from(said["troubles"])
                self._at_uplink = AtUplink(here=True, word_s=machine_s(), troubles=told)
            else:
                self._greet(peer, said)
        except LinkError as error:
            self._refuse(peer, str(error))

    def _greet(self, peer: _Peer, said: dict[str, Any]) -> None:
        if peer.name or not isinstance(said.get("hello"), str) or not said["hello"]:
            raise LinkError("a peer says hello once, and then only what its role may say")
        peer.name = said["hello"][:40]
        self._queue(peer, line(hello="core"))
        if peer.name == "uplink":
            self._dismiss(self._uplink)
            self._uplink = peer
            self._at_uplink = AtUplink(here=True, word_s=machine_s())
            topics = sorted({topic for postbox in self._postboxes for topic in postbox.topics})
            self._queue(peer, listen_line(topics))

    def _dismiss(self, peer: _Peer | None) -> None:
        if peer is not None:
            peer.ending = True
            self._try(peer, line(refused="another uplink has come"))

    def _answer(self, peer: _Peer, request: object) -> None:
        if self._on_request is None or not isinstance(request, dict):
            raise LinkError("core answers no such request")
        try:
            answer = line(answered=self._on_request(peer.name, request))
        except GatewayError as error:
            answer = line(answered={"error": str(error)})
        self._queue(peer, answer)

    def _deliver(self, found: object) -> None:
        heard = heard_from(found)
        age_s = max(0.0, machine_s() - heard.at_s)
        for postbox in self._postboxes:
            postbox.heard(heard.topic, heard.payload, retained=heard.retained, age_s=age_s)

    def _say_broker(self, *, up: bool, why: str) -> None:
        for postbox in self._postboxes:
            postbox.broker(up=up, why=why)

    def _refuse(self, peer: _Peer, why: str) -> None:
        peer.ending = True
        self._queue(peer, line(refused=why))

    def _queue(self, peer: _Peer, message: bytes) -> None:
        if len(peer.out) + len(message) > LONGEST_FROM_CORE:
            raise OSError("takes in nothing")  # not a LinkError: there is no telling it why
        peer.out += message
        self._send(peer)

    def _hand_over(self) -> None:
        """Give uplink what is to be told, as fast as it takes it in."""
        peer = self._uplink
        while peer is not None and self._tells and not peer.out and not peer.ending:
            tell = self._tells.popleft()
            if machine_s() < tell.by_s:
                self._try(peer, tell_line(tell))

    def _offer(self) -> None:
        """Give the newest snapshot to every peer that has taken in the one before."""
        if self._snapshot is None:
            return
        count, snapshot = self._snapshot
        encoded = b""
        for peer in list(self._peers.values()):
            if not peer.name or peer.out or peer.ending or peer.newest == count:
                continue
            encoded = encoded or b'{"link":%d,"snapshot":%b}\n' % (LINK_VERSION, encode(snapshot))
            peer.newest = count
            self._try(peer, encoded)

    def _try(self, peer: _Peer, message: bytes) -> None:
        try:
            self._queue(peer, message)
        except (OSError, LinkError) as error:
            self._drop(peer, str(error))

    def _send(self, peer: _Peer) -> None:
        if peer.out:
            with contextlib.suppress(BlockingIOError):
                peer.out = peer.out[peer.sock.send(peer.out) :]
        if peer.ending and not peer.out:
            raise LinkError("refused")
        want = selectors.EVENT_READ | (selectors.EVENT_WRITE if peer.out else 0)
        self._selector.modify(peer.sock, want)

    def _drop(self, peer: _Peer, why: str) -> None:
        if why:
            log.info("link: %s left: %s", peer.name or "a peer", why)
        if peer is self._uplink:
            self._uplink = None
            self._tells.clear()
            self._at_uplink = AtUplink(here=False, word_s=self._at_uplink.word_s)
            self._say_broker(up=False, why="uplink is not there")
        self._selector.unregister(peer.sock)
        del self._peers[peer.sock]
        peer.sock.close()


async def follow(path: Path, name: str) -> AsyncIterator[Snapshot]:
    """Snapshots from core for ever, for a peer called `name`; connects again whenever the link breaks.

    Raises LinkError only when core refuses this peer, or speaks another version: waiting would not help.
    """
    while True:
        try:
            reader, writer = await asyncio.open_unix_connection(path, limit=LONGEST_FROM_CORE)
        except OSError:
            await asyncio.sleep(RETRY_S)
            continue
        try:
            writer.write(json.dumps({"link": LINK_VERSION, "hello": name}).encode() + b"\n")
            async for snapshot in _heard(reader):
                yield snapshot
        except (OSError, ValueError) as error:  # ValueError: a line longer than the limit
            log.warning("link: %s", error)
        finally:
            writer.close()
        await asyncio.sleep(RETRY_S)


async def _heard(reader: asyncio.StreamReader) -> AsyncIterator[Snapshot]:
    while line := await reader.readline():
        try:
            said = json.loads(line)
        except ValueError as error:
            raise ConnectionError(f"core sent a torn line ({error})") from error
        if "refused" in said:
            raise LinkError(f"core refuses the link: {said['refused']}")
        if "snapshot" in said:
            yield from_json(said["snapshot"])


async def ask(path: Path, request: Mapping[str, Any], *, within_s: float = ANSWER_WITHIN_S) -> dict[str, Any]:
    """What core answers to a request of web. Raises LinkError when it does not, or refuses.

    Each request has a connection of its own: an answer that comes too late ends with it and is never taken for the
    next one. After a time-out nobody knows whether it was done; the next snapshot tells.
    """
    try:
        async with asyncio.timeout(within_s):
            return await _asked(path, request)
    except TimeoutError as error:
        raise LinkError(f"core has not answered within {within_s:g} s; look whether it was done") from error
    except (OSError, ValueError) as error:
        raise LinkError(f"core cannot be reached: {error}") from error


async def _asked(path: Path, request: Mapping[str, Any]) -> dict[str, Any]:
    reader, writer = await asyncio.open_unix_connection(path, limit=LONGEST_FROM_CORE)
    try:
        writer.write(line(hello="web") + line(ask=dict(request)))
        with contextlib.suppress(ConnectionError):  # it may have refused and gone already: what it said is read below
            await writer.drain()
        while raw := await reader.readline():
            said = words(raw)
            if "refused" in said:
                raise LinkError(f"core refuses: {said['refused']}")
            if isinstance(said.get("answered"), dict):
                return dict(said["answered"])
        raise ConnectionError("it closed the link")
    finally:
        writer.close()
