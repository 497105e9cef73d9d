"""Owns: what the alarm rules are told of one step.

Must not know: rules, the life cycle, clocks.
How it works: plain copying from what the step has just found out; nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from gateway.alarms.book import Book, apart_s
from gateway.alarms.facts import Facts, KitFact, PlaceFact
from gateway.barn import Barn, KitSpec, SensorSpec
from gateway.control.decide import Decision
from gateway.control.inputs import fresh_value
from gateway.control.situation import Situation, is_occupied
from gateway.engine.troubles import Trouble
from gateway.model import Command, Latest, Quality, Stamp, SwitchAt


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One step, as far as it matters to alarms."""

    situation: Situation
    decision: Decision
    latest: Mapping[str, Latest]
    troubles: Iterable[Trouble]
    known_levels: Mapping[str, int]
    started_s: float
    stamp: Stamp


def facts_of(barn: Barn, found: Found, book: Book) -> Facts:
    """The barn now, in the words of the rules."""
    now_s, commands = found.stamp.mono_s, {command.kit: command for command in found.decision.commands}
    supply = barn.safety.supply
    return Facts(
        barn=barn,
        places={
            place.name: PlaceFact(
                level=_level(found, place.name),
                last_level=found.known_levels.get(place.name),
                occupied=is_occupied(place, found.situation.now),
            )
            for place in barn.places
        },
        kit={spec.name: _kit(spec, commands[spec.name], found) for spec in barn.kit},
        troubles={(each.subject, each.code): each.text for each in found.troubles},
        failing=frozenset(sensor.name for sensor in barn.sensors if _failing(sensor, found.latest)),
        supply_v=fresh_value(supply, barn.sensors, found.latest, now_s) if supply else None,
        clock_trusted=found.stamp.trusted,
        up_s=now_s - found.started_s,
        test_age_s=None if book.test is None else apart_s(book.test.stamp, found.stamp),
    )


def _level(found: Found, place: str) -> int | None:
    levels = found.decision.levels.get(place)
    return None if levels is None else int(levels.level)


def _kit(spec: KitSpec, command: Command, found: Found) -> KitFact:
    said, hand = found.situation.told.get(spec.name), found.decision.state.by_hand.get(spec.name)
    return KitFact(
        wanted=command.wanted is True,
        asked=command.on,
        unproven=found.decision.state.kit[spec.name].unproven,
        switched_off=said is not None and said.switch is SwitchAt.OFF,
        reason_codes=tuple(reason.code for reason in command.reasons),
        hand_left_s=None if hand is None else hand.until_mono_s - found.stamp.mono_s,
        hand_lasts_s=0.0 if hand is None else hand.until_wall_s - hand.stamp.wall_s,
    )


def _failing(sensor: SensorSpec, latest: Mapping[str, Latest]) -> bool:
    """Whether the newest read gave no value. A sensor that was never read has not failed yet."""
    known = [entry for channel in sensor.channels if (entry := latest.get(channel.name)) is not None]
    return bool(known) and all(entry.last.quality is not Quality.GOOD for entry in known)
