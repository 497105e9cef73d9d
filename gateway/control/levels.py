"""Owns: the level of a place, from its sum.

Must not know: sensors, screens, kit.
How it works: each post is one two-threshold switch; the level is the number of posts that are on. A level rises at
once and falls only after a dead band and a hold time, so the wall does not flicker. The plain band of a sum,
without memory, is `band`.
"""

from __future__ import annotations

from collections.abc import Sequence

from gateway.control.hysteresis import Switch, advance
from gateway.model import Barn, Level, Post

LevelState = tuple[Switch, ...]


def band(sum_f_pct: float, posts: Sequence[Post]) -> Level:
    """Level of a sum without memory. A sum that equals a post belongs to the upper level."""
    return Level(sum(sum_f_pct >= post.at for post in posts))


def next_levels(state: LevelState, sum_f_pct: float, barn: Barn, now_s: float) -> LevelState:
    """The switches of a place after a new sum. An empty state starts in the plain band."""
    before = state or tuple(Switch() for _ in barn.posts)
    return tuple(
        advance(switch, sum_f_pct, on_at=post.at, off_below=post.at - barn.dead_band, hold_s=barn.hold_s, now_s=now_s)
        for switch, post in zip(before, barn.posts, strict=True)
    )


def level_of(state: LevelState) -> Level:
    """The level that the switches stand for: the highest post that is on."""
    return Level(max((rank for rank, switch in enumerate(state, start=1) if switch.on), default=0))
