"""Owns: what overrules demand, people and timers.

Must not know: relays, how anything was found out.
How it works: an ordered table. The first rule that fits decides alone, and its reason is the command's only reason.
The table is data, so that the handbook prints it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from gateway.barn import KitSpec
from gateway.control.inputs import AirInput, Freshness
from gateway.control.timers import RunState
from gateway.model import HandChange, KitKind, Reason

STUCK_AFTER_S = 20.0  # a valve closes and a flow meter stops within this: common practice, no published source


class Then(StrEnum):
    """What a rule makes of the kit."""

    OFF = "off"
    SAFE = "its safe state"
    KEPT = "left as it is"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What an interlock may look at, for one piece of kit. `by_hand` is what a person asked for, if anyone did.

    `wanted`: on, by demand or by hand. `stuck_s`: for how long water has been flowing at the place while every mister
    there was off.
    """

    kit: KitSpec
    air: AirInput
    run: RunState
    by_hand: HandChange | None
    wanted: bool
    fire: bool
    freeze_c: float
    fan_proven: bool
    stuck_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Interlock:
    """When `applies`, kit of these kinds goes to `then` at once, timers or not. `why` is for people.

    `hand_wins`: it leaves alone what a person took by hand.
    """

    code: str
    kinds: tuple[KitKind, ...]
    when: str
    then: Then
    why: str
    applies: Callable[[Case], bool]
    hand_wins: bool = False


FAN, MISTER, VALVE = KitKind.FAN, KitKind.MISTER, KitKind.VALVE

INTERLOCKS: tuple[Interlock, ...] = (
    Interlock(
        code="fire",
        kinds=(FAN,),
        when="the fire contact is closed",
        then=Then.OFF,
        why="Moving air feeds a fire: fans stop, whoever asked for them. The hard-wired stop must do the same.",
        applies=lambda case: case.fire,
    ),
    Interlock(
        code="water-stuck",
        kinds=(MISTER, VALVE),
        when=f"water has been flowing for more than {STUCK_AFTER_S:g} s although every mister of the place is off",
        then=Then.OFF,
        why="A mist valve is stuck open: the master valve closes and misters stay off until the flow ends.",
        applies=lambda case: case.stuck_s > STUCK_AFTER_S,
    ),
    Interlock(
        code="freeze",
        kinds=(MISTER, VALVE),
        when="the air is near freezing",
        then=Then.OFF,
        why="Water in the line would freeze.",
        applies=lambda case: case.air.temp_c is not None and case.air.temp_c <= case.freeze_c,
    ),
    Interlock(
        code="no-proven-fan",
        kinds=(MISTER,),
        when="it is wanted and no fan of its place is proven to run",
        then=Then.OFF,
        why="Water without moving air only wets the floor, also by hand.",
        applies=lambda case: case.wanted and not case.fan_proven,
    ),
    Interlock(
        code="air-unknown",
        kinds=(FAN, MISTER),
        when="nobody knows the air at the place",
        then=Then.SAFE,
        why="Moving air cannot hurt, still air may. Water stays off.",
        applies=lambda case: case.air.freshness is Freshness.LOST,
        hand_wins=True,
    ),
    Interlock(
        code="contact-stuck",
        kinds=(FAN,),
        when="it was told to stop and ran on by its proof, its switch in auto; it is not wanted, or runs again",
        then=Then.KEPT,
        why="A contact that stuck must not be worked again and again: it may start but is not stopped any more, until "
        "it is seen to stand or somebody has looked and takes it by hand.",
        applies=lambda case: case.run.stuck and (case.run.on or not case.wanted),
        hand_wins=True,
    ),
    Interlock(
        code="retry-start",
        kinds=(FAN, MISTER, VALVE),
        when="its first start was not confirmed by its proof of run",
        then=Then.OFF,
        why="It rests for its minimum off time and is started once more; meanwhile the next fan is asked.",
        applies=lambda case: case.run.to_retry,
        hand_wins=True,
    ),
    Interlock(
        code="not-running",
        kinds=(FAN, MISTER, VALVE),
        when="two starts in a row were not confirmed by its proof of run",
        then=Then.SAFE,
        why="A fan is left asked to run and the next one is asked as well, water stays off, and people are called. "
        "Take it by hand when it is mended.",
        applies=lambda case: case.run.dead,
        hand_wins=True,
    ),
)


def forced(case: Case) -> tuple[bool, Reason] | None:
    """What must be, and why, when a rule applies; otherwise None."""
    for rule in INTERLOCKS:
        if case.kit.kind in rule.kinds and not (rule.hand_wins and case.by_hand) and rule.applies(case):
            on = {Then.OFF: False, Then.SAFE: case.kit.safe_on, Then.KEPT: case.run.on}[rule.then]
            return on, Reason(code=rule.code, text=_text(rule, case))
    return None


def _text(rule: Interlock, case: Case) -> str:
    if rule.code != "air-unknown":
        return rule.why
    return f"{'runs' if case.kit.safe_on else 'stays off'} to be safe: {case.air.lost_text or rule.why}"
