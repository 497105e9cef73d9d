"""Owns: what the alarm rules may look at: the barn as one step of the core sees it.

Must not know: how any of it was found out.
How it works: frozen values. What is not known is None, and a rule that needs it says `unsure`, which raises nothing
and ends nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.barn import Barn


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceFact:
    """One place. `level` None: unknown; `last_level` is the last that was known. `occupied`: horses are there."""

    level: int | None = None
    last_level: int | None = None
    occupied: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class KitFact:
    """One piece of kit. `hand_left_s` and `hand_lasts_s` while a person has it.

    `wanted` by demand or a person, `asked` after timers and interlocks. `unproven` counts the starts in a row that its
    proof of run did not confirm: between two tries it rests, and is not asked although it is wanted.
    """

    wanted: bool = False
    asked: bool = False
    unproven: int = 0
    switched_off: bool = False
    reason_codes: tuple[str, ...] = ()
    hand_left_s: float | None = None
    hand_lasts_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """The barn now.

    `troubles` are sentences by (subject, code), as the step finds them. `failing` are sensors whose newest read failed.
    `hand_places` are the seconds left of horses being cooled by hand. `up_s` is for how long this run has lasted,
    `test_age_s` how old the newest weekly test is (None: never), `known_for_s` for how long this gateway is known to
    have been in use.
    """

    barn: Barn
    places: Mapping[str, PlaceFact] = field(default_factory=dict)
    kit: Mapping[str, KitFact] = field(default_factory=dict)
    troubles: Mapping[tuple[str, str], str] = field(default_factory=dict)
    failing: frozenset[str] = frozenset()
    supply_v: float | None = None
    clock_trusted: bool = True
    up_s: float = 0.0
    test_age_s: float | None = None

    def has(self, subject: str, *codes: str) -> str:
        """The sentence of the first of these troubles that stands; empty when none does."""
        return next((text for code in codes if (text := self.troubles.get((subject, code), ""))), "")
