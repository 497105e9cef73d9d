"""Owns: what is wrong now: sensors, kit, and the barn as a whole, each as a code and a sentence.

Must not know: since when, who is told.
How it works: pure walks over the barn and what one step knows. A trouble has the same subject and code for as long as
it stands, so that its beginning and end are told once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from gateway.alarms.signals import SignalRun
from gateway.barn import Barn, SensorSpec
from gateway.control.decide import ControlState, Decision
from gateway.control.inputs import Freshness, channel_lost, sensor_freshness
from gateway.control.interlocks import STUCK_AFTER_S
from gateway.control.proof import disagreement
from gateway.control.quality import Doubt
from gateway.control.situation import Situation
from gateway.model import KitKind, KitSeen, Latest, Level, SignalKind

# A contact needs a moment to move and to be read back before "asked but not seen" is worth a word [s].
FOLLOW_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something wrong that only the engine can see: a stuck bus, an unwritten history."""

    subject: str
    code: str
    text: str


def sensor_troubles(
    barn: Barn, latest: Mapping[str, Latest], doubts: Mapping[str, tuple[Doubt, ...]], *, started_s: float, now_s: float
) -> Iterator[Trouble]:
    """Sensors that are lost or doubted. At start each gets its own time to speak before it counts as lost."""
    for spec in barn.sensors:
        text = _lost_text(spec, latest, now_s)
        if text and not (_unheard(spec, latest) and now_s - started_s <= spec.lost_after_s):
            yield Trouble(subject=spec.name, code="sensor-lost", text=text)
        for doubt in doubts.get(spec.name, ()):
            yield Trouble(subject=spec.name, code=f"sensor-{doubt.code}", text=doubt.text)


def _lost_text(spec: SensorSpec, latest: Mapping[str, Latest], now_s: float) -> str:
    if spec.tells_air:
        air = sensor_freshness(spec, latest, now_s)
        if air.freshness is Freshness.LOST:
            return air.lost_text
    return channel_lost(spec, latest, now_s)


def _unheard(spec: SensorSpec, latest: Mapping[str, Latest]) -> bool:
    known = (latest.get(channel.name) for channel in spec.channels)
    return any(each is None or each.good is None for each in known)


def kit_troubles(barn: Barn, control: ControlState, situation: Situation) -> Iterator[Trouble]:
    """Kit that cannot be reached, does not follow, or does not run."""
    now_s = situation.now.mono_s
    for spec in barn.kit:
        run, seen = control.kit[spec.name], situation.seen.get(spec.name)
        wrong = disagreement(spec, situation.told[spec.name], on=run.on, since_s=run.proof_from_s, now_s=now_s)
        if wrong is not None:
            yield Trouble(subject=spec.name, code=wrong.code, text=wrong.text)
        elif run.unproven and not run.on:
            text = f"{spec.name}: did not run when it was started, rests before the next try"
            yield Trouble(subject=spec.name, code="kit-not-running", text=text)
        if seen is None or now_s - run.since_s <= FOLLOW_WITHIN_S:
            continue
        if seen.error:
            yield Trouble(subject=spec.name, code="kit-unreachable", text=f"{spec.name}: {seen.error}")
        elif seen.on is not None and seen.on != run.on:
            words = {True: "on", False: "off"}
            text = f"{spec.name}: asked {words[run.on]}, its relay shows {words[seen.on]}"
            yield Trouble(subject=spec.name, code="kit-not-following", text=text)


def signal_troubles(
    barn: Barn, runs: Mapping[str, SignalRun], seen: Mapping[str, KitSeen], *, now_s: float
) -> Iterator[Trouble]:
    """Lamps and chimes that cannot be reached, or do not follow; of a chime that comes and goes only the first."""
    for spec in barn.signals:
        run, shows = runs.get(spec.name), seen.get(spec.name)
        if run is None or shows is None:
            continue
        steady = spec.kind is SignalKind.LAMP or run.calls_since_s is None
        if shows.error:
            yield Trouble(subject=spec.name, code="signal-unreachable", text=f"{spec.name}: {shows.error}")
        elif steady and now_s - run.since_s > FOLLOW_WITHIN_S and shows.on is not None and shows.on != run.on:
            words = {True: "on", False: "off"}
            text = f"{spec.name}: asked {words[run.on]}, its relay shows {words[shows.on]}"
            yield Trouble(subject=spec.name, code="signal-not-following", text=text)


def barn_troubles(barn: Barn, decision: Decision, situation: Situation) -> Iterator[Trouble]:
    """What no single device can tell: fire, weak supply, a valve that does not close, kit that can do no more."""
    if situation.fire:
        yield Trouble(subject="barn", code="fire", text="the fire contact is closed: fans are stopped, get help")
    if situation.supply_low:
        text = f"supply below {barn.safety.supply_low_v:g} V: fans may turn too slowly to cool"
        yield Trouble(subject="barn", code="supply-low", text=text)
    running = {command.kit: command.on for command in decision.commands}
    for place in barn.places:
        since_s = decision.state.flow_since_s.get(place.name)
        if since_s is not None and situation.now.mono_s - since_s > STUCK_AFTER_S:
            text = f"{place.name}: water flows although every mister is off: close the hand valve, the floor gets wet"
            yield Trouble(subject=place.name, code="water-stuck", text=text)
        level = decision.levels.get(place.name)
        fans = [spec.name for spec in barn.kit if spec.place == place.name and spec.kind is KitKind.FAN]
        if level is not None and level.level is Level.STOP and all(running[name] for name in fans):
            text = f"{place.name}: level 3 with every fan on: water on the horse, shade, call the veterinarian"
            yield Trouble(subject=place.name, code="kit-at-its-end", text=text)
