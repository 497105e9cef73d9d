"""Writes `gateway/alarms/ALARMS.md`: every alarm with its rule, delays and texts, printed from the code.

Run: `make report`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from gateway.alarms.book import RESTLESS_WITHIN_S, AlarmAt
from gateway.alarms.contacts import ESCALATE_S
from gateway.alarms.notices import (
    GATHER_S,
    LONG_PAUSE_S,
    MANY_IN_AN_HOUR,
    NOW_LONG_PAUSE_S,
    NOW_PAUSE_S,
    PAUSE_S,
    RETRY_NOW_S,
    RETRY_S,
)
from gateway.alarms.rule import Rule
from gateway.alarms.rules import LEAST_STANDING_S, LONGEST_SHELF_S, RESTLESS_OFF_S, RULES
from gateway.alarms.texts import TEXTS
from gateway.model import Priority

PAGE = Path(__file__).parents[2] / "gateway" / "alarms" / "ALARMS.md"
WORDS = {Priority.NOW: "NOW", Priority.SOON: "SOON", Priority.WHEN_YOU_CAN: "WHEN YOU CAN"}


def span(seconds: float) -> str:
    """Seconds as people say them."""
    if seconds == 0:
        return "at once"
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"


def page() -> str:
    """The page."""
    return "\n".join((*_head(), *_table(), *_cycle(), *_people(), *_texts())) + "\n"


def _head() -> Iterator[str]:
    yield "# Alarms"
    yield ""
    yield "Printed from the code by `make report`; a test compares it. An alarm is something that needs a person: each"
    yield "says what is the matter and what to do, in both languages. Everything else is in the history only."
    yield ""
    yield f"- **{WORDS[Priority.NOW]}**: a horse is at risk. Somebody goes there now."
    yield f"- **{WORDS[Priority.SOON]}**: within the hour, before it becomes one."
    yield f"- **{WORDS[Priority.WHEN_YOU_CAN]}**: on the next round."
    yield ""


def _table() -> Iterator[str]:
    yield "## Rules"
    yield ""
    yield "Causes stand before what they explain. `raised after`: the condition must hold without a break for so long;"
    yield "`over after`: and be gone for so long. `again after`: taken, and it still stands. `to be read`: it waits"
    yield "until somebody has read that it is over. The priority is the usual one; the reason says when it is another,"
    yield "and within one episode it only rises. Delays are our own choice, near common practice where there is one; no"
    yield "published source."
    yield ""
    yield "| alarm | priority | raised after | over after | again after | to be read | dead band | why |"
    yield "|---|---|---|---|---|---|---|---|"
    for rule in RULES:
        yield f"| {' | '.join(_cells(rule))} |"
    yield ""


def _cells(rule: Rule) -> tuple[str, ...]:
    return (
        f"`{rule.code}`" + (" (horse)" if rule.horse else ""),
        WORDS[rule.priority],
        span(rule.on_s),
        span(rule.off_s),
        span(rule.again_s) if rule.again_s else "-",
        "yes" if rule.stays else "no",
        rule.dead_band or "-",
        rule.reason,
    )


def _cycle() -> Iterator[str]:
    yield "## Life cycle"
    yield ""
    states = ", ".join(f"{at.value} {at.name.lower().replace('_', ' ')}" for at in AlarmAt)
    yield f"The states of ISA-18.2 and IEC 62682: {states}."
    yield ""
    yield f"- An alarm that has called somebody stands for at least {span(LEAST_STANDING_S)}, however its input"
    yield "  chatters: that is one alarm in that time, and an end is told only when it can be believed."
    yield f"- One that comes again within {span(RESTLESS_WITHIN_S)} of its end is over after {span(RESTLESS_OFF_S)}."
    shelves = ", ".join(f"{WORDS[priority]} {span(limit_s)}" for priority, limit_s in LONGEST_SHELF_S.items())
    yield f"- It can be shelved for at most: {shelves}. When it gets worse, the shelf ends."
    yield "- Alarms about horses cannot be taken out of service."
    yield "- What another alarm explains is listed and calls nobody: one lost bus is one alarm."
    yield "- What nobody can tell (a level without a sensor) raises nothing and ends nothing."
    yield "- The journal is only ever added to; after a power cut the state is read from it, and the delays begin anew."
    yield ""


def _people() -> Iterator[str]:
    yield "## Who is told"
    yield ""
    waits = ", ".join(f"{WORDS[priority]} {span(wait_s)}" for priority, wait_s in GATHER_S.items())
    yield f"- News is gathered before a message goes out: {waits}. A flood is one message for each contact."
    yield f"- After a message there is quiet for {span(PAUSE_S)}, after {MANY_IN_AN_HOUR} within an hour for"
    yield f"  {span(LONG_PAUSE_S)}; before a NOW {span(NOW_PAUSE_S)} and {span(NOW_LONG_PAUSE_S)}."
    steps = ", ".join(f"{WORDS[priority]} {span(wait_s)}" for priority, wait_s in ESCALATE_S.items())
    yield f"- Nobody has taken it: the next contact is called after: {steps}. The rest does not go further."
    yield "- What was taken and calls again goes the same way anew: whoever took it may have gone home."
    yield "- Outside everybody's hours a NOW goes to all, anything else waits for the first hour of somebody."
    now = ", ".join(span(wait_s) for wait_s in RETRY_NOW_S)
    rest = ", ".join(span(wait_s) for wait_s in RETRY_S)
    yield f"- A message that failed is sent again, with the same id: NOW {now}, and so on; others {rest}."
    yield "- No piece of news is told to a contact twice; the end is told to whoever was called."
    yield ""


def _texts() -> Iterator[str]:
    yield "## Texts"
    yield ""
    yield "`{place}` and `{name}` are the names of the barn. Ask somebody who works there to read the Spanish."
    for code, text in TEXTS.items():
        yield ""
        yield f"### {code}"
        yield ""
        for language in text.say:
            yield f"- {language}: **{text.say[language]}** {text.do[language]}"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    sys.stdout.write(f"{PAGE.name} written\n")
