"""Owns: what the broker keeps of the barn as it is now: places with their levels, kit.

Must not know: connections, the history.
How it works: each place and each piece of kit has a topic with a retained message and the time of the step that it is
of: whoever joins late sees it at once, and how old it is. What people act on (level, kit, faults) is sent when it
changes, the rest every `CALM_S`. A broker that was lost gets all anew.

    PREFIX/places/NAME   PREFIX/kit/NAME   PREFIX/faults
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

from gateway.engine.clock import machine_s
from gateway.engine.snapshot import KitView, PlaceView, Snapshot
from gateway.uplink.mqtt import Parcel

CALM_S = 15.0
SEND_WITHIN_S = 10.0
_ACTED_ON = ("level", "freshness", "asked", "seen", "running", "hand", "trouble", "faults", "cooling")


class States:
    """`turn` once a second; used by one thread, `anew` by any."""

    def __init__(self, prefix: str, publish: Callable[[Parcel], bool]) -> None:
        self._prefix, self._publish = prefix, publish
        self._sent: dict[str, tuple[float, dict[str, Any]]] = {}

    def anew(self) -> None:
        """The broker may have lost what it kept."""
        self._sent = {}

    def turn(self, snapshot: Snapshot | None, now_s: float) -> None:
        """Send what is due. A core that is away changes nothing: the times in the messages grow old."""
        if snapshot is None:
            return
        when = {"time": round(snapshot.wall_s, 3), "time_trusted": snapshot.clock_trusted}
        sent = self._sent
        for topic, told in _told(snapshot):
            if not self._due(sent.get(topic), told, now_s):
                continue
            payload = json.dumps({**told, **when}).encode()
            parcel = Parcel(
                topic=f"{self._prefix}/{topic}", payload=payload, by_s=machine_s() + SEND_WITHIN_S, retained=True
            )
            if not self._publish(parcel):
                return  # the rest is due at the next turn
            sent[topic] = now_s, told

    def _due(self, before: tuple[float, dict[str, Any]] | None, told: dict[str, Any], now_s: float) -> bool:
        if before is None or now_s - before[0] >= CALM_S:
            return True
        return any(before[1].get(word) != told.get(word) for word in _ACTED_ON)


def _told(snapshot: Snapshot) -> Iterator[tuple[str, dict[str, Any]]]:
    for place in snapshot.places:
        yield f"places/{place.name}", _place(place)
        for kit in place.kit:
            yield f"kit/{kit.name}", _kit(kit, place.name)
    faults = [
        {"subject": one.subject, "code": one.code, "since": round(one.since_wall_s, 3)} for one in snapshot.faults
    ]
    yield "faults", {"faults": faults}


def _place(place: PlaceView) -> dict[str, Any]:
    return {
        "kind": place.kind,
        "label": dict(place.label),
        "freshness": place.freshness,
        "level": place.level,
        "sum_f_pct": place.sum_f_pct,
        "temp_c": place.temp_c,
        "rh_pct": place.rh_pct,
        "wet_bulb_c": place.wet_bulb_c,
        "roof": place.roof,
        "carry": place.carry,
        "age_s": place.age_s,
        "cooling": bool(place.cooled_by),
    }


def _kit(kit: KitView, place: str) -> dict[str, Any]:
    return {
        "kind": kit.kind,
        "place": place,
        "asked": kit.asked,
        "seen": kit.seen,
        "running": kit.running,
        "speed": kit.speed,
        "hand": kit.hand,
        "trouble": kit.trouble,
        "reasons": list(kit.reasons),
    }
