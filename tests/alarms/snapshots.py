"""Snapshots with alarms in them, made by the core's own functions from a bell that was stepped."""

from __future__ import annotations

import dataclasses
from typing import Any

from gateway.barn import Barn
from gateway.engine.alarm_views import alarm_views
from gateway.engine.snapshot import VERSION, Snapshot
from tests.alarms.scenes import BARN, Bell, stamp

NAMED = dataclasses.replace(
    BARN,
    name="Cedar Bend & Söhne",  # invented
    places=(dataclasses.replace(BARN.places[0], label={"en": "Stalls <1>", "es": "Cuadras"}), *BARN.places[1:]),
)


def snapshot(bell: Bell, barn: Barn = NAMED, **changes: Any) -> Snapshot:
    """The barn as the alarms see it; no places, no faults."""
    now = stamp(bell.now_s)
    newest = bell.state.book.newest
    made = Snapshot(
        version=VERSION, barn=barn.name, zone="UTC", emulated=False, boot=now.boot, steps=1, mono_s=now.mono_s,
        wall_s=now.wall_s, clock_trusted=True, posts=(130.0, 150.0, 180.0), languages=("en", "es"), places=(),
        faults=(), alarms=alarm_views(barn, bell.state.book, now),
        alarms_wall_s=None if newest is None else newest.wall_s,
    )  # fmt: skip
    return dataclasses.replace(made, **changes)
