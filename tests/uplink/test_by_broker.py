"""Messages at a real broker: they have come when it has acknowledged them, and none comes late."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.site_alarms import Way
from gateway.uplink.backoff import Patience
from gateway.uplink.by_broker import ByBroker
from gateway.uplink.message_json import MOST_BYTES
from gateway.uplink.mqtt import BrokerLine
from gateway.uplink.verdict import Outcome, Verdict
from tests.engine.fakes import until
from tests.uplink.far_ends import message
from tests.uplink.rig import Far, Mosquitto, OwnBroker

ANA = Way(contact="Ana", mqtt="ana")
CALLS = "loosebox/calls/ana"


def made_line(broker: Any) -> BrokerLine:
    line = BrokerLine(
        broker,
        take=lambda message: None,
        changed=lambda up, why: None,
        state=lambda here: b"{}",
        patience=Patience(first_s=0.1, longest_s=0.5, hold_s=0.5, keepalive_s=5),
    )
    line.start()
    return line


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def line(broker: Mosquitto) -> Iterator[BrokerLine]:
    made = made_line(broker.broker())
    until(lambda: made.up, limit_s=20)
    yield made
    made.close()


def test_a_call_is_heard_whole_and_not_kept(broker: Mosquitto, line: BrokerLine) -> None:
    far = Far(broker, "loosebox/calls/#")
    try:
        assert ByBroker(line, "loosebox").send(message(), ANA) == Verdict(outcome=Outcome.DELIVERED)
        until(lambda: bool(far.heard), limit_s=20)
        ((topic, payload, retained),) = far.heard
    finally:
        far.close()
    assert (topic, retained) == (CALLS, False)
    assert json.loads(payload) == {
        "id": message().id,
        "kind": "alarm.call",
        "time": 1_782_907_200.5,
        "priority": "now",
        "subject": message().subject,
        "text": message().text,
        "data": message().data,
    }
    late = Far(broker, "loosebox/calls/#", client_id="late")
    try:
        assert ByBroker(line, "loosebox").send(message(id="notice-2"), ANA).outcome is Outcome.DELIVERED
        until(lambda: bool(late.heard), limit_s=20)
        assert [json.loads(heard)["id"] for heard in late.payloads(CALLS)] == ["notice-2"], "nothing of before"
    finally:
        late.close()


def test_what_is_too_much_stays_behind_and_the_call_goes_out(broker: Mosquitto, line: BrokerLine) -> None:
    far = Far(broker, CALLS)
    try:
        much = message(data={"much": "x" * MOST_BYTES})
        assert ByBroker(line, "loosebox").send(much, ANA).outcome is Outcome.DELIVERED
        until(lambda: bool(far.heard), limit_s=20)
        told = json.loads(far.payloads(CALLS)[0])
    finally:
        far.close()
    assert (told["data"], told["subject"]) == ({"shortened": True}, much.subject)


def test_a_broker_that_is_away_gets_nothing_late(broker: Mosquitto, line: BrokerLine) -> None:
    sender = ByBroker(line, "loosebox", within_s=20.0)
    broker.kill()
    until(lambda: not line.up, limit_s=20)
    verdict = sender.send(message(id="notice-lost"), ANA)
    assert verdict.outcome is Outcome.AWAY and "broker" in verdict.why
    broker.start()
    far = Far(broker, CALLS)
    try:
        until(lambda: line.up, limit_s=20)
        assert sender.send(message(id="notice-new"), ANA).outcome is Outcome.DELIVERED
        until(lambda: bool(far.heard), limit_s=20)
        assert [json.loads(heard)["id"] for heard in far.payloads(CALLS)] == ["notice-new"]
    finally:
        far.close()


def test_what_is_not_acknowledged_has_not_come(tmp_path: Path) -> None:
    """A broker that takes the connection and never says anything to a message: MQTT 5.0, CONNACK alone."""

    def serve(sock: socket.socket, connect: bytes) -> None:
        sock.sendall(bytes([0x20, 0x03, 0x00, 0x00, 0x00]))
        while sock.recv(4096):
            pass

    silent = OwnBroker(serve)
    line = made_line(silent.broker())
    try:
        until(lambda: line.up, limit_s=20)
        verdict = ByBroker(line, "loosebox", within_s=0.3).send(message(), ANA)
    finally:
        line.close()
        silent.close()
    assert verdict.outcome is Outcome.AWAY and "not acknowledged within 0.3 s" in verdict.why


def test_a_topic_that_the_broker_does_not_allow_is_refused(broker: Mosquitto, line: BrokerLine) -> None:
    """Its ACL lets us write below loosebox/ only; MQTT 5 says so in the acknowledgement."""
    verdict = ByBroker(line, "elsewhere").send(message(), ANA)
    assert verdict.outcome is Outcome.REFUSED and "not" in verdict.why.lower()


@pytest.mark.parametrize("word", ["a/b", "+", "#", "a\0", ""])
def test_a_word_that_is_none_is_refused(line: BrokerLine, word: str) -> None:
    verdict = ByBroker(line, "loosebox").send(message(), Way(contact="Ana", mqtt=word))
    assert verdict.outcome is Outcome.REFUSED and "one word of a topic" in verdict.why


def test_it_never_raises(line: BrokerLine) -> None:
    sender = ByBroker(line, "loosebox")
    assert sender.send(message(made_wall_s=float("nan")), ANA).outcome is Outcome.AWAY
    assert sender.reaches(ANA) and not sender.reaches(Way(contact="Ana"))
    sender.close()
