"""Devices of the bench that speak by themselves: lines, SDI-12 and MQTT, heard by our drivers and by paho."""

from __future__ import annotations

import json
import queue
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from drivers.bench.barn import Bench
from drivers.bench.desk import ask
from drivers.bench.mqtt_node import BrokerAt
from drivers.bench.weather import HotDay
from drivers.lines_wire import LinesWire, nmea, text_line
from drivers.sdi12_wire import Sdi12Sensor, Sdi12Wire
from gateway import site
from gateway.barn import Barn
from gateway.errors import ReadError, SiteError
from gateway.ports import Sensor
from tests.bench_barn.rig import NEW_YORK_SUMMER_H, HandClock, until
from tests.drivers.libmodbus import free_port

SPOKEN = Path(__file__).with_name("spoken.toml")
WEATHER = HotDay(zone_offset_h=NEW_YORK_SUMMER_H)


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def barn(tmp_path: Path, port: int) -> Barn:
    path = Path(shutil.copy(SPOKEN, tmp_path / "barn.toml"))
    path.write_text(path.read_text().replace("port = 1883", f"port = {port}"))
    return site.load(path).barn


@pytest.fixture
def bench(barn: Barn, clock: HandClock, tmp_path: Path, port: int) -> Iterator[Bench]:
    bench = Bench(barn, folder=tmp_path, clock=clock, weather=WEATHER, broker=BrokerAt(host="127.0.0.1", port=port))
    bench.start()
    yield bench
    bench.stop()


@pytest.fixture
def sensors(barn: Barn, bench: Bench) -> Iterator[dict[str, Sensor]]:
    buses = {bus.name: bus for bus in barn.buses}
    specs = {spec.name: spec for spec in barn.sensors}
    with ExitStack() as undo:
        lines, probe = LinesWire(buses["node"]), Sdi12Wire(buses["probe"])
        undo.callback(lines.close)
        undo.callback(probe.close)
        yield {
            "node-air": text_line(specs["node-air"], lines),
            "mast": nmea(specs["mast"], lines),
            "soil": Sdi12Sensor(specs["soil"], probe),
        }


def sensed(folder: Path, name: str) -> dict[str, float]:
    values: dict[str, float] = ask(folder, {"do": "show"})["sensed"][name]
    return values


def agrees(sensor: Sensor, folder: Path, name: str, near: float) -> bool:
    with suppress(ReadError):
        read = {raw.channel.split(".")[1]: raw.value for raw in sensor.read()}
        measured = sensed(folder, name)
        return all(abs(read[quantity] - value) < near for quantity, value in measured.items())
    return False


@pytest.mark.parametrize(("name", "near"), [("node-air", 0.06), ("mast", 0.51), ("soil", 0.06)])
def test_a_device_that_speaks_says_what_it_measured(
    sensors: dict[str, Sensor], tmp_path: Path, name: str, near: float
) -> None:
    assert ask(tmp_path, {"do": "fault", "target": name, "kind": "stuck"})["ok"]  # it measures anew each moment
    until(lambda: agrees(sensors[name], tmp_path, name, near), "the driver reads what the bench measured")


@pytest.mark.parametrize(("target", "name"), [("node-air", "node-air"), ("node", "mast"), ("soil", "soil")])
def test_a_silent_device_or_a_pulled_adapter_gives_no_reading(
    sensors: dict[str, Sensor], tmp_path: Path, clock: HandClock, target: str, name: str
) -> None:
    def reads() -> bool:
        with suppress(ReadError):
            return bool(sensors[name].read())
        return False

    until(reads, "it speaks")
    kind = "gone" if target == "node" else "silence"
    assert ask(tmp_path, {"do": "fault", "target": target, "kind": kind})["ok"]
    until(lambda: not reads(), "it is silent")


# --- MQTT ---------------------------------------------------------------------------------------------


@pytest.fixture
def broker(tmp_path: Path, port: int) -> Iterator[None]:
    where = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin")
    assert where, "Debian's package mosquitto is needed"
    config = tmp_path / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    with subprocess.Popen([where, "-c", str(config)], stderr=subprocess.DEVNULL) as process:
        yield
        process.terminate()


@pytest.fixture
def listener(broker: None, port: int) -> Iterator[tuple[paho.Client, Callable[[str], bytes]]]:
    """A client of its own, and what it heard last at a topic."""
    heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _, __, message: heard.put((message.topic, bytes(message.payload)))

    def connected() -> bool:
        with suppress(OSError):
            client.connect("127.0.0.1", port)
            return True
        return False

    until(connected, "the broker is there")
    client.subscribe("barn/#", qos=1)
    client.loop_start()

    def next_at(topic: str) -> bytes:
        while True:
            found, payload = heard.get(timeout=5)
            if found == topic:
                return payload

    yield client, next_at
    client.disconnect()
    client.loop_stop()


def test_a_node_reports_through_the_broker_and_obeys_until_its_command_expires(
    listener: tuple[paho.Client, Callable[[str], bytes]], bench: Bench, tmp_path: Path, clock: HandClock
) -> None:
    client, next_at = listener

    def running() -> bool:
        return bool(ask(tmp_path, {"do": "show"})["running"]["far-fan"])

    reported = json.loads(next_at("barn/stall-7"))
    assert reported["air"]["t"] == pytest.approx(sensed(tmp_path, "far-air")["temp_c"], abs=0.5)
    assert running()
    client.publish("barn/fans/north/ask", json.dumps({"id": "1", "on": False, "expires_s": 10}), qos=1)
    until(lambda: not running(), "the fan stops")
    clock.pass_s(11)
    until(running, "nobody asked again: the contact is released")


def test_a_bench_with_mqtt_needs_a_broker(barn: Barn, tmp_path: Path) -> None:
    with pytest.raises(SiteError, match="needs a broker"):
        Bench(barn, folder=tmp_path, clock=HandClock(), weather=WEATHER)


def test_stop_leaves_nothing_of_any_line(barn: Barn, tmp_path: Path, port: int) -> None:
    files = set(tmp_path.rglob("*"))
    bench = Bench(
        barn, folder=tmp_path, clock=HandClock(), weather=WEATHER, broker=BrokerAt(host="127.0.0.1", port=port)
    )
    bench.start()
    assert {"node", "probe"} <= {path.name for path in tmp_path.iterdir()}
    bench.stop()
    assert set(tmp_path.rglob("*")) == files
