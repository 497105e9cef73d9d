"""Owns: one step: readings and time in, commands, events and a snapshot out.

Must not know: clocks, buses, files, screens. Pure: live running, replay and the bench all call this.
How it works: judge the air of each place, decide, compare what the hardware shows with what was asked, and tell
apart what is new since the step before. Same state, same inputs, same time: same result, bit for bit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.control.decide import ControlState, Decision, decide
from gateway.control.heatload import HeatLoad, heat_load
from gateway.control.inputs import AirInput, Freshness, air_at, sensor_freshness
from gateway.control.levels import Levels
from gateway.engine.snapshot import VERSION, FaultView, KitView, PlaceView, Snapshot
from gateway.model import (
    Barn,
    Command,
    CommandChange,
    Event,
    FaultChange,
    KitSeen,
    Latest,
    LevelChange,
    Place,
    Quality,
    Reason,
    Stamp,
)

# A contact needs a moment to move and to be read back before "asked but not seen" is worth a word [s].
FOLLOW_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something wrong that only the engine can see: a stuck bus, an unwritten history."""

    subject: str
    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepState:
    """What one step hands to the next."""

    control: ControlState
    started_s: float
    steps: int = 0
    levels: Mapping[str, int | None] = field(default_factory=dict)
    known_levels: Mapping[str, int] = field(default_factory=dict)
    faults: Mapping[tuple[str, str], FaultView] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepInputs:
    """The world as the engine sees it at one tick."""

    latest: Mapping[str, Latest]
    seen: Mapping[str, KitSeen]
    stamp: Stamp
    troubles: tuple[Trouble, ...] = ()
    emulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    state: StepState
    commands: tuple[Command, ...]
    events: tuple[Event, ...]
    snapshot: Snapshot


def step(barn: Barn, state: StepState, inputs: StepInputs, now_s: float) -> StepResult:
    """Everything that decides, once. `now_s` is the monotonic time of this step."""
    air = {
        place.name: air_at((s for s in barn.sensors if s.place == place.name), inputs.latest, now_s)
        for place in barn.places
    }
    loads = {
        place.name: heat_load(known.temp_c, known.rh_pct, place, barn)
        for place in barn.places
        if (known := air[place.name]).temp_c is not None and known.rh_pct is not None
    }
    decision = decide(state.control, barn, air, loads, now_s)
    control, commands = decision.state, decision.commands
    levels = {
        place.name: int(decision.levels[place.name].level) if place.name in decision.levels else None
        for place in barn.places
    }
    known_levels = {**state.known_levels, **{name: level for name, level in levels.items() if level is not None}}
    first = state.steps == 0
    troubles = (*_sensor_troubles(barn, state, inputs, now_s), *_kit_troubles(barn, control, inputs, now_s))
    faults, fault_events = _faults(state, (*troubles, *inputs.troubles), inputs.stamp)
    after = StepState(
        control=control,
        started_s=state.started_s,
        steps=state.steps + 1,
        levels=levels,
        known_levels=known_levels,
        faults=faults,
    )
    events: tuple[Event, ...] = (
        *_level_events(state, levels, air, loads, inputs.stamp),
        *(
            CommandChange(kit=c.kit, on=c.on, reasons=c.reasons, stamp=inputs.stamp)
            for c in commands
            if c.changed or first
        ),
        *fault_events,
    )
    snapshot = _snapshot(barn, after, inputs, air, loads, decision)
    return StepResult(state=after, commands=commands, events=events, snapshot=snapshot)


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


def _sensor_troubles(barn: Barn, state: StepState, inputs: StepInputs, now_s: float) -> tuple[Trouble, ...]:
    """Sensors that are lost. At start each gets its own time to speak before it counts as lost."""
    lost = ((spec, sensor_freshness(spec, inputs.latest, now_s)) for spec in barn.sensors)
    return tuple(
        Trouble(subject=spec.name, code="sensor-lost", text=air.lost_text)
        for spec, air in lost
        if air.freshness is Freshness.LOST
        and not (air.good_wall_s is None and now_s - state.started_s <= spec.lost_after_s)
    )


def _kit_troubles(barn: Barn, control: ControlState, inputs: StepInputs, now_s: float) -> tuple[Trouble, ...]:
    found = []
    for spec in barn.kit:
        run, seen = control.kit[spec.name], inputs.seen.get(spec.name)
        if seen is None or now_s - run.since_s <= FOLLOW_WITHIN_S:
            continue
        if seen.error:
            found.append(Trouble(subject=spec.name, code="kit-unreachable", text=f"{spec.name}: {seen.error}"))
        elif seen.on is not None and seen.on != run.on:
            words = {True: "on", False: "off"}
            text = f"{spec.name}: asked {words[run.on]}, its relay shows {words[seen.on]}"
            found.append(Trouble(subject=spec.name, code="kit-not-following", text=text))
    return tuple(found)


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


def _snapshot(
    barn: Barn,
    state: StepState,
    inputs: StepInputs,
    air: Mapping[str, AirInput],
    loads: Mapping[str, HeatLoad],
    decision: Decision,
) -> Snapshot:
    by_kit = {command.kit: command for command in decision.commands}

    def view(place: Place) -> PlaceView:
        kit = tuple(
            _kit_view(by_kit[spec.name], str(spec.kind), state, inputs) for spec in barn.kit if spec.place == place.name
        )
        known = state.known_levels.get(place.name)
        return _place_view(place, air[place.name], loads.get(place.name), decision.levels.get(place.name), known, kit)

    return Snapshot(
        version=VERSION,
        barn=barn.name,
        zone=barn.zone,
        emulated=inputs.emulated,
        boot=inputs.stamp.boot,
        steps=state.steps,
        mono_s=inputs.stamp.mono_s,
        wall_s=inputs.stamp.wall_s,
        clock_trusted=inputs.stamp.trusted,
        posts=tuple(post.at for post in barn.posts),
        languages=barn.languages,
        places=tuple(view(place) for place in barn.places),
        faults=tuple(state.faults.values()),
    )


def _place_view(
    place: Place,
    air: AirInput,
    load: HeatLoad | None,
    levels: Levels | None,
    known_level: int | None,
    kit: tuple[KitView, ...],
) -> PlaceView:
    return PlaceView(
        name=place.name,
        kind=str(place.kind),
        label=dict(place.label),
        freshness=str(air.freshness),
        policy=str(place.policy),
        level=None if levels is None else int(levels.level),
        rule_level=None if levels is None else int(levels.rule),
        air_level=None if levels is None else int(levels.air),
        last_level=known_level,
        sum_f_pct=None if load is None else load.sum_f_pct,
        temp_c=air.temp_c,
        rh_pct=air.rh_pct,
        wet_bulb_c=None if load is None else load.wet_bulb_c,
        dew_point_c=None if load is None else load.dew_point_c,
        roof=str(load.roof or "none") if load else "",
        carry_pace=str(load.shown_pace) if load else "",
        carry=None if load is None else load.shown.carry,
        carry_low=None if load is None else load.shown.low,
        carry_high=None if load is None else load.shown.high,
        carries={str(pace): value for pace, value in load.carries.items()} if load else {},
        age_s=air.age_s,
        good_wall_s=air.good_wall_s,
        lost_code="" if air.lost_code is Quality.GOOD else str(air.lost_code),
        lost_text=air.lost_text,
        kit=kit,
    )


def _kit_view(command: Command, kind: str, state: StepState, inputs: StepInputs) -> KitView:
    seen = inputs.seen.get(command.kit)
    troubles = [fault.text for (subject, _), fault in state.faults.items() if subject == command.kit]
    return KitView(
        name=command.kit,
        kind=kind,
        asked=command.on,
        seen=None if seen is None or seen.error else seen.on,
        reasons=tuple(reason.text for reason in command.reasons),
        reason_codes=tuple(reason.code for reason in command.reasons),
        trouble="; ".join(troubles),
    )
