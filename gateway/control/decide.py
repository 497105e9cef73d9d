"""Owns: the decision of one step: levels, and a command with reasons for every piece of kit.

Must not know: I/O of any kind; what time it is beyond the situation's `now`.
How it works: levels first. Then for each kit demand proposes, a person may replace the wish, timers hold fans, and
interlocks force last. Fans are decided before water, which looks at whether one is proven to run; valves follow their
misters. Same state, same situation: same answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import ceil

from gateway.barn import Barn, KitSpec, Place
from gateway.control import hands, interlocks
from gateway.control.demand import Wish, fan_wishes
from gateway.control.hysteresis import Switch
from gateway.control.levels import Levels, LevelState, levels_of, next_levels
from gateway.control.mist_state import MistState, advanced
from gateway.control.misting import Look, mist_wish
from gateway.control.running import Running
from gateway.control.situation import Situation, is_hot, is_occupied
from gateway.control.timers import REST_S, Hold, RunState, hold, switched
from gateway.model import Command, HandChange, HandKind, KitKind, Level, Reason

_WAITS = {
    "min-on": "kept on for {wait:.0f} s more to spare the motor",
    "min-off": "kept off for {wait:.0f} s more to spare the motor",
    "starts-per-hour": "kept off for {wait:.0f} s more: as many starts in this hour as the motor may have",
    "stagger": "waits {wait:.0f} s: another fan has just started",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlState:
    """What control remembers: switches of levels and fans, run states, water, what is by hand, and the last start."""

    levels: Mapping[str, LevelState] = field(default_factory=dict)
    kit: Mapping[str, RunState] = field(default_factory=dict)
    fans: Mapping[str, Switch] = field(default_factory=dict)
    water: Mapping[str, MistState] = field(default_factory=dict)
    flow_since_s: Mapping[str, float] = field(default_factory=dict)
    by_hand: Mapping[str, HandChange] = field(default_factory=dict)
    started_s: float | None = None
    now_s: float | None = None


def start_state(barn: Barn, now_s: float, by_hand: Mapping[str, HandChange] | None = None) -> ControlState:
    """State at start. The past is unknown: kit counts as put into its safe state just now, fans as just started."""
    kit = {
        spec.name: RunState(on=spec.safe_on, since_s=now_s, starts=(now_s,) if spec.safe_on else ())
        for spec in barn.kit
    }
    return ControlState(kit=kit, by_hand=dict(by_hand or {}), started_s=now_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What one step has decided. A place whose air is lost has no levels."""

    state: ControlState
    commands: tuple[Command, ...]
    levels: Mapping[str, Levels]


def decide(state: ControlState, barn: Barn, situation: Situation) -> Decision:
    """Levels and commands for the barn as it is now.

    A place whose air is lost keeps its switches, so that it comes back with the level it had.
    """
    return _Step(state, barn, situation).run()


class _Step:
    """One decision in the making."""

    def __init__(self, state: ControlState, barn: Barn, situation: Situation) -> None:
        self.before, self.barn, self.situation = state, barn, situation
        self.now_s = situation.now.mono_s
        self.by_hand = hands.after(state.by_hand, situation.asked, self.now_s)
        self.running = Running(barn, situation.told, state.kit, self.now_s, situation.seen)
        self.started_s = state.started_s
        self.switches, self.fans, self.water = dict(state.levels), dict(state.fans), dict(state.water)
        self.levels: dict[str, Levels] = {}
        self.wishes: dict[str, Wish] = {}
        self.commands: dict[str, Command] = {}

    def run(self) -> Decision:
        for spec in self.barn.kit:
            hand = self._hand(spec)
            new = hand is not None and hand.kind is HandKind.ON and hand != self.before.by_hand.get(spec.name)
            self.running.look(spec, mended=new)
        for place in self.barn.places:
            self._judge(place)
        self.flow_since_s = self.running.flowing(self.before.flow_since_s)
        for kind in (KitKind.FAN, KitKind.MISTER, KitKind.VALVE):
            for spec in self.barn.kit:
                if spec.kind is kind:
                    self._command(spec)
        state = ControlState(
            levels=self.switches,
            kit=self.running.kit,
            fans=self.fans,
            water=self.water,
            flow_since_s=self.flow_since_s,
            by_hand=self.by_hand,
            started_s=self.started_s,
            now_s=self.now_s,
        )
        commands = tuple(self.commands[spec.name] for spec in self.barn.kit)
        return Decision(state=state, commands=commands, levels=self.levels)

    # --- what is wished -----------------------------------------------------------------------------

    def _judge(self, place: Place) -> None:
        """Levels of a place and wishes for its fans, where the air is known."""
        load = self.situation.loads.get(place.name)
        if load is None:
            return
        before = self.switches.get(place.name, LevelState())
        self.switches[place.name] = next_levels(before, load, place, self.barn, self.now_s)
        self.levels[place.name] = levels = levels_of(self.switches[place.name], place.policy)
        fans = self.running.at(place.name, KitKind.FAN)
        wishes, after = fan_wishes(
            place, self.barn, load, levels, self.fans, self.situation.now, cool_out=self._cooled(place.name),
            failing=[spec.name for spec in fans if self._brings_no_air(spec)],
        )  # fmt: skip
        self.wishes |= wishes
        self.fans |= after

    def _brings_no_air(self, spec: KitSpec) -> bool:
        """Whether a fan cannot be counted on now: by its proof or its switch, or it must rest for long."""
        hand, run = self._hand(spec), self.running.kit[spec.name]
        if self.running.fails(spec) or (hand is not None and hand.kind is HandKind.OFF):
            return True
        return self._hold(spec, run, want_on=True, by_hand=hand is not None).code == "starts-per-hour"

    def _hand(self, spec: KitSpec) -> HandChange | None:
        hand = self.by_hand.get(spec.name)
        return hand if hand is not None and hand.kind in (HandKind.ON, HandKind.OFF) else None

    def _cooled(self, place: str) -> bool:
        hand = self.by_hand.get(place)
        return hand is not None and hand.kind is HandKind.COOL_OUT

    def _wish(self, spec: KitSpec, hand: HandChange | None) -> tuple[Wish, float]:
        """What a person or demand asks, and for how long it will stay so if that is known."""
        if hand is not None:
            left_s = hand.until_mono_s - self.now_s
            text = f"{hand.by} by hand, {ceil(left_s / 60)} min more" + (f": {hand.why}" if hand.why else "")
            return Wish(on=hand.kind is HandKind.ON, reason=Reason(code="by-hand", text=text)), 0.0
        if spec.kind is KitKind.FAN:
            nobody = Wish(on=spec.safe_on, reason=Reason(code="air-unknown", text="nobody knows the air here"))
            return self.wishes.get(spec.name, nobody), 0.0
        if spec.kind is KitKind.VALVE:
            wet = any(self.running.kit[each.name].on for each in self.running.at(spec.place, KitKind.MISTER))
            text = "a mister behind it runs" if wet else "no mister behind it runs"
            return Wish(on=wet, reason=Reason(code="valve-follows", text=text)), 0.0
        found = mist_wish(self._look(spec))
        return Wish(on=found.on, reason=found.reason), found.wait_s

    def _look(self, spec: KitSpec) -> Look:
        place = next(place for place in self.barn.places if place.name == spec.place)
        now, run, levels = self.situation.now, self.running.kit[spec.name], self.levels.get(place.name)
        cooled = self._cooled(place.name)
        return Look(
            barn=self.barn,
            state=self.water.get(spec.name, MistState()),
            now=now,
            running=run.on,
            since_s=run.since_s,
            air=self.situation.air[place.name],
            load=self.situation.loads.get(place.name),
            needed=cooled or (levels is not None and levels.air >= Level.WATCH),
            there=cooled or is_occupied(place, now),
            hot=cooled or is_hot(place, now),
            fans_mps=self.running.fans_mps(place.name),
            shut=bool(place.vents) and self.situation.vents.get(place.name) is not True,
        )

    # --- what is done -------------------------------------------------------------------------------

    def _command(self, spec: KitSpec) -> None:
        run, hand = self.running.kit[spec.name], self._hand(spec)
        wish, wait_s = self._wish(spec, hand)
        held = self._hold(spec, run, want_on=wish.on, by_hand=hand is not None)
        must = interlocks.forced(self._case(spec, run, hand, wish))
        reasons: tuple[Reason, ...] = (wish.reason,)
        on, speed = wish.on, wish.speed
        if must is not None:
            on, speed, reasons, held = must[0], 1.0, (must[1],), Hold()
        elif held.wait_s > 0:
            on, speed = run.on, run.speed
            reasons = (Reason(code=held.code, text=_WAITS[held.code].format(wait=held.wait_s)), wish.reason)
        self._switch(spec, run, on, speed)
        self.commands[spec.name] = Command(
            kit=spec.name,
            on=on,
            speed=self.running.kit[spec.name].speed,
            reasons=reasons,
            changed=on != run.on,
            wanted=wish.on,
            wait_s=held.wait_s or wait_s,
        )

    def _hold(self, spec: KitSpec, run: RunState, *, want_on: bool, by_hand: bool) -> Hold:
        """What keeps a fan from a wish. Water has no motor to spare: nothing may keep it running."""
        if spec.kind is not KitKind.FAN:
            return Hold()
        held = hold(
            run,
            want_on,
            min_on_s=0.0 if by_hand else spec.min_on_s,
            min_off_s=min(spec.min_off_s, REST_S) if by_hand else spec.min_off_s,
            starts_per_h=spec.starts_per_h,
            now_s=self.now_s,
        )
        if not want_on or run.on or self.started_s is None:
            return held
        wait_s = self.started_s + self.barn.stagger_s - self.now_s
        return Hold(wait_s=wait_s, code="stagger") if wait_s > held.wait_s else held

    def _switch(self, spec: KitSpec, run: RunState, on: bool, speed: float) -> None:
        if spec.kind is KitKind.FAN and on and not run.on:
            self.started_s = self.now_s
        if spec.kind is KitKind.MISTER:
            passed_s = 0.0 if self.before.now_s is None else max(0.0, self.now_s - self.before.now_s)
            ran_s = passed_s if run.on else 0.0
            self.water[spec.name] = advanced(
                self.water.get(spec.name, MistState()), self.barn.mist, self.situation.now, ran_s=ran_s,
                litres=spec.water_lpm * ran_s / 60.0, on=on, rh_pct=self.situation.air[spec.place].rh_pct,
            )  # fmt: skip
        self.running.kit[spec.name] = switched(run, on, self.now_s, speed)

    def _case(self, spec: KitSpec, run: RunState, hand: HandChange | None, wish: Wish) -> interlocks.Case:
        return interlocks.Case(
            kit=spec,
            air=self.situation.air[spec.place],
            run=run,
            by_hand=hand,
            wanted=wish.on,
            fire=self.situation.fire,
            freeze_c=self.barn.safety.freeze_c,
            fan_proven=self.running.fans_mps(spec.place) is not None,
            stuck_s=self.now_s - self.flow_since_s.get(spec.place, self.now_s),
        )
