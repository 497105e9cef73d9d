"""Owns: what people take by hand: for how long, by whom, and when it must be asked twice.

Must not know: how a request arrives, who may make one, timers, interlocks.
How it works: every request has an end; there is no "for ever". The newest request for a subject replaces the one
before. At its end the automatic decides again, from the state in which the kit is then: nothing jumps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from gateway.barn import Barn
from gateway.model import HandChange, HandKind, KitKind

LONGEST_S = {HandKind.ON: 12 * 3600.0, HandKind.OFF: 4 * 3600.0, HandKind.COOL_OUT: 2 * 3600.0}
LONGEST_WATER_S = 15 * 60.0
SHORTEST_S = 60.0


def after(hands: Mapping[str, HandChange], asked: Iterable[HandChange], now_s: float) -> dict[str, HandChange]:
    """What is by hand after new requests and the passing of time."""
    kept = dict(hands)
    for change in asked:
        if change.kind is HandKind.AUTO:
            kept.pop(change.subject, None)
        else:
            kept[change.subject] = change
    return {subject: change for subject, change in kept.items() if now_s < change.until_mono_s}


def refusal(barn: Barn, subject: str, kind: HandKind, lasts_s: float) -> str:
    """Why a request cannot be granted, as a sentence; empty when it can."""
    kit = next((each for each in barn.kit if each.name == subject), None)
    place = next((each for each in barn.places if each.name == subject), None)
    if kind is HandKind.COOL_OUT and place is None:
        return f"there is no place {subject}; places are {', '.join(each.name for each in barn.places)}"
    if kind in (HandKind.ON, HandKind.OFF) and kit is None:
        return f"there is no kit {subject}; kit is {', '.join(each.name for each in barn.kit) or 'none'}"
    if kind is HandKind.AUTO:
        return "" if kit or place else f"there is no kit or place {subject}"
    longest_s = LONGEST_S[kind]
    if kind is HandKind.ON and kit is not None and kit.kind is not KitKind.FAN:
        longest_s = LONGEST_WATER_S
    if not SHORTEST_S <= lasts_s <= longest_s:
        return f"it must last {SHORTEST_S / 60:g} to {longest_s / 60:g} minutes, asked were {lasts_s / 60:g}"
    return ""


def second_question(barn: Barn, subject: str, kind: HandKind, level: int | None, occupied: bool) -> str:
    """What must be asked once more before a fan goes off in heat; empty when once is enough."""
    kit = next((each for each in barn.kit if each.name == subject), None)
    if kit is None or kind is not HandKind.OFF or kit.kind is not KitKind.FAN or not occupied:
        return ""
    if level is None:
        return f"Nobody knows the air at {kit.place} now. Stop {kit.name} all the same?"
    return f"Level {level} at {kit.place} and horses are there. Stop {kit.name} all the same?" if level >= 2 else ""
