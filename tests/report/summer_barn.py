"""A summer of the emulated barn under the real step of the gateway, with its alarms: what was true, and what rang.

The air, the kit and what sensors measure are those of the bench (`drivers.bench.world`); its buses, ports and threads
are left out: what a sensor measured is handed to the step as the poller would, what the step commands is put onto the
outputs as the relay block would, which lets go 30 s after its line was cut. What is true is written down beside what
rang, so that both can be compared by somebody who does not know the alarm rules.

Steps are as long as nothing can happen in between: 5 s while something is young (an ill began or ended, a fan was
switched, a condition waits for a delay of a minute or less), 60 s while something is wrong, water runs or level 3 is
near, else 300 s. Every ill begins and ends on a step. The engine ticks once a second; the page says how
the two compare.
"""

from __future__ import annotations

import dataclasses
import math
from array import array
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pandas as pd

from drivers.bench.air import Air
from drivers.bench.faults import Faults
from drivers.bench.weather import Weather
from drivers.bench.weather_file import Recorded
from drivers.bench.world import World
from gateway.alarms.advance import AlarmState
from gateway.alarms.book import Book, restored
from gateway.alarms.notices import Notice
from gateway.alarms.rules import BY_CODE
from gateway.app.evaluate import Season, season_of
from gateway.barn import Barn, SensorSpec, Switched
from gateway.control.decide import start_state
from gateway.control.inputs import gate
from gateway.engine.poller import newer
from gateway.engine.step import StepInputs, StepResult, StepState, step
from gateway.engine.troubles import Trouble
from gateway.model import (
    AlarmChange,
    CommandChange,
    KitKind,
    KitSeen,
    Latest,
    Priority,
    Quality,
    Reading,
    Stamp,
)
from gateway.site import load
from tests.report.levels_report import read_year
from tests.report.summer_faults import BROKER, CLOCK, GRID, STORE, Ill
from tests.report.summer_people import People

SITE: Final = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"
CITIES: Final = {  # file, and standard time as hours from UTC
    "Miami, Florida": ("12839.tm2", -5),
    "Greensboro, North Carolina": ("723170TYA.CSV", -5),
    "Sand Point, Alaska": ("703165TY.csv", -9),
}
MONTHS: Final = (5, 9)
MIN_ON_S, MIN_OFF_S = 600.0, 300.0  # of real motors; the bench's own are short so that it shows something
FINE_S, COARSE_S, CALM_S = 5.0, 60.0, 300.0
NEAR: Final = 5.0  # points of the sum below its last post
YOUNG_S, SWITCHED_S = 90.0, 30.0
READ_BEFORE_S: Final = 1.0  # whatever falls silent has spoken just before
LETS_GO_S: Final = 30.0  # the watchdog of the relay block, as its site file says
OF_PLACE: Final = ("temp_c", "rh_pct", "wind_mps", "silent", "lying")  # its air; no sensor of it speaks, or speaks true
OF_KIT: Final = ("moves", "wanted")
TRIES_S: Final = 3.0  # an output counts as unreachable after three failures


def barn() -> Barn:
    """The shipped site file with the times of real motors. Outputs are told to the world, not written over a line."""
    shipped = load(SITE).barn
    return dataclasses.replace(
        shipped,
        relays=tuple(dataclasses.replace(relay, kind="pwm") for relay in shipped.relays),
        kit=tuple(
            dataclasses.replace(kit, min_on_s=MIN_ON_S, min_off_s=MIN_OFF_S) if kit.kind is KitKind.FAN else kit
            for kit in shipped.kit
        ),
    )


def summer(city: str) -> Season:
    """May to September of a typical year, in the standard time of the place."""
    name, offset_h = CITIES[city]
    frame = read_year(name)
    hours = pd.date_range("1990-01-01", periods=len(frame), freq="h", tz=f"Etc/GMT{-offset_h:+d}").to_pydatetime()
    columns = (frame[column].tolist() for column in ("temp_c", "rh_pct", "wind_mps", "ghi"))
    rows = [
        (when.timestamp(), Air(temp_c=temp_c, rh_pct=max(1.0, rh_pct), wind_mps=wind_mps, ghi_wm2=ghi_wm2))
        for when, temp_c, rh_pct, wind_mps, ghi_wm2 in zip(hours.tolist(), *columns, strict=True)
    ]
    return season_of(city, Recorded(rows), hours.tolist(), MONTHS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmer:
    """Weather some kelvin warmer in the same relative damp: no typical year has the hours that alarms are made for."""

    of: Weather
    by_k: float

    def at(self, wall_s: float) -> Air:
        air = self.of.at(wall_s)
        return dataclasses.replace(air, temp_c=air.temp_c + self.by_k)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """An episode of an alarm that asked for a person: when it first did, and how urgent it became."""

    key: str
    episode: int
    at_s: float
    priority: Priority
    restless: bool


@dataclass(slots=True, kw_only=True)
class Summer:
    """What was true and what rang. Times are seconds since the season began."""

    barn: Barn
    season: Season
    truth: pd.DataFrame = field(default_factory=pd.DataFrame)
    journal: list[tuple[float, AlarmChange]] = field(default_factory=list)
    rings: dict[tuple[str, int], Ring] = field(default_factory=dict)
    notices: list[tuple[float, Notice]] = field(default_factory=list)
    steps: int = 0

    @property
    def days(self) -> float:
        return (self.season.end_s - self.season.begin_s) / 86400.0


def columns(the_barn: Barn) -> list[str]:
    """The columns of the truth, by place and by kit."""
    return [
        "at_s", "lasts_s", "powered",
        *(f"{place.name}/{what}" for place in the_barn.places for what in OF_PLACE),
        *(f"{kit.name}/{what}" for kit in the_barn.kit for what in OF_KIT),
    ]  # fmt: skip


class Life:
    """One summer being lived."""

    def __init__(
        self, the_barn: Barn, season: Season, ills: tuple[Ill, ...], *, seed: int, step_s: float | None = None
    ) -> None:
        """`step_s`: a fixed step instead of the adapted one."""
        self._barn, self._season, self._step_s = the_barn, season, step_s
        self._ills, self._standing = list(ills), list[Ill]()
        self._edges = sorted(
            {each for ill in ills for each in (ill.begin_s - READ_BEFORE_S, ill.begin_s, ill.end_s)}
            | {ill.begin_s + LETS_GO_S for ill in ills if ill.kind == "gone"}
        )
        self._faults, self._people = Faults(the_barn), People(the_barn, seed)
        self._switched: tuple[Switched, ...] = (*the_barn.kit, *the_barn.signals)
        self._bus_of = {relay.name: relay.bus for relay in the_barn.relays}
        self._outputs = {each.name: float(each.safe_on) for each in self._switched}
        weather: Weather = season.weather
        self._world = World(the_barn, weather=weather, faults=self._faults, now_s=0.0, wall_s=season.begin_s)
        self._latest: dict[str, Latest] = {}
        self._read_s: dict[str, float] = {}
        self._boot, self._boot_s, self._up = 0, 0.0, False
        self._state = StepState(control=start_state(the_barn, 0.0), started_s=0.0)
        self._result: StepResult | None = None
        self._young_s = -math.inf
        self._rows = array("d")
        self.found = Summer(barn=the_barn, season=season)

    def run(self) -> Summer:
        """From the first to the last day."""
        end_s, now_s = self._season.end_s - self._season.begin_s, 0.0
        while now_s < end_s:
            self._break(now_s)
            self._world.advance(now_s=now_s, wall_s=self._season.begin_s + now_s, told=self._told(now_s))
            if self._ill(GRID):
                self._up = False
            else:
                self._tick(now_s)
            step_s = min(self._step(now_s), end_s - now_s)
            self._write(now_s, step_s)
            self.found.steps += 1
            now_s += step_s
        names = columns(self._barn)
        rows = [self._rows[at : at + len(names)] for at in range(0, len(self._rows), len(names))]
        self.found.truth = pd.DataFrame(rows, columns=names)
        return self.found

    # --- what breaks ----------------------------------------------------------------------------------

    def _break(self, now_s: float) -> None:
        over = [ill for ill in self._standing if ill.end_s <= now_s]
        new = [ill for ill in self._ills if ill.begin_s <= now_s]
        self._ills = self._ills[len(new) :]
        self._standing = [ill for ill in (*self._standing, *new) if ill.end_s > now_s]
        for ill in over:
            self._faults.clear(ill.target)
        for ill in new:  # a silent sensor is not heard; everything else the bench breaks
            broken = ill.kind == "silent" or ill.target not in self._faults.targets
            if not broken and not self._faults.put(ill.target, kind=ill.kind):
                raise ValueError(f"the bench cannot break this: {ill}")
        while self._edges and self._edges[0] <= now_s:
            self._edges.pop(0)
            self._young_s = now_s

    def _ill(self, target: str) -> Ill | None:
        return next((ill for ill in self._standing if ill.target == target), None)

    def _cut(self, bus: str, for_s: float, now_s: float) -> bool:
        ill = self._ill(bus)
        return ill is not None and now_s - ill.begin_s >= for_s

    def _silent(self, sensor: SensorSpec) -> bool:
        ill = self._ill(sensor.name)
        return self._ill(sensor.bus) is not None or (ill is not None and ill.kind == "silent")

    def _told(self, now_s: float) -> Mapping[str, float]:
        """The outputs as they are. A block that nobody writes to lets go; without power nothing turns."""
        if self._ill(GRID):
            return dict.fromkeys(self._outputs, 0.0)
        for each in self._switched:
            if self._cut(self._bus_of[each.relay], LETS_GO_S, now_s):
                self._outputs[each.name] = float(each.safe_on)
        return self._outputs

    # --- one step of the gateway ----------------------------------------------------------------------

    def _stamp(self, now_s: float) -> Stamp:
        unset = self._ill(CLOCK)
        wall_s = self._season.begin_s + now_s
        if unset is not None:  # the clock goes on from where it was when the power went
            wall_s = self._season.begin_s + unset.begin_s + now_s - self._boot_s
        return Stamp(mono_s=now_s - self._boot_s, wall_s=wall_s, boot=f"summer-{self._boot}", trusted=unset is None)

    def _start(self, now_s: float) -> None:
        """After a cut: the journal is read, all else begins anew."""
        self._boot, self._boot_s, self._up = self._boot + 1, now_s, True
        self._latest, self._read_s = {}, {}
        stamp = self._stamp(now_s)
        book = restored((line for _, line in self.found.journal), stamp)
        self._state = StepState(
            control=start_state(self._barn, stamp.mono_s), started_s=stamp.mono_s, alarms=AlarmState(book=book)
        )
        self._outputs = {each.name: float(each.safe_on) for each in self._switched}
        self._young_s = now_s

    def _tick(self, now_s: float) -> None:
        if not self._up:
            self._start(now_s)
        stamp = self._stamp(now_s)
        day, second = divmod(int(self._season.begin_s + now_s + self._season.offset_s), 86400)
        minute, weekday = second // 60, day + 3  # 1 January 1970 was a Thursday
        self._hear(stamp)
        book = self._state.alarms.book
        filed = tuple(self._people.files(book, stamp, minute, weekday, now_s))
        inputs = StepInputs(
            latest=dict(self._latest), seen=self._seen(stamp, now_s), stamp=stamp,
            troubles=tuple(self._troubles()),
            minute=minute if stamp.trusted else None, day=day if stamp.trusted else None,
            asked=tuple(self._people.hands(self._stagnant(), stamp, minute, weekday)), filed=filed,
        )  # fmt: skip
        self._result = result = step(self._barn, self._state, inputs, stamp.mono_s)
        self._state = result.state
        lines = (*filed, *(event for event in result.events if isinstance(event, AlarmChange)))
        self._keep(lines, result.state.alarms.book, now_s)
        if lines or self._people.notices.waits_since_s or self._calling():
            notices = self._people.told(result.state.alarms.book, stamp, minute, now_s)
            self.found.notices += [(now_s, notice) for notice in notices]
        self._obey(result, now_s)

    def _hear(self, stamp: Stamp) -> None:
        sensed = self._world.sensed()
        for sensor in self._barn.sensors:
            if stamp.mono_s - self._read_s.get(sensor.name, -math.inf) < sensor.every_s:
                continue
            self._read_s[sensor.name] = stamp.mono_s
            if self._silent(sensor):
                readings = [
                    Reading(channel=c.name, value=None, quality=Quality.SILENT, stamp=stamp, detail="no answer")
                    for c in sensor.channels
                ]
            else:
                readings = []
                for channel in sensor.channels:
                    value, quality, detail = gate(channel.quantity, sensed[sensor.name][channel.quantity])
                    readings.append(
                        Reading(channel=channel.name, value=value, quality=quality, stamp=stamp, detail=detail)
                    )
            for reading in readings:
                self._latest[reading.channel] = newer(self._latest.get(reading.channel), reading)

    def _seen(self, stamp: Stamp, now_s: float) -> dict[str, KitSeen]:
        return {
            each.name: KitSeen(on=None, at_s=stamp.mono_s, error="no answer")
            if self._cut(self._bus_of[each.relay], TRIES_S, now_s)
            else KitSeen(on=bool(self._outputs[each.name]), at_s=stamp.mono_s)
            for each in self._switched
        }

    def _troubles(self) -> Iterator[Trouble]:
        for subject in (BROKER, STORE):
            if self._ill(subject):
                yield Trouble(subject=subject, code=f"{subject}-lost", text=f"the {subject} does not answer")

    def _stagnant(self) -> bool:
        commands = self._result.commands if self._result else ()
        return any(reason.code == "mist-stagnant" for command in commands for reason in command.reasons)

    def _obey(self, result: StepResult, now_s: float) -> None:
        commands = {command.kit: command for command in (*result.commands, *result.signals)}
        for each in self._switched:
            if self._ill(self._bus_of[each.relay]) is None:
                self._outputs[each.name] = commands[each.name].speed if commands[each.name].on else 0.0
        fans = {kit.name for kit in self._barn.kit if kit.kind is KitKind.FAN}
        if any(isinstance(event, CommandChange) and event.kit in fans for event in result.events):
            self._young_s = max(self._young_s, now_s - YOUNG_S + SWITCHED_S)

    # --- what is written down -------------------------------------------------------------------------

    def _keep(self, lines: tuple[AlarmChange, ...], book: Book, now_s: float) -> None:
        self.found.journal += [(now_s, line) for line in lines]
        for key in {line.alarm for line in lines}:
            alarm = book.of(key)
            if alarm.rung is None:
                continue
            before = self.found.rings.get((key, alarm.episode))
            self.found.rings[key, alarm.episode] = Ring(
                key=key, episode=alarm.episode, at_s=now_s if before is None else before.at_s,
                priority=alarm.priority, restless=alarm.restless,
            )  # fmt: skip

    def _write(self, now_s: float, step_s: float) -> None:
        air, moves = self._world.air(), self._world.running(now_s)
        wanted = {command.kit: command.wanted is True for command in self._result.commands} if self._result else {}
        row = [now_s, step_s, float(self._up)]
        for place in self._barn.places:
            sensors = [sensor for sensor in self._barn.sensors if sensor.place == place.name and sensor.tells_air]
            there, silent = air[place.name], [self._silent(sensor) for sensor in sensors]
            stuck = [ill is not None and ill.kind == "stuck" for ill in (self._ill(s.name) for s in sensors)]
            lying = any(stuck) and all(a or b for a, b in zip(silent, stuck, strict=True))
            row += [there.temp_c, there.rh_pct, there.wind_mps, float(all(silent)), float(lying)]
        for kit in self._barn.kit:
            row += [float(moves[kit.name]), float(wanted.get(kit.name, False))]
        self._rows.extend(row)

    # --- how long a step may be -----------------------------------------------------------------------

    def _calling(self) -> bool:
        return any(not alarm.taken for alarm in self._state.alarms.book.alarms.values())

    def _step(self, now_s: float) -> float:
        step_s = self._step_s or self._adapted(now_s)
        edge_s = self._edges[0] - now_s if self._edges else math.inf
        return min(step_s, edge_s) if edge_s > 0.0 else step_s

    def _adapted(self, now_s: float) -> float:
        if now_s - self._young_s < YOUNG_S or self._waits():
            return FINE_S
        misters = [kit.name for kit in self._barn.kit if kit.kind is not KitKind.FAN]
        if self._standing or self._calling() or any(self._outputs[name] for name in misters) or self._is_near_stop():
            return COARSE_S
        return COARSE_S if self._people.is_waited_for(now_s, CALM_S) else CALM_S

    def _is_near_stop(self) -> bool:
        """Whether a place may be at level 3 before long."""
        places = self._result.snapshot.places if self._result else ()
        stop = self._barn.posts[-1].at
        return any((view.air_level or 0) >= 2 or (view.sum_f_pct or 0.0) >= stop - NEAR for view in places)

    def _waits(self) -> bool:
        """Whether a condition waits for a delay so short that a coarse step would blur it."""
        book, timers = self._state.alarms.book, self._state.alarms.timers
        mono_s = self._result.snapshot.mono_s if self._result else 0.0
        for key, timer in timers.items():
            rule = BY_CODE.get(key.split(":")[0])
            if rule and timer.holds and not book.of(key).standing and mono_s - timer.since_s < rule.on_s <= 60.0:
                return True
        return False
