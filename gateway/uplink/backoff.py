"""Owns: how long to leave a far end alone after a failure.

Must not know: what failed, clocks, sleeping.
How it works: the pause doubles from `first_s` up to `longest_s` and falls back when something has worked. Each pause is
shortened by chance to between half of it and the whole, so that the gateways of a region do not come back at once.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long we wait for a far end, and between tries. `hold_s` is after a refusal: only a person can change that.

    A far end that has fallen silent is noticed within 2 times `keepalive_s`. Our own thread has hung when it has not
    shown itself for `hung_s`: resolving a name, connecting and a handshake together may rightly take half of it.
    """

    first_s: float = 1.0
    longest_s: float = 30.0
    hold_s: float = 60.0
    connect_s: float = 10.0
    keepalive_s: int = 15
    hung_s: float = 60.0


class Backoff:
    """The pauses of one far end."""

    def __init__(self, patience: Patience, chance: Callable[[], float] = random.random) -> None:
        self._patience, self._chance = patience, chance
        self._next_s = patience.first_s

    def failed(self) -> float:
        """How long to wait now."""
        pause_s, self._next_s = self._next_s, min(2 * self._next_s, self._patience.longest_s)
        return pause_s * (0.5 + 0.5 * self._chance())

    def refused(self) -> float:
        """How long to wait after a refusal; a little longer by chance, never shorter."""
        return self._patience.hold_s * (1.0 + 0.2 * self._chance())

    def worked(self) -> None:
        self._next_s = self._patience.first_s
