"""Owns: what a piece of kit of the bench really does, beside what its output says.

Must not know: buses, zones, sensors, time.
How it works: the output gives a share of full speed; the hand/off/auto switch goes before it, and what is broken
before both. `Motion` says apart what it draws and what it moves: a fan without its belt draws a little and moves no
air, a mister behind a shut master valve no water. The figures are invented.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from gateway.barn import KitSpec
from gateway.model import KitKind, SwitchAt

_WITHOUT_BELT: Final = 0.2  # of the running current


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """Shares of full current and of full effect, 0 to 1 each."""

    draws: float = 0.0
    moves: float = 0.0


def motion(told: float, *, switch: SwitchAt, fault: str) -> Motion:
    """What kit does whose output says `told`."""
    if switch is not SwitchAt.AUTO:
        told = float(switch is SwitchAt.HAND)
    if fault in ("welded", "valve-stuck"):
        told = 1.0
    if fault in ("tripped", "valve-shut"):
        told = 0.0
    if fault == "belt-gone":
        return Motion(draws=_WITHOUT_BELT * told, moves=0.0)
    return Motion(draws=told, moves=told)


def with_master_valves(kit: Iterable[KitSpec], found: Mapping[str, Motion]) -> dict[str, Motion]:
    """The motions, with no water behind a master valve that is shut."""
    items = tuple(kit)
    shut = {item.place for item in items if item.kind is KitKind.VALVE and not found[item.name].moves}
    dry = {item.name for item in items if item.kind is KitKind.MISTER and item.place in shut}
    return {name: replace(each, moves=0.0) if name in dry else each for name, each in found.items()}
