"""Owns: which fans a place asks for, how fast, and why, before hands, timers and interlocks.

Must not know: relays, water, time beyond `now`.
How it works: a fan is judged by carry, never by the sum: what the air takes from a standing wet horse (one that comes
in hot makes twice the heat) with the fans of earlier stages, without this one. Where it is known what those bring, it
joins when carry is below the barn's first limit; else below the limit of its stage. It leaves when carry has been
above by a dead band for a hold time. Where the policy counts the rule, its level at the stage of a fan wants it as
well; level 3 wants every fan. Where horses are ridden, they make their own air: there the level alone asks, by the roof
too, unless horses come in hot. A fan that would change nothing is not wanted before that.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from gateway.barn import Barn, KitSpec, Place
from gateway.control.heatload import HeatLoad, horse_of
from gateway.control.hysteresis import Switch, advance
from gateway.control.levels import CARRY_DEAD_BAND, Levels
from gateway.control.situation import Now, is_hot, is_occupied
from gateway.heat.balance import carry
from gateway.heat.horse import Pace
from gateway.model import KitKind, Level, PlaceKind, Policy, Reason

LEAST_GAIN = 0.02
SPEED_STEP = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What demand asks of one piece of kit."""

    on: bool
    reason: Reason
    speed: float = 1.0


def staged(place: Place, barn: Barn, now: Now, failing: Sequence[str] = ()) -> tuple[tuple[int, KitSpec], ...]:
    """The fans of a place with their stage of now, earliest first.

    Rotation moves the stages on by one a day. Fans that bring air take the earliest stages; one of `failing` keeps
    its own as well, so that it is tried again.
    """
    fans = [kit for kit in barn.kit if kit.place == place.name and kit.kind is KitKind.FAN]
    stages = [kit.on_level for kit in fans]
    if place.rotates and now.day is not None and fans:
        turn = now.day % len(fans)
        stages = stages[turn:] + stages[:turn]
    ordered = sorted(zip(stages, fans, strict=True), key=lambda pair: pair[0])
    able = [fan for _, fan in ordered if fan.name not in failing]
    moved = {fan.name: stage for (stage, _), fan in zip(ordered, able, strict=False)}
    return tuple(sorted(((moved.get(fan.name, stage), fan) for stage, fan in ordered), key=lambda pair: pair[0]))


def standing_carry(load: HeatLoad, barn: Barn, *, air_mps: float, hot: bool) -> float:
    """Carry of a standing wet horse at an air speed [m/s]; `hot` is a horse just after work."""
    around = replace(load.around, air_mps=max(load.around.air_mps, air_mps))
    return carry(around, Pace.STAND, horse_of(barn, hot=hot))


def fan_wishes(
    place: Place,
    barn: Barn,
    load: HeatLoad,
    levels: Levels,
    switches: Mapping[str, Switch],
    now: Now,
    *,
    cool_out: bool,
    failing: Sequence[str] = (),
) -> tuple[dict[str, Wish], dict[str, Switch]]:
    """Wishes and switches by fan. A fan in `failing` brings no air now, so that the next one is asked instead."""
    asked = _Asked(place, barn, load, levels, now, cool_out)
    wishes: dict[str, Wish] = {}
    after: dict[str, Switch] = {}
    earlier: list[KitSpec] = []
    for stage, pairs in groupby(staged(place, barn, now, failing), key=lambda pair: pair[0]):
        fans = [fan for _, fan in pairs]
        air_mps = max((fan.air_mps for fan in earlier if wishes[fan.name].on and fan.name not in failing), default=0.0)
        known = bool(earlier) and all(fan.air_mps for fan in earlier)
        limit = barn.carry_limits[0 if known else stage - 1]
        without = asked.carry(air_mps)
        for fan in fans:
            after[fan.name] = advance(
                switches.get(fan.name, Switch()), -without, on_at=-limit, off_below=-limit - CARRY_DEAD_BAND,
                hold_s=barn.hold_s, now_s=now.mono_s,
            )  # fmt: skip
            wishes[fan.name] = next(
                asked.wishes(fan, stage, limit, air_mps, by_carry=asked.by_carry and after[fan.name].on)
            )
        earlier += fans
    return wishes, after


class _Asked:
    """One place at one moment. Carry is worked out once for each air speed."""

    def __init__(
        self, place: Place, barn: Barn, load: HeatLoad, levels: Levels, now: Now, cool_out: bool
    ) -> None:  # fmt: skip
        self.barn, self.load, self.levels, self.cool_out = barn, load, levels, cool_out
        self.hot = cool_out or is_hot(place, now)
        self.there = cool_out or is_occupied(place, now)
        self.by_carry = place.kind is PlaceKind.STANDING or self.hot
        by_rule = levels.rule if place.policy is not Policy.AIR else Level.FREE
        self.asking = by_rule if self.by_carry and levels.level is not Level.STOP else levels.level
        self.who = "a horse just in from work" if self.hot else "a standing horse"
        self._carries: dict[float, float] = {}

    def carry(self, air_mps: float) -> float:
        """Carry of the horse that counts here, with air of this speed."""
        if air_mps <= self.load.around.air_mps and not self.hot:
            return self.load.carries[Pace.STAND]
        if air_mps not in self._carries:
            self._carries[air_mps] = standing_carry(self.load, self.barn, air_mps=air_mps, hot=self.hot)
        return self._carries[air_mps]

    def wishes(self, fan: KitSpec, stage: int, limit: float, air_mps: float, *, by_carry: bool) -> Iterator[Wish]:
        """The first decides."""
        if self.cool_out:
            yield Wish(on=True, reason=Reason(code="cool-out", text="a horse is being cooled here"))
        if not self.there:
            yield Wish(on=False, reason=Reason(code="nobody-here", text="no horses here at this time of day"))
        without, with_it = self.carry(air_mps), self.carry(max(air_mps, fan.air_mps))
        numbers = f"carry of {self.who} {without:.2f} without it" + (f", {with_it:.2f} with it" if fan.air_mps else "")
        vain = fan.air_mps > air_mps and with_it < without + LEAST_GAIN and self.levels.level < Level.STOP
        if vain and not (by_carry and without > limit):  # in its hold time it stays
            yield Wish(on=False, reason=Reason(code="no-gain", text=f"it would change nothing: {numbers}"))
        if by_carry:
            speed = 1.0 if self.levels.level >= Level.PLAN else self._slowest(fan, air_mps, limit)
            reason = Reason(code="carry-low", text=f"{numbers}; wanted are {limit:g}")
            yield Wish(on=True, speed=speed, reason=reason)
        levels = f"level {int(self.levels.level)} (rule {int(self.levels.rule)}, air {int(self.levels.air)})"
        if self.asking >= stage:
            yield Wish(on=True, reason=Reason(code="level-asks", text=f"{levels} asks for stage {stage}"))
        text = f"{levels} does not ask for stage {stage}, {numbers}"
        yield Wish(on=False, reason=Reason(code="level-free", text=text))

    def _slowest(self, fan: KitSpec, air_mps: float, limit: float) -> float:
        """The slowest share of full speed, in steps, at which carry is above its limit with the dead band."""
        steps = round((1.0 - fan.least_speed) / SPEED_STEP)
        if not fan.air_mps or not steps:
            return 1.0

        def speed(step: int) -> float:
            return min(1.0, fan.least_speed + step * SPEED_STEP)

        enough = limit + CARRY_DEAD_BAND
        found = bisect_left(range(steps), enough, key=lambda n: self.carry(max(air_mps, speed(n) * fan.air_mps)))
        return 1.0 if found == steps else speed(found)
