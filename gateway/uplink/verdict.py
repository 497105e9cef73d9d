"""Owns: what a far end said to a batch.

Must not know: who the far end is, what the batch was.
How it works: four outcomes; whoever sends maps what was answered to one of them, and the stream acts on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Outcome(Enum):
    """DELIVERED: proven. BAD: something in it is not taken. REFUSED: only a person can help. AWAY: may pass."""

    DELIVERED = "delivered"
    BAD = "bad"
    REFUSED = "refused"
    AWAY = "away"


class Restart(Enum):
    """Whether the far end was restarted since the last delivery; it may then have lost what it took last."""

    NO = "no"
    PERHAPS = "perhaps"
    SURE = "sure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """`wait_s` is how long the far end asked us to wait."""

    outcome: Outcome
    why: str = ""
    wait_s: float | None = None
    restarted: Restart = Restart.NO
