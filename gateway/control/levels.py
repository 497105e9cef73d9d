"""Owns: the level of a place, from its sum and from its air, and the policy that joins the two.

Must not know: sensors, screens, kit.
How it works: every boundary is one two-threshold switch, so that a level rises at once and falls only after a dead
band and a hold time. By the rule, the boundaries are the posts of the sum. By the air, where horses are ridden, they
are "canter, trot, walk is not carried"; where horses stand, the barn's limits of a standing horse's carry. A level is
the highest boundary that is passed. The plain band of a sum, without memory, is `band`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.barn import Barn, Place, Post
from gateway.control.heatload import HeatLoad
from gateway.control.hysteresis import Switch, advance
from gateway.heat.horse import Pace
from gateway.model import Level, PlaceKind, Policy

# A level by the air falls, and a fan leaves, when carry is this much above its boundary; the same caution as 3 points
# of the sum, which near 150 move carry by about as much. A sensor that repeats to 0.1 K and 0.5 % moves carry by 0.03.
CARRY_DEAD_BAND = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelState:
    """The switches of one place; none yet before its first air."""

    rule: tuple[Switch, ...] = ()
    air: tuple[Switch, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """The level of a place and the two inputs that it was made from."""

    level: Level
    rule: Level
    air: Level


def band(sum_f_pct: float, posts: Sequence[Post]) -> Level:
    """Level of a sum without memory. A sum that equals a post belongs to the upper level."""
    return Level(sum(sum_f_pct >= post.at for post in posts))


def next_levels(state: LevelState, load: HeatLoad, place: Place, barn: Barn, now_s: float) -> LevelState:
    """The switches of a place after a new heat load. An empty state starts without memory."""
    posts = [(load.sum_f_pct, post.at, post.at - barn.dead_band) for post in barn.posts]
    # A boundary of carry is passed downwards, so both sides change sign; exactly on it the pace is still carried.
    limits = [
        (-carry, math.nextafter(-limit, math.inf), -limit - CARRY_DEAD_BAND)
        for carry, limit in _carry_limits(load, place, barn)
    ]
    return LevelState(
        rule=_advanced(state.rule, posts, barn.hold_s, now_s), air=_advanced(state.air, limits, barn.hold_s, now_s)
    )


def levels_of(state: LevelState, policy: Policy) -> Levels:
    """The levels that the switches stand for, joined by the policy of the place."""
    rule, air = _highest(state.rule), _highest(state.air)
    level = {Policy.RULE: rule, Policy.AIR: air, Policy.STRICTER: max(rule, air)}[policy]
    return Levels(level=level, rule=rule, air=air)


def _carry_limits(load: HeatLoad, place: Place, barn: Barn) -> list[tuple[float, float]]:
    """Pairs of a carry and the value below which level 1, 2, 3 begins."""
    if place.kind is PlaceKind.RIDING:
        return [(load.carries[pace], 1.0) for pace in (Pace.CANTER, Pace.TROT, Pace.WALK)]
    return [(load.carries[Pace.STAND], limit) for limit in barn.carry_limits]


def _advanced(
    switches: tuple[Switch, ...], boundaries: Sequence[tuple[float, float, float]], hold_s: float, now_s: float
) -> tuple[Switch, ...]:
    before = switches or tuple(Switch() for _ in boundaries)
    return tuple(
        advance(switch, value, on_at=on_at, off_below=off_below, hold_s=hold_s, now_s=now_s)
        for switch, (value, on_at, off_below) in zip(before, boundaries, strict=True)
    )


def _highest(switches: tuple[Switch, ...]) -> Level:
    return Level(max((rank for rank, switch in enumerate(switches, start=1) if switch.on), default=0))
