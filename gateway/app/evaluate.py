"""Owns: one season of the emulated stall row under one controller, and the score of it.

Must not know: how a controller decides, how a score is shown.
How it works: once a minute the sensors are read (with their small errors, drawn from a seed that is the same for every
controller), the controller is asked, the air moves on, and the minute is added up. Strain is the integral of
max(0, limit - carry) over the time in which horses are there, in hours, for the horses as they are, resting or hot.
The first day only runs in and is not counted.
"""

from __future__ import annotations

import datetime
import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from drivers.bench import zones
from drivers.bench.weather import Weather
from drivers.bench.zones import ZoneState
from gateway.app import evaluate_barn as the
from gateway.app.evaluate_rivals import Asked, Controller, Sensed
from gateway.errors import WeatherError

SEED: Final = 5
SPREAD_C, SPREAD_RH_PCT = 0.1, 0.6  # own error of the sensor, and its noise: as on the bench
NOISE_C, NOISE_RH_PCT = 0.03, 0.15
LIMIT, COMFORT = 1.0, 2.0  # carry below which heat builds up, and our first limit for a standing horse
FLOOR_DRIES_S: Final = 1800.0  # own choice: so long after the last water the floor counts as wet
DAY_S: Final = 86400.0
OUT_OF_SEASON: Final = datetime.timedelta(days=25)  # a gap so long in the chosen months is the rest of a year
KEPT_EVERY: Final = 10  # minutes between points of the trace


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Weather of one climate from `begin_s` to `end_s` [s, Unix time], whole local days."""

    name: str
    weather: Weather
    begin_s: float
    end_s: float
    offset_s: float

    @property
    def days(self) -> int:
        """How many days count; the first is run-in."""
        return round((self.end_s - self.begin_s) / DAY_S) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One moment of a trace. `carry` is None while no horses are there."""

    time_s: float
    temp_c: float
    carry: float | None
    groups: int
    mist: bool


@dataclass(slots=True, kw_only=True)
class Score:
    """What one season was like under one controller. Starts are those of single groups of fans."""

    horse_hours: float = 0.0
    hours_below_limit: float = 0.0
    strain_h: float = 0.0
    hours_below_comfort: float = 0.0
    comfort_strain_h: float = 0.0
    fan_kwh: float = 0.0
    fan_kwh_nobody: float = 0.0
    starts: int = 0
    litres: float = 0.0
    wet_floor_hours: float = 0.0
    least_carry: float = 99.0
    strain_by_day: dict[int, float] = field(default_factory=dict)
    groups_by_hour: list[float] = field(default_factory=lambda: [0.0] * 24)
    trace: list[Point] = field(default_factory=list)


def season_of(name: str, weather: Weather, times: Iterable[datetime.datetime], months: tuple[int, int]) -> Season:
    """The first whole season of a file between two months, both included; they may lie over the new year.

    Raises WeatherError when fewer than two whole days of it are there.
    """
    first, last = months
    within = [
        when for when in times if (first <= when.month <= last if first <= last else not last < when.month < first)
    ]
    there = within[:1]
    for when in within[1:]:
        if when - there[-1] > OUT_OF_SEASON:
            break
        there.append(when)
    if not there:
        raise WeatherError(f"{name}: no weather in months {first} to {last}")
    offset = there[0].utcoffset()
    assert offset is not None  # a weather row has a zone
    offset_s = offset.total_seconds()
    first_day = -((-(there[0].timestamp() + offset_s)) // DAY_S)
    last_day = (there[-1].timestamp() + 3600.0 + offset_s) // DAY_S
    if last_day - first_day < 2:
        raise WeatherError(f"{name}: fewer than two whole days in months {first} to {last}")
    return Season(
        name=name, weather=weather, begin_s=first_day * DAY_S - offset_s, end_s=last_day * DAY_S - offset_s,
        offset_s=offset_s,
    )  # fmt: skip


def run(season: Season, controller: Controller, *, seed: int = SEED) -> Score:
    """One season, minute by minute."""
    chance = random.Random(seed)
    off_c, off_pct = chance.uniform(-SPREAD_C, SPREAD_C), chance.uniform(-SPREAD_RH_PCT, SPREAD_RH_PCT)
    state = zones.outside_state(season.weather.at(season.begin_s), the.PRESSURE_PA)
    score, before, wet_s = Score(), Asked(), -FLOOR_DRIES_S
    for number in range(round((season.end_s - season.begin_s) / the.STEP_S)):
        now_s = number * the.STEP_S
        minute, day = number % 1440, number // 1440
        sensed = Sensed(
            now_s=now_s,
            minute=minute,
            day=day,
            temp_c=state.temp_c + off_c + chance.gauss(0.0, NOISE_C),
            rh_pct=_within(zones.rh_pct(state, the.PRESSURE_PA) + off_pct + chance.gauss(0.0, NOISE_RH_PCT)),
        )
        asked = controller.ask(sensed)
        horses = the.horses_at(minute)
        air = season.weather.at(season.begin_s + now_s)
        state = the.moved(state, air, horses, groups=asked.groups, mist=asked.mist, step_s=the.STEP_S)
        wet_s = now_s if asked.mist else wet_s
        if day > 0:
            carry = the.carry_of(state, horses, groups=asked.groups) if horses.here else None
            _add(score, day, minute, asked, before, carry, wet=now_s - wet_s < FLOOR_DRIES_S)
            if number % KEPT_EVERY == 0:
                score.trace.append(_point(season.begin_s + now_s, state, carry, asked))
        before = asked
    return score


def _within(rh_pct: float) -> float:
    return min(100.0, max(1.0, rh_pct))


def _point(time_s: float, state: ZoneState, carry: float | None, asked: Asked) -> Point:
    return Point(time_s=time_s, temp_c=state.temp_c, carry=carry, groups=asked.groups, mist=asked.mist)


def _add(score: Score, day: int, minute: int, asked: Asked, before: Asked, carry: float | None, *, wet: bool) -> None:
    hours = the.STEP_S / 3600.0
    kwh = asked.groups * the.FAN_W / 1000.0 * hours
    score.fan_kwh += kwh
    score.starts += sum(now and not then for now, then in zip(asked.fans, before.fans, strict=True))
    score.litres += the.mist_litres(the.STEP_S) if asked.mist else 0.0
    score.wet_floor_hours += hours if wet else 0.0
    score.groups_by_hour[minute // 60] += asked.groups * hours
    if carry is None:
        score.fan_kwh_nobody += kwh
        return
    score.horse_hours += hours
    score.least_carry = min(score.least_carry, carry)
    score.hours_below_limit += hours if carry < LIMIT else 0.0
    score.strain_h += max(0.0, LIMIT - carry) * hours
    score.hours_below_comfort += hours if carry < COMFORT else 0.0
    score.comfort_strain_h += max(0.0, COMFORT - carry) * hours
    score.strain_by_day[day] = score.strain_by_day.get(day, 0.0) + max(0.0, COMFORT - carry) * hours
