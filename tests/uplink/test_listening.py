"""A line that only listens: it publishes nothing, leaves no last will, and hears what the broker had kept."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.uplink.backoff import Patience
from gateway.uplink.mqtt import BrokerLine
from gateway.uplink.session import Message
from tests.engine.fakes import until
from tests.uplink.rig import NODE, Far, Mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


def test_a_listener_hears_everything_kept_and_says_nothing_even_when_it_dies(broker: Mosquitto) -> None:
    far = Far(broker, "#")
    for n in range(3000):  # more than the 1,000 that the broker keeps by itself for one listener that is behind
        far._client.publish(f"loosebox/b{n}/state", b"{}", retain=True)
    until(lambda: len(far.heard) == 3000, limit_s=20)
    heard: dict[str, Message] = {}
    line = BrokerLine(
        broker.broker(user=NODE, prefix=""),
        take=lambda message: heard.update({message.topic: message}),
        changed=lambda up, why: None,
        state=None,
        patience=Patience(first_s=0.1),
        client_id="board",
    )
    line.listen(["loosebox/+/state"])
    line.start()
    until(lambda: len(heard) == 3000, limit_s=20)
    assert all(message.retained for message in heard.values())
    far.publish("loosebox/b1/state", b"{ }")
    until(lambda: heard["loosebox/b1/state"].payload == b"{ }", limit_s=10)
    assert not heard["loosebox/b1/state"].retained
    line.close()
    broker_heard = {topic for topic, _, _ in far.heard}
    assert all(topic.endswith("/state") and topic.startswith("loosebox/b") for topic in broker_heard)
    assert "board" in (broker.folder / "mosquitto.log").read_text()
    far.close()
