"""Owns: the far ends of MQTT devices in tests below the network: core's link by hand, and a node that answers at once.

Must not know: how the drivers do it.
How it works: `Barn` is a clock that the test moves. `Node` stands where uplink, broker and node are: it gets what a
relay tells and puts the answer into the postbox, as the link's thread would.
"""

from __future__ import annotations

import json
from typing import Any

from drivers.mqtt_postbox import MqttPostbox
from gateway.barn import BusSpec, KitSpec, RelaySpec, SensorSpec
from gateway.model import KitKind, Quantity, Stamp
from tests.drivers.specs import sensor

TOPIC = "barn/stall-7"
FANS = "barn/fans"


class BarnClock:
    """Moved by hand; a machine second may be several seconds of the barn."""

    def __init__(self, *, speed: float = 1.0) -> None:
        self.at_s, self.wall_s, self.trusted, self._speed = 1000.0, 1_780_000_000.0, True, speed

    def now_s(self) -> float:
        return self.at_s

    def real_s(self, seconds: float) -> float:
        return seconds / self._speed

    def stamp(self) -> Stamp:
        return Stamp(mono_s=self.at_s, wall_s=self.wall_s, boot="boot-1", trusted=self.trusted)

    def pass_s(self, seconds: float) -> None:
        self.at_s += seconds
        self.wall_s += seconds


class Node:
    """A relay node and everything between it and the postbox."""

    def __init__(self, postbox: MqttPostbox, *, safe_on: bool = True) -> None:
        self._postbox, self.on = postbox, safe_on
        self.asked: list[dict[str, Any]] = []
        self.answers, self.obeys, self.takes = True, True, True

    def tell(self, topic: str, payload: bytes, *, within_s: float) -> bool:
        if not self.takes:
            return False
        said = json.loads(payload)
        self.asked.append({**said, "topic": topic, "within_s": within_s})
        if self.obeys:
            self.on = said["on"]
        if self.answers:
            self.answer(said["id"])
        return True

    def answer(self, command: str, *, retained: bool = False) -> None:
        state = json.dumps({"id": command, "on": self.on}).encode()
        self._postbox.heard(f"{FANS}/north/state", state, retained=retained, age_s=0.0)


def postbox() -> MqttPostbox:
    return MqttPostbox(BusSpec(name="air", kind="mqtt", options={}))


def senml_air(**changed: Any) -> SensorSpec:
    options = {"topic": TOPIC, "format": "senml", "temp": place(name="node-7/temp"), "rh": place(name="node-7/rh")}
    return sensor("mqtt", options | changed, bus="air")


def json_air(**changed: Any) -> SensorSpec:
    options = {"topic": TOPIC, "format": "json", "temp": place(pointer="/air/t"), "rh": place(pointer="/air/h")}
    return sensor("mqtt", options | changed, bus="air")


def place(scale: float = 1.0, offset: float = 0.0, **where: str) -> dict[str, Any]:
    return {**where, "scale": scale, "offset": offset}


def relay(*, expires_s: float = 10.0) -> RelaySpec:
    options = {"topic": FANS, "expires_s": expires_s}
    return RelaySpec(name="nodes", kind="mqtt-relay", bus="air", refresh_s=5.0, options=options)


def kit(*, contact: str = "normally-closed", least_speed: float = 1.0, node: str = "north") -> KitSpec:
    return KitSpec(
        name=f"{node}-fan",
        place="stalls",
        kind=KitKind.FAN if contact == "normally-closed" else KitKind.MISTER,
        relay="nodes",
        output=node,
        contact=contact,
        on_level=1,
        min_on_s=30.0,
        min_off_s=20.0,
        least_speed=least_speed,
    )


WIND = (Quantity.WIND,)
