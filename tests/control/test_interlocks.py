"""What overrules everything else: the order of the table, and each row at its edge."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from gateway.barn import KitSpec
from gateway.control.interlocks import INTERLOCKS, STUCK_AFTER_S, Case, Interlock, Then, forced
from gateway.control.timers import RunState
from gateway.model import HandKind, KitKind
from tests.control.barns import COOL, HOT, LOST, by_hand, fan, fresh, mister, valve

KIT = {KitKind.FAN: fan(), KitKind.MISTER: mister(), KitKind.VALVE: valve()}
RUNS, RESTS = RunState(on=True, since_s=0), RunState(on=False, since_s=0)
HAND = by_hand("any", HandKind.ON, 900.0)


def _case(kind: KitKind = KitKind.FAN, **changes: Any) -> Case:
    """Nothing applies, unless `changes` says otherwise."""
    case = Case(
        kit=KIT[kind], air=HOT, run=RUNS, by_hand=None, wanted=True, fire=False, freeze_c=4.0, fan_proven=True,
        stuck_s=0.0,
    )  # fmt: skip
    return dataclasses.replace(case, **changes)


# The order in which a danger goes before another. Fire goes before everything: it is the only one that stops fans of a
# place whose air is lost. Water that cannot be stopped goes before whatever else is wrong with water.
ORDER = [
    "fire", "water-stuck", "freeze", "no-proven-fan", "air-unknown", "contact-stuck", "retry-start", "not-running",
]  # fmt: skip

# code: kind of kit, what makes it apply, a near miss, what the kit then does, whether a hand is left alone
FAILED = dataclasses.replace(RUNS, unproven=1, counted_s=0.0)
DEAD = dataclasses.replace(RUNS, unproven=2, counted_s=0.0)
ROWS: list[tuple[str, KitKind, dict[str, Any], dict[str, Any], bool, bool]] = [
    ("fire", KitKind.FAN, {"fire": True}, {"fire": False}, False, False),
    ("water-stuck", KitKind.MISTER, {"stuck_s": STUCK_AFTER_S + 0.1}, {"stuck_s": STUCK_AFTER_S}, False, False),
    ("water-stuck", KitKind.VALVE, {"stuck_s": STUCK_AFTER_S + 0.1}, {"stuck_s": STUCK_AFTER_S}, False, False),
    ("freeze", KitKind.MISTER, {"air": fresh(4.0, 50.0)}, {"air": fresh(4.1, 50.0)}, False, False),
    ("freeze", KitKind.VALVE, {"air": fresh(-9.0, 50.0)}, {"air": LOST}, False, False),
    ("no-proven-fan", KitKind.MISTER, {"fan_proven": False}, {"fan_proven": False, "wanted": False}, False, False),
    ("air-unknown", KitKind.FAN, {"air": LOST, "run": RESTS, "wanted": False}, {"wanted": False}, True, True),
    ("air-unknown", KitKind.MISTER, {"air": LOST}, {"air": HOT}, False, True),
    (
        "contact-stuck", KitKind.FAN, {"run": dataclasses.replace(RUNS, stuck=True), "wanted": False},
        {"run": RUNS, "wanted": False}, True, True,
    ),
    (
        "contact-stuck", KitKind.FAN, {"run": dataclasses.replace(RESTS, stuck=True), "wanted": False},
        {"run": dataclasses.replace(RESTS, stuck=True), "wanted": True}, False, True,
    ),
    ("retry-start", KitKind.FAN, {"run": FAILED}, {"run": dataclasses.replace(FAILED, counted_s=-5.0)}, False, True),
    ("retry-start", KitKind.MISTER, {"run": FAILED}, {"run": dataclasses.replace(FAILED, on=False)}, False, True),
    ("not-running", KitKind.FAN, {"run": DEAD}, {"run": dataclasses.replace(DEAD, unproven=0)}, True, True),
    ("not-running", KitKind.MISTER, {"run": DEAD}, {"run": dataclasses.replace(DEAD, unproven=0)}, False, True),
    ("not-running", KitKind.VALVE, {"run": DEAD}, {"run": dataclasses.replace(DEAD, unproven=0)}, False, True),
]  # fmt: skip


@pytest.mark.parametrize(
    ("code", "kind", "when", "near", "on", "hand_wins"), ROWS, ids=[f"{r[0]}-{r[1]}" for r in ROWS]
)
def test_each_row_applies_at_its_edge_and_not_just_beside_it(
    code: str, kind: KitKind, when: dict[str, Any], near: dict[str, Any], on: bool, hand_wins: bool
) -> None:
    must = forced(_case(kind, **when))
    assert must is not None
    assert (must[0], must[1].code) == (on, code)
    assert forced(_case(kind, **near)) is None
    by_a_hand = forced(_case(kind, **when, by_hand=HAND))
    assert (by_a_hand is None) == hand_wins


def test_the_table_is_in_the_agreed_order_and_every_row_was_seen() -> None:
    assert [rule.code for rule in INTERLOCKS] == ORDER
    assert list(dict.fromkeys(row[0] for row in ROWS)) == ORDER
    assert {(rule.code, kind) for rule in INTERLOCKS for kind in rule.kinds} >= {(row[0], row[1]) for row in ROWS}


def _holds(rule: Interlock, case: Case) -> bool:
    return case.kit.kind in rule.kinds and rule.applies(case)


@pytest.mark.parametrize("kind", KitKind)
def test_of_rules_that_apply_together_the_first_of_the_table_decides(kind: KitKind) -> None:
    everything = _case(
        kind, fire=True, stuck_s=100.0, air=dataclasses.replace(LOST, temp_c=-5.0), fan_proven=False,
        run=dataclasses.replace(DEAD, stuck=True),
    )  # fmt: skip
    first = next(rule for rule in INTERLOCKS if _holds(rule, everything))
    must = forced(everything)
    assert must is not None and must[1].code == first.code


def test_fire_stops_fans_of_a_place_whose_air_is_lost_and_leaves_water_alone() -> None:
    must = forced(_case(fire=True, air=LOST, by_hand=HAND))
    assert must is not None and must[0] is False
    assert forced(_case(KitKind.MISTER, fire=True)) is None


def test_a_stuck_contact_stops_no_fan_of_a_place_whose_air_is_lost() -> None:
    must = forced(_case(air=LOST, run=dataclasses.replace(RESTS, stuck=True), wanted=False))
    assert must is not None and must[0] is True


def test_every_rule_has_words_for_people() -> None:
    for rule in INTERLOCKS:
        assert len(rule.why) > 20 and rule.why.endswith(".") and rule.when
        assert rule.kinds and isinstance(rule.then, Then)


@pytest.mark.parametrize(("kit", "text"), [(fan(), "runs to be safe: "), (mister(), "stays off to be safe: ")])
def test_lost_air_says_what_the_kit_does_and_why(kit: KitSpec, text: str) -> None:
    must = forced(dataclasses.replace(_case(air=LOST), kit=kit))
    assert must is not None and must[1].text == f"{text}air: no reading for 20 s"


def test_nothing_is_forced_when_all_is_well() -> None:
    assert [forced(_case(kind, air=air)) for kind in KitKind for air in (HOT, fresh(20.0, 40.0))] == [None] * 6
    assert COOL.temp_c == 20.0
