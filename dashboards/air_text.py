"""Owns: what is said about the air at a place, which of the two inputs counts, and the sentence for when they differ.

Must not know: boards, HTML, how a level was made.
How it works: a place and the words of one language go in, a short text comes out. A word says no more than its
source: the rule (the sum) has only the words of its level; paces come from the roof alone. A level falls late on
purpose, so beside a level that is still held the roof is said as slow as that level: never more than the gate allows.
"""

from __future__ import annotations

import math

from dashboards.words import Words
from gateway.engine.snapshot import PlaceView

# From fast to slow; the place in this list is the level at which the air no longer carries anything faster. Standing
# is no work, so a roof of "stand" reads like "none".
PACES = ("canter", "trot", "walk", "none")


def pace_of(place: PlaceView) -> str:
    """The fastest pace that may be said: the roof, or that of the level by the air when it is slower.

    Where horses stand the level by the air is about standing, so there the roof speaks for itself.
    """
    if place.air_level is None:
        return ""
    roof = PACES.index(place.roof) if place.roof in PACES else len(PACES) - 1
    return PACES[max(roof, place.air_level) if place.kind == "riding" else roof]


def roof_limits(place: PlaceView) -> bool:
    """Whether the level of a riding place stands because of the roof and would be lower by the sum."""
    if place.level is None or place.rule_level is None or place.air_level is None:
        return False
    return place.kind == "riding" and place.level == place.air_level > place.rule_level


def roof_text(place: PlaceView, words: Words) -> str:
    """The roof in a word or two; empty when it is not known."""
    return words.roof.get(pace_of(place), "")


def shown_carry(carry: float) -> str:
    """One decimal, cut and not rounded: 0.97 must not read as 1.0, from where on the air is enough."""
    return f"{math.floor(carry * 10 + 1e-9) / 10:.1f}"


def air_text(place: PlaceView, words: Words) -> str:
    """The air in a word or two: the pace that it carries, or whether it is enough for a horse that stands."""
    if place.air_level is None:
        return ""
    return roof_text(place, words) if place.kind == "riding" else words.air_standing[place.air_level]


def differs(place: PlaceView) -> bool:
    """Whether the rule and the air would show two levels."""
    return None not in (place.rule_level, place.air_level) and place.rule_level != place.air_level


def sentence(place: PlaceView, words: Words) -> str:
    """The sentence for a place where the rule and the air differ; empty when they agree or are not known."""
    if place.rule_level is None or not differs(place):
        return ""
    rule = (words.rule_riding if place.kind == "riding" else words.rule_standing)[place.rule_level]
    return words.differ.format(rule=rule, air=air_text(place, words))


def inputs_text(place: PlaceView, words: Words) -> str:
    """What a row says of the two inputs: the sentence, or the air alone when both agree."""
    return sentence(place, words) or words.agree.format(air=air_text(place, words))


def policy_text(place: PlaceView, words: Words) -> str:
    """Which input counts."""
    return words.policy.get(place.policy, place.policy)
