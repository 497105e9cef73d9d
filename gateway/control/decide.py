"""Owns: the decision of one step: levels, and a command with reasons for every piece of kit.

Must not know: I/O of any kind; what time it is beyond `now_s`.
How it works: levels first, then for each kit demand proposes, timers hold, interlocks force last. Same state, same
inputs, same time: same answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.control.heatload import HeatLoad
from gateway.control.inputs import AirInput
from gateway.control.interlocks import forced
from gateway.control.levels import Levels, LevelState, levels_of, next_levels
from gateway.control.stages import demand
from gateway.control.timers import RunState, hold, switched
from gateway.model import Barn, Command, KitSpec, Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlState:
    """What control remembers: the level switches of each place and the run state of each piece of kit."""

    levels: Mapping[str, LevelState] = field(default_factory=dict)
    kit: Mapping[str, RunState] = field(default_factory=dict)


def start_state(barn: Barn, now_s: float) -> ControlState:
    """State at start. The past is unknown: kit counts as put into its safe state just now."""
    return ControlState(kit={kit.name: RunState(on=kit.safe_on, since_s=now_s) for kit in barn.kit})


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What one step has decided. A place whose air is lost has no levels."""

    state: ControlState
    commands: tuple[Command, ...]
    levels: Mapping[str, Levels]


def decide(
    state: ControlState,
    barn: Barn,
    air: Mapping[str, AirInput],
    loads: Mapping[str, HeatLoad],
    now_s: float,
) -> Decision:
    """Levels and commands for the air at each place; `loads` has an entry for every place whose air is known.

    A place whose air is lost keeps its switches, so that it comes back with the level it had.
    """
    switches = dict(state.levels)
    levels = {}
    for place in barn.places:
        if place.name in loads:
            before = switches.get(place.name, LevelState())
            switches[place.name] = next_levels(before, loads[place.name], place, barn, now_s)
            levels[place.name] = levels_of(switches[place.name], place.policy)
    kit: dict[str, RunState] = {}
    commands = []
    for spec in barn.kit:
        run = state.kit[spec.name]
        on, reasons = _command(spec, run, levels.get(spec.place), air[spec.place], now_s)
        kit[spec.name] = switched(run, on, now_s)
        commands.append(Command(kit=spec.name, on=on, reasons=reasons, changed=on != run.on))
    return Decision(state=ControlState(levels=switches, kit=kit), commands=tuple(commands), levels=levels)


def _command(
    spec: KitSpec, before: RunState, levels: Levels | None, air: AirInput, now_s: float
) -> tuple[bool, tuple[Reason, ...]]:
    must = forced(spec, air)
    if must is not None:
        return must[0], (must[1],)
    assert levels is not None  # air that is not lost has a level
    want_on, why = demand(spec, levels)
    wait_s = hold(before, want_on, min_on_s=spec.min_on_s, min_off_s=spec.min_off_s, now_s=now_s)
    if wait_s > 0:
        code, kept = ("min-on", "on") if before.on else ("min-off", "off")
        return before.on, (Reason(code=code, text=f"kept {kept} for {wait_s:.0f} s more to spare the motor"), why)
    return want_on, (why,)
