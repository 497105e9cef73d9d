"""What breaks in a replayed summer, how often and for how long, and what people do: invented, and said to be so.

Nobody has published such rates for barns; these are our own guess at a barn that is looked after, on the busy side so
that the alarms have work. Each kind comes at random, independently of the others (exponential gaps); how long it lasts
is drawn evenly on a logarithmic scale between the two ends. The same seed gives the same summer.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from gateway.barn import Barn
from gateway.model import KitKind

MIN_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0
SUMMER_DAYS: Final = 153  # May to September

GRID, CLOCK, BROKER, STORE = "grid", "clock", "broker", "store"  # subjects beside sensors, kit and buses


@dataclass(frozen=True, slots=True, kw_only=True)
class Ill:
    """Something is wrong with `target` from `begin_s` until `end_s`, seconds since the summer began."""

    begin_s: float
    end_s: float
    target: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How often a kind of trouble comes in a summer at the whole barn, and how long it lasts."""

    what: str
    per_summer: float
    least_s: float
    most_s: float


RATES: Final = {
    "silent": Rate(what="a sensor falls silent", per_summer=20, least_s=2 * MIN_S, most_s=6 * HOUR_S),
    "loose": Rate(what="a loose plug: silent again and again", per_summer=4, least_s=HOUR_S, most_s=6 * HOUR_S),
    "stuck": Rate(what="a sensor of air repeats its last numbers", per_summer=2, least_s=HOUR_S, most_s=12 * HOUR_S),
    "wet": Rate(what="a sensor of air is wet", per_summer=8, least_s=20 * MIN_S, most_s=4 * HOUR_S),
    "fan": Rate(what="one fan does not start, or its belt is gone", per_summer=6, least_s=MIN_S, most_s=12 * HOUR_S),
    "breaker": Rate(what="the breaker of all fans has tripped", per_summer=3, least_s=2 * MIN_S, most_s=3 * HOUR_S),
    "welded": Rate(what="the contact of a fan sticks", per_summer=1, least_s=HOUR_S, most_s=24 * HOUR_S),
    "valve": Rate(what="a mist valve does not close", per_summer=1, least_s=2 * MIN_S, most_s=HOUR_S),
    "bus": Rate(what="a line is cut", per_summer=6, least_s=20.0, most_s=4 * HOUR_S),
    "broker": Rate(what="the message broker is away", per_summer=8, least_s=MIN_S, most_s=6 * HOUR_S),
    "store": Rate(what="the data store is away", per_summer=6, least_s=10 * MIN_S, most_s=24 * HOUR_S),
    "grid": Rate(what="the power is cut, for fans and gateway alike", per_summer=5, least_s=20.0, most_s=2 * HOUR_S),
}
UNSET_S: Final = (MIN_S, 2 * HOUR_S)  # for so long the clock is not set after a power cut
LOOSE_OFF_S, LOOSE_ON_S = (5.0, 2 * MIN_S), (MIN_S, 10 * MIN_S)  # a loose plug: away for so long, back for so long


def ills(barn: Barn, days: float, seed: int, rates: Mapping[str, Rate] = RATES) -> tuple[Ill, ...]:
    """All that breaks in so many days, in order of time. Of two ills of a target at a time the later is left out."""
    chance = random.Random(seed)
    drawn = [ill for kind, rate in rates.items() for ill in _of_kind(kind, rate, barn, days, chance)]
    kept: list[Ill] = []
    free_s: dict[str, float] = {}
    for ill in sorted(drawn, key=lambda ill: (ill.begin_s, ill.target)):
        if ill.begin_s >= free_s.get(ill.target, 0.0):
            free_s[ill.target] = ill.end_s
            kept.append(ill)
    return tuple(kept)


def _of_kind(kind: str, rate: Rate, barn: Barn, days: float, chance: random.Random) -> Iterator[Ill]:
    gap_s = SUMMER_DAYS * DAY_S / rate.per_summer
    at_s = chance.expovariate(1.0 / gap_s)
    while at_s < days * DAY_S:
        end_s = at_s + _lasting_s(rate.least_s, rate.most_s, chance)
        yield from _MADE[kind](barn, at_s, end_s, chance)
        at_s = end_s + chance.expovariate(1.0 / gap_s)


def _lasting_s(least_s: float, most_s: float, chance: random.Random) -> float:
    return math.exp(chance.uniform(math.log(least_s), math.log(most_s)))


def _one(kind: str, targets: Callable[[Barn], Sequence[str]]) -> Callable[..., Iterator[Ill]]:
    def made(barn: Barn, begin_s: float, end_s: float, chance: random.Random) -> Iterator[Ill]:
        yield Ill(begin_s=begin_s, end_s=end_s, target=chance.choice(targets(barn)), kind=kind)

    return made


def _loose(barn: Barn, begin_s: float, end_s: float, chance: random.Random) -> Iterator[Ill]:
    target = chance.choice(_sensors(barn))
    while begin_s < end_s:
        back_s = begin_s + _lasting_s(*LOOSE_OFF_S, chance)
        yield Ill(begin_s=begin_s, end_s=back_s, target=target, kind="silent")
        begin_s = back_s + _lasting_s(*LOOSE_ON_S, chance)


def _fan(barn: Barn, begin_s: float, end_s: float, chance: random.Random) -> Iterator[Ill]:
    yield Ill(
        begin_s=begin_s, end_s=end_s, target=chance.choice(_fans(barn)), kind=chance.choice(("tripped", "belt-gone"))
    )


def _breaker(barn: Barn, begin_s: float, end_s: float, _: random.Random) -> Iterator[Ill]:
    for fan in _fans(barn):
        yield Ill(begin_s=begin_s, end_s=end_s, target=fan, kind="tripped")


def _grid(barn: Barn, begin_s: float, end_s: float, chance: random.Random) -> Iterator[Ill]:
    yield Ill(begin_s=begin_s, end_s=end_s, target=GRID, kind="cut")
    yield Ill(begin_s=begin_s, end_s=end_s + _lasting_s(*UNSET_S, chance), target=CLOCK, kind="unset")


def _sensors(barn: Barn) -> list[str]:
    return [sensor.name for sensor in barn.sensors]


def _air(barn: Barn) -> list[str]:
    return [sensor.name for sensor in barn.sensors if sensor.tells_air]


def _fans(barn: Barn) -> list[str]:
    return [kit.name for kit in barn.kit if kit.kind is KitKind.FAN]


def _misters(barn: Barn) -> list[str]:
    return [kit.name for kit in barn.kit if kit.kind is KitKind.MISTER]


_MADE: Final[Mapping[str, Callable[..., Iterator[Ill]]]] = {
    "silent": _one("silent", _sensors),
    "loose": _loose,
    "stuck": _one("stuck", _air),
    "wet": _one("pegged", _air),
    "fan": _fan,
    "breaker": _breaker,
    "welded": _one("welded", _fans),
    "valve": _one("valve-stuck", _misters),
    "bus": _one("gone", lambda barn: [bus.name for bus in barn.buses]),
    "broker": _one("away", lambda _: [BROKER]),
    "store": _one("away", lambda _: [STORE]),
    "grid": _grid,
}
