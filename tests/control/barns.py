"""Barns and readings made by hand, for tests of control and of the step."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from gateway.control.decide import ControlState, Decision, decide
from gateway.control.heatload import HeatLoad, heat_load
from gateway.control.inputs import AirInput
from gateway.model import (
    DEFAULT_CARRY_LIMITS,
    DEFAULT_HORSE_MASS_KG,
    DEFAULT_POSTS,
    Barn,
    KitKind,
    KitSpec,
    Latest,
    Place,
    PlaceKind,
    Policy,
    Quality,
    Quantity,
    Reading,
    SensorSpec,
    Stamp,
)


def stamp(mono_s: float) -> Stamp:
    return Stamp(mono_s=mono_s, wall_s=1_780_000_000.0 + mono_s, boot="boot-1", trusted=True)


def sensor(name: str = "air", place: str = "stalls", **changes: Any) -> SensorSpec:
    spec = SensorSpec(
        name=name, place=place, kind="modbus-air", bus="line", every_s=5.0, late_after_s=10.0,
        lost_after_s=15.0, stuck_after_s=7200.0, options={},
    )  # fmt: skip
    return dataclasses.replace(spec, **changes)


def fan(name: str = "fan", place: str = "stalls", **changes: Any) -> KitSpec:
    spec = KitSpec(
        name=name, place=place, kind=KitKind.FAN, relay="block", coil=0, contact="normally-closed",
        on_level=1, min_on_s=600.0, min_off_s=300.0,
    )  # fmt: skip
    return dataclasses.replace(spec, **changes)


def mister(name: str = "mist", place: str = "stalls") -> KitSpec:
    return KitSpec(
        name=name, place=place, kind=KitKind.MISTER, relay="block", coil=1, contact="normally-open",
        on_level=3, min_on_s=600.0, min_off_s=300.0,
    )  # fmt: skip


def barn(
    sensors: tuple[SensorSpec, ...] = (sensor(),),
    kit: tuple[KitSpec, ...] = (fan(),),
    places: tuple[str, ...] = (),
    kind: PlaceKind = PlaceKind.STANDING,
    policy: Policy = Policy.RULE,
) -> Barn:
    names = places or tuple(dict.fromkeys(s.place for s in sensors))
    return Barn(
        name="Test barn", zone="UTC", pressure_pa=101_325.0, posts=DEFAULT_POSTS, dead_band=3.0, hold_s=300.0,
        carry_limits=DEFAULT_CARRY_LIMITS, horse_mass_kg=DEFAULT_HORSE_MASS_KG,
        places=tuple(Place(name=n, kind=kind, label={"en": n}, policy=policy) for n in names),
        sensors=sensors, kit=kit,
    )  # fmt: skip


def good(channel: str, value: float, mono_s: float) -> Reading:
    return Reading(channel=channel, value=value, quality=Quality.GOOD, stamp=stamp(mono_s))


def air(
    temp_c: float, rh_pct: float, mono_s: float, name: str = "air", same_since_s: float | None = None
) -> dict[str, Latest]:
    """The table of newest readings after one good measurement."""
    since_s = mono_s if same_since_s is None else same_since_s
    return {
        f"{name}.{quantity}": Latest(
            last=good(f"{name}.{quantity}", value, mono_s),
            good=good(f"{name}.{quantity}", value, mono_s),
            same_since_s=since_s,
        )
        for quantity, value in ((Quantity.TEMP, temp_c), (Quantity.RH, rh_pct))
    }


def failed(latest: Mapping[str, Latest], quality: Quality, detail: str, mono_s: float) -> dict[str, Latest]:
    """The table after every channel failed at `mono_s`."""
    return {
        name: dataclasses.replace(
            entry,
            last=Reading(channel=name, value=None, quality=quality, stamp=stamp(mono_s), detail=detail),
        )
        for name, entry in latest.items()
    }


def load(the_barn: Barn, temp_c: float, rh_pct: float) -> HeatLoad:
    """The heat load at the first place of a barn."""
    return heat_load(temp_c, rh_pct, the_barn.places[0], the_barn)


def decided(state: ControlState, the_barn: Barn, found: AirInput, now_s: float) -> Decision:
    """One decision for a barn of one place with this air."""
    known = found.temp_c is not None and found.rh_pct is not None
    name = the_barn.places[0].name
    loads = {name: load(the_barn, found.temp_c, found.rh_pct)} if known else {}  # type: ignore[arg-type]
    return decide(state, the_barn, {name: found}, loads, now_s)
