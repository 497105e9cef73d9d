"""From an emulated node to a driver in core and back: broker with password, ACL, TLS; uplink as a process; the link."""

from __future__ import annotations

import contextlib
import json
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.bench.mqtt_node import BrokerAt, MqttNodes
from drivers.mqtt_node import MqttSensor
from drivers.mqtt_postbox import MqttPostbox
from drivers.mqtt_relay import MqttRelay
from gateway.engine.clock import BoardClock, machine_s
from gateway.engine.link import LinkServer
from gateway.errors import CommandError, PortGone, ReadError
from gateway.model import Quantity
from gateway.site import Site, load
from tests.engine.fakes import until
from tests.uplink.rig import NODE, PASSWORD, USER, Far, Mosquitto

MEASURED = {Quantity.TEMP: 31.25, Quantity.RH: 62.5, Quantity.CURRENT: 4.2}
EXPIRES_S = 3.0

SITE = """
[barn]
name = "Far Field"
zone = "America/New_York"
altitude_m = 30
[[places]]
name = "stalls"
kind = "standing"
[[buses]]
name = "air"
kind = "mqtt"
[[sensors]]
name = "stalls-air"
place = "stalls"
bus = "air"
kind = "mqtt"
every_s = 1
late_after_s = 5
lost_after_s = 10
topic = "barn/stalls"
format = "senml"
temp = {{ name = "node-7/temp" }}
rh = {{ name = "node-7/rh" }}
[[sensors]]
name = "stalls-air-2"
place = "stalls"
bus = "air"
kind = "mqtt"
every_s = 1
late_after_s = 5
lost_after_s = 10
topic = "barn/stalls-2"
format = "json"
time = "/at"
temp = {{ pointer = "/air/temp", scale = 0.01 }}
rh = {{ pointer = "/air/rh" }}
[[sensors]]
name = "fan-amps"
place = "stalls"
bus = "air"
kind = "mqtt"
every_s = 1
late_after_s = 5
lost_after_s = 10
topic = "barn/amps"
format = "senml"
current = {{ name = "north:amps" }}
[[relays]]
name = "nodes"
bus = "air"
kind = "mqtt-relay"
topic = "barn/kit"
refresh_s = 1
expires_s = {expires_s}
[[kit]]
name = "stall-fans"
place = "stalls"
kind = "fan"
relay = "nodes"
node = "north"
contact = "normally-closed"
proof = {{ sensor = "fan-amps", quantity = "current", at_least = 1.0 }}
[[kit]]
name = "stall-mist"
place = "stalls"
kind = "mister"
relay = "nodes"
node = "mist"
contact = "normally-open"
[mqtt]
host = "localhost"
port = {port}
ca_file = "broker/ca.crt"
user = "{user}"
password_file = "broker/secret"
[history]
file = "history.db"
[link]
socket = "link.sock"
"""


class Whole:
    """Everything between a node and a driver, on one machine."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.folder, self.broker = folder, broker
        broker.secret(PASSWORD)
        path = folder / "barn.toml"
        path.write_text(SITE.format(port=broker.port, user=USER, expires_s=EXPIRES_S))
        self.site: Site = load(path)
        self._uplink: subprocess.Popen[bytes] | None = None
        clock, barn = BoardClock(), self.site.barn
        self.postbox = MqttPostbox(barn.buses[0])
        self.senml, self.json, self.amps = (MqttSensor(spec, self.postbox) for spec in barn.sensors)
        self.fans, self.mist = (MqttRelay(kit, barn.relays[0], self.postbox) for kit in barn.kit)
        self.server = LinkServer(self.site.link_socket, postboxes=(self.postbox,))
        self.postbox.join(clock, self.server.tell)
        at = BrokerAt(
            host="localhost", port=broker.port, tls=True, ca_file=broker.folder / "ca.crt", user=NODE, password=PASSWORD
        )
        self.nodes = MqttNodes(barn, at, clock)
        self._now_s = clock.now_s

    def start_uplink(self) -> None:
        command = [sys.executable, "-m", "gateway.cli", "uplink", str(self.site.path)]
        log = (self.folder / "uplink.log").open("ab")
        self._uplink = subprocess.Popen(command, stdout=log, stderr=log)
        log.close()

    def end_uplink(self, *, kill: bool = False) -> None:
        if self._uplink is not None:
            self._uplink.kill() if kill else self._uplink.terminate()
            self._uplink.wait(10)
            self._uplink = None

    def tick(self, **faults: str) -> None:
        values = {spec.name: MEASURED for spec in self.site.barn.sensors}
        self.nodes.tick(values, {name.replace("_", "-"): fault for name, fault in faults.items()}, self._now_s())

    def running(self) -> dict[str, bool]:
        return self.nodes.running(self._now_s())

    def reads(self, sensor: MqttSensor, **faults: str) -> bool:
        """Let time pass, and see whether a reading comes."""
        self.tick(**faults)
        with contextlib.suppress(ReadError):
            expected = [MEASURED[channel.quantity] for channel in sensor.channels]
            return [raw.value for raw in sensor.read()] == pytest.approx(expected)
        return False

    def sets(self, relay: MqttRelay, on: bool) -> bool:
        self.tick()
        with contextlib.suppress(CommandError):
            relay.set(on)
            return relay.readback() is on
        return False

    def shows(self, relay: MqttRelay) -> bool | None:
        with contextlib.suppress(ReadError):
            return relay.readback()
        return None

    def fails_with(self, read: Callable[[], object], error: type[Exception]) -> bool:
        try:
            read()
        except error:
            return True
        except (ReadError, CommandError):
            return False
        return False

    def close(self) -> None:
        self.nodes.close()
        self.end_uplink()
        self.server.close()


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path_factory.mktemp("whole") / "broker", tls=True)
    made.start()
    yield made
    made.kill()


@pytest.fixture(scope="module")
def whole(broker: Mosquitto) -> Iterator[Whole]:
    made = Whole(broker.folder.parent, broker)
    made.nodes.start()
    made.start_uplink()
    until(lambda: made.reads(made.senml), limit_s=20)
    yield made
    made.close()


def test_readings_of_both_formats_arrive(whole: Whole) -> None:
    until(lambda: whole.reads(whole.senml), limit_s=10)
    until(lambda: whole.reads(whole.json), limit_s=10)
    until(lambda: whole.reads(whole.amps), limit_s=10)


def test_kit_obeys_confirms_and_lets_go_by_itself_when_nobody_refreshes(whole: Whole) -> None:
    assert whole.running() == {"stall-fans": True, "stall-mist": False}  # as they are wired
    for on in (False, True, False):
        until(lambda on=on: whole.sets(whole.fans, on), limit_s=10)  # type: ignore[misc]
        until(lambda on=on: whole.sets(whole.mist, not on), limit_s=10)  # type: ignore[misc]
        assert whole.running() == {"stall-fans": on, "stall-mist": not on}
    until(lambda: whole.running() == {"stall-fans": True, "stall-mist": False}, limit_s=2 * EXPIRES_S)
    whole.tick()
    until(lambda: whole.shows(whole.fans) is True and whole.shows(whole.mist) is False)


@pytest.mark.parametrize("fault", ["silence", "torn", "nan", "old"])
def test_a_node_with_a_fault_gives_no_reading_until_it_is_mended(whole: Whole, fault: str) -> None:
    until(lambda: whole.reads(whole.senml), limit_s=10)
    until(lambda: whole.reads(whole.json), limit_s=10)
    began_s = machine_s()
    while machine_s() - began_s < 1.5:
        assert not whole.reads(whole.senml, stalls_air=fault, stalls_air_2=fault)
        assert not whole.reads(whole.json, stalls_air=fault, stalls_air_2=fault)
    until(lambda: whole.reads(whole.senml), limit_s=10)
    until(lambda: whole.reads(whole.json), limit_s=10)


def test_hostile_payloads_disturb_nothing(whole: Whole, broker: Mosquitto) -> None:
    far = Far(broker, client_id="hostile")
    chance = random.Random(7)
    for number in range(300):
        topic = chance.choice(["barn/stalls", "barn/stalls-2", "barn/kit/north/state", "barn/kit/mist/state"])
        far.publish(topic, chance.randbytes(chance.choice([0, 1, 30, 9000])), retain=number % 7 == 0, qos=0)
    for topic, payload in (
        ("barn/stalls", b"[" * 8000),
        ("barn/stalls-2", b'{"air": {"temp": 1e999, "rh": -1e999}, "at": 1e300}'),
        ("barn/kit/north/state", b'{"id": [], "on": {}}'),
        ("barn/kit/mist/state", b"x" * 1_000_000),
    ):
        far.publish(topic, payload, retain=True)
    until(lambda: whole.reads(whole.senml), limit_s=10)
    until(lambda: whole.reads(whole.json), limit_s=10)
    until(lambda: whole.sets(whole.mist, True), limit_s=10)
    until(lambda: whole.sets(whole.mist, False), limit_s=10)
    for topic in ("barn/stalls", "barn/stalls-2", "barn/kit/north/state", "barn/kit/mist/state"):
        far.publish(topic, b"", retain=True)
    far.close()


def test_a_command_that_the_broker_has_kept_moves_no_node(whole: Whole, broker: Mosquitto) -> None:
    far = Far(broker, client_id="forger")
    far.publish("barn/kit/mist/ask", b'{"id": "old", "on": true, "expires_s": 60}', retain=True)
    until(lambda: whole.running()["stall-mist"])  # heard live it counts, whoever may write there: the ACL's task
    until(lambda: whole.sets(whole.mist, False), limit_s=10)
    whole.nodes.vanish()
    whole.nodes.appear()
    until(lambda: whole.sets(whole.fans, True), limit_s=10)
    assert not whole.running()["stall-mist"]
    far.publish("barn/kit/mist/ask", b"", retain=True)
    far.close()


def test_a_killed_broker_fails_commands_quickly_and_everything_comes_back(whole: Whole, broker: Mosquitto) -> None:
    until(lambda: whole.sets(whole.mist, True), limit_s=10)
    broker.kill()
    until(lambda: whole.fails_with(lambda: whole.fans.set(False), CommandError), limit_s=5)
    began_s = machine_s()
    assert whole.fails_with(lambda: whole.fans.set(False), CommandError)
    assert machine_s() - began_s < 1.5
    until(lambda: whole.fails_with(whole.senml.read, PortGone), limit_s=10)
    until(lambda: not whole.running()["stall-mist"], limit_s=2 * EXPIRES_S)  # the node's own fail-safe
    broker.start()
    until(lambda: whole.reads(whole.senml), limit_s=20)
    until(lambda: whole.sets(whole.mist, True), limit_s=10)
    until(lambda: whole.sets(whole.mist, False), limit_s=10)


def test_a_killed_uplink_is_told_by_the_broker_and_fails_commands_until_it_is_back(
    whole: Whole, broker: Mosquitto
) -> None:
    far = Far(broker, "loosebox/state", client_id="watcher")
    until(lambda: bool(far.heard))
    assert json.loads(far.heard[-1][1])["state"] == "here"
    whole.end_uplink(kill=True)
    until(lambda: json.loads(far.heard[-1][1])["state"] == "gone", limit_s=10)
    until(lambda: whole.fails_with(lambda: whole.fans.set(False), CommandError), limit_s=5)
    with pytest.raises(CommandError, match="uplink is not there"):
        whole.fans.set(False)
    until(lambda: whole.fails_with(whole.json.read, PortGone), limit_s=5)
    whole.start_uplink()
    until(lambda: whole.reads(whole.senml), limit_s=20)
    until(lambda: whole.sets(whole.fans, False), limit_s=10)
    until(lambda: json.loads(far.heard[-1][1])["state"] == "here")
    far.close()


def test_an_orderly_end_says_gone_and_leaves_no_command_behind(whole: Whole, broker: Mosquitto) -> None:
    far = Far(broker, "loosebox/state", "barn/#", client_id="last")
    whole.end_uplink()
    until(lambda: json.loads(far.payloads("loosebox/state")[-1])["state"] == "gone")
    assert not [topic for topic, _, retained in far.heard if retained and topic.endswith("/ask")]
    assert "defect" not in (whole.folder / "uplink.log").read_text()
    far.close()
