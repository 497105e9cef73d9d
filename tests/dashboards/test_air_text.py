"""What the wall says of the rule and of the air, for all levels and policies, and that the API says the same words."""

from __future__ import annotations

import itertools
import re

import pytest

from dashboards.air_text import air_text, roof_limits, sentence
from dashboards.api import now_of
from dashboards.present import live_board
from dashboards.words import load_words
from tests.dashboards.conftest import Barns

WORDS = load_words()
PACES = ("canter", "trot", "walk", "none")
ALL = [
    (kind, rule, air, policy)
    for kind, rule, air, policy in itertools.product(
        ("riding", "standing"), range(4), range(4), ("rule", "air", "stricter")
    )
]


@pytest.mark.parametrize(("kind", "rule", "air", "policy"), ALL)
def test_wall_and_api_tell_both_inputs_and_only_what_they_know(kind: str, rule: int, air: int, policy: str) -> None:
    level = {"rule": rule, "air": air, "stricter": max(rule, air)}[policy]
    place = Barns.place(
        "arena" if kind == "riding" else "stalls", 30, 60, level, rule_level=rule, air_level=air, policy=policy,
        roof=PACES[air],
    )  # fmt: skip
    texts = (WORDS["en"], WORDS["es"])
    board = live_board(Barns.barn(place), texts)
    row = board.rows[0]
    shown = now_of(Barns.barn(place), 1.0, dict(WORDS)).places[0]
    assert row.level == shown.level == level
    assert (shown.rule_level, shown.air_level, shown.policy) == (rule, air, policy)
    for words in texts:
        said = sentence(place, words)
        assert shown.sentence[words.lang] == said
        assert bool(said) == (rule != air) == row.differs
        if said and kind == "riding":
            # A pace is told by the roof alone: never in the half of the sentence that speaks of the rule.
            by_rule = re.split(r"\. ", said)[0]
            assert not any(word in by_rule for word in words.roof.values())
            assert words.roof[PACES[air]] in said
        note, policy = (next(x.text for x in lines if x.lang == words.lang) for lines in (row.note, row.policy))
        assert note == (said or words.agree.format(air=air_text(place, words)))
        assert policy == words.policy[shown.policy]
        if words is texts[0]:
            assert f"{note} {policy}" in row.said
    limited = kind == "riding" and level == air > rule
    assert roof_limits(place) == limited
    assert [line.text for line in board.head.limit] == ([w.roof[PACES[air]] for w in texts] if limited else [])


def test_an_unknown_place_says_nothing_of_its_air() -> None:
    shown = now_of(Barns.barn(Barns.lost()), 1.0, dict(WORDS)).places[0]
    assert (shown.roof, shown.carry, shown.carries) == ("", None, {})
    assert set(shown.sentence.values()) == {""}
