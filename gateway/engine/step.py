"""Owns: one step: readings and time in, commands, events and a snapshot out.

Must not know: clocks, buses, files, screens. Pure: live running, replay and the bench all call this.
How it works: judge the air of each place, decide, compare what the hardware shows with what was asked, and tell
apart what is new since the step before. Same state, same inputs, same time: same result, bit for bit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from gateway.alarms.advance import AlarmState, advance
from gateway.alarms.book import after
from gateway.alarms.signals import SignalRun, signals_after
from gateway.barn import Barn
from gateway.control.decide import ControlState, decide
from gateway.control.heatload import HeatLoad, heat_load
from gateway.control.inputs import AirInput, air_at, by_air, by_sum, fresh_value
from gateway.control.proof import told
from gateway.control.quality import Doubt, QualityState, watch
from gateway.control.situation import Now, Situation
from gateway.engine.alarm_facts import Found, facts_of
from gateway.engine.alarm_views import Seen, seen_again
from gateway.engine.snapshot import FaultView, Snapshot
from gateway.engine.troubles import Trouble, barn_troubles, kit_troubles, sensor_troubles, signal_troubles
from gateway.engine.view import Faces, snapshot_of
from gateway.model import (
    AlarmChange,
    Command,
    CommandChange,
    Event,
    FaultChange,
    HandChange,
    KitSeen,
    Latest,
    LevelChange,
    Policy,
    Reason,
    Stamp,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepState:
    """What one step hands to the next."""

    control: ControlState
    started_s: float
    steps: int = 0
    levels: Mapping[str, int | None] = field(default_factory=dict)
    known_levels: Mapping[str, int] = field(default_factory=dict)
    faults: Mapping[tuple[str, str], FaultView] = field(default_factory=dict)
    quality: QualityState = field(default_factory=QualityState)
    alarms: AlarmState = field(default_factory=AlarmState)
    seen: Seen = field(default_factory=Seen)
    signals: Mapping[str, SignalRun] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepInputs:
    """The world as the engine sees it at one tick.

    `minute` of the day and `day` are those of the barn's clock, None while it is not set; `asked` is what people asked
    for since the tick before, `filed` what they did to alarms, both already committed to the history.
    """

    latest: Mapping[str, Latest]
    seen: Mapping[str, KitSeen]
    stamp: Stamp
    troubles: tuple[Trouble, ...] = ()
    emulated: bool = False
    minute: int | None = None
    day: int | None = None
    asked: tuple[HandChange, ...] = ()
    filed: tuple[AlarmChange, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """`signals` are the commands for lamps and chimes: the alarms that they follow are recorded, they are not."""

    state: StepState
    commands: tuple[Command, ...]
    signals: tuple[Command, ...]
    events: tuple[Event, ...]
    snapshot: Snapshot


def step(barn: Barn, state: StepState, inputs: StepInputs, now_s: float) -> StepResult:
    """Everything that decides, once. `now_s` is the monotonic time of this step."""
    quality, doubts = watch(
        state.quality, barn, inputs.latest, switched_s=_switched_s(barn, state.control), now_s=now_s
    )
    air, loads = _air(barn, inputs, doubts, now_s)
    situation = _situation(barn, inputs, air, loads, now_s)
    decision = decide(state.control, barn, situation)
    control, commands = decision.state, decision.commands
    levels = {
        place.name: int(decision.levels[place.name].level) if place.name in decision.levels else None
        for place in barn.places
    }
    known_levels = {**state.known_levels, **{name: level for name, level in levels.items() if level is not None}}
    troubles = (
        *sensor_troubles(barn, inputs.latest, doubts, started_s=state.started_s, now_s=now_s),
        *kit_troubles(barn, control, situation),
        *barn_troubles(barn, decision, situation),
        *signal_troubles(barn, state.signals, inputs.seen, now_s=now_s),
        *inputs.troubles,
    )
    faults, fault_events = _faults(state, troubles, inputs.stamp)
    found = Found(
        situation=situation, decision=decision, latest=inputs.latest, troubles=troubles, known_levels=known_levels,
        started_s=state.started_s, stamp=inputs.stamp,
    )  # fmt: skip
    alarms, alarm_events = _alarms(barn, state.alarms, found, inputs.filed)
    seen = seen_again(state.seen, barn, alarms.book, inputs.stamp)
    signals = signals_after(state.signals, barn.signals, alarms.book, now_s=now_s, minute=inputs.minute)
    after_it = StepState(
        control=control, started_s=state.started_s, steps=state.steps + 1, levels=levels, known_levels=known_levels,
        faults=faults, quality=quality, alarms=alarms, seen=seen, signals=signals,
    )  # fmt: skip
    events: tuple[Event, ...] = (
        *_level_events(state, levels, air, loads, inputs.stamp),
        *_command_events(commands, inputs.stamp, first=state.steps == 0),
        *fault_events,
        *alarm_events,
    )
    faces = Faces(
        situation=situation,
        decision=decision,
        faults=tuple(faults.values()),
        known_levels=known_levels,
        steps=after_it.steps,
        stamp=inputs.stamp,
        emulated=inputs.emulated,
        alarms=seen,
        signals=signals,
    )
    return StepResult(
        state=after_it, commands=commands, signals=_signal_commands(signals, state.signals), events=events,
        snapshot=snapshot_of(barn, faces),
    )  # fmt: skip


_CALLS = {
    True: (Reason(code="alarm", text="an alarm asks for a person"),),
    False: (Reason(code="no-alarm", text="no alarm asks for a person now"),),
}


def _signal_commands(runs: Mapping[str, SignalRun], before: Mapping[str, SignalRun]) -> tuple[Command, ...]:
    return tuple(
        Command(kit=name, on=run.on, reasons=_CALLS[run.on], changed=name not in before or before[name].on != run.on)
        for name, run in runs.items()
    )


def _alarms(
    barn: Barn, before: AlarmState, found: Found, filed: tuple[AlarmChange, ...]
) -> tuple[AlarmState, tuple[AlarmChange, ...]]:
    """The alarms after this step; a weekly test that was just filed counts at once."""
    book = after(before.book, filed)
    return advance(replace(before, book=book), facts_of(barn, found, book), found.stamp)


def _air(
    barn: Barn, inputs: StepInputs, doubts: Mapping[str, tuple[Doubt, ...]], now_s: float
) -> tuple[dict[str, AirInput], dict[str, HeatLoad]]:
    """The air of every place, and the heat load of those where it is known."""
    air = {
        place.name: air_at(
            (s for s in barn.sensors if s.place == place.name),
            inputs.latest,
            now_s,
            doubts,
            worse=by_air if place.policy is Policy.AIR else by_sum,
        )
        for place in barn.places
    }
    loads = {
        place.name: heat_load(known.temp_c, known.rh_pct, place, barn, wind_mps=known.air_mps, globe_c=known.globe_c)
        for place in barn.places
        if (known := air[place.name]).temp_c is not None and known.rh_pct is not None
    }
    return air, loads


def _situation(
    barn: Barn, inputs: StepInputs, air: Mapping[str, AirInput], loads: Mapping[str, HeatLoad], now_s: float
) -> Situation:
    def closed(channel: str) -> bool | None:
        value = fresh_value(channel, barn.sensors, inputs.latest, now_s) if channel else None
        return None if value is None else value >= 0.5

    supply_v = fresh_value(barn.safety.supply, barn.sensors, inputs.latest, now_s) if barn.safety.supply else None
    return Situation(
        now=Now(mono_s=now_s, wall_s=inputs.stamp.wall_s, minute=inputs.minute, day=inputs.day),
        air=air,
        loads=loads,
        told={kit.name: told(kit, barn, inputs.latest, now_s) for kit in barn.kit},
        seen=inputs.seen,
        fire=closed(barn.safety.fire) is True,
        supply_low=supply_v is not None and supply_v < barn.safety.supply_low_v,
        vents={place.name: closed(place.vents) for place in barn.places},
        asked=inputs.asked,
    )


def _level_events(
    state: StepState,
    levels: Mapping[str, int | None],
    air: Mapping[str, AirInput],
    loads: Mapping[str, HeatLoad],
    stamp: Stamp,
) -> tuple[LevelChange, ...]:
    def why(name: str) -> Reason:
        load = loads.get(name)
        if load is None:
            return Reason(code=str(air[name].lost_code), text=air[name].lost_text)
        text = (
            f"sum {load.sum_f_pct:.1f}, roof {load.roof or 'none'}, carry {load.shown.carry:.2f} at {load.shown_pace}"
        )
        return Reason(code="heat-load", text=text)

    return tuple(
        LevelChange(
            place=name,
            before=state.levels.get(name),
            after=level,
            sum_f_pct=air[name].sum_f_pct,
            reason=why(name),
            stamp=stamp,
        )
        for name, level in levels.items()
        if state.levels.get(name) != level
    )


def _command_events(commands: tuple[Command, ...], stamp: Stamp, *, first: bool) -> tuple[CommandChange, ...]:
    """What has changed; at the first step all of it."""
    return tuple(
        CommandChange(kit=each.kit, on=each.on, reasons=each.reasons, stamp=stamp)
        for each in commands
        if each.changed or first
    )


def _switched_s(barn: Barn, control: ControlState) -> dict[str, float]:
    """When kit of each place last switched."""
    latest: dict[str, float] = {}
    for kit in barn.kit:
        latest[kit.place] = max(latest.get(kit.place, -math.inf), control.kit[kit.name].since_s)
    return latest


def _faults(
    state: StepState, troubles: tuple[Trouble, ...], stamp: Stamp
) -> tuple[dict[tuple[str, str], FaultView], tuple[FaultChange, ...]]:
    """The faults that stand now, and what began or ended since the step before."""
    now: dict[tuple[str, str], FaultView] = {}
    for trouble in troubles:
        key = (trouble.subject, trouble.code)
        since_s = state.faults[key].since_wall_s if key in state.faults else stamp.wall_s
        now[key] = FaultView(subject=trouble.subject, code=trouble.code, text=trouble.text, since_wall_s=since_s)
    began = [fault for key, fault in now.items() if key not in state.faults]
    ended = [fault for key, fault in state.faults.items() if key not in now]
    changes = tuple(
        FaultChange(subject=f.subject, code=f.code, text=f.text, active=active, stamp=stamp)
        for active, faults in ((True, began), (False, ended))
        for f in faults
    )
    return now, changes
