"""Owns: what a person asks of kit: the choices, the request to core, what its answer means.

Must not know: HTTP, HTML, sessions.
How it works: the name comes from whoever is signed in, never from the form. Core decides what may be and what must be
asked twice; here its answer only gets the words of a language. A wait of at most two seconds lets the next page show
what was done.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dashboards.live import Live
from dashboards.rows import label_of
from dashboards.words import Words
from gateway.engine.snapshot import KitView, PlaceView, Snapshot
from gateway.errors import GatewayError

Ask = Callable[[Mapping[str, Any]], Awaitable[dict[str, Any]]]

MINUTES = (15, 30, 60, 120)
WATER_MINUTES = (5, 15)  # what core allows for water that somebody turns on
SEEN_WITHIN_S, LOOK_EVERY_S = 2.0, 0.1
KINDS = ("on", "off", "auto")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a person asked for."""

    subject: str
    kind: str
    minutes: int
    why: str
    sure: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of it: done, or a question to be answered first, or why not."""

    done: bool = False
    question: bool = False
    error: str = ""
    unrecorded: bool = False
    unreached: bool = False
    until_wall_s: float | None = None


def find_kit(snapshot: Snapshot | None, name: str) -> tuple[PlaceView, KitView] | None:
    """A piece of kit and its place."""
    places = snapshot.places if snapshot else ()
    return next(((place, kit) for place in places for kit in place.kit if kit.name == name), None)


def choices(kit: KitView) -> tuple[int, ...]:
    """For how many minutes it may be taken."""
    return MINUTES if kit.kind == "fan" else WATER_MINUTES


async def ask_core(ask: Ask, wanted: Wanted, by: str) -> Outcome:
    """Ask, and say what became of it."""
    request = {"do": "hand", "subject": wanted.subject, "kind": wanted.kind, "minutes": wanted.minutes, "by": by,
               "why": wanted.why, "sure": wanted.sure}  # fmt: skip
    return await outcome_of(ask, request)


async def outcome_of(ask: Ask, request: Mapping[str, Any]) -> Outcome:
    """What became of any request to core."""
    try:
        answer = await ask(request)
    except GatewayError as error:
        return Outcome(error=str(error), unreached=True)
    if "question" in answer:
        return Outcome(question=True)
    if answer.get("done") is True:
        unrecorded = answer.get("recorded") is not True
        return Outcome(done=True, unrecorded=unrecorded, until_wall_s=answer.get("until_wall_s"))
    return Outcome(error=str(answer.get("error", "")))


async def seen(live: Live, wanted: Wanted) -> None:
    """Wait until a snapshot shows what was done, but not for long."""
    hand = "" if wanted.kind == "auto" else wanted.kind
    for _ in range(round(SEEN_WITHIN_S / LOOK_EVERY_S)):
        found = find_kit(live.current(), wanted.subject)
        if found is None or found[1].hand == hand:
            return
        await asyncio.sleep(LOOK_EVERY_S)


def consequence(kit: KitView, place: PlaceView, words: Words) -> str:
    """What it means for a horse when this kit is off."""
    if kit.kind != "fan":
        return words.hands["off_water"]
    if place.level is None:
        return words.hands["off_fan_blind"]
    return words.hands["off_fan_hot" if place.level >= 2 else "off_fan_calm"]


def question(place: PlaceView, words: Words) -> str:
    """What is asked once more before a fan goes off in heat."""
    name = label_of(place, words.lang)
    if place.level is None:
        return words.hands["sure_blind"].format(place=name)
    return words.hands["sure_level"].format(n=place.level, place=name)


def span_text(minutes: int, words: Words) -> str:
    """Minutes as people say them."""
    if minutes == 60:
        return words.hands["hour"]
    if minutes > 60 and minutes % 60 == 0:
        return words.hands["hours"].format(n=minutes // 60)
    return words.hands["minutes"].format(n=minutes)
