"""Barns and readings made by hand, for tests of control and of the step."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from gateway.barn import (
    DEFAULT_CARRY_LIMITS,
    DEFAULT_HORSE_MASS_KG,
    DEFAULT_POSTS,
    Barn,
    KitSpec,
    Place,
    Proof,
    SensorSpec,
)
from gateway.control.decide import ControlState, Decision, decide, start_state
from gateway.control.heatload import HeatLoad, heat_load
from gateway.control.inputs import AirInput, Freshness
from gateway.control.situation import Now, Situation
from gateway.model import (
    AIR,
    Command,
    HandChange,
    HandKind,
    KitKind,
    Latest,
    PlaceKind,
    Policy,
    Quality,
    Quantity,
    Reading,
    Stamp,
)


def stamp(mono_s: float) -> Stamp:
    return Stamp(mono_s=mono_s, wall_s=1_780_000_000.0 + mono_s, boot="boot-1", trusted=True)


def sensor(name: str = "air", place: str = "stalls", **changes: Any) -> SensorSpec:
    spec = SensorSpec(
        name=name, place=place, kind="modbus-registers", bus="line", every_s=5.0, late_after_s=10.0,
        lost_after_s=15.0, stuck_after_s=7200.0, quantities=AIR, options={},
    )  # fmt: skip
    return dataclasses.replace(spec, **changes)


def fan(name: str = "fan", place: str = "stalls", **changes: Any) -> KitSpec:
    spec = KitSpec(
        name=name, place=place, kind=KitKind.FAN, relay="block", output=0, contact="normally-closed",
        on_level=1, min_on_s=600.0, min_off_s=300.0,
    )  # fmt: skip
    return dataclasses.replace(spec, **changes)


def proof(channel: str = "amps.current_a", at_least: float = 1.0) -> Proof:
    return Proof(channel=channel, at_least=at_least, within_s=10.0)


def mister(name: str = "mist", place: str = "stalls", **changes: Any) -> KitSpec:
    """As a site file makes one: no timers of a motor."""
    spec = KitSpec(
        name=name, place=place, kind=KitKind.MISTER, relay="block", output=1, contact="normally-open",
        on_level=3, min_on_s=0.0, min_off_s=0.0, starts_per_h=60, water_lpm=6.0,
    )  # fmt: skip
    return dataclasses.replace(spec, **changes)


def valve(name: str = "valve", place: str = "stalls", **changes: Any) -> KitSpec:
    return mister(name, place, kind=KitKind.VALVE, water_lpm=0.0, **changes)


def barn(
    sensors: tuple[SensorSpec, ...] = (sensor(),),
    kit: tuple[KitSpec, ...] = (fan(),),
    places: tuple[str, ...] = (),
    kind: PlaceKind = PlaceKind.STANDING,
    policy: Policy = Policy.RULE,
    **changes: Any,
) -> Barn:
    names = places or tuple(dict.fromkeys(s.place for s in sensors))
    made = Barn(
        name="Test barn", zone="UTC", pressure_pa=101_325.0, posts=DEFAULT_POSTS, dead_band=3.0, hold_s=300.0,
        carry_limits=DEFAULT_CARRY_LIMITS, horse_mass_kg=DEFAULT_HORSE_MASS_KG,
        places=tuple(Place(name=n, kind=kind, label={"en": n}, policy=policy) for n in names),
        sensors=sensors, kit=kit,
    )  # fmt: skip
    return dataclasses.replace(made, **changes)


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


def fresh(temp_c: float, rh_pct: float, **changes: Any) -> AirInput:
    """Air that somebody knows."""
    known = AirInput(freshness=Freshness.FRESH, temp_c=temp_c, rh_pct=rh_pct, sensor="air", age_s=0.0)
    return dataclasses.replace(known, **changes)


COOL = fresh(20.0, 40.0)  # sum 108, standing carry 10
HOT = fresh(32.0, 60.0)  # sum 149.6, standing carry 1.3
LOST = AirInput(freshness=Freshness.LOST, lost_code=Quality.SILENT, lost_text="air: no reading for 20 s")


def decided(state: ControlState, the_barn: Barn, found: AirInput, now_s: float, **also: Any) -> Decision:
    """One decision for a barn of one place with this air."""
    name = the_barn.places[0].name
    loads = {}
    if found.temp_c is not None and found.rh_pct is not None:
        loads[name] = load(the_barn, found.temp_c, found.rh_pct)
    now = Now(mono_s=now_s, minute=also.pop("minute", None), day=also.pop("day", None))
    return decide(state, the_barn, Situation(now=now, air={name: found}, loads=loads, **also))


class Days:
    """A barn of one place, decided again and again; remembers its state."""

    def __init__(self, the_barn: Barn, start_s: float = 0.0) -> None:
        self.barn, self.state = the_barn, start_state(the_barn, start_s)

    def __call__(self, found: AirInput, now_s: float, **also: Any) -> dict[str, Command]:
        """The commands by kit at one moment."""
        decision = decided(self.state, self.barn, found, now_s, **also)
        self.state = decision.state
        return {command.kit: command for command in decision.commands}


def by_hand(subject: str, kind: HandKind, until_s: float, *, at_s: float = 0.0) -> HandChange:
    return HandChange(
        subject=subject, kind=kind, until_mono_s=until_s, until_wall_s=1_780_000_000.0 + until_s, by="Ana",
        why="", stamp=stamp(at_s),
    )  # fmt: skip


def codes(command: Command) -> list[str]:
    return [reason.code for reason in command.reasons]
