"""The link over a real unix socket: versions, sizes, slow and hostile peers."""

from __future__ import annotations

import asyncio
import base64
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
from gateway.engine.clock import machine_s
from gateway.engine.link import MOST_PEERS, MOST_TOLD, LinkServer, follow
from gateway.engine.link_words import LONGEST_FROM_CORE, LONGEST_FROM_PEER, LONGEST_PAYLOAD
from gateway.engine.snapshot import MarkView, SignalView, Snapshot, TrialView, encode, from_json, to_json
from gateway.engine.step import StepInputs, StepState, step
from gateway.errors import GatewayError, LinkError
from tests.control.barns import air, barn, stamp
from tests.engine.fakes import until
from tests.uplink.call_scenes import view


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

    def hello(self, name: str = "test") -> None:
        self.say(hello=name)

    def say(self, **message: Any) -> None:
        self.sock.sendall(json.dumps({"link": 1, **message}).encode() + b"\n")

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
        (b'{"link":1,"hello":"%b"}\n' % (b"x" * LONGEST_FROM_PEER), "longer than"),
        (b"[" * 9_000 + b"\n", "not JSON"),
        (b'{"link":1,"hello":"web"}\n{"link":1,"heard":{}}\n', "only what its role may say"),
        (b'{"link":1,"hello":"web"}\n{"link":1,"broker":{}}\n', "only what its role may say"),
        (b'{"link":1,"hello":"uplink"}\n{"link":1,"ask":{}}\n', "only what its role may say"),
        (b'{"link":1,"hello":"web"}\n{"link":1,"ask":{}}\n', "answers no such request"),
        (b'{"link":1,"ask":{}}\n', "says hello once"),
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


def test_a_snapshot_with_everything_comes_back_as_it_was() -> None:
    trials = tuple(TrialView(number=n, contact="Ana", by="Luis", wall_s=1.7e9 + n) for n in range(1, 6))
    lamp = SignalView(name="lamp", kind="lamp", asked=True, seen=None, trouble="lamp: no answer")
    whole = dataclasses.replace(snapshot(), trials=trials, signals=(lamp,), step_s=0.003)
    assert from_json(json.loads(encode(whole))) == whole


@pytest.mark.parametrize("change", [{"version": 99}, {"version": 4}, {"places": 3}, {"steps": None}])
def test_a_snapshot_of_another_form_is_refused(change: dict[str, object]) -> None:
    data = to_json(snapshot())
    if change == {"steps": None}:
        del data["steps"]
    else:
        data.update(change)
    with pytest.raises(LinkError):
        from_json(data)


# --- web asks ------------------------------------------------------------------------------------------


def _reply(peer: str, request: dict[str, Any]) -> dict[str, Any]:
    if request.get("do") == "refuse":
        raise GatewayError("not today")
    if request.get("do") == "break":
        raise ZeroDivisionError
    return {"peer": peer, "echo": request}


@pytest.fixture
def answering(path: Path) -> Iterator[LinkServer]:
    made = LinkServer(path, on_request=_reply)
    yield made
    made.close()


def test_web_asks_and_is_answered_in_order_between_snapshots(answering: LinkServer, path: Path) -> None:
    answering.publish(snapshot())
    with Peer(path) as peer:
        peer.hello("web")
        for number in range(20):
            peer.say(ask={"number": number})
        lines = peer.lines(22)
        assert [said["answered"]["echo"]["number"] for said in lines if "answered" in said] == list(range(20))
        assert sum("snapshot" in said for said in lines) == 1


def test_a_refused_request_is_answered_with_the_reason_and_the_link_stays(answering: LinkServer, path: Path) -> None:
    with Peer(path) as peer:
        peer.hello("web")
        peer.say(ask={"do": "refuse"})
        peer.say(ask={"do": "ok"})
        _, refused, answered = peer.lines(3)
        assert refused == {"link": 1, "answered": {"error": "not today"}}
        assert answered["answered"] == {"peer": "web", "echo": {"do": "ok"}}


def test_a_defect_in_an_answer_costs_one_connection_not_the_link(answering: LinkServer, path: Path) -> None:
    with Peer(path) as peer:
        peer.hello("web")
        peer.say(ask={"do": "break"})
        assert [set(said) for said in peer.lines(9)] == [{"link", "hello"}]
    with Peer(path) as peer:
        peer.hello("web")
        peer.say(ask={})
        assert peer.lines(2)[1]["answered"]["echo"] == {}


@pytest.mark.parametrize("ask", [None, [], "fan off", 7])
def test_a_request_that_is_no_object_is_refused(answering: LinkServer, path: Path, ask: object) -> None:
    with Peer(path) as peer:
        peer.hello("web")
        peer.say(ask=ask)
        assert "no such request" in peer.lines(9)[-1]["refused"]


def test_a_peer_that_asks_and_never_listens_is_dropped_before_it_costs_memory(
    answering: LinkServer, path: Path
) -> None:
    with Peer(path) as deaf:
        deaf.hello("web")
        request = json.dumps({"link": 1, "ask": {"text": "x" * 4000}}).encode() + b"\n"
        with contextlib.suppress(OSError):
            for _ in range(400):
                deaf.sock.sendall(request)
                assert all(len(p.out) <= LONGEST_FROM_CORE for p in list(answering._peers.values()))
        until(lambda: not answering._peers)


# --- uplink carries ------------------------------------------------------------------------------------


class Box:
    """A postbox that keeps everything."""

    topics = ("barn/b", "barn/a")

    def __init__(self) -> None:
        self.came: list[tuple[str, bytes, bool, float]] = []
        self.states: list[tuple[bool, str]] = []

    def heard(self, topic: str, payload: bytes, *, retained: bool, age_s: float) -> None:
        if payload == b"break":
            raise ZeroDivisionError
        self.came.append((topic, payload, retained, age_s))

    def broker(self, *, up: bool, why: str) -> None:
        self.states.append((up, why))


@pytest.fixture
def box() -> Box:
    return Box()


@pytest.fixture
def carrying(path: Path, box: Box) -> Iterator[LinkServer]:
    made = LinkServer(path, postboxes=(box,))
    yield made
    made.close()


def heard(payload: bytes = b"21.5", **changed: Any) -> dict[str, Any]:
    encoded = base64.b64encode(payload).decode()
    return {"topic": "barn/a", "payload": encoded, "retained": False, "at_s": machine_s()} | changed


def test_uplink_is_told_what_to_listen_to_and_what_it_hears_arrives_with_its_age(
    carrying: LinkServer, path: Path, box: Box
) -> None:
    with Peer(path) as uplink:
        uplink.hello("uplink")
        assert uplink.lines(2)[1] == {"link": 1, "listen": ["barn/a", "barn/b"]}
        uplink.say(broker={"up": True, "why": ""})
        uplink.say(heard=heard(bytes(range(256)), retained=True, at_s=machine_s() - 7))
        uplink.say(heard=heard(at_s=machine_s() + 100))
        until(lambda: len(box.came) == 2)
        (topic, payload, retained, age_s), (*_, not_from_the_future_s) = box.came
        assert (topic, payload, retained) == ("barn/a", bytes(range(256)), True)
        assert 7 <= age_s < 12
        assert not_from_the_future_s == 0
        assert box.states == [(True, "")]
    until(lambda: box.states[-1] == (False, "uplink is not there"))


@pytest.mark.parametrize(
    ("message", "why"),
    [
        ({"heard": None}, "heard must have"),
        ({"heard": {"topic": "a"}}, "heard must have"),
        ({"heard": heard(topic="")}, "topic is empty"),
        ({"heard": heard(topic="barn/#")}, "wildcards"),
        ({"heard": heard(topic="x" * 401)}, "too long"),
        ({"heard": heard(topic=7)}, "topic is of a wrong type"),
        ({"heard": heard() | {"payload": "*"}}, "not base64"),
        ({"heard": heard(b"x" * (LONGEST_PAYLOAD + 1))}, "longer than"),
        ({"heard": heard(retained=1)}, "retained is of a wrong type"),
        ({"heard": heard(at_s=True)}, "at_s is of a wrong type"),
        ({"heard": heard(at_s=float("nan"))}, "not a number of seconds"),
        ({"heard": heard(at_s=10**400)}, "not a number of seconds"),
        ({"broker": {"up": "yes", "why": ""}}, "up is of a wrong type"),
        ({"broker": {"up": True}}, "broker must have"),
        ({"tell": {}}, "only what its role may say"),
    ],
)
def test_an_uplink_that_breaks_the_form_is_told_why_and_dropped(
    carrying: LinkServer, path: Path, box: Box, message: dict[str, Any], why: str
) -> None:
    with Peer(path) as uplink:
        uplink.hello("uplink")
        uplink.say(**message)
        assert why in uplink.lines(9)[-1]["refused"]
    assert box.came == []


def test_a_command_reaches_uplink_with_its_deadline(carrying: LinkServer, path: Path) -> None:
    with Peer(path) as uplink:
        uplink.hello("uplink")
        uplink.lines(2)
        assert carrying.tell("barn/fan/ask", b"{}", within_s=10.0)
        (told,) = uplink.lines(1)
        assert told["tell"]["topic"] == "barn/fan/ask"
        assert base64.b64decode(told["tell"]["payload"]) == b"{}"
        assert 5 < told["tell"]["by_s"] - machine_s() <= 10


def test_nothing_is_told_without_uplink_nor_kept_for_a_later_one(carrying: LinkServer, path: Path, box: Box) -> None:
    assert not carrying.tell("barn/fan/ask", b"old", within_s=10.0)
    with Peer(path) as uplink:
        uplink.hello("uplink")
        uplink.lines(2)
        assert not carrying.tell("barn/fan/ask", b"x" * (LONGEST_PAYLOAD + 1), within_s=10.0)
    until(lambda: box.states == [(False, "uplink is not there")])
    assert not carrying.tell("barn/fan/ask", b"old", within_s=10.0)
    with Peer(path) as uplink:
        uplink.hello("uplink")
        uplink.lines(2)
        carrying.tell("barn/fan/ask", b"new", within_s=10.0)
        assert base64.b64decode(uplink.lines(1)[0]["tell"]["payload"]) == b"new"


def test_commands_for_an_uplink_that_does_not_read_are_bounded(carrying: LinkServer, path: Path) -> None:
    payload = b"x" * LONGEST_PAYLOAD
    with Peer(path) as uplink:
        uplink.hello("uplink")
        uplink.lines(2)
        taken = 0
        while carrying.tell("barn/fan/ask", payload, within_s=60.0):
            taken += 1
            assert taken < 500
        assert taken >= MOST_TOLD
        assert len(uplink.lines(taken)) == taken
        assert carrying.tell("barn/fan/ask", b"next", within_s=60.0)
        assert base64.b64decode(uplink.lines(1)[0]["tell"]["payload"]) == b"next"


def test_a_command_that_is_too_late_does_not_leave_core(carrying: LinkServer, path: Path) -> None:
    with Peer(path) as uplink:
        uplink.hello("uplink")
        uplink.lines(2)
        assert carrying.tell("barn/fan/ask", b"late", within_s=-0.001)
        assert carrying.tell("barn/fan/ask", b"new", within_s=60.0)
        assert base64.b64decode(uplink.lines(1)[0]["tell"]["payload"]) == b"new"


def test_a_second_uplink_takes_the_place_of_the_first(carrying: LinkServer, path: Path, box: Box) -> None:
    with Peer(path) as first, Peer(path) as second:
        first.hello("uplink")
        first.lines(2)
        second.hello("uplink")
        second.lines(2)
        assert first.lines(9)[-1]["refused"] == "another uplink has come"
        second.say(heard=heard())
        until(lambda: len(box.came) == 1)
        assert carrying.tell("barn/fan/ask", b"{}", within_s=10.0)
        assert "tell" in second.lines(1)[0]


def test_a_defect_in_a_postbox_costs_one_connection_not_the_link(carrying: LinkServer, path: Path, box: Box) -> None:
    for payload in (b"break", b"whole"):
        with Peer(path) as uplink:
            uplink.hello("uplink")
            uplink.say(heard=heard(payload))
            if payload == b"whole":
                until(lambda: len(box.came) == 1)
            else:
                assert len(uplink.lines(9)) == 2


def test_a_flood_of_hundreds_of_alarms_passes_the_link(path: Path, server: LinkServer) -> None:
    alarms = tuple(
        view(f"sensor-lost:s{n}", detail="x" * 120, marks=tuple(
            MarkView(number=mark, what="acknowledged", wall_s=1_780_000_000.5, priority="when-you-can")
            for mark in range(16)
        ))
        for n in range(300)
    )  # fmt: skip
    with Peer(path) as peer:
        peer.hello("wall")
        server.publish(dataclasses.replace(snapshot(), alarms=alarms))
        said = peer.lines(2)[1]
    assert len(from_json(said["snapshot"]).alarms) == 300


def test_a_snapshot_that_has_no_line_does_not_end_the_link(path: Path, server: LinkServer) -> None:
    with Peer(path) as peer:
        peer.hello("wall")
        server.publish(dataclasses.replace(snapshot(), wall_s=float("nan")))
        server.publish(dataclasses.replace(snapshot(7), wall_s=float("nan")))
        until(lambda: server._snapshot is not None and server._snapshot[0] == 2)
        server.publish(snapshot(8))
        assert peer.lines(2)[1]["snapshot"]["steps"] == 8
