"""Owns: the emulated barn itself: its zones, what its kit does to them, what its devices measure and answer.

Must not know: pseudo-terminals, files, sockets, threads; time comes as an argument.
How it works: `advance` moves all zones to a moment in bounded steps, then each sensor measures its place, with its
own small error. `answer` is one request on a line. Kit runs as its contact is wired: behind a normally-closed one
while the coil is released. Three threads use this; `_lock` keeps zones, measured values and coils of one moment.
"""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Iterable
from typing import Final

from drivers.bench import zones
from drivers.bench.faults import Faults, Sensed, bent, mangled
from drivers.bench.places import params_of
from drivers.bench.rtu import Request, sealed
from drivers.bench.slaves import AirTransmitter, RelayBlock, Slave
from drivers.bench.weather import Weather
from drivers.bench.zones import Drive, ZoneState
from gateway.errors import SiteError
from gateway.model import Barn, KitKind, KitSpec, RelaySpec, SensorSpec

_LONGEST_STEP_S: Final = 60.0
_LONGEST_LEAP_S: Final = 86400.0  # a computer that slept: older weather no longer matters
_BEFORE_S: Final = 6 * 3600.0  # how long the barn stood with its kit off before the bench began

_SPREAD_C, _SPREAD_RH_PCT = 0.1, 0.6  # between two sensors of one place
_NOISE_C, _NOISE_RH_PCT = 0.03, 0.15  # from one second to the next
_COILS_OF_A_BLOCK: Final = 8


class World:
    """A barn at one moment."""

    def __init__(self, barn: Barn, *, weather: Weather, faults: Faults, now_s: float, wall_s: float) -> None:
        _check(barn)
        self._barn, self._weather, self._faults = barn, weather, faults
        self._lock = threading.Lock()
        self._now_s = now_s - _BEFORE_S
        self._turns = 0
        self._params = {place.name: params_of(place) for place in barn.places}
        first = zones.outside_state(weather.at(wall_s - _BEFORE_S), barn.pressure_pa)
        self._zones: dict[str, ZoneState] = {place.name: first for place in barn.places}
        self._blocks = {relay.name: _block(relay, barn.kit, now_s) for relay in barn.relays}
        self._spots = {sensor.name: _Spot(sensor) for sensor in barn.sensors}
        self._slaves: dict[tuple[str, int], Slave] = {
            **{(sensor.bus, slave.unit): slave for sensor in barn.sensors if (slave := self._spots[sensor.name].wire)},
            **{(relay.bus, self._blocks[relay.name].unit): self._blocks[relay.name] for relay in barn.relays},
        }
        self._zones = self._moved(now_s=now_s, wall_s=wall_s, drives={place.name: Drive() for place in barn.places})
        self._measure()

    def advance(self, *, now_s: float, wall_s: float) -> None:
        """Let the time since the last call pass. Wall time chooses the weather, barn seconds the duration."""
        with self._lock:
            running = self._running(now_s)
            drives = {place.name: _drive(self._barn.kit, place.name, running) for place in self._barn.places}
            self._zones = self._moved(now_s=now_s, wall_s=wall_s, drives=drives)
            self._measure()

    def answer(self, bus: str, request: Request, now_s: float) -> bytes | None:
        """The frame that comes back over a line, or None when nobody speaks."""
        with self._lock:
            slave = self._slaves.get((bus, request.unit))
            if slave is None or (fault := self._faults.of(slave.name)) == "silence":
                return None
            if isinstance(slave, RelayBlock):
                slave.deaf = self._deaf(slave)
            self._turns += 1
            return mangled(fault, sealed(request.unit, slave.answer(request.pdu, now_s)), turn=self._turns)

    def air(self) -> dict[str, Sensed]:
        """Temperature and humidity of each place, as they are."""
        with self._lock:
            pressure_pa = self._barn.pressure_pa
            return {
                name: Sensed(temp_c=state.temp_c, rh_pct=zones.rh_pct(state, pressure_pa))
                for name, state in self._zones.items()
            }

    def sensed(self) -> dict[str, Sensed]:
        """What each sensor measured last, with its fault."""
        with self._lock:
            return {name: spot.sensed for name, spot in self._spots.items()}

    def running(self, now_s: float) -> dict[str, bool]:
        """Which kit turns or sprays, by its contact."""
        with self._lock:
            return self._running(now_s)

    def _running(self, now_s: float) -> dict[str, bool]:
        return {
            kit.name: self._blocks[kit.relay].energised(self._address(kit), now_s) != kit.safe_on
            for kit in self._barn.kit
        }

    def _address(self, kit: KitSpec) -> int:
        return kit.coil - next(_base(relay) for relay in self._barn.relays if relay.name == kit.relay)

    def _deaf(self, block: RelayBlock) -> frozenset[int]:
        """The coils of a block that do not follow."""
        whole = self._faults.of(block.name) == "deaf"
        own = [kit for kit in self._barn.kit if kit.relay == block.name]
        single = {self._address(kit) for kit in own if self._faults.of(kit.name) == "deaf"}
        return frozenset(range(block.size)) if whole else frozenset(single)

    def _moved(self, *, now_s: float, wall_s: float, drives: dict[str, Drive]) -> dict[str, ZoneState]:
        left_s = min(_LONGEST_LEAP_S, max(0.0, now_s - self._now_s))
        self._now_s = now_s
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

    def _measure(self) -> None:
        for spot in self._spots.values():
            state = self._zones[spot.place]
            true = Sensed(temp_c=state.temp_c, rh_pct=zones.rh_pct(state, self._barn.pressure_pa))
            spot.measure(true, self._faults.of(spot.name))


class _Spot:
    """A sensor at its spot: a small error of its own, the same in every run, and the fault it has."""

    def __init__(self, spec: SensorSpec) -> None:
        self.name, self.place = spec.name, spec.place
        self.wire = AirTransmitter(spec) if spec.kind == "modbus-air" else None
        self.sensed = Sensed(temp_c=20.0, rh_pct=50.0)
        self._chance = random.Random(spec.name)
        self._off_c = self._chance.uniform(-_SPREAD_C, _SPREAD_C)
        self._off_rh_pct = self._chance.uniform(-_SPREAD_RH_PCT, _SPREAD_RH_PCT)

    def measure(self, true: Sensed, fault: str) -> None:
        fresh = Sensed(
            temp_c=true.temp_c + self._off_c + self._chance.gauss(0.0, _NOISE_C),
            rh_pct=min(100.0, max(0.0, true.rh_pct + self._off_rh_pct + self._chance.gauss(0.0, _NOISE_RH_PCT))),
        )
        self.sensed = bent(fault, fresh=fresh, held=self.sensed)
        if self.wire:
            self.wire.temp_c, self.wire.rh_pct = self.sensed.temp_c, self.sensed.rh_pct


def _drive(kit: Iterable[KitSpec], place: str, running: dict[str, bool]) -> Drive:
    def share(kind: KitKind) -> float:
        here = [running[item.name] for item in kit if item.place == place and item.kind is kind]
        return sum(here) / len(here) if here else 0.0

    return Drive(fans=share(KitKind.FAN), mist=share(KitKind.MISTER))


def _block(relay: RelaySpec, kit: Iterable[KitSpec], now_s: float) -> RelayBlock:
    used = max((item.coil - _base(relay) + 1 for item in kit if item.relay == relay.name), default=0)
    return RelayBlock(relay, coils=max(_COILS_OF_A_BLOCK, used), now_s=now_s)


def _base(relay: RelaySpec) -> int:
    return int(relay.options["base"])


def _check(barn: Barn) -> None:
    """The bench refuses what it cannot emulate, with one line for each thing."""
    known = {"modbus-air": "serial", "modbus-coils": "serial", "iio": "sysfs", "hwmon": "sysfs"}
    buses = {bus.name: bus.kind for bus in barn.buses}
    items: tuple[SensorSpec | RelaySpec, ...] = (*barn.sensors, *barn.relays)
    problems = [
        f"{item.name}: the bench cannot emulate {item.kind} on a {buses.get(item.bus)} bus; it knows {', '.join(known)}"
        for item in items
        if item.kind not in known or known[item.kind] != buses.get(item.bus)
    ]
    if problems:
        raise SiteError(tuple(problems))
