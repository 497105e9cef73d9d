"""The page of rules is what the code prints, and names every rule there is."""

from __future__ import annotations

from gateway.control import interlocks, misting, quality
from tests.report.control_rules import PAGE, page


def test_the_page_is_up_to_date() -> None:
    assert PAGE.read_text() == page(), "run: make report"


def test_the_page_has_every_rule_in_its_order() -> None:
    text = PAGE.read_text()
    for rules in (interlocks.INTERLOCKS, misting.RULES, quality.RULES):
        places = [text.index(f"`{rule.code}`") for rule in rules]
        assert places == sorted(places)
