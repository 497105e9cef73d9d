"""Owns: how often somebody may try to sign in.

Must not know: names, passphrases, HTTP.
How it works: each address and each name has a purse of tries that fills slowly; an empty one says how long to wait.
A right passphrase gives its try back. A flood from many addresses at one name empties the purse of the name, which is
also felt by its owner: a wait of seconds, never a lock.
"""

from __future__ import annotations

from collections.abc import Callable

PURSE = 5.0  # tries
FILL_S = 30.0  # seconds until one more
MOST_KEPT = 2000


class Tries:
    """`clock` gives monotonic seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._purses: dict[str, tuple[float, float]] = {}

    def take(self, *keys: str) -> float:
        """Take one try from each purse; gives 0, or the seconds to wait when one of them is empty."""
        now_s = self._clock()
        has = {key: self._has(key, now_s) for key in keys}
        poorest = min(has.values())
        if poorest < 1.0:
            return (1.0 - poorest) * FILL_S
        for key, tries in has.items():
            self._purses[key] = (tries - 1.0, now_s)
        if len(self._purses) > MOST_KEPT:
            self._purses = {key: kept for key, kept in self._purses.items() if self._has(key, now_s) < PURSE}
        return 0.0

    def give_back(self, *keys: str) -> None:
        """The try was a good one."""
        now_s = self._clock()
        for key in keys:
            self._purses[key] = (min(PURSE, self._has(key, now_s) + 1.0), now_s)

    def _has(self, key: str, now_s: float) -> float:
        tries, at_s = self._purses.get(key, (PURSE, now_s))
        return min(PURSE, tries + (now_s - at_s) / FILL_S)
