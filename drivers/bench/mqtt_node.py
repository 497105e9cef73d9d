"""Owns: the nodes of an emulated barn that speak MQTT: sensors that report, relays that obey, behind a real broker.

Must not know: the gateway, zones; what a sensor measures comes as an argument.
How it works: one connection to the broker carries all nodes, in paho's own thread. `tick` lets each sensor report in
its rhythm and each relay look at the clock: a command that has expired lets go of its contact, and the wiring decides.
A node that has lost its broker obeys until then, as a real one would.
"""

from __future__ import annotations

import json
import ssl
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from drivers import senml
from drivers.json_pointer import tokens
from gateway.barn import Barn, SensorSpec, Switched
from gateway.model import Quantity
from gateway.ports import Clock

MQTT_FAULTS: Final = ("silence", "torn", "nan", "old", "stuck", "power-on", "wet")
MQTT_RELAY_FAULTS: Final = ("silence", "deaf")

_OLD_S: Final = 3600.0
_SOONER_S: Final = 1.0  # a node reports a little more often than it is read, so that each reading finds a new one
_Values = Mapping[Quantity, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerAt:
    """The broker, as a node knows it."""

    host: str
    port: int
    tls: bool = False
    ca_file: Path | None = None
    user: str = ""
    password: str | None = field(default=None, repr=False)


class MqttNodes:
    """All nodes of a barn. `tick` is called by one thread, everything else by any."""

    def __init__(self, barn: Barn, broker: BrokerAt, clock: Clock) -> None:
        self._clock, self._broker = clock, broker
        self._sensors = {s.name: s for s in barn.sensors if s.kind == "mqtt"}
        self._next_s = dict.fromkeys(self._sensors, float("-inf"))
        relays = {relay.name: relay for relay in barn.relays if relay.kind == "mqtt-relay"}
        items: tuple[Switched, ...] = (*barn.kit, *barn.signals)
        self._relays = {
            f"{relays[each.relay].options['topic']}/{each.output}": _Relay(each)
            for each in items
            if each.relay in relays
        }
        self._lock = threading.Lock()  # guards the relays, which paho's thread moves too
        self._client: paho.Client | None = None

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self.appear()

    def appear(self) -> None:
        """All nodes join the broker, as soon as it is there."""
        if self._client is None:
            self._client = self._made()
            self._client.connect_async(self._broker.host, self._broker.port, keepalive=15)
            self._client.loop_start()

    def vanish(self) -> None:
        """All nodes leave the broker."""
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            client.loop_stop()

    def close(self) -> None:
        """End the connection; idempotent."""
        self.vanish()

    def tick(self, values: Mapping[str, _Values], faults: Mapping[str, str], now_s: float) -> None:
        """Let time pass: report what is due, let go what has expired."""
        for topic, payload in self._let_go(faults, now_s):
            self._publish(topic, payload)
        client = self._client
        for name, spec in self._sensors.items():
            fault = faults.get(name, "")
            if now_s < self._next_s[name] or fault == "silence" or client is None or not client.is_connected():
                continue
            self._next_s[name] = now_s + max(_SOONER_S, spec.every_s - _SOONER_S)
            payload = report(spec, values[name], wall_s=self._clock.stamp().wall_s, fault=fault)
            self._publish(spec.options["topic"], payload)

    def running(self, now_s: float) -> dict[str, bool]:
        """Which kit turns or sprays, by its contact."""
        with self._lock:
            for relay in self._relays.values():
                relay.look(now_s)
            return {relay.kit.name: relay.on for relay in self._relays.values()}

    def _made(self) -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="bench-nodes")
        client.suppress_exceptions = True
        client.reconnect_delay_set(1, 5)
        if self._broker.tls:
            ca_file = self._broker.ca_file
            client.tls_set_context(ssl.create_default_context(cafile=str(ca_file) if ca_file else None))
        if self._broker.user:
            client.username_pw_set(self._broker.user, self._broker.password)
        client.on_connect, client.on_message = self._joined, self._told
        return client

    def _joined(self, client: paho.Client, _: Any, __: Any, code: Any, ___: Any) -> None:
        if not code.is_failure and self._relays:
            client.subscribe([(f"{node}/ask", 1) for node in self._relays])

    def _let_go(self, faults: Mapping[str, str], now_s: float) -> list[tuple[str, bytes]]:
        """What the relays say whose command has expired just now."""
        said = []
        with self._lock:
            for node, relay in self._relays.items():
                relay.fault = faults.get(relay.kit.name) or faults.get(relay.kit.relay, "")
                relay.look(now_s)
                if relay.has_news and relay.fault != "silence":
                    relay.has_news = False
                    said.append((f"{node}/state", relay.state()))
        return said

    def _told(self, _: paho.Client, __: Any, message: paho.MQTTMessage) -> None:
        node = message.topic.removesuffix("/ask")
        with self._lock:
            relay = self._relays.get(node)
            if relay is None or message.retain or relay.fault == "silence":
                return
            obeyed = relay.obey(bytes(message.payload), self._clock.now_s())
            state = relay.state()
        if obeyed:
            self._publish(f"{node}/state", state)

    def _publish(self, topic: str, payload: bytes) -> None:
        """No lock is held here: paho has its own."""
        client = self._client
        if client is not None:
            client.publish(topic, payload, qos=1)


class _Relay:
    """One contact with its own fail-safe: released, it leaves the kit as it is wired."""

    def __init__(self, kit: Switched) -> None:
        self.kit, self.fault = kit, ""
        self.on, self.has_news = kit.safe_on, False
        self._command = ""
        self._until_s = float("-inf")

    def obey(self, payload: bytes, now_s: float) -> bool:
        """Take a command; False when it is none. The same one twice moves nothing and does not last longer."""
        with suppress(ValueError, KeyError, TypeError):
            said = json.loads(payload)
            command, on, until_s = str(said["id"]), said["on"] is True, now_s + float(said["expires_s"])
            if command != self._command:
                self._command, self._until_s = command, until_s
                self.on = self.on if self.fault == "deaf" else on
            return True
        return False

    def look(self, now_s: float) -> None:
        """At the clock: when the command has expired, let go of the contact."""
        if float("-inf") < self._until_s <= now_s:
            self._until_s, self.on, self.has_news = float("-inf"), self.kit.safe_on, True

    def state(self) -> bytes:
        return json.dumps({"id": self._command, "on": self.on}).encode()


def report(spec: SensorSpec, values: _Values, *, wall_s: float, fault: str = "") -> bytes:
    """What the node of a sensor sends for these values."""
    time_s = -_OLD_S if fault == "old" else 0.0
    raw = {quantity: _raw(spec, quantity, values[quantity]) for quantity in spec.quantities}
    if fault == "nan":
        raw = dict.fromkeys(raw)
    payload = _senml(spec, raw, time_s) if spec.options["format"] == "senml" else _json(spec, raw, wall_s + time_s)
    return payload[: len(payload) // 2] if fault == "torn" else payload


def _raw(spec: SensorSpec, quantity: Quantity, value: float) -> float | None:
    place = spec.options[quantity.key]
    raw = (value - place["offset"]) / place["scale"]
    return round(raw, 4) if raw == raw else None  # a device that has no number says null


def _senml(spec: SensorSpec, raw: Mapping[Quantity, float | None], time_s: float) -> bytes:
    """In the quantity's first unit, where the site file leaves the number as it is."""
    records = []
    for quantity, value in raw.items():
        place = spec.options[quantity.key]
        plain = place["scale"] == 1.0 and place["offset"] == 0.0 and quantity in senml.UNITS
        unit, (factor, offset) = next(iter(senml.UNITS[quantity].items())) if plain else ("", (1.0, 0.0))
        said = "no number" if value is None else (value - offset) / factor
        records.append(senml.Record(name=place["name"], unit=unit, time_s=time_s, value=said))
    return senml.encode(records)


def _json(spec: SensorSpec, raw: Mapping[Quantity, float | None], time_s: float) -> bytes:
    tree: dict[str, Any] = {}
    for quantity, value in raw.items():
        _plant(tree, tokens(spec.options[quantity.key]["pointer"]), value)
    if "time" in spec.options:
        _plant(tree, tokens(spec.options["time"]), time_s)
    return json.dumps(tree).encode()


def _plant(tree: dict[str, Any], path: tuple[str, ...], value: float | None) -> None:
    *branches, leaf = path
    for branch in branches:
        tree = tree.setdefault(branch, {})
    tree[leaf] = value
