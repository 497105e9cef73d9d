"""The link over a real unix socket: versions, sizes, slow and hostile peers."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import itertools
import json
import socket
import stat
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.control.decide import start_state
from gateway.engine.link import LONGEST_FROM_PEER, MOST_PEERS, LinkServer, follow
from gateway.engine.snapshot import Snapshot, from_json, to_json
from gateway.engine.step import StepInputs, StepState, step
from gateway.errors import LinkError
from tests.control.barns import air, barn, stamp
from tests.engine.fakes import until


def snapshot(steps: int = 1) -> Snapshot:
    the_barn = barn()
    inputs = StepInputs(latest=air(32.0, 60.0, 0), seen={}, stamp=stamp(0))
    state = StepState(control=start_state(the_barn, 0), started_s=0)
    return dataclasses.replace(step(the_barn, state, inputs, 0).snapshot, steps=steps)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "link.sock"


@pytest.fixture
def server(path: Path) -> Iterator[LinkServer]:
    made = LinkServer(path)
    yield made
    made.close()


class Peer:
    """A peer on the socket, by hand."""

    def __init__(self, path: Path) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(5)
        self.sock.connect(str(path))
        self._lines = self.sock.makefile("rb")

    def __enter__(self) -> Peer:
        return self

    def __exit__(self, *_: object) -> None:
        self._lines.close()
        self.sock.close()

    def hello(self) -> None:
        self.sock.sendall(b'{"link":1,"hello":"test"}\n')

    def lines(self, count: int) -> list[dict[str, Any]]:
        """The next lines; fewer when core ends the connection."""
        return [json.loads(line) for line in itertools.islice(iter(self._lines.readline, b""), count)]


def test_a_peer_says_hello_and_gets_the_newest_snapshot(server: LinkServer, path: Path) -> None:
    server.publish(snapshot(steps=7))
    with Peer(path) as peer:
        peer.hello()
        hello, first = peer.lines(2)
        assert hello == {"link": 1, "hello": "core"}
        assert from_json(first["snapshot"]) == snapshot(steps=7)
        server.publish(snapshot(steps=8))
        assert peer.lines(1)[0]["snapshot"]["steps"] == 8


def test_nothing_is_told_to_a_peer_without_hello(server: LinkServer, path: Path) -> None:
    server.publish(snapshot())
    with Peer(path) as peer:
        peer.sock.settimeout(0.2)
        with pytest.raises(TimeoutError):
            peer.sock.recv(1)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (b"hello\n", "not JSON"),
        (b'{"link":2,"hello":"web"}\n', "link version 1"),
        (b"[]\n", "link version 1"),
        (b'{"link":1,"do":"fan off"}\n', "says hello once"),
        (b'{"link":1,"hello":"a"}\n{"link":1,"hello":"a"}\n', "says hello once"),
        (b"x" * (LONGEST_FROM_PEER + 1), "longer than"),
    ],
)
def test_a_peer_that_breaks_the_rules_is_told_why_and_dropped(
    server: LinkServer, path: Path, said: bytes, why: str
) -> None:
    with Peer(path) as peer:
        peer.sock.sendall(said)
        answers = peer.lines(9)
        assert why in str(answers[-1]["refused"])


def test_a_peer_that_never_reads_costs_no_memory_and_delays_nobody(server: LinkServer, path: Path) -> None:
    with Peer(path) as deaf, Peer(path) as peer:
        deaf.hello()
        peer.hello()
        until(lambda: sum(bool(p.name) for p in server._peers.values()) == 2)
        for steps in range(1, 400):
            server.publish(snapshot(steps=steps))
        seen = 0
        while seen != 399:
            for line in peer.lines(1):
                seen = line.get("snapshot", {}).get("steps", seen)
        assert max(len(p.out) for p in server._peers.values()) < 20_000


def test_more_peers_than_allowed_are_turned_away(server: LinkServer, path: Path) -> None:
    with contextlib.ExitStack() as stack:
        peers = [stack.enter_context(Peer(path)) for _ in range(MOST_PEERS)]
        for peer in peers:
            peer.hello()
            assert peer.lines(1)
        extra = stack.enter_context(Peer(path))
        assert extra.lines(1) == []


def test_the_socket_is_for_the_group_only_and_goes_with_the_server(path: Path) -> None:
    server = LinkServer(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o660
    server.close()
    server.close()
    assert not path.exists()


def test_a_left_over_socket_of_a_killed_core_is_no_obstacle(path: Path) -> None:
    stale = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    stale.bind(str(path))
    stale.close()
    LinkServer(path).close()


async def _first(path: Path, count: int) -> list[int]:
    found: list[int] = []
    async for snap in follow(path, "test"):
        found.append(snap.steps)
        if len(found) == count:
            break
    return found


def test_a_follower_waits_for_core_and_comes_back_after_it(path: Path) -> None:
    async def scene() -> list[int]:
        following = asyncio.create_task(_first(path, 2))
        await asyncio.sleep(0)
        for steps in (1, 2):
            server = LinkServer(path)
            server.publish(snapshot(steps=steps))
            for _ in range(500):
                await asyncio.sleep(0.01)
                if following.done() or (server._peers and all(p.newest for p in server._peers.values())):
                    break
            await asyncio.to_thread(server.close)
        return await asyncio.wait_for(following, 10)

    assert asyncio.run(scene()) == [1, 2]


def test_a_follower_that_is_refused_says_why(path: Path) -> None:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listener.bind(str(path))
    listener.listen()

    def refuse() -> None:
        sock, _ = listener.accept()
        assert b"hello" in sock.recv(100)
        sock.sendall(b'{"link":9,"refused":"upgrade"}\n')
        sock.close()

    thread = threading.Thread(target=refuse)
    thread.start()
    with pytest.raises(LinkError, match="refuses the link: upgrade"):
        asyncio.run(_first(path, 1))
    thread.join()
    listener.close()


@pytest.mark.parametrize("change", [{"version": 99}, {"places": 3}, {"steps": None}])
def test_a_snapshot_of_another_form_is_refused(change: dict[str, object]) -> None:
    data = to_json(snapshot())
    if change == {"steps": None}:
        del data["steps"]
    else:
        data.update(change)
    with pytest.raises(LinkError):
        from_json(data)
