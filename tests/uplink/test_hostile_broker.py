"""Brokers that speak an old version, say nothing or nonsense, or throw us out: each costs one connection at most."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable, Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.uplink.backoff import Patience
from gateway.uplink.session import V5, V311, Entry, Session
from tests.engine.fakes import until
from tests.uplink.rig import OwnBroker
from tests.uplink.test_mqtt import Line

Serve = Callable[[socket.socket, bytes], None]

# MQTT 5.0 (OASIS 2019) and MQTT 3.1.1 (OASIS 2014), sections 3.1, 3.2 and 3.14.
CONNACK_5, CONNACK_311, WRONG_VERSION_311 = b"\x20\x03\x00\x00\x00", b"\x20\x02\x00\x00", b"\x20\x02\x00\x01"
WRONG_VERSION_5 = b"\x20\x03\x00\x84\x00"
BAD_PASSWORD_311 = b"\x20\x02\x00\x04"
TAKEN_OVER_5 = b"\xe0\x01\x8e"

HASTY = Patience(first_s=0.02, longest_s=0.05, hold_s=0.3, connect_s=0.5)


def level(connect: bytes) -> int:
    """The protocol level in a CONNECT packet: the byte after the name."""
    return connect[connect.index(b"\x00\x04MQTT") + 6]


@pytest.fixture
def stage() -> Iterator[Callable[[Serve], tuple[OwnBroker, Line]]]:
    with contextlib.ExitStack() as stack:

        def make(serve: Serve) -> tuple[OwnBroker, Line]:
            broker = OwnBroker(serve)
            stack.callback(broker.close)
            line = Line(broker.broker(), HASTY)
            stack.callback(line.line.close)
            return broker, line

        yield make


def drain(sock: socket.socket) -> None:
    while sock.recv(4096):
        pass


def only_311(refusal: bytes) -> Serve:
    def serve(sock: socket.socket, connect: bytes) -> None:
        if level(connect) == 5:
            sock.sendall(refusal)
        else:
            sock.sendall(CONNACK_311)
            drain(sock)

    return serve


@pytest.mark.parametrize("refusal", [WRONG_VERSION_311, WRONG_VERSION_5, b""], ids=["311", "5", "wordless"])
def test_a_broker_that_knows_only_3_1_1_is_met_with_it(
    stage: Callable[[Serve], tuple[OwnBroker, Line]], refusal: bytes
) -> None:
    broker, line = stage(only_311(refusal))
    line.until_up()
    assert [level(connect) for connect in broker.joined] == [5, 4]


def test_a_version_that_worked_is_kept_after_a_loss(stage: Callable[[Serve], tuple[OwnBroker, Line]]) -> None:
    def serve(sock: socket.socket, connect: bytes) -> None:
        if level(connect) == 4:
            sock.sendall(CONNACK_311)

    broker, _ = stage(serve)
    until(lambda: len(broker.joined) > 5)
    assert [level(connect) for connect in broker.joined][:5] == [5, 4, 4, 4, 4]


def test_a_broker_that_says_nothing_is_left_after_a_while(stage: Callable[[Serve], tuple[OwnBroker, Line]]) -> None:
    _, line = stage(lambda sock, _: drain(sock))
    line.until_down("says nothing")
    assert line.line.hung_s() == 0


def test_a_refused_password_is_held_in_3_1_1_too(stage: Callable[[Serve], tuple[OwnBroker, Line]]) -> None:
    def serve(sock: socket.socket, connect: bytes) -> None:
        sock.sendall(WRONG_VERSION_311 if level(connect) == 5 else BAD_PASSWORD_311)

    broker, line = stage(serve)
    line.until_down("refuses us: Bad user name or password")
    assert len(broker.joined) == 2


def test_another_client_of_our_name_is_said_in_plain_words(stage: Callable[[Serve], tuple[OwnBroker, Line]]) -> None:
    def serve(sock: socket.socket, _: bytes) -> None:
        sock.sendall(CONNACK_5 + TAKEN_OVER_5)
        drain(sock)

    _, line = stage(serve)
    until(lambda: any("same [mqtt] prefix" in why for _, why in line.states))


NONSENSE = [
    b"\xff" * 100,
    b"\x00" * 100,
    b"\x30\xff\xff\xff\xff\x7f",  # a length of five bytes
    b"\x30\x00",  # a message without a topic
    b"\x30\x03\x00\x05a",  # a topic longer than its packet
    b"\x30\x04\x00\x01\xff\x00",  # a topic that is not UTF-8
    b"\x32\x05\x00\x01a\x00\x01",  # at least once, and no properties
    b"\x36\x06\x00\x01a\x00\x01\x00",  # a quality of service that does not exist
    b"\x90\x01\x00",  # an answer to a subscription that is too short
    b"\x40\x01\x00",  # an acknowledgement that is too short
    b"\x40\x02\xff\xff",  # of what was never sent
    b"\xe0\x02\x99\x99",  # a farewell with a reason that does not exist
    CONNACK_5,  # twice
    b"\x30\x06\x00\x01a\x02\xff\xff",  # properties that do not exist
]


@pytest.mark.parametrize("said", NONSENSE, ids=[said[:8].hex() for said in NONSENSE])
def test_nonsense_ends_one_connection_at_most(stage: Callable[[Serve], tuple[OwnBroker, Line]], said: bytes) -> None:
    broker, line = stage(lambda sock, _: sock.sendall(CONNACK_5 + said))
    until(lambda: len(broker.joined) >= 3)
    assert line.line.hung_s() == 0


@settings(max_examples=1500, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.binary(max_size=40), version=st.sampled_from([V5, V311]), welcome=st.booleans())
def test_any_bytes_end_a_session_without_hanging_it(said: bytes, version: object, welcome: bool) -> None:
    def serve(sock: socket.socket, _: bytes) -> None:
        sock.sendall(((CONNACK_5 if version == V5 else CONNACK_311) if welcome else b"") + said)

    broker = OwnBroker(serve)
    entry = Entry(
        host="127.0.0.1",
        port=broker.port,
        client_id="c",
        user="",
        password=None,
        tls=None,
        will_topic="w",
        will_payload=b"",
        connect_s=1.0,
        keepalive_s=1,
    )
    wake, other = socket.socketpair()
    session = Session(entry, V5 if version == V5 else V311, lambda _: None)
    turns = 0
    with contextlib.suppress(Exception):  # the line catches it and begins anew
        while not session.over:
            session.turn(wake, 0.05)
            turns += 1
            assert turns < 200
    assert turns < 200
    session.cut()
    broker.close()
    wake.close()
    other.close()
