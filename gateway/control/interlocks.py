"""Owns: what overrules demand and timers.

Must not know: relays, time.
How it works: an ordered table. The first rule that fits decides alone, and its reason is the command's first
reason. The table is data, so that the handbook can print it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gateway.control.inputs import AirInput, Freshness
from gateway.model import KitSpec, Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Interlock:
    """When `applies`, the kit goes to its safe state at once, minimum off time or not. `why` is for people."""

    code: str
    why: str
    applies: Callable[[KitSpec, AirInput], bool]


INTERLOCKS: tuple[Interlock, ...] = (
    Interlock(
        code="air-unknown",
        why="Nobody knows the air at this place: moving air cannot hurt, still air may. Water stays off.",
        applies=lambda _kit, air: air.freshness is Freshness.LOST,
    ),
)


def forced(kit: KitSpec, air: AirInput) -> tuple[bool, Reason] | None:
    """The safe state and the reason, when a rule applies; otherwise None."""
    for rule in INTERLOCKS:
        if rule.applies(kit, air):
            word = "runs" if kit.safe_on else "stays off"
            return kit.safe_on, Reason(code=rule.code, text=f"{word} to be safe: {air.lost_text}")
    return None
