"""Owns: the emulated barn itself: its zones, what its kit does to them, what its devices measure and answer.

Must not know: pseudo-terminals, files, sockets, threads; time comes as an argument.
How it works: `advance` moves all zones to a moment in bounded steps, then each sensor measures its place. `answer` is
one request on a line. Kit runs as its output says, by the wiring; outputs that are no Modbus unit are told to
`advance`. Several threads use this; `_lock` keeps zones, measured values and outputs of one moment.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable, Mapping
from typing import Final

from drivers.bench import layout, zones
from drivers.bench.air import Air
from drivers.bench.faults import DEAD, ON_THE_WIRE, Faults
from drivers.bench.kit import Motion, motion, with_master_valves
from drivers.bench.places import params_of
from drivers.bench.rtu import Reply, Request
from drivers.bench.senses import Scene, Spot
from drivers.bench.weather import Weather
from drivers.bench.zones import Drive, ZoneState
from gateway.barn import Barn, KitSpec, Place
from gateway.model import KitKind, Quantity, SwitchAt

_LONGEST_STEP_S: Final = 60.0
_LONGEST_LEAP_S: Final = 86400.0  # a computer that slept: older weather no longer matters
_BEFORE_S: Final = 6 * 3600.0  # how long the barn stood with its kit off before the bench began

_INDOOR_SUN: Final = 0.02
_FAN_MPS: Final = 1.0  # air speed below a fan where the site file has none
_MIST_LPM: Final = 1.0  # water of a mister at a place that is no zone


class World:
    """A barn at one moment."""

    def __init__(self, barn: Barn, *, weather: Weather, faults: Faults, now_s: float, wall_s: float) -> None:
        self._barn, self._weather, self._faults = barn, weather, faults
        self._lock = threading.Lock()
        self._now_s, self._wall_s = now_s - _BEFORE_S, wall_s
        self._turns = 0
        self._told: Mapping[str, float] = {}
        self._relays = {relay.name: relay for relay in barn.relays}
        self._params = {place.name: params_of(place) for place in barn.places}
        first = zones.outside_state(weather.at(wall_s - _BEFORE_S), barn.pressure_pa)
        self._zones: dict[str, ZoneState] = {place.name: first for place in barn.places}
        self._units = layout.units_of(barn, now_s)
        self._spots = {sensor.name: Spot(sensor, barn) for sensor in barn.sensors}
        self._zones = self._moved(now_s=now_s, wall_s=wall_s, drives={place.name: Drive() for place in barn.places})
        self._measure(self._motions(now_s))

    def advance(self, *, now_s: float, wall_s: float, told: Mapping[str, float] | None = None) -> None:
        """Let the time since the last call pass. Wall time chooses the weather, barn seconds the duration.

        `told` is the share of full speed of each piece of kit whose output is no Modbus unit.
        """
        with self._lock:
            self._told = told or {}
            motions = self._motions(now_s)
            drives = {place.name: _drive(self._barn.kit, place.name, motions) for place in self._barn.places}
            self._zones = self._moved(now_s=now_s, wall_s=wall_s, drives=drives)
            self._measure(motions)

    def answer(self, bus: str, request: Request, now_s: float) -> Reply | None:
        """What comes back over a line, or None when nobody is there to speak."""
        with self._lock:
            unit = self._units.get((bus, request.unit))
            if unit is None:
                return None
            unit.deaf = self._deaf(unit.names)
            if unit.watchdog:
                unit.watchdog.stubborn = any(self._faults.of(name) == "no-watchdog" for name in unit.names)
            fault = next((word for name in unit.names if (word := self._faults.of(name)) in ON_THE_WIRE), "")
            self._turns += 1
            if fault in DEAD:  # what was asked is not done either
                return Reply(unit=request.unit, pdu=request.pdu, fault=fault, turn=self._turns)
            pdu = unit.answer(request.pdu, now_s)
            return Reply(unit=request.unit, pdu=pdu, fault=fault, turn=self._turns)

    def air(self) -> dict[str, Air]:
        """The air of each place, as it is."""
        with self._lock:
            return {place.name: self._scene(place, self._motions(self._now_s)).air for place in self._barn.places}

    def sensed(self) -> dict[str, dict[Quantity, float]]:
        """What each sensor measured last, with its fault."""
        with self._lock:
            return {name: dict(spot.values) for name, spot in self._spots.items()}

    def running(self, now_s: float) -> dict[str, bool]:
        """Which kit turns or sprays."""
        with self._lock:
            return {name: each.moves > 0 for name, each in self._motions(now_s).items()}

    def _motions(self, now_s: float) -> dict[str, Motion]:
        found = {
            kit.name: motion(self._share(kit, now_s), switch=self._switch(kit), fault=self._faults.of(kit.name))
            for kit in self._barn.kit
        }
        return with_master_valves(self._barn.kit, found)

    def _share(self, kit: KitSpec, now_s: float) -> float:
        relay = self._relays[kit.relay]
        if relay.kind in layout.RELAYS:
            return layout.share(kit, relay, layout.unit_of(self._units, relay), now_s)
        return self._told.get(kit.name, float(kit.safe_on))

    def _switch(self, kit: KitSpec) -> SwitchAt:
        """Where its switch is put. A wire that is broken on the way to us does not move the switch."""
        put = self._faults.of(kit.switch.split(".")[0])
        return {"hand": SwitchAt.HAND, "off": SwitchAt.OFF}.get(put, SwitchAt.AUTO)

    def _deaf(self, names: Iterable[str]) -> frozenset[tuple[int, int]]:
        """The outputs of a unit that do not follow."""
        own = [(kit, self._relays[kit.relay]) for kit in self._barn.kit if kit.relay in names]
        return frozenset(
            layout.place_of(kit, relay)
            for kit, relay in own
            if "deaf" in (self._faults.of(kit.name), self._faults.of(relay.name))
        )

    def _moved(self, *, now_s: float, wall_s: float, drives: dict[str, Drive]) -> dict[str, ZoneState]:
        left_s = min(_LONGEST_LEAP_S, max(0.0, now_s - self._now_s))
        self._now_s, self._wall_s = now_s, wall_s
        states = dict(self._zones)
        pressure_pa = self._barn.pressure_pa
        count = math.ceil(left_s / _LONGEST_STEP_S)
        for left in reversed(range(count)):
            step_s = left_s / count
            air = self._weather.at(wall_s - left * step_s)
            for name, params in self._params.items():
                states[name] = (
                    zones.step(
                        params, states[name], air=air, drive=drives[name], pressure_pa=pressure_pa, step_s=step_s
                    )
                    if params
                    else zones.outside_state(air, pressure_pa)
                )
        return states

    def _measure(self, motions: Mapping[str, Motion]) -> None:
        scenes = {place.name: self._scene(place, motions) for place in self._barn.places}
        for spot in self._spots.values():
            fault = self._faults.of(spot.spec.name)
            spot.measure(scenes[spot.spec.place], motions, fault)
            if spot.spec.kind in layout.SENSORS:
                unit = layout.unit_of(self._units, spot.spec)
                layout.store(spot.spec, spot.values, unit, trusted=fault != "status")

    def _scene(self, place: Place, motions: Mapping[str, Motion]) -> Scene:
        sky, state, params = self._weather.at(self._wall_s), self._zones[place.name], self._params[place.name]
        blown = [
            (kit.air_mps or _FAN_MPS) * motions[kit.name].moves
            for kit in self._barn.kit
            if kit.place == place.name and kit.kind is KitKind.FAN
        ]
        air = Air(
            temp_c=state.temp_c,
            rh_pct=zones.rh_pct(state, self._barn.pressure_pa),
            wind_mps=max([place.air_mps if params else sky.wind_mps, *blown]),
            ghi_wm2=_INDOOR_SUN * sky.ghi_wm2 if params else sky.ghi_wm2,
        )
        flow_lpm = 60.0 * params.mist_kg_s if params else _MIST_LPM
        return Scene(
            air=air,
            sky=sky,
            roofed=params is not None,
            pressure_pa=self._barn.pressure_pa,
            wall_s=self._wall_s,
            flow_lpm=flow_lpm,
        )


def _drive(kit: Iterable[KitSpec], place: str, motions: Mapping[str, Motion]) -> Drive:
    def share(kind: KitKind) -> float:
        here = [motions[item.name].moves for item in kit if item.place == place and item.kind is kind]
        return sum(here) / len(here) if here else 0.0

    return Drive(fans=share(KitKind.FAN), mist=share(KitKind.MISTER))
