"""Owns: the newest snapshot, its age, and the waiting of everybody who wants the next one.

Must not know: where snapshots come from, HTTP, what a board looks like.
How it works: one asyncio event is replaced at every publish. A follower that is slow, or blocked by a client that
does not read, finds only the newest snapshot when it comes back: nothing is queued, so nothing grows.

    core ──publish──> newest ──wakes──> follower 1 ──> browser
                             └────────> follower 2 ──> browser
    stop ────────────────────wakes────> all, and all end
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

from gateway.engine.snapshot import Snapshot


class Live:
    """`publish`, `follow` and `stop` belong to one event loop. `clock` gives monotonic seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._newest: Snapshot | None = None
        self._heard_s: float | None = None
        self._changed = asyncio.Event()
        self._ended = asyncio.Event()

    def publish(self, snapshot: Snapshot) -> None:
        """Take a snapshot as the newest and wake all followers."""
        self._newest, self._heard_s = snapshot, self._clock()
        woken, self._changed = self._changed, asyncio.Event()
        woken.set()

    def current(self) -> Snapshot | None:
        """The newest snapshot, however old; None before the first."""
        return self._newest

    def age_s(self) -> float | None:
        """How long ago the newest snapshot came; None before the first."""
        return None if self._heard_s is None else self._clock() - self._heard_s

    def heard_within(self, limit_s: float) -> bool:
        """Whether the core was heard not longer ago than this."""
        age_s = self.age_s()
        return age_s is not None and age_s < limit_s

    async def follow(self, *, least_s: float, idle_s: float) -> AsyncIterator[Snapshot | None]:
        """The newest snapshot now, then each later one, at least `least_s` apart; None after `idle_s` of silence."""
        given: Snapshot | None = None
        while not self._ended.is_set():
            if self._newest is not given:
                given = self._newest
                yield given
                await _set_within(self._ended, least_s)
            elif not await _set_within(self._changed, idle_s) and not self._ended.is_set():
                yield None

    def stop(self) -> None:
        """End all followers now. Call it before the server is told to stop; there is no way back."""
        self._ended.set()
        self._changed.set()


async def _set_within(event: asyncio.Event, limit_s: float) -> bool:
    try:
        async with asyncio.timeout(limit_s):
            await event.wait()
    except TimeoutError:
        return False
    return True
