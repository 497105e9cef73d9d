"""What people take by hand: how long at most, until when, and what is asked twice."""

from __future__ import annotations

import math

import pytest

from gateway.control.hands import after, refusal, second_question
from gateway.model import HandKind
from tests.control.barns import barn, by_hand, fan, mister, valve

BARN = barn(kit=(fan(), mister(), valve()))


def test_a_request_ends_at_its_time_and_not_before() -> None:
    held = after({}, [by_hand("fan", HandKind.ON, 900.0)], 0.0)
    assert set(after(held, [], 899.9)) == {"fan"}
    assert after(held, [], 900.0) == {}


def test_the_newest_request_for_a_subject_replaces_the_one_before() -> None:
    first, second = by_hand("fan", HandKind.ON, 900.0), by_hand("fan", HandKind.OFF, 300.0)
    assert after(after({}, [first], 0.0), [second], 1.0) == {"fan": second}
    assert after({}, [first, second], 0.0) == {"fan": second}
    assert after({}, [second, first], 0.0) == {"fan": first}


def test_giving_back_ends_one_subject_only() -> None:
    held = after({}, [by_hand("fan", HandKind.ON, 900.0), by_hand("mist", HandKind.ON, 900.0)], 0.0)
    assert set(after(held, [by_hand("fan", HandKind.AUTO, 0.0)], 1.0)) == {"mist"}
    assert after(held, [by_hand("nobody", HandKind.AUTO, 0.0)], 1.0) == held


def test_a_request_that_arrives_after_its_end_also_ends_what_was_before() -> None:
    held = after({}, [by_hand("fan", HandKind.ON, 900.0)], 0.0)
    assert after(held, [by_hand("fan", HandKind.OFF, 50.0)], 60.0) == {}


HOUR_S = 3600.0


@pytest.mark.parametrize(
    ("subject", "kind", "shortest_s", "longest_s"),
    [
        ("fan", HandKind.ON, 60.0, 12 * HOUR_S),
        ("fan", HandKind.OFF, 60.0, 4 * HOUR_S),
        ("mist", HandKind.ON, 60.0, 15 * 60.0),
        ("valve", HandKind.ON, 60.0, 15 * 60.0),
        ("mist", HandKind.OFF, 60.0, 4 * HOUR_S),
        ("stalls", HandKind.COOL_OUT, 60.0, 2 * HOUR_S),
    ],
)
def test_nothing_is_by_hand_for_ever_nor_for_no_time(
    subject: str, kind: HandKind, shortest_s: float, longest_s: float
) -> None:
    for granted_s in (shortest_s, longest_s):
        assert refusal(BARN, subject, kind, granted_s) == ""
    for refused_s in (shortest_s - 0.1, longest_s + 0.1, 0.0, -60.0, math.inf, math.nan):
        assert "minutes" in refusal(BARN, subject, kind, refused_s), refused_s


def test_what_is_not_there_is_refused_by_name() -> None:
    assert refusal(BARN, "fen", HandKind.ON, 600.0) == "there is no kit fen; kit is fan, mist, valve"
    assert refusal(BARN, "fan", HandKind.COOL_OUT, 600.0) == "there is no place fan; places are stalls"
    assert refusal(BARN, "stalls", HandKind.OFF, 600.0).startswith("there is no kit stalls")
    assert refusal(BARN, "fen", HandKind.AUTO, 0.0) == "there is no kit or place fen"
    assert refusal(barn(kit=()), "fan", HandKind.ON, 600.0) == "there is no kit fan; kit is none"


def test_giving_back_needs_no_time() -> None:
    assert refusal(BARN, "fan", HandKind.AUTO, 0.0) == refusal(BARN, "stalls", HandKind.AUTO, 0.0) == ""


@pytest.mark.parametrize(
    ("subject", "kind", "level", "occupied", "asked"),
    [
        ("fan", HandKind.OFF, 2, True, True),
        ("fan", HandKind.OFF, 3, True, True),
        ("fan", HandKind.OFF, None, True, True),
        ("fan", HandKind.OFF, 1, True, False),
        ("fan", HandKind.OFF, 3, False, False),
        ("fan", HandKind.ON, 3, True, False),
        ("mist", HandKind.OFF, 3, True, False),
        ("nothing", HandKind.OFF, 3, True, False),
    ],
)
def test_only_stopping_air_in_heat_over_horses_is_asked_twice(
    subject: str, kind: HandKind, level: int | None, occupied: bool, asked: bool
) -> None:
    question = second_question(BARN, subject, kind, level, occupied)
    assert question.endswith("Stop fan all the same?") if asked else question == ""
