"""Owns: conditions that are about horses: heat where they are, fire, water on the floor, air that nobody knows.

Must not know: delays, texts, the life cycle.
How it works: one pure walk over the facts for each rule, yielding what holds now.
"""

from __future__ import annotations

from collections.abc import Iterator

from gateway.alarms.facts import Facts, PlaceFact
from gateway.alarms.rule import Finding, Standing
from gateway.barn import Barn, Place, SensorSpec
from gateway.model import KitKind, Level, PlaceKind, Priority

NOW, SOON, WHEN_YOU_CAN = Priority.NOW, Priority.SOON, Priority.WHEN_YOU_CAN


def fire(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """The fire contact is closed."""
    if text := facts.has("barn", "fire"):
        yield Finding(subject="barn", priority=NOW, text=text)


def level_stop(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Level 3 where horses are."""
    for place, fact in _with_horses(facts):
        priority = NOW if place.kind is PlaceKind.STANDING else SOON
        yield from _level(place, fact, Level.STOP, priority, (f"saturated:{place.name}",))


def level_plan(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Level 2 or more where horses stand. Where they are ridden the wall says it: a rider stands before it."""
    for place, fact in _with_horses(facts):
        if place.kind is PlaceKind.STANDING:
            yield from _level(place, fact, Level.PLAN, SOON, (f"level-stop:{place.name}", f"saturated:{place.name}"))


def saturated(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Level 3 where horses stand although every fan there is on: the machine has nothing more to give."""
    for place, fact in _with_horses(facts):
        fans = any(spec.place == place.name and spec.kind is KitKind.FAN for spec in facts.barn.kit)
        if place.kind is not PlaceKind.STANDING or not fans:
            continue
        text = facts.has(place.name, "kit-at-its-end")
        if text or fact.level is None:
            yield Finding(subject=place.name, priority=NOW, text=text, unsure=not text)


def water_stuck(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Water flows although every mister is off."""
    for place in facts.barn.places:
        if text := facts.has(place.name, "water-stuck"):
            yield Finding(subject=place.name, priority=NOW, text=text)


def place_blind(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """No sensor of a place tells its air. Where every one of them hangs on a lost bus, that is the alarm."""
    for place in facts.barn.places:
        fact = facts.places[place.name]
        sensors = air_sensors(facts.barn, place.name)
        if fact.level is not None or not sensors:
            continue
        buses = tuple(f"bus-lost:{sensor.bus}" for sensor in sensors)
        causes = buses if all(standing(key) for key in buses) else ()
        text = "; ".join(text for sensor in sensors if (text := facts.has(sensor.name, "sensor-lost")))
        yield Finding(subject=place.name, priority=blind_priority(fact), text=text, causes=causes)


def blind_priority(fact: PlaceFact) -> Priority:
    """How soon air that nobody knows needs a person."""
    if not fact.occupied:
        return WHEN_YOU_CAN
    return NOW if fact.last_level is not None and fact.last_level >= Level.STOP else SOON


def air_sensors(barn: Barn, place: str) -> list[SensorSpec]:
    """The sensors that tell the air of a place."""
    return [sensor for sensor in barn.sensors if sensor.place == place and sensor.tells_air]


def _with_horses(facts: Facts) -> Iterator[tuple[Place, PlaceFact]]:
    return ((place, fact) for place in facts.barn.places if (fact := facts.places[place.name]).occupied)


def _level(
    place: Place, fact: PlaceFact, at_least: Level, priority: Priority, causes: tuple[str, ...]
) -> Iterator[Finding]:
    if fact.level is None:
        yield Finding(subject=place.name, priority=priority, unsure=True)
    elif fact.level >= at_least:
        yield Finding(subject=place.name, priority=priority, text=f"level {fact.level}", causes=causes)
