"""A small barn in which anything may happen, and what must hold all the same. Moved by `test_promises`.

The watch that is kept here uses the world's own record of what was said and done, never the memory of control.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field

from gateway.barn import KitSpec, MistRules, Proof, Safety, SensorSpec
from gateway.control.decide import start_state
from gateway.control.inputs import gate
from gateway.control.interlocks import INTERLOCKS
from gateway.engine.poller import newer
from gateway.engine.snapshot import KitView, encode
from gateway.engine.step import StepInputs, StepResult, StepState, step
from gateway.model import AIR, HandChange, HandKind, KitKind, Latest, Policy, Quality, Quantity, Reading, SwitchAt
from tests.control.barns import barn, by_hand, fan, mister, sensor, stamp, valve

SAFE_WITHIN_S = 5.0
FORCED = {rule.code for rule in INTERLOCKS}
HELD = {"min-on", "min-off", "starts-per-hour", "stagger"}
MIST = MistRules(pulse_s=20.0, every_s=60.0, flush_s=20.0, litres_per_day=5.0, hours=(0, 1440), flush_after_s=1800.0)


def _fan(name: str, place: str, **changes: object) -> KitSpec:
    proof = Proof(channel=f"{name}-amps.current_a", at_least=1.0, within_s=5.0)
    return fan(name, place, min_on_s=60.0, min_off_s=40.0, proof=proof, **changes)


def _mister(name: str, place: str) -> KitSpec:
    return mister(name, place, water_lpm=3.0, proof=Proof(channel=f"{name}-flow.flow_lpm", at_least=1.0, within_s=5.0))


def _one(name: str, quantity: Quantity, place: str = "stalls") -> SensorSpec:
    return sensor(name, place=place, quantities=(quantity,))


KIT = (
    valve("valve"),
    _mister("mist", "stalls"),
    _fan("lead", "stalls", air_mps=1.0, least_speed=0.4, contact="full-on-loss", switch="hoa.switch"),
    _fan("second", "stalls", air_mps=1.5, on_level=2),
    _fan("rack-fan", "rack", starts_per_h=2),
    _mister("rack-mist", "rack"),
    fan("rack-plain", "rack", min_on_s=60.0, min_off_s=40.0, on_level=3),
)
AIR_SENSORS = ("a", "b", "c")
SENSORS = (
    sensor("a", quantities=(*AIR, Quantity.WIND)),
    sensor("b"),
    sensor("c", place="rack", quantities=(*AIR, Quantity.GLOBE)),
    *(_one(f"{spec.name}-amps", Quantity.CURRENT) for spec in KIT if spec.kind is KitKind.FAN and spec.proof),
    *(_one(f"{spec.name}-flow", Quantity.FLOW) for spec in KIT if spec.kind is KitKind.MISTER),
    _one("hoa", Quantity.SWITCH),
    _one("smoke", Quantity.CONTACT),
    _one("flap", Quantity.CONTACT),
)
_MADE = barn(sensors=SENSORS, kit=KIT, mist=MIST, safety=Safety(fire="smoke.contact"), hold_s=30.0, stagger_s=4.0)
BARN = dataclasses.replace(
    _MADE,
    places=(
        dataclasses.replace(_MADE.places[0], policy=Policy.STRICTER, vents="flap.contact", rotates=True),
        dataclasses.replace(_MADE.places[1], policy=Policy.AIR, occupied=((0, 700),), hot=((300, 400),)),
    ),
)
SPECS = {spec.name: spec for spec in KIT}


@dataclass(slots=True)
class Record:
    """What one piece of kit was seen to be told."""

    on: bool
    since_s: float
    starts: list[float] = field(default_factory=list)


class AnyDay:
    """Time, air, faults, switches and people; each `tick` is one step, run twice and then checked."""

    def __init__(self) -> None:
        self.now_s, self.day_s, self.clock_set = 1000.0, 10 * 3600.0, True
        self.values: dict[str, tuple[float, ...]] = {"a": (32.0, 50.0, 0.2), "b": (32.2, 50.0), "c": (31.0, 50.0, 33.0)}
        self.values |= {"hoa": (float(SwitchAt.AUTO),), "smoke": (0.0,), "flap": (1.0,)}
        self.broken: dict[str, str] = {}
        self.behaves: dict[str, str] = {}
        self.latest: dict[str, Latest] = {}
        self.asked: list[HandChange] = []
        self.hands: dict[str, HandChange] = {}
        self.litres: dict[str, float] = {}
        self.litres_by_hand: dict[str, float] = {}
        self.day = 0
        self.fan_started_s = -math.inf
        self.restart()

    # --- what may happen ----------------------------------------------------------------------------

    def restart(self) -> None:
        """A new core: it knows what is by hand, and nothing else."""
        self.state = StepState(control=start_state(BARN, self.now_s, dict(self.hands)), started_s=self.now_s)
        self.kit = {spec.name: Record(spec.safe_on, self.now_s) for spec in KIT}
        self.latest = {}
        self.litres, self.litres_by_hand = {}, {}

    def ask(self, subject: str, kind: HandKind, lasts_s: float) -> None:
        self.asked.append(by_hand(subject, kind, self.now_s + lasts_s, at_s=self.now_s))

    def tick(self, passed_s: float) -> StepResult:
        self.now_s += passed_s
        self.day_s += passed_s
        self._spend(passed_s)
        self._read()
        for change in self.asked:
            self.hands[change.subject] = change
        self.hands = {
            name: change
            for name, change in self.hands.items()
            if change.kind is not HandKind.AUTO and self.now_s < change.until_mono_s
        }
        inputs = StepInputs(
            latest=dict(self.latest), seen={}, stamp=stamp(self.now_s), asked=tuple(self.asked),
            minute=int(self.day_s % 86400 // 60) if self.clock_set else None,
            day=int(self.day_s // 86400) if self.clock_set else None,
        )  # fmt: skip
        self.asked = []
        result = step(BARN, self.state, inputs, self.now_s)
        assert result == step(BARN, self.state, inputs, self.now_s), "same state, same inputs, another answer"
        self.state = result.state
        self._check(result)
        return result

    # --- the world ----------------------------------------------------------------------------------

    def _spend(self, passed_s: float) -> None:
        if self.clock_set and self.day != int(self.day_s // 86400):
            self.day = int(self.day_s // 86400)
            self.litres, self.litres_by_hand = {}, {}
        for spec in KIT:
            if spec.kind is KitKind.MISTER and self.kit[spec.name].on:
                by_a_hand = spec.name in self.hands
                spent = self.litres_by_hand if by_a_hand else self.litres
                spent[spec.name] = spent.get(spec.name, 0.0) + spec.water_lpm * passed_s / 60.0

    def runs(self, spec: KitSpec) -> bool:
        how, on = self.behaves.get(spec.name, ""), self.kit[spec.name].on
        if spec.name == "lead" and self.values["hoa"][0] != SwitchAt.AUTO:
            on = self.values["hoa"][0] == SwitchAt.HAND
        return how == "stuck" or (on and how != "dead")

    def _read(self) -> None:
        for spec in KIT:
            if spec.proof is not None:
                self.values[spec.proof.channel.split(".")[0]] = (5.0 if self.runs(spec) else 0.0,)
        for each in SENSORS:
            how = self.broken.get(each.name, "")
            if how == "silent":
                continue
            for channel, raw in zip(each.channels, self.values[each.name], strict=True):
                value, quality, _ = gate(channel.quantity, float(how) if how and how != "torn" else raw)
                if how == "torn":
                    value, quality = None, Quality.TORN
                reading = Reading(channel=channel.name, value=value, quality=quality, stamp=stamp(self.now_s))
                self.latest[channel.name] = newer(self.latest.get(channel.name), reading)

    def _fresh(self, channel: str, beyond_s: float = 0.0) -> float | None:
        """By the world's own record: what was last well read, unless it is older than its sensor allows."""
        known = self.latest.get(channel)
        if known is None or known.good is None or self.now_s - known.good.stamp.mono_s > 15.0 + beyond_s:
            return None
        return known.good.value

    # --- what must hold -----------------------------------------------------------------------------

    def _check(self, result: StepResult) -> None:
        encode(result.snapshot)  # which refuses what is not finite
        views = {kit.name: kit for place in result.snapshot.places for kit in place.kit}
        started = [name for name, view in views.items() if view.asked and not self.kit[name].on]
        for name, view in views.items():
            self._check_kit(SPECS[name], view, views)
        wished = [n for n in started if SPECS[n].kind is KitKind.FAN and views[n].reason_codes[0] not in FORCED]
        assert len(wished) <= 1, f"{wished} start together"
        for name, view in views.items():
            record = self.kit[name]
            if view.asked != record.on:
                record.on, record.since_s = view.asked, self.now_s
                record.starts += [self.now_s] * view.asked
        if any(SPECS[name].kind is KitKind.FAN for name in started):
            self.fan_started_s = self.now_s

    def _check_kit(self, spec: KitSpec, view: KitView, views: dict[str, KitView]) -> None:
        first = view.reason_codes[0] if view.reason_codes else ""
        assert first and all(view.reasons), f"{spec.name}: no reason"
        assert view.wait_s >= 0.0 and spec.least_speed <= view.speed <= 1.0
        hand = self.hands.get(spec.name)
        assert (view.hand != "") == (hand is not None), f"{spec.name}: by hand {view.hand}, asked for {hand}"
        assert view.asked == view.wanted or first in FORCED | HELD
        if hand is not None and first not in FORCED | HELD:
            assert view.asked == (hand.kind is HandKind.ON)
        if spec.kind is KitKind.FAN:
            self._check_fan(spec, view, first, hand)
        else:
            self._check_water(spec, view, views, hand)

    def _check_fan(self, spec: KitSpec, view: KitView, first: str, hand: HandChange | None) -> None:
        if self._fresh("smoke.contact") == 1.0:
            assert not view.asked and first == "fire"
        elif self._stale(spec.place) and hand is None:
            assert view.asked, f"{spec.name} is not in its safe state"
        record, kept_s = self.kit[spec.name], self.now_s - self.kit[spec.name].since_s
        if view.asked == record.on or first in FORCED:
            return
        if view.asked:
            assert kept_s >= (min(60.0, spec.min_off_s) if hand else spec.min_off_s), f"{spec.name}: off too short"
            lately = [start_s for start_s in record.starts if self.now_s - start_s < 3600.0]
            assert len(lately) < spec.starts_per_h, f"{spec.name}: starts too often"
            assert self.now_s - self.fan_started_s >= BARN.stagger_s, f"{spec.name}: starts beside another"
        else:
            assert hand is not None or kept_s >= spec.min_on_s, f"{spec.name}: on too short"

    def _check_water(self, spec: KitSpec, view: KitView, views: dict[str, KitView], hand: HandChange | None) -> None:
        if not view.asked:
            return
        if spec.kind is KitKind.VALVE:
            wet = any(views[s.name].asked for s in KIT if s.kind is KitKind.MISTER and s.place == spec.place)
            assert wet or hand is not None, "a valve without its mister"
            return
        assert hand is not None or not self._stale(spec.place), f"{spec.name}: water in unknown air"
        assert any(self._moves_air(fan_spec, views) for fan_spec in KIT if fan_spec.place == spec.place), "no fan"
        record = self.kit[spec.name]
        if hand is None:
            assert self.clock_set and (not record.on or self.now_s - record.since_s < MIST.pulse_s), "a long pulse"
            one_pulse = spec.water_lpm * (MIST.pulse_s + 30.0) / 60.0  # the longest pause between two ticks is 30 s
            assert self.litres.get(spec.name, 0.0) <= MIST.litres_per_day + one_pulse, "too much water"

    def _moves_air(self, spec: KitSpec, views: dict[str, KitView]) -> bool:
        if spec.kind is not KitKind.FAN or spec.proof is None:
            return False
        amps = self._fresh(spec.proof.channel)
        asked = views[spec.name].asked
        just_off = not asked and (self.kit[spec.name].on or self.now_s - self.kit[spec.name].since_s <= 5.0)
        return amps is not None and amps >= 1.0 and not just_off

    def _stale(self, place: str) -> bool:
        """Whether no sensor of the place has told both numbers of its air for long enough to be safe by now."""
        sensors = (each for each in SENSORS if each.place == place and each.tells_air)
        return all(
            any(self._fresh(f"{each.name}.{quantity}", SAFE_WITHIN_S) is None for quantity in AIR) for each in sensors
        )
