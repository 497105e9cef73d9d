"""Owns: what is said about the air at a place, and the sentence for when the rule and the air differ.

Must not know: boards, HTML, how a level was made.
How it works: a place and the words of one language go in, a short text comes out. A word says no more than its
source: the rule (the sum) has only the words of its level; paces come from the roof alone. A level falls late on
purpose, so beside a level that is still held the roof is said as slow as that level: never more than the gate allows.
"""

from __future__ import annotations

from dashboards.words import Words
from gateway.engine.snapshot import PlaceView

# From fast to slow; the place in this list is the level at which the air no longer carries anything faster. Standing
# is no work, so a roof of "stand" reads like "none".
PACES = ("canter", "trot", "walk", "none")


def pace_of(place: PlaceView) -> str:
    """The fastest pace that may be said: the roof, or that of the level by the air when it is slower."""
    if place.air_level is None:
        return ""
    roof = PACES.index(place.roof) if place.roof in PACES else len(PACES) - 1
    return PACES[max(roof, place.air_level)]


def roof_limits(place: PlaceView) -> bool:
    """Whether the level of a riding place stands because of the roof and would be lower by the sum."""
    if place.level is None or place.rule_level is None or place.air_level is None:
        return False
    return place.kind == "riding" and place.level == place.air_level > place.rule_level


def air_text(place: PlaceView, words: Words) -> str:
    """The air in a word or two: the pace that it carries, or whether it is enough for a horse that stands."""
    if place.air_level is None:
        return ""
    return words.roof[pace_of(place)] if place.kind == "riding" else words.air_standing[place.air_level]


def differs(place: PlaceView) -> bool:
    """Whether the rule and the air would show two levels."""
    return place.rule_level != place.air_level


def sentence(place: PlaceView, words: Words) -> str:
    """The sentence for a place where the rule and the air differ; empty when they agree or are not known."""
    if place.rule_level is None or not differs(place):
        return ""
    return words.differ.format(rule=_rule_text(place.rule_level, place, words), air=air_text(place, words))


def air_note(place: PlaceView, words: Words) -> str:
    """What a row says below its pole: the sentence in its short form, or the air alone when both agree."""
    if place.rule_level is None or not differs(place):
        return words.agree.format(air=air_text(place, words))
    return words.differ_short.format(rule=_rule_text(place.rule_level, place, words), air=air_text(place, words))


def _rule_text(level: int, place: PlaceView, words: Words) -> str:
    return (words.rule_riding if place.kind == "riding" else words.rule_standing)[level]
