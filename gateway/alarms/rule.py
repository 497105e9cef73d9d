"""Owns: what a rule is, and what it may find.

Must not know: which rules there are.
How it works: a rule is data and one pure function that walks over the facts. It is told which alarms stand, so that a
limit can have a dead band and a finding can name the alarm that explains it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from gateway.alarms.facts import Facts
from gateway.model import Priority

Standing = Callable[[str], bool]  # of a key RULE:SUBJECT


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The condition holds for a subject now. `unsure`: nobody can tell; what stands goes on standing.

    `causes` are keys of alarms of which any, when it stands, explains this one. `text` is for the journal.
    """

    subject: str
    priority: Priority
    text: str = ""
    causes: tuple[str, ...] = ()
    unsure: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row of the table.

    The condition must hold for `on_s` to raise, and be gone for `off_s` to return. `again_s`: an acknowledged alarm
    that still stands calls again after this; 0: never. `stays`: when it returns unacknowledged it waits to be read.
    `horse`: about a horse, not about kit. `dead_band` and `reason` are for the handbook: why it is an alarm at all,
    and why with these delays.
    """

    code: str
    priority: Priority
    on_s: float
    off_s: float
    again_s: float
    stays: bool
    horse: bool
    dead_band: str
    reason: str
    find: Callable[[Facts, Standing], Iterator[Finding]]


def key_of(rule: Rule, subject: str) -> str:
    """The name of an alarm."""
    return f"{rule.code}:{subject}"
