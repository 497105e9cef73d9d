"""The tables of control as a page: `make report` writes gateway/control/RULES.md with it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from gateway.barn import DEFAULT_CARRY_LIMITS, MistRules, Safety
from gateway.control import demand, hands, interlocks, levels, mist_state, misting, quality, timers
from gateway.model import HandKind
from gateway.site_form import SafetyForm
from gateway.site_kit import FanForm

PAGE = Path(__file__).parents[2] / "gateway" / "control" / "RULES.md"

INTRODUCTION = """# The rules of control

Written by `make report` (`tests/report/control_rules.py`) from the tables that the program itself uses; do not edit.
Numbers that a site file can change are its defaults. Limits without a source are our own or common practice.

One step decides in this order: levels; for each fan, then each mister, then each master valve: what is wished (by
demand, or by a person who took it by hand), what timers hold back, what interlocks force."""


def page() -> str:
    """The whole page."""
    parts = (_interlocks(), _fans(), _water(), _quality(), _timers(), _hands())
    return "\n".join([INTRODUCTION, *(line for part in parts for line in ("", *part))]) + "\n"


def _table(*rows: tuple[str, ...]) -> Iterator[str]:
    head, *body = rows
    yield f"| {' | '.join(head)} |"
    yield "|---" * len(head) + "|"
    for row in body:
        yield f"| {' | '.join(row)} |"


def _interlocks() -> Iterator[str]:
    yield "## Interlocks"
    yield ""
    yield "From the top; the first that applies decides alone. None of them waits for a timer."
    yield ""
    rows = [
        (str(rank), f"`{rule.code}`", ", ".join(rule.kinds), rule.when, str(rule.then), _yes(rule.hand_wins), rule.why)
        for rank, rule in enumerate(interlocks.INTERLOCKS, start=1)
    ]
    yield from _table(("", "code", "for", "when", "then it is", "a hand goes before", "why"), *rows)


def _fans() -> Iterator[str]:
    limits = ", ".join(f"{limit:g}" for limit in DEFAULT_CARRY_LIMITS)
    yield "## Fans"
    yield ""
    yield from _table(
        ("a fan", "when"),
        ("joins", f"carry of a standing wet horse, with the fans of earlier stages, is below {limits} by its stage"),
        ("joins at the first limit", "at any stage, where the air of all earlier fans was measured"),
        ("leaves", f"carry has been {levels.CARRY_DEAD_BAND:g} above that for the hold time"),
        ("joins as well", "the level by the rule is at its stage, where the policy counts the rule; or the level is 3"),
        ("does not join", f"it would add less than {demand.LEAST_GAIN:g} to carry and the level is below 3"),
        ("does not join", "no horses are there at this time of day"),
        ("runs at full speed", "a horse is being cooled there by hand; or the level is 2 or more"),
        ("runs as slowly as carry allows", f"else, where its drive can, in steps of {demand.SPEED_STEP:.0%}"),
    )


def _water() -> Iterator[str]:
    rules, damp_min = MistRules(), mist_state.DAMP_AFTER_S / 60
    begin_k = rules.least_depression_k
    begin, end = (f"{minute // 60:02}:{minute % 60:02}" for minute in rules.hours)
    yield "## Water"
    yield ""
    yield "From the top; the first that does not hold is told. All must hold for a pulse to begin and to go on."
    yield ""
    rows = [(str(rank), f"`{rule.code}`", rule.why) for rank, rule in enumerate(misting.RULES, start=1)]
    yield from _table(("", "code", "said when it does not hold"), *rows)
    yield ""
    yield from _table(
        ("limit", "to begin", "to go on"),
        ("temperature, at least", f"{rules.from_c:g} °C", f"{rules.from_c - misting.GO_ON_C:g} °C"),
        ("humidity, below", f"{rules.start_below_pct:g} %", f"{rules.stop_above_pct:g} %"),
        ("above the wet bulb, at least", f"{begin_k:g} K", f"{begin_k - misting.GO_ON_K:g} K"),
        ("hours of the day", f"{begin} to {end}", "the same"),
        ("gain of carry, more than", f"{misting.LEAST_GAIN:g}", "the same"),
        ("water of the day, below", f"{rules.litres_per_day:g} L", "the same"),
        ("line wet within", f"{rules.flush_after_s / 3600:g} h", f"after that a flush of {rules.flush_s:g} s by hand"),
        ("pulse", f"{rules.pulse_s:g} s", f"then a pause up to {rules.every_s:g} s from its beginning"),
        (
            "lock after damp",
            f"{mist_state.LOCKED_S / 3600:g} h",
            f"when humidity is {rules.stop_above_pct:g} % or more for {damp_min:g} min after misting",
        ),
    )  # fmt: skip


def _quality() -> Iterator[str]:
    yield "## Sensors that still give numbers and are in doubt"
    yield ""
    yield from _table(("code", "sign", "then"), *((f"`{rule.code}`", rule.sign, rule.then) for rule in quality.RULES))


def _timers() -> Iterator[str]:
    fan = FanForm.model_fields
    yield "## Timers of fans"
    yield ""
    yield "Water has none but its pulses: nothing may keep it running."
    yield ""
    yield from _table(
        ("timer", "default", "by hand"),
        ("least time on", f"{fan['min_on_s'].default:g} s", "none"),
        ("least time off", f"{fan['min_off_s'].default:g} s", f"at most {timers.REST_S:g} s"),
        ("starts in an hour, at most", f"{fan['starts_per_h'].default}", "the same"),
        ("between the starts of two fans", f"{SafetyForm.model_fields['stagger_s'].default:g} s", "the same"),
        ("before a drive goes slower", f"{timers.SLOWER_AFTER_S:g} s", "none: full speed"),
        ("starts without proof of run, before it is given up", f"{timers.MOST_UNPROVEN}", "a new request tries again"),
    )
    yield ""
    yield f"Air at or below {Safety().freeze_c:g} °C counts as near freezing."


def _hands() -> Iterator[str]:
    longest = {kind: seconds / 3600 for kind, seconds in hands.LONGEST_S.items()}
    yield "## By hand"
    yield ""
    yield from _table(
        ("what", "shortest", "longest"),
        ("fan on", f"{hands.SHORTEST_S / 60:g} min", f"{longest[HandKind.ON]:g} h"),
        ("water on", f"{hands.SHORTEST_S / 60:g} min", f"{hands.LONGEST_WATER_S / 60:g} min"),
        ("anything off", f"{hands.SHORTEST_S / 60:g} min", f"{longest[HandKind.OFF]:g} h"),
        ("a horse being cooled at a place", f"{hands.SHORTEST_S / 60:g} min", f"{longest[HandKind.COOL_OUT]:g} h"),
    )


def _yes(holds: bool) -> str:
    return "yes" if holds else "no"


if __name__ == "__main__":
    PAGE.write_text(page())
    print(f"{PAGE.name} written", file=sys.stderr)
