"""The page of summers was made with the delays that the rules have now, and reaches its aims."""

from __future__ import annotations

import re

from gateway.alarms.rules import BY_CODE
from tests.report.alarms_page import span
from tests.report.alarms_summer import PAGE


def test_the_page_was_made_with_the_delays_of_now_and_reaches_its_aims() -> None:
    text = PAGE.read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([a-z-]+)` \| ([^|]+) \| ([^|]+) \|", text, flags=re.MULTILINE)
    assert len(rows) > 10
    for code, raised_after, over_after in rows:
        rule = BY_CODE[code]
        assert (raised_after, over_after) == (span(rule.on_s), span(rule.off_s)), f"{code}: run make summers"
    assert text.count(": reached.") == 2 and "not reached" not in text
