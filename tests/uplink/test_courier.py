"""Uplink's end of the link, against core's real end."""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.engine.clock import machine_s
from gateway.engine.link import LinkServer
from gateway.engine.link_words import LONGEST_PAYLOAD, OutsideTrouble
from gateway.uplink.courier import Courier, state_of
from gateway.uplink.mqtt import Parcel
from gateway.uplink.session import Message
from tests.engine.fakes import until
from tests.engine.test_link import Box, snapshot


class Scene:
    """A core that can go and come back, and a courier beside it."""

    def __init__(self, path: Path) -> None:
        self.path, self.box = path, Box()
        self.server: LinkServer | None = None
        self.published: list[Parcel] = []
        self.listened: list[tuple[str, ...]] = []
        self.courier = Courier(path, publish=self._publish, listen=self.listened.append)

    def _publish(self, parcel: Parcel) -> bool:
        self.published.append(parcel)
        return True

    def core_comes(self) -> LinkServer:
        self.server = LinkServer(self.path, postboxes=(self.box,))
        return self.server

    def core_goes(self) -> None:
        assert self.server is not None
        self.server.close()

    def take(self, payload: bytes, *, topic: str = "barn/a", retained: bool = False) -> None:
        self.courier.take(Message(topic=topic, payload=payload, retained=retained))

    def payloads(self) -> list[bytes]:
        return [payload for _, payload, _, _ in self.box.came]


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    made = Scene(tmp_path / "link.sock")
    made.courier.start()
    yield made
    made.courier.close()
    if made.server is not None:
        made.server.close()


@pytest.fixture
def joined(scene: Scene) -> Scene:
    scene.core_comes()
    until(lambda: bool(scene.listened))
    return scene


def test_core_says_what_to_listen_to_and_learns_of_the_broker(joined: Scene) -> None:
    assert joined.listened == [("barn/a", "barn/b")]
    until(lambda: joined.box.states == [(False, "the broker has not been reached yet")])
    joined.courier.broker(True, "")
    until(lambda: joined.box.states[-1] == (True, ""))


def test_messages_reach_core_with_their_marks(joined: Scene) -> None:
    joined.take(b"\x00\xff", retained=True)
    until(lambda: len(joined.box.came) == 1)
    joined.take(b"x", topic="barn/b")
    until(lambda: len(joined.box.came) == 2)
    assert [came[:3] for came in joined.box.came] == [("barn/a", b"\x00\xff", True), ("barn/b", b"x", False)]


def test_a_flood_costs_core_little_and_its_newest_message_arrives(joined: Scene) -> None:
    for number in range(20_000):
        joined.take(b"%d" % number)
    until(lambda: b"19999" in joined.payloads())
    assert len(joined.box.came) < 200


def test_what_comes_while_core_is_away_is_the_newest_with_its_age(joined: Scene) -> None:
    joined.core_goes()
    until(lambda: joined.courier.newest is None)
    for payload in (b"1", b"2"):
        joined.take(payload)
    joined.take(b"kept", retained=True)
    joined.box.came.clear()
    joined.core_comes()
    until(lambda: bool(joined.box.came), limit_s=10)
    ((_, payload, retained, age_s),) = joined.box.came
    assert (payload, retained) == (b"2", False)
    assert 0 < age_s < 10


def test_troubles_reach_core_once_for_each_telling_and_again_after_core_was_away(joined: Scene) -> None:
    assert joined.server is not None
    told = [OutsideTrouble(subject="calls", code="calls-lost", text="no mail goes out")]
    joined.courier.troubles(told)
    until(lambda: joined.server is not None and joined.server.at_uplink().troubles == tuple(told))
    first_s = joined.server.at_uplink().word_s
    joined.courier.broker(True, "")  # something else to carry
    until(lambda: (True, "") in joined.box.states)
    assert joined.server.at_uplink().word_s == first_s, "a word is given when it is told, not by itself"
    joined.core_goes()
    until(lambda: joined.courier.newest is None)
    joined.courier.troubles(told)
    server = joined.core_comes()
    until(lambda: server.at_uplink().troubles == tuple(told), limit_s=10)


def test_what_nobody_waits_for_and_what_is_too_long_is_dropped(joined: Scene) -> None:
    joined.take(b"x", topic="alien")
    joined.take(b"x" * (LONGEST_PAYLOAD + 1))
    joined.take(b"x" * LONGEST_PAYLOAD)
    until(lambda: bool(joined.box.came))
    assert [len(payload) for payload in joined.payloads()] == [LONGEST_PAYLOAD]


def test_commands_go_to_the_broker_with_their_deadline_and_late_ones_nowhere(joined: Scene) -> None:
    assert joined.server is not None
    until(lambda: bool(joined.box.states))
    before_s = machine_s()
    assert joined.server.tell("barn/fan/ask", b"on", within_s=10.0)
    until(lambda: bool(joined.published))
    (parcel,) = joined.published
    assert (parcel.topic, parcel.payload, parcel.retained) == ("barn/fan/ask", b"on", False)
    assert 9.0 < parcel.by_s - before_s < 11.0


def test_the_state_tells_cores_time_and_nothing_while_core_is_away(joined: Scene) -> None:
    assert joined.server is not None
    joined.server.publish(snapshot())
    until(lambda: joined.courier.newest is not None)
    newest = joined.courier.newest
    assert newest is not None
    here = json.loads(state_of(joined.courier, here=True, since_s=5.0))
    assert here == {
        "state": "here",
        "since": 5.0,
        "barn": newest.barn,
        "time": newest.wall_s,
        "time_trusted": newest.clock_trusted,
    }
    gone = json.loads(state_of(joined.courier, here=False, since_s=5.0))
    assert gone == {"state": "gone", "since": 5.0, "barn": None, "time": None, "time_trusted": None}
    joined.core_goes()
    until(lambda: joined.courier.newest is None)
    assert json.loads(state_of(joined.courier, here=True, since_s=5.0))["time"] is None


def test_it_ends_at_once_with_or_without_core(tmp_path: Path) -> None:
    alone = Scene(tmp_path / "nobody.sock")
    alone.courier.start()
    began_s = machine_s()
    alone.courier.close()
    alone.courier.close()
    assert machine_s() - began_s < 2.0
    assert alone.courier.hung_s() > 0  # a thread that is not there has hung


def test_a_core_of_another_version_is_told_apart_and_tried_again(
    scene: Scene, caplog: pytest.LogCaptureFixture
) -> None:
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)) as listener:
        listener.bind(str(scene.path))
        listener.listen()
        for said in (b'{"link":9,"hello":"core"}\n', b"torn", b'{"link":1,"refused":"another uplink has come"}\n'):
            listener.settimeout(10)
            sock, _ = listener.accept()
            assert b"uplink" in sock.recv(100)
            sock.sendall(said)
            sock.close()
    until(lambda: "another uplink has come" in caplog.text)
    assert "upgrade all roles together" in caplog.text
    scene.path.unlink()
    scene.core_comes()
    until(lambda: bool(scene.listened), limit_s=10)
