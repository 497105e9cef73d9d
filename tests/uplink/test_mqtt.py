"""The line to a real broker: Mosquitto with passwords, ACL and TLS, killed, brought back, and flooded."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.engine.clock import machine_s
from gateway.site import Broker
from gateway.uplink.backoff import Patience
from gateway.uplink.mqtt import BrokerLine, Parcel
from gateway.uplink.session import Entry, Message
from tests.engine.fakes import until
from tests.uplink.rig import PASSWORD, USER, Far, Mosquitto

QUICK = Patience(first_s=0.1, longest_s=0.4, hold_s=1.5)


class Line:
    """A line and what it told."""

    def __init__(self, broker: Broker, patience: Patience = QUICK) -> None:
        self.messages: list[Message] = []
        self.states: list[tuple[bool, str]] = []
        self.go_on = threading.Event()
        self.line = BrokerLine(
            broker,
            take=self._take,
            changed=lambda up, why: self.states.append((up, why)),
            state=lambda here: json.dumps({"here": here}).encode(),
            patience=patience,
        )
        self.line.listen(["barn/a", "barn/b"])
        self.line.start()

    def _take(self, message: Message) -> None:
        if message.payload == b"break":
            raise ZeroDivisionError
        if message.payload == b"hang":
            self.go_on.wait(20)
        self.messages.append(message)

    def payloads(self) -> list[bytes]:
        return [message.payload for message in self.messages]

    def until_up(self) -> None:
        until(lambda: bool(self.states) and self.states[-1][0], limit_s=15)

    def until_down(self, why: str) -> None:
        until(lambda: bool(self.states) and not self.states[-1][0] and why in self.states[-1][1], limit_s=15)

    def publish(self, payload: bytes, *, within_s: float = 10.0) -> bool:
        return self.line.publish(Parcel(topic="barn/fan/ask", payload=payload, by_s=machine_s() + within_s))


@pytest.fixture(params=[False, True], ids=["plain", "tls"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker", tls=request.param)
    made.start()
    yield made
    made.kill()


@pytest.fixture
def plain(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def open_line() -> Iterator[list[Line]]:
    lines: list[Line] = []
    yield lines
    for made in lines:
        made.line.close()


def reached(broker: Broker, lines: list[Line]) -> Line:
    made = Line(broker)
    lines.append(made)
    return made


def hear(far: Far, line: Line, payload: bytes) -> None:
    """Publish until it comes through: the subscription may be a moment behind the connection."""
    for _ in range(20):
        far.publish("barn/a", payload)
        try:
            return until(lambda: payload in line.payloads(), limit_s=0.5)
        except AssertionError:
            continue
    raise AssertionError("nothing came through")


def test_messages_come_in_and_go_out(broker: Mosquitto, open_line: list[Line]) -> None:
    line = reached(broker.broker(), open_line)
    line.until_up()
    far = Far(broker, "barn/fan/ask")
    hear(far, line, b"21.5")
    assert not line.messages[-1].retained
    assert line.publish(b"on")
    until(lambda: ("barn/fan/ask", b"on", False) in far.heard)
    far.close()
    line.line.close()
    later = Far(broker, "barn/fan/ask", client_id="later")
    later.publish("barn/fan/ask", b"mark")
    until(lambda: bool(later.heard))
    assert later.heard == [("barn/fan/ask", b"mark", False)]  # commands are not kept
    later.close()


def test_what_the_broker_had_kept_is_marked(plain: Mosquitto, open_line: list[Line]) -> None:
    far = Far(plain)
    far.publish("barn/a", b"kept", retain=True)
    line = reached(plain.broker(), open_line)
    until(lambda: bool(line.messages))
    assert (line.messages[0].payload, line.messages[0].retained) == (b"kept", True)
    far.close()


def test_the_state_says_here_and_after_an_orderly_end_gone(plain: Mosquitto, open_line: list[Line]) -> None:
    line = reached(plain.broker(), open_line)
    line.until_up()
    far = Far(plain, "loosebox/state")
    until(lambda: bool(far.heard))
    assert far.heard[0] == ("loosebox/state", b'{"here": true}', True)
    line.line.close()
    until(lambda: far.payloads("loosebox/state")[-1] == b'{"here": false}')
    far.close()


def test_a_killed_broker_is_noticed_and_its_return_too(broker: Mosquitto, open_line: list[Line]) -> None:
    line = reached(broker.broker(), open_line)
    line.until_up()
    for round_ in range(2):
        broker.kill()
        line.until_down("localhost")
        assert not line.publish(b"old")
        broker.start()
        line.until_up()
        far = Far(broker, "barn/fan/ask")
        hear(far, line, b"after %d" % round_)
        assert line.publish(b"new")
        until(lambda far=far: far.payloads("barn/fan/ask") == [b"new"])  # type: ignore[misc]
        far.close()
    assert line.line.hung_s() == 0


def test_a_message_on_which_the_receiver_breaks_costs_only_itself(plain: Mosquitto, open_line: list[Line]) -> None:
    line = reached(plain.broker(), open_line)
    line.until_up()
    far = Far(plain)
    hear(far, line, b"before")
    for _ in range(50):  # more than a broker has under way unacknowledged
        far.publish("barn/a", b"break")
    hear(far, line, b"after")
    assert [up for up, _ in line.states] == [True]
    far.close()


def test_a_wrong_password_is_said_once_held_and_mended_without_a_restart(
    plain: Mosquitto, open_line: list[Line]
) -> None:
    line = reached(plain.broker(plain.secret("wrong")), open_line)
    line.until_down("refuses us")
    log = plain.folder / "mosquitto.log"
    until(lambda: log.read_text().count("not authorised") == 1)  # the broker writes its log when it has time
    tries = 1
    threading.Event().wait(1.0)
    assert log.read_text().count("not authorised") == tries
    assert len(line.states) == 1
    plain.secret(PASSWORD)
    line.until_up()


def test_a_password_that_others_may_read_is_not_used(plain: Mosquitto, open_line: list[Line]) -> None:
    secret = plain.secret(PASSWORD)
    secret.chmod(0o640)
    line = reached(plain.broker(secret), open_line)
    line.until_down("chmod 0600")
    secret.chmod(0o600)
    line.until_up()


# paho-mqtt leaves the closing of a socket whose handshake failed to Python, which does it when the error is dropped.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_broker_with_a_strangers_certificate_is_refused(tmp_path: Path, open_line: list[Line]) -> None:
    broker = Mosquitto(tmp_path / "broker", tls=True)
    stranger = Mosquitto(tmp_path / "stranger", tls=True)
    broker.start()
    line = reached(broker.broker(ca_file=stranger.folder / "ca.crt"), open_line)
    line.until_down("CERTIFICATE_VERIFY_FAILED")
    by_address = reached(broker.broker(host="127.0.0.1"), open_line)  # the certificate is for localhost
    by_address.until_down("CERTIFICATE_VERIFY_FAILED")
    broker.kill()


def test_a_topic_that_the_broker_keeps_from_us_does_not_end_the_line(plain: Mosquitto, open_line: list[Line]) -> None:
    line = reached(plain.broker(), open_line)
    line.until_up()
    assert line.line.publish(Parcel(topic="forbidden", payload=b"x", by_s=machine_s() + 10))
    # Mosquitto keeps the connection or ends it, as its version is.
    until(lambda: any("Not authorized" in why for _, why in line.states))
    line.until_up()
    far = Far(plain)
    hear(far, line, b"still here")
    far.close()


def test_a_message_beyond_all_measure_does_not_reach_us_and_the_next_one_does(
    plain: Mosquitto, open_line: list[Line]
) -> None:
    line = reached(plain.broker(), open_line)
    line.until_up()
    far = Far(plain)
    hear(far, line, b"before")
    far.publish("barn/a", b"x" * 10_000_000)
    hear(far, line, b"after")
    assert max(len(payload) for payload in line.payloads()) < 100
    assert [up for up, _ in line.states] == [True]
    far.close()


def test_what_is_late_is_not_published(plain: Mosquitto, open_line: list[Line]) -> None:
    line = reached(plain.broker(), open_line)
    line.until_up()
    far = Far(plain, "barn/fan/ask")
    assert line.publish(b"late", within_s=-0.001)
    assert line.publish(b"new")
    until(lambda: bool(far.heard))
    assert far.payloads("barn/fan/ask") == [b"new"]
    far.close()


def test_a_thread_that_hangs_is_noticed(plain: Mosquitto, open_line: list[Line]) -> None:
    line = Line(plain.broker(), Patience(first_s=0.1, hung_s=0.7))
    open_line.append(line)
    line.until_up()
    far = Far(plain)
    hear(far, line, b"well")
    assert line.line.hung_s() == 0
    far.publish("barn/a", b"hang")
    until(lambda: line.line.hung_s() > 0)
    line.go_on.set()
    until(lambda: line.line.hung_s() == 0)
    far.close()


def test_a_broker_that_freezes_is_noticed_and_its_return_too(plain: Mosquitto, open_line: list[Line]) -> None:
    line = Line(plain.broker(), Patience(first_s=0.1, longest_s=0.4, connect_s=1.0, keepalive_s=1))
    open_line.append(line)
    line.until_up()
    plain.freeze()
    line.until_down("broker localhost")
    plain.thaw()
    line.until_up()


def test_topics_can_change_while_it_runs(plain: Mosquitto, open_line: list[Line]) -> None:
    line = reached(plain.broker(), open_line)
    line.until_up()
    far = Far(plain)
    hear(far, line, b"one")
    line.line.listen(["barn/b"])
    for number in range(40):
        far.publish("barn/a", b"a %d" % number)
        far.publish("barn/b", b"b %d" % number)
        if line.messages[-1].payload == b"b %d" % number:
            break
    far.publish("barn/a", b"unheard")
    far.publish("barn/b", b"heard")
    until(lambda: b"heard" in line.payloads())
    assert b"unheard" not in line.payloads()
    far.close()


def test_user_and_password_do_not_show_in_its_words() -> None:
    entry = Entry(
        host="h",
        port=1,
        client_id="c",
        user=USER,
        password=PASSWORD,
        tls=None,
        will_topic="w",
        will_payload=b"",
        connect_s=1.0,
        keepalive_s=1,
    )
    assert PASSWORD not in repr(entry)
