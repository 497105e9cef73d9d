"""Owns: the link between core and the other roles: newline-delimited JSON on a unix socket.

Must not know: what is in a snapshot beyond `encode` and `from_json`.
How it works: one thread in core serves every peer with non-blocking sockets.

    peer -> core   {"link":1,"hello":"web"}
    core -> peer   {"link":1,"hello":"core"}         or {"link":1,"refused":"why"} and the end
    core -> peer   {"link":1,"snapshot":{...}}       the newest, again and again

A peer that reads slowly gets fewer snapshots, never old ones and never a growing queue. A line that is too long, is
not JSON or says anything else ends the connection with the reason.
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
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gateway.engine.snapshot import Snapshot, encode, from_json
from gateway.errors import LinkError

log = logging.getLogger(__name__)

LINK_VERSION = 1
LONGEST_FROM_PEER = 4_096
LONGEST_FROM_CORE = 262_144
MOST_PEERS = 8
RETRY_S = 1.0


@dataclass(slots=True)
class _Peer:
    sock: socket.socket
    said: bytes = b""
    out: bytes = b""
    name: str = ""
    newest: int = 0
    ending: bool = field(default=False)


class LinkServer:
    """Core's end. `publish` is called by the step thread and never blocks."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._snapshot: tuple[int, Snapshot] | None = None
        self._peers: dict[socket.socket, _Peer] = {}
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
                else:
                    self._serve(self._peers[key.fileobj], mask)  # type: ignore[index]
            self._offer()

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

    def _hear(self, peer: _Peer) -> None:
        got = peer.sock.recv(LONGEST_FROM_PEER)
        if not got:
            raise LinkError("")
        peer.said += got
        while b"\n" in peer.said and not peer.ending:
            line, peer.said = peer.said.split(b"\n", 1)
            self._answer(peer, line)
        if len(peer.said) > LONGEST_FROM_PEER:
            self._refuse(peer, f"a line is longer than {LONGEST_FROM_PEER} bytes")

    def _answer(self, peer: _Peer, line: bytes) -> None:
        try:
            said = json.loads(line)
        except ValueError:
            return self._refuse(peer, "a line is not JSON")
        if not isinstance(said, dict) or said.get("link") != LINK_VERSION:
            return self._refuse(peer, f"this core speaks link version {LINK_VERSION}: upgrade all roles together")
        if peer.name or not isinstance(said.get("hello"), str) or not said["hello"]:
            return self._refuse(peer, "a peer says hello once, and nothing else")
        peer.name = said["hello"][:40]
        self._queue(peer, {"hello": "core"})

    def _refuse(self, peer: _Peer, why: str) -> None:
        peer.ending = True
        self._queue(peer, {"refused": why})

    def _queue(self, peer: _Peer, message: dict[str, Any]) -> None:
        peer.out += json.dumps({"link": LINK_VERSION, **message}).encode() + b"\n"
        self._send(peer)

    def _offer(self) -> None:
        """Give the newest snapshot to every peer that has taken in the one before."""
        if self._snapshot is None:
            return
        count, snapshot = self._snapshot
        line = b""
        for peer in list(self._peers.values()):
            if not peer.name or peer.out or peer.ending or peer.newest == count:
                continue
            line = line or b'{"link":%d,"snapshot":%b}\n' % (LINK_VERSION, encode(snapshot))
            peer.out, peer.newest = line, count
            try:
                self._send(peer)
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
