"""Whom messages reach: nobody, all but one, and what one try that failed does not prove. Times are hand counts."""

from __future__ import annotations

from gateway.uplink.reached import CUT_OFF_S, STEADY_S, Reached
from tests.uplink.call_scenes import AWAY, DELIVERED, REFUSED

LUIS = ("Luis", "webhook")


def test_one_contact_whom_nothing_reaches_for_an_hour_is_told_and_by_which_ways() -> None:
    now = Reached().after("Ana", "mail", DELIVERED, 0.0).after(*LUIS, AWAY, 10.0).after("Luis", "mail", REFUSED, 20.0)
    assert now.cut_off([LUIS], 20.0 + CUT_OFF_S - 1.0) == ""
    said = "Not everybody is reached. Luis by mail: wrong password; Luis by webhook: nobody answers"
    assert now.cut_off([LUIS], 20.0 + CUT_OFF_S) == said
    assert now.lost([LUIS]) == "", "Ana is reached"
    assert now.after("Luis", "mail", DELIVERED, 4000.0).cut_off([LUIS], 9000.0) == "", "one way is enough"


def test_the_hour_begins_with_the_first_failure_and_anew_after_what_arrived() -> None:
    now = Reached().after("Ana", "mail", DELIVERED, 0.0)
    for at_s in (100.0, 1000.0, 3000.0):
        now = now.after(*LUIS, AWAY, at_s)
    assert now.cut_off([LUIS], 100.0 + CUT_OFF_S) != ""
    now = now.after(*LUIS, DELIVERED, 3100.0).after(*LUIS, AWAY, 3200.0)
    assert now.cut_off([LUIS], 100.0 + CUT_OFF_S) == ""


def test_nobody_is_reached_when_nothing_arrives_by_any_way() -> None:
    now = Reached().after("Ana", "mail", AWAY, 0.0).after(*LUIS, AWAY, 0.0)
    assert now.lost([LUIS, ("Ana", "mail")]).startswith("No message to a contact arrives. Ana by mail: nobody answers")
    assert now.cut_off([LUIS], 9000.0) == "", "that is one alarm, not two"
    assert now.after("Ana", "mail", DELIVERED, 1.0).lost([LUIS]) == ""


def test_a_single_try_that_failed_proves_nothing_once_its_message_is_no_more() -> None:
    now = Reached().after(*LUIS, AWAY, 0.0)
    assert now.lost([LUIS]) != "" and now.lost([]) == ""
    assert now.after(*LUIS, AWAY, STEADY_S - 1.0).lost([]) == ""
    assert now.after(*LUIS, AWAY, STEADY_S).lost([]) != "", "for a minute it failed"
    assert now.after(*LUIS, REFUSED, 1.0).lost([]) != "", "that does not pass by itself"
    others = now.after("Ana", "mail", DELIVERED, 1.0)
    assert others.cut_off([], 9000.0) == "" and others.cut_off([LUIS], 9000.0) != ""
