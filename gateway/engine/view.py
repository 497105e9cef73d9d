"""Owns: how one step looks from outside: the snapshot made of a situation and a decision.

Must not know: screens, how the snapshot travels.
How it works: plain copying; nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from gateway.alarms.signals import SignalRun
from gateway.barn import Barn, KitSpec, Place, SignalSpec
from gateway.control.decide import Decision
from gateway.control.situation import Situation, is_occupied
from gateway.engine.alarm_views import Seen
from gateway.engine.snapshot import VERSION, FaultView, KitView, PlaceView, SignalView, Snapshot, TrialView
from gateway.model import Command, Quality, Stamp

TRIALS_SHOWN = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Faces:
    """What a snapshot is made of, beside the barn."""

    situation: Situation
    decision: Decision
    faults: Sequence[FaultView]
    known_levels: Mapping[str, int]
    steps: int
    stamp: Stamp
    emulated: bool
    alarms: Seen = field(default_factory=Seen)
    signals: Mapping[str, SignalRun] = field(default_factory=dict)


def snapshot_of(barn: Barn, faces: Faces) -> Snapshot:
    """The barn as screens and uplink see it."""
    situation, decision, stamp = faces.situation, faces.decision, faces.stamp
    book = faces.alarms.book
    by_kit = {command.kit: command for command in decision.commands}

    def view(place: Place) -> PlaceView:
        kit = tuple(_kit_view(by_kit[spec.name], spec, faces) for spec in barn.kit if spec.place == place.name)
        return _place_view(place, situation, decision, faces.known_levels.get(place.name), kit)

    return Snapshot(
        version=VERSION,
        barn=barn.name,
        zone=barn.zone,
        emulated=faces.emulated,
        boot=stamp.boot,
        steps=faces.steps,
        mono_s=stamp.mono_s,
        wall_s=stamp.wall_s,
        clock_trusted=stamp.trusted,
        posts=tuple(post.at for post in barn.posts),
        languages=barn.languages,
        places=tuple(view(place) for place in barn.places),
        faults=tuple(faces.faults),
        alarms=faces.alarms.views,
        alarms_wall_s=None if book.newest is None else book.newest.wall_s,
        tested_wall_s=None if book.test is None else book.test.stamp.wall_s,
        tested_by="" if book.test is None else book.test.by,
        trials=tuple(
            TrialView(number=each.number, contact=each.contact, by=each.by, wall_s=each.stamp.wall_s)
            for each in book.trials[-TRIALS_SHOWN:]
        ),
        signals=tuple(_signal_view(spec, faces) for spec in barn.signals),
    )


def _place_view(
    place: Place, situation: Situation, decision: Decision, known_level: int | None, kit: tuple[KitView, ...]
) -> PlaceView:
    air, load = situation.air[place.name], situation.loads.get(place.name)
    levels, hand = decision.levels.get(place.name), decision.state.by_hand.get(place.name)
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
        wind_mps=air.air_mps,
        globe_c=air.globe_c,
        occupied=is_occupied(place, situation.now),
        cooled_by="" if hand is None else hand.by,
        cooled_until_wall_s=None if hand is None else hand.until_wall_s,
    )


def _signal_view(spec: SignalSpec, faces: Faces) -> SignalView:
    seen = faces.situation.seen.get(spec.name)
    return SignalView(
        name=spec.name,
        kind=str(spec.kind),
        asked=faces.signals[spec.name].on,
        seen=None if seen is None or seen.error else seen.on,
        trouble="; ".join(fault.text for fault in faces.faults if fault.subject == spec.name),
    )


def _kit_view(command: Command, spec: KitSpec, faces: Faces) -> KitView:
    situation, control = faces.situation, faces.decision.state
    seen, said = situation.seen.get(spec.name), situation.told[spec.name]
    hand = control.by_hand.get(spec.name)
    troubles = [fault.text for fault in faces.faults if fault.subject == spec.name]
    return KitView(
        name=spec.name,
        kind=str(spec.kind),
        asked=command.on,
        seen=None if seen is None or seen.error else seen.on,
        reasons=tuple(reason.text for reason in command.reasons),
        reason_codes=tuple(reason.code for reason in command.reasons),
        trouble="; ".join(troubles),
        wanted=command.wanted,
        running=said.running,
        switch="" if said.switch is None else said.switch.name.lower(),
        speed=command.speed,
        since_s=situation.now.mono_s - control.kit[spec.name].since_s,
        wait_s=command.wait_s,
        hand="" if hand is None else str(hand.kind),
        hand_by="" if hand is None else hand.by,
        hand_why="" if hand is None else hand.why,
        hand_until_wall_s=None if hand is None else hand.until_wall_s,
    )
