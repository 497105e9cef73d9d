"""The page of alarms is what the script writes, and says it in full."""

from __future__ import annotations

from gateway.alarms.rules import RULES
from tests.report.alarms_page import PAGE, page, span


def test_the_page_of_alarms_is_up_to_date() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run: make report"


def test_every_rule_has_its_row_and_its_texts() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for rule in RULES:
        assert f"| `{rule.code}`" in text and f"### {rule.code}\n" in text


def test_spans_read_as_people_say_them() -> None:
    assert [span(s) for s in (0, 5, 90, 60, 900, 3600, 86_400)] == [
        "at once", "5 s", "90 s", "1 min", "15 min", "1 h", "1 d",
    ]  # fmt: skip
