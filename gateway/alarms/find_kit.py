"""Owns: conditions of things that break or are left behind: kit, sensors, lines.

Must not know: delays, texts, the life cycle.
How it works: one pure walk over the facts for each rule. Kit and sensors name the line, relay block or power failure
that would explain them, so that one lost bus is one alarm and not eight.
"""

from __future__ import annotations

from collections.abc import Iterator

from gateway.alarms.facts import Facts
from gateway.alarms.find_horse import NOW, SOON, WHEN_YOU_CAN, air_sensors, blind_priority
from gateway.alarms.rule import Finding, Standing
from gateway.barn import Barn, KitSpec, Switched
from gateway.model import KitKind, Level, Priority

HAND_ENDS_S, HAND_WORTH_S = 600.0, 1200.0  # own choice: told ten minutes before, if it lasted more than twenty
WATER = (KitKind.MISTER, KitKind.VALVE)


def no_fan_runs(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Two or more fans are asked to run and prove that none does: it is the power, not a fan."""
    fans = [spec for spec in facts.barn.kit if spec.kind is KitKind.FAN and spec.proof is not None]
    told = [spec for spec in fans if facts.kit[spec.name].wanted or facts.kit[spec.name].asked]
    dead = [spec.name for spec in told if _stands_still(facts, spec)]
    if len(dead) >= 2 and len(dead) == len(told):
        yield Finding(subject="barn", priority=NOW, text=f"asked to run and standing still: {', '.join(dead)}")


def bus_lost(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """A line hangs, or nothing on it answers: two devices or more, of which one is already given up."""
    for bus in facts.barn.buses:
        sensors = [sensor for sensor in facts.barn.sensors if sensor.bus == bus.name]
        kit = [spec for spec in facts.barn.kit if _bus_of(facts.barn, spec) == bus.name]
        lost = [s.name for s in sensors if facts.has(s.name, "sensor-lost")]
        lost += [k.name for k in kit if facts.has(k.name, "kit-unreachable")]
        silent = {*lost, *(s.name for s in sensors if s.name in facts.failing)}
        text = facts.has(bus.name, "bus-stuck")
        if not text and lost and len(silent) == len(sensors) + len(kit) >= 2:
            text = f"nothing answers: {', '.join(sorted(silent))}"
        if text:
            causes = ("broker-lost:broker",) if bus.kind == "mqtt" else ()
            yield Finding(subject=bus.name, priority=_bus_priority(facts, bus.name), text=text, causes=causes)


def relay_lost(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """None of two or more pieces of kit on one relay block can be reached."""
    for relay in facts.barn.relays:
        kit = [spec for spec in facts.barn.kit if spec.relay == relay.name]
        if len(kit) >= 2 and all(facts.has(spec.name, "kit-unreachable") for spec in kit):
            priority = max(_unreachable_priority(facts, spec) for spec in kit)
            text = facts.has(kit[0].name, "kit-unreachable")
            yield Finding(subject=relay.name, priority=priority, text=text, causes=(f"bus-lost:{relay.bus}",))


def kit_not_running(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Wanted, and its proof or its relay shows that it does not run. While it is not wanted nobody can tell."""
    for spec in facts.barn.kit:
        text, fact = _stands_still(facts, spec), facts.kit[spec.name]
        causes = ("no-fan-runs:barn",) if spec.kind is KitKind.FAN else ()
        also = (*causes, f"kit-unreachable:{spec.name}", *lines_to(facts.barn, spec))
        if text or fact.unproven:
            priority = _needed(facts, spec, NOW, SOON)
            yield Finding(subject=spec.name, priority=priority, text=text, causes=also, unsure=not text)


def _stands_still(facts: Facts, spec: KitSpec) -> str:
    """Why a piece of kit counts as standing still although it is wanted; empty when it does not."""
    fact = facts.kit[spec.name]
    told = facts.has(spec.name, "kit-not-running") or (facts.has(spec.name, "kit-not-following") if fact.asked else "")
    if not told and fact.unproven and fact.wanted:
        return f"{spec.name}: {fact.unproven} starts in a row that its proof of run did not confirm"
    return told


def kit_unreachable(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Its output does not answer."""
    for spec in facts.barn.kit:
        if text := facts.has(spec.name, "kit-unreachable"):
            priority, causes = _unreachable_priority(facts, spec), lines_to(facts.barn, spec)
            yield Finding(subject=spec.name, priority=priority, text=text, causes=causes)


def contact_stuck(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Runs although it is off: a welded contact, a valve that does not close."""
    for spec in facts.barn.kit:
        stuck = "" if facts.kit[spec.name].asked else facts.has(spec.name, "kit-not-following")
        if text := facts.has(spec.name, "kit-runs-unasked") or stuck:
            wet = spec.kind in WATER
            causes = (f"water-stuck:{spec.place}",) if wet else ()
            also = (*causes, f"kit-unreachable:{spec.name}", *lines_to(facts.barn, spec))
            yield Finding(subject=spec.name, priority=SOON if wet else WHEN_YOU_CAN, text=text, causes=also)


def not_in_auto(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Its own switch takes it from the gateway; off in heat it is a fan that does not cool."""
    for spec in facts.barn.kit:
        if text := facts.has(spec.name, "kit-not-in-auto"):
            off = facts.kit[spec.name].switched_off and spec.kind is KitKind.FAN
            priority = _needed(facts, spec, SOON, WHEN_YOU_CAN) if off else WHEN_YOU_CAN
            yield Finding(subject=spec.name, priority=priority, text=text)


def sensor_lost(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """A sensor gives no reading."""
    for sensor in facts.barn.sensors:
        if text := facts.has(sensor.name, "sensor-lost"):
            causes: tuple[str, ...] = (f"bus-lost:{sensor.bus}",)
            if sensor in air_sensors(facts.barn, sensor.place):
                causes = (*causes, f"place-blind:{sensor.place}")
            yield Finding(subject=sensor.name, priority=WHEN_YOU_CAN, text=text, causes=causes)


def sensor_suspect(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """A sensor gives readings that cannot quite be believed."""
    names = {sensor.name for sensor in facts.barn.sensors}
    doubts: dict[str, list[str]] = {}
    for (subject, code), text in facts.troubles.items():
        if subject in names and code.startswith("sensor-") and code != "sensor-lost":
            doubts.setdefault(subject, []).append(text)
    for subject, texts in doubts.items():
        causes = (f"sensor-lost:{subject}", f"place-blind:{_place_of(facts.barn, subject)}")
        yield Finding(subject=subject, priority=WHEN_YOU_CAN, text="; ".join(texts), causes=causes)


def flush_due(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Water is wanted, and its line has stood idle for so long that it must be flushed first."""
    for spec in facts.barn.kit:
        if "mist-stagnant" in facts.kit[spec.name].reason_codes:
            yield Finding(subject=spec.name, priority=WHEN_YOU_CAN)


def hand_ends(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """What somebody has by hand is about to go back to the gateway."""
    for name, fact in facts.kit.items():
        left_s = fact.hand_left_s
        if left_s is not None and left_s <= HAND_ENDS_S and fact.hand_lasts_s > HAND_WORTH_S:
            yield Finding(subject=name, priority=WHEN_YOU_CAN)


def _needed(facts: Facts, spec: KitSpec, hot: Priority, else_: Priority) -> Priority:
    """`hot` while horses at its place need cooling, or may: an unknown level counts as the last known one."""
    place = facts.places[spec.place]
    level = place.last_level if place.level is None else place.level
    if spec.kind in WATER:
        return min(hot, SOON) if place.occupied and (level or 0) >= Level.PLAN else WHEN_YOU_CAN
    return hot if place.occupied and (level is None or level >= Level.PLAN) else else_


def _unreachable_priority(facts: Facts, spec: KitSpec) -> Priority:
    """A fan that nobody reaches falls back to running by its wiring, so it is never as urgent as one that stands."""
    return _needed(facts, spec, SOON, WHEN_YOU_CAN)


def _bus_priority(facts: Facts, bus: str) -> Priority:
    """The most urgent of what hangs on the line."""
    blind = [
        blind_priority(facts.places[place.name])
        for place in facts.barn.places
        if facts.places[place.name].level is None and any(s.bus == bus for s in air_sensors(facts.barn, place.name))
    ]
    kit = [_unreachable_priority(facts, spec) for spec in facts.barn.kit if _bus_of(facts.barn, spec) == bus]
    return max([SOON, *blind, *kit]) if blind or kit else WHEN_YOU_CAN


def _bus_of(barn: Barn, spec: Switched) -> str:
    return next((relay.bus for relay in barn.relays if relay.name == spec.relay), "")


def lines_to(barn: Barn, spec: Switched) -> tuple[str, ...]:
    """The alarms of what lies between the gateway and an output."""
    return f"relay-lost:{spec.relay}", f"bus-lost:{_bus_of(barn, spec)}"


def _place_of(barn: Barn, sensor: str) -> str:
    return next(spec.place for spec in barn.sensors if spec.name == sensor)
