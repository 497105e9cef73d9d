"""The best that fans can do on a season when the weather to come is known: dynamic programming.

Objective: price x strain [h] + fan energy [kWh], with the motor rules that hold for every controller. One decision for
five minutes: then a minimum on time of ten is two steps, a minimum off time of five is one, and four starts an hour
follow from both. The two groups are alike, so only their ages count.

Forward in time, every way to have come here is a label: cost so far, the air as the plant itself made it, and the ages
of the groups. Labels that agree in ages and in the air, to `GRAIN_C` and `GRAIN_RATIO`, are merged: the cheapest stays
with its own air. That is the one approximation; the plan that comes out is a real one, and is played through the same
minute-by-minute account as every controller. So it is never better than the true optimum (of five-minute decisions),
and `--grain` shows how far a finer grain would take it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from drivers.bench import zones
from drivers.bench.air import Air
from drivers.bench.zones import ZoneState
from gateway.app import evaluate_barn as the
from gateway.app.evaluate import COMFORT, Season
from gateway.app.evaluate_barn import Horses
from gateway.app.evaluate_rivals import Asked, Sensed

DECIDE_S = 300.0
GRAIN_C, GRAIN_RATIO = 0.3, 3e-4
# A label this much dearer than the cheapest cannot win it back: ten minutes of both groups, and the air's memory.
SPARE_KWH, SPARE_STRAIN_H = 0.2, 0.05
PLAYED_S = 150.0  # the air moves on, and strain is looked at, in halves of a decision

OFF, STARTED, FREE = 0, 1, 2  # age of a group: just started must go on for one more step
Ages = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Label:
    cost: float
    air: ZoneState
    ages: Ages
    parent: int
    groups: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """Weather and horses in one half of a decision."""

    outside: Air
    horses: Horses


def best_plan(season: Season, *, price_kwh_h: float, limit: float = COMFORT, grain: float = 1.0) -> list[int]:
    """How many groups run in each five minutes of the season."""
    air = zones.outside_state(season.weather.at(season.begin_s), the.PRESSURE_PA)
    layers = [[Label(0.0, air, (OFF,) * len(the.FANS), 0, 0)]]
    spare = SPARE_KWH + SPARE_STRAIN_H * price_kwh_h
    for number in range(round((season.end_s - season.begin_s) / DECIDE_S)):
        halves = [stretch(season, number * DECIDE_S + share * PLAYED_S) for share in (0, 1)]
        kept: dict[tuple[Ages, int, int], Label] = {}
        cheapest = min(label.cost for label in layers[-1])
        for rank, label in enumerate(layers[-1]):
            if label.cost <= cheapest + spare:
                for after in _next(halves, label, rank, price_kwh_h, limit):
                    temp, ratio = after.air.temp_c / (GRAIN_C * grain), after.air.ratio / (GRAIN_RATIO * grain)
                    key = (after.ages, round(temp), round(ratio))
                    if key not in kept or after.cost < kept[key].cost:
                        kept[key] = after
        layers.append(list(kept.values()))
    return _traced(layers)


def stretch(season: Season, begin_s: float) -> Stretch:
    return Stretch(
        outside=season.weather.at(season.begin_s + begin_s + PLAYED_S / 2),
        horses=the.horses_at(int((begin_s + PLAYED_S / 2) // 60) % 1440),
    )


def _traced(layers: Sequence[Sequence[Label]]) -> list[int]:
    label = min(layers[-1], key=lambda last: last.cost)
    plan = []
    for layer in reversed(layers[:-1]):
        plan.append(label.groups)
        label = layer[label.parent]
    return plan[::-1]


def _next(halves: Sequence[Stretch], label: Label, rank: int, price_kwh_h: float, limit: float) -> Iterator[Label]:
    went: dict[int, tuple[ZoneState, float]] = {}
    for ages in successors(label.ages):
        groups = sum(age != OFF for age in ages)
        if groups not in went:
            went[groups] = played(halves, label.air, groups, limit)
        air, strain_h = went[groups]
        energy_kwh = groups * the.FAN_W / 1000.0 * DECIDE_S / 3600.0
        yield Label(label.cost + price_kwh_h * strain_h + energy_kwh, air, ages, rank, groups)


@cache
def successors(ages: Ages) -> set[Ages]:
    """The ages that may follow, the groups in rising order since they are alike."""
    choices = {OFF: (OFF, STARTED), STARTED: (FREE,), FREE: (FREE, OFF)}
    found: set[Ages] = {()}
    for age in ages:
        found = {(*before, after) for before in found for after in choices[age]}
    return {tuple(sorted(each)) for each in found}


def played(halves: Sequence[Stretch], air: ZoneState, groups: int, limit: float) -> tuple[ZoneState, float]:
    """The air after one decision, and the strain in it."""
    strain_h = 0.0
    for half in halves:
        air = the.moved(air, half.outside, half.horses, groups=groups, mist=False, step_s=PLAYED_S)
        if half.horses.here:
            strain_h += max(0.0, limit - the.carry_of(air, half.horses, groups=groups)) * PLAYED_S / 3600.0
    return air, strain_h


def fans_of(plan: Sequence[int]) -> list[tuple[bool, ...]]:
    """Which group runs when so many shall: the one that rested longest starts, the one that ran longest stops."""
    running = [False] * len(the.FANS)
    changed = [-1] * len(the.FANS)
    fans = []
    for number, groups in enumerate(plan):
        while sum(running) != groups:
            start = sum(running) < groups
            chosen = min((n for n, on in enumerate(running) if on != start), key=lambda n: changed[n])
            running[chosen], changed[chosen] = start, number
        fans.append(tuple(running))
    return fans


class Planned:
    """A controller that plays a plan."""

    def __init__(self, plan: Sequence[int]) -> None:
        self._plan = fans_of(plan)

    def ask(self, sensed: Sensed) -> Asked:
        return Asked(fans=self._plan[int(sensed.now_s // DECIDE_S)])
