"""Owns: which nodes speak on the broker, and where in their messages a quantity stands.

Must not know: how the gateway itself speaks with the broker.
How it works: a client of its own listens for a while and says nothing: no last will, nothing published. What a message
holds is guessed by its form: SenML by unit, JSON by the names of its members. A guess is a block to look at, no more.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from drivers import senml
from drivers.json_pointer import document
from gateway.app.look_found import Corner, Paste, Table, Value, quoted
from gateway.errors import GatewayError, ReadError
from gateway.site import Broker
from gateway.uplink.credentials import password_of, tls_context

LONGEST_S: Final = 3600.0
_MOST_TOPICS, _LARGEST, _LONGEST_NAME = 200, 65_536, 80
_TOPIC: Final = re.compile(r"[^\s#+$][^\s#+]{0,199}")
# Members of JSON by the beginning of their names, as people call them.
_NAMED: Final = {
    "temp": ("temp", "t_air", "tair"),
    "rh": ("rh", "hum", "relhum"),
    "wind": ("wind",),
    "pressure": ("press",),
    "globe": ("globe",),
    "current": ("amp", "current"),
}


@dataclass(slots=True)
class Ear:
    """What was heard: by topic the newest payload and how often. `refused` is why the broker does not want us."""

    heard: dict[str, tuple[bytes, int]] = field(default_factory=dict)
    refused: str = ""

    def take(self, topic: str, payload: bytes) -> None:
        if topic in self.heard or len(self.heard) < _MOST_TOPICS:
            self.heard[topic] = (payload[:_LARGEST], self.heard.get(topic, (b"", 0))[1] + 1)


def heard(broker: Broker, seconds: float, now_s: Callable[[], float], paste: Paste) -> Corner:
    """Listen and tell. Raises GatewayError when the broker cannot be reached."""
    if not 0 < seconds <= LONGEST_S:
        raise GatewayError(f"--seconds {seconds:g}: say more than 0 and up to {LONGEST_S:g}")
    ear = _listen(broker, seconds, now_s)
    title = f"Messages on the broker {broker.host} in {seconds:g} s"
    return Corner(title=title, lines=tuple(_lines(ear.heard, paste)))


def _listen(broker: Broker, seconds: float, now_s: Callable[[], float]) -> Ear:
    ear = Ear()
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"loosebox-look-{os.getpid()}")
    if broker.tls:
        client.tls_set_context(tls_context(broker.ca_file))
    if broker.user:
        client.username_pw_set(broker.user, password_of(broker.password_file) if broker.password_file else None)

    def connected(client: paho.Client, _: Any, __: Any, code: Any, ___: Any) -> None:
        if code.is_failure:
            ear.refused = str(code)
        else:
            client.subscribe("#", qos=0)

    client.on_connect = connected
    client.on_message = lambda _, __, message: ear.take(message.topic, bytes(message.payload))
    try:
        client.connect(broker.host, broker.port, keepalive=30)
        until_s = now_s() + seconds
        while now_s() < until_s and not ear.refused:
            if (code := client.loop(timeout=0.2)) and not ear.refused:
                raise GatewayError(f"the broker {broker.host}:{broker.port} has ended the connection: {code}")
    except (OSError, ValueError) as error:
        raise GatewayError(f"the broker {broker.host}:{broker.port} cannot be reached: {error}") from error
    finally:
        client.disconnect()
    if ear.refused:
        raise GatewayError(f"the broker {broker.host}:{broker.port} refuses us: {ear.refused}")
    return ear


def _lines(found: Mapping[str, tuple[bytes, int]], paste: Paste) -> Iterator[str]:
    for topic in sorted(found):
        payload, times = found[topic]
        form, told = guess(payload)
        what = f"{form}, {', '.join(told) or 'nothing that we know'}" if form else f"{len(payload)} bytes"
        yield f"{quoted(topic)}: {times} x, {what}"
        if told and _TOPIC.fullmatch(topic) and not paste.has("sensors", "topic", topic):
            more: dict[str, Value] = {"topic": topic, "format": form}
            paste.sensor("node", paste.bus("radio", "mqtt", "", ""), "mqtt", more | told, "guessed: look at each")


def guess(payload: bytes) -> tuple[str, dict[str, Value]]:
    """The format of a message, and by quantity where it seems to stand."""
    try:
        records = senml.decode(payload)
    except (ReadError, ValueError):
        return _guess_json(payload)
    told: dict[str, Value] = {}
    for record in records:
        quantity = next((each for each, units in senml.UNITS.items() if record.unit in units), None)
        if quantity and record.value is not None and len(record.name) <= _LONGEST_NAME:
            told.setdefault(quantity.key, Table.of(name=record.name))
    return "senml", told


def _guess_json(payload: bytes) -> tuple[str, dict[str, Value]]:
    try:
        found = document(payload)
    except ReadError:
        return "", {}
    told: dict[str, Value] = {}
    for pointer, word in _numbers(found, "", ""):
        for key, begins in _NAMED.items():
            if word.lower().startswith(begins):
                told.setdefault(key, Table.of(pointer=pointer))
    return "json", told


def _numbers(value: object, pointer: str, word: str) -> Iterator[tuple[str, str]]:
    """The pointer of every number, and the name of its member."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if str(key).isprintable():
                yield from _numbers(inner, f"{pointer}/{str(key).replace('~', '~0').replace('/', '~1')}", str(key))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield pointer, word
