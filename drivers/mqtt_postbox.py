"""Owns: the wire of a bus of kind "mqtt": the newest message of every topic, and the way out for commands.

Must not know: brokers, sockets, what a message means. Another process speaks to the broker; core's link carries.
How it works: sensors and relays say at their start which topics they wait for. The link's thread puts messages in, the
bus thread takes them out; nothing queues: of each topic the newest message counts. A message that the broker had
retained never replaces one that was heard live. Everything is timed by the barn's clock, from arrival on.

    broker -> uplink -> link -> heard() -> [newest by topic] -> newest(), await_newer() -> sensor, relay
    relay -> send() -> link -> uplink -> broker
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from gateway.barn import BusSpec
from gateway.errors import PortGone
from gateway.model import Stamp
from gateway.ports import Clock


class Tell(Protocol):
    """The link's way to uplink. False when there is no uplink, or it takes nothing."""

    def __call__(self, topic: str, payload: bytes, *, within_s: float) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """A message. `arrived_s` is barn time; `number` rises with every message of the bus."""

    payload: bytes
    retained: bool
    arrived_s: float
    number: int


class MqttPostbox:
    """What has come over MQTT, and the way out."""

    def __init__(self, spec: BusSpec) -> None:
        self.name = spec.name
        self._clock: Clock | None = None
        self._tell: Tell | None = None
        self._topics: set[str] = set()
        self._changed = threading.Condition()  # guards what the link's thread writes
        self._letters: dict[str, Letter] = {}
        self._count = 0
        self._trouble = "uplink has not come yet"
        self._line = 0

    # --- core and the link's thread

    def join(self, clock: Clock, tell: Tell) -> None:
        """Set the clock of the barn and the way out; before it, everything here is PortGone."""
        self._clock, self._tell = clock, tell

    @property
    def topics(self) -> tuple[str, ...]:
        """What uplink shall listen to."""
        return tuple(sorted(self._topics))

    def heard(self, topic: str, payload: bytes, *, retained: bool, age_s: float) -> None:
        """A message that uplink heard `age_s` ago, in machine seconds. One that nobody waits for is dropped."""
        if topic not in self._topics or self._clock is None:
            return
        arrived_s = self._clock.now_s() - age_s / self._clock.real_s(1.0)
        with self._changed:
            known = self._letters.get(topic)
            if retained and known is not None and not known.retained:
                return
            self._count += 1
            self._letters[topic] = Letter(payload=payload, retained=retained, arrived_s=arrived_s, number=self._count)
            self._changed.notify_all()

    def broker(self, *, up: bool, why: str) -> None:
        """Uplink has reached the broker, or has not."""
        with self._changed:
            if up and self._trouble:
                self._line += 1
            self._trouble = "" if up else (why or "the broker is not there")
            self._changed.notify_all()

    # --- the bus thread

    def expect(self, topic: str) -> None:
        """Say at the start that messages of this topic are wanted."""
        self._topics.add(topic)

    @property
    def line(self) -> int:
        """Which connection to the broker this is; another number means that what was under way is lost."""
        return self._line

    def now_s(self) -> float:
        return self._joined().now_s()

    def stamp(self) -> Stamp:
        return self._joined().stamp()

    def real_s(self, seconds: float) -> float:
        return self._joined().real_s(seconds)

    def check(self) -> None:
        """Raises PortGone when nothing can come or go."""
        self._joined()
        if self._trouble:
            raise PortGone(f"{self.name}: {self._trouble}")

    def newest(self, topic: str) -> Letter | None:
        with self._changed:
            return self._letters.get(topic)

    def await_newer(self, topic: str, fits: Callable[[Letter], bool], *, machine_s: float) -> Letter | None:
        """The newest message of a topic, when it fits, or None after `machine_s` seconds of the machine."""

        def found() -> Letter | None:
            letter = self._letters.get(topic)
            return letter if letter is not None and fits(letter) else None

        with self._changed:
            self._changed.wait_for(lambda: found() is not None or bool(self._trouble), machine_s)
            return found()

    def send(self, topic: str, payload: bytes, *, within_s: float) -> None:
        """Hand a message to uplink, to be published within `within_s` or never. Raises PortGone."""
        self.check()
        if self._tell is None or not self._tell(topic, payload, within_s=self.real_s(within_s)):
            raise PortGone(f"{self.name}: uplink takes nothing")

    def close(self) -> None:
        """Nothing to release: the link belongs to core."""

    def _joined(self) -> Clock:
        if self._clock is None:
            raise PortGone(f"{self.name}: core's link is not there")
        return self._clock
