"""Owns: one connection to an MQTT broker, from CONNECT to its end; never used again after that.

Must not know: threads, pauses, what messages mean.
How it works: paho-mqtt without its network thread: an exception in a callback, or in its own reading of a hostile
packet, would end that thread for good while it still reports to be connected. Here `turn` is called by our thread,
reads and writes what is there, and returns or raises. Callbacks only note what happened. A new connection is a new
session with an empty queue: nothing unsent of the old one can come out late. A message is acknowledged after `take`
has returned, or has failed.
"""

from __future__ import annotations

import logging
import select
import socket
import ssl
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

log = logging.getLogger(__name__)

LARGEST_PACKET = 65_536
_OTHER_VERSION = 0x84  # reason codes of MQTT 5.0, section 2.4
_SAY_WHY = {0x8E: "another client took our place: does another gateway use the same [mqtt] prefix?"}
_TRY_AGAIN = {0x80, 0x88, 0x89, 0x97, 0x9F}  # unspecified, unavailable, busy, quota, rate: may pass by itself
V5, V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What the broker delivered."""

    topic: str
    payload: bytes
    retained: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the broker says to a message of ours. `code` is 0 when it has taken it, else of MQTT 5.0, section 2.4."""

    number: int
    code: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """How to get into the broker, and what it says of us when we are gone: nothing without a `will_topic`."""

    host: str
    port: int
    client_id: str
    user: str
    password: str | None = field(repr=False)
    tls: ssl.SSLContext | None
    will_topic: str
    will_payload: bytes
    connect_s: float
    keepalive_s: int


class Session:
    """A connection. `turn` until it raises ConnectionError or `over` says why it has ended."""

    def __init__(self, entry: Entry, version: MQTTProtocolVersion, take: Callable[[Message], None]) -> None:
        self.version = version
        self.connected = False
        self.over = ""
        self.refused = False  # the broker wants us not, and a person must change something
        self.wants_other_version = False
        self.complaint = ""  # a topic that it keeps from us
        self._take = take
        self.acknowledged: list[Answer] = []  # since whoever reads them last emptied the list
        self._topics: dict[int, list[str]] = {}
        self._client = self._made(entry)
        try:
            self._connect(entry)
        except BaseException:
            self.cut()
            raise

    def turn(self, wake: socket.socket, wait_s: float) -> None:
        """Read and write what is there, or wait up to `wait_s` for it, or for a byte on `wake`."""
        sock: Any = self._client.socket()
        if sock is None:
            return self._ended("the connection was closed")
        pending = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        writers = [sock] if self._client.want_write() else []
        readable, writable, _ = select.select([sock, wake], writers, [], 0.0 if pending else wait_s)
        if pending or sock in readable:
            self._judge(self._client.loop_read())
        if writable:
            self._judge(self._client.loop_write())
        self._judge(self._client.loop_misc())

    def subscribe(self, topics: Iterable[str], quality: int = 1) -> None:
        """Ask for these topics, each message at least once, or with quality 0 at most once."""
        asked = list(topics)
        code, number = self._client.subscribe([(topic, quality) for topic in asked])
        self._judge(code)
        if number is not None:
            self._topics[number] = asked

    def unsubscribe(self, topics: Iterable[str]) -> None:
        self._judge(self._client.unsubscribe(list(topics))[0])

    def publish(self, topic: str, payload: bytes, *, retained: bool, expires_s: int | None = None) -> int:
        """Send at least once; returns the number that its `Answer` will have. Version 5 drops it after `expires_s`."""
        properties = None
        if self.version == V5 and expires_s is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = expires_s
        sent = self._client.publish(topic, payload, qos=1, retain=retained, properties=properties)
        self._judge(sent.rc)
        return sent.mid

    def leave(self) -> None:
        """Say goodbye: the broker then says nothing of us itself."""
        self._client.disconnect()

    def cut(self) -> None:
        """Close the connection as it is: the broker then publishes the last will. Idempotent."""
        sock: Any = self._client.socket()
        if sock is not None:
            sock.close()

    def _made(self, entry: Entry) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=entry.client_id,
            protocol=self.version,
            manual_ack=True,
            reconnect_on_failure=False,
            clean_session=None if self.version == V5 else True,
        )
        client.connect_timeout = entry.connect_s
        client.suppress_exceptions = True
        client.max_queued_messages_set(100)
        if entry.tls is not None:
            client.tls_set_context(entry.tls)
        if entry.user:
            client.username_pw_set(entry.user, entry.password)
        if entry.will_topic:
            client.will_set(entry.will_topic, entry.will_payload, qos=1, retain=True)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_message, client.on_subscribe, client.on_publish = (
            self._on_message,
            self._on_subscribe,
            self._on_publish,
        )
        return client

    def _connect(self, entry: Entry) -> None:
        if self.version == V5:
            limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            limits.MaximumPacketSize = LARGEST_PACKET
            self._client.connect(entry.host, entry.port, entry.keepalive_s, clean_start=True, properties=limits)
        else:
            self._client.connect(entry.host, entry.port, entry.keepalive_s)
        if (sock := self._client.socket()) is not None:
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # type: ignore[attr-defined]

    def _judge(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._ended(paho.error_string(code))

    def _ended(self, why: str) -> None:
        self.over = self.over or why

    # Called by paho inside `turn`. None of them raises: what they call is guarded.

    def _on_connect(self, _: Any, __: Any, ___: Any, code: ReasonCode, ____: Any) -> None:
        self.connected = not code.is_failure
        if code.is_failure:
            self.wants_other_version = code.value == _OTHER_VERSION
            self.refused = not self.wants_other_version and code.value not in _TRY_AGAIN
            self._ended(f"the broker refuses us: {code}")

    def _on_disconnect(self, _: Any, __: Any, ___: Any, code: ReasonCode, ____: Any) -> None:
        self._ended(_SAY_WHY.get(code.value, f"the connection ended: {code}"))

    def _on_message(self, client: paho.Client, _: Any, message: paho.MQTTMessage) -> None:
        try:
            self._take(Message(topic=message.topic, payload=bytes(message.payload), retained=message.retain))
        except Exception:
            log.exception("a message of %d bytes found a defect", len(message.payload))
        client.ack(message.mid, message.qos)

    def _on_subscribe(self, _: Any, __: Any, number: int, codes: list[ReasonCode], ___: Any) -> None:
        for topic, code in zip(self._topics.pop(number, []), codes, strict=False):
            if code.is_failure:
                self._complain(f"the broker does not let us hear {topic}: {code}")

    def _on_publish(self, _: Any, __: Any, number: int, code: ReasonCode, ____: Any) -> None:
        why = str(code) if code.is_failure else ""
        self.acknowledged.append(Answer(number=number, code=code.value if why else 0, why=why))
        if why:
            self._complain(f"the broker takes a message not: {code}")

    def _complain(self, text: str) -> None:
        if text != self.complaint:
            log.warning("%s", text)
        self.complaint = text
