"""Owns: the site board's now: the roster as it was at the last beat, how the broker stands, and the wait for the next.

Must not know: HTTP, what a page says, sockets.
How it works: whoever runs it calls `take` with what was heard and `beat` once a second, from one event loop. A beat
sorts all barns once for everybody. Viewers wait for the next beat; one that is slow finds only the newest.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass

from dashboards.roster import BarnNow, Roster


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A message as it came. `wall_s` is our own wall time then, None while it is not trusted."""

    topic: str
    payload: bytes
    retained: bool
    heard_s: float
    wall_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """One beat. `since_wall_s` is when the broker was lost, None when it never was reached or our clock is not set."""

    beats: int
    at_s: float
    wall_s: float | None
    barns: tuple[BarnNow, ...]
    heard_s: float | None
    up: bool
    ever_up: bool
    since_wall_s: float | None
    too_many: bool


class Watch:
    """Belongs to one event loop. `clock` gives monotonic seconds, `wall` our wall time, None while it is not set."""

    def __init__(self, roster: Roster, clock: Callable[[], float], wall: Callable[[], float | None]) -> None:
        self.clock, self.wall = clock, wall
        self._roster = roster
        self._heard_s: float | None = None
        self._up, self._ever_up, self._since_wall_s = False, False, wall()
        self._changed, self._ended = asyncio.Event(), asyncio.Event()
        self._now = self._make(0)

    def take(self, heard: Iterable[Heard]) -> None:
        for one in heard:
            self._heard_s = one.heard_s
            self._roster.hear(
                one.topic, one.payload, retained=one.retained, heard_s=one.heard_s, wall_s=one.wall_s
            )  # fmt: skip

    def broker(self, up: bool) -> None:
        """The broker has been reached, or lost."""
        if self._up and not up:
            self._since_wall_s = self.wall()
        self._up, self._ever_up = up, self._ever_up or up

    def beat(self) -> None:
        """Once a second: make the next now and wake everybody."""
        self._now = self._make(self._now.beats + 1)
        woken, self._changed = self._changed, asyncio.Event()
        woken.set()

    def current(self) -> Now:
        return self._now

    def silent_s(self) -> float:
        """How long ago the last beat was."""
        return max(0.0, self.clock() - self._now.at_s)

    async def follow(self, idle_s: float) -> AsyncIterator[Now | None]:
        """This beat and each later one; None after `idle_s` without any."""
        yield self._now
        while not self._ended.is_set():
            try:
                async with asyncio.timeout(idle_s):
                    await self._changed.wait()
            except TimeoutError:
                yield None
            else:
                if not self._ended.is_set():
                    yield self._now

    def stop(self) -> None:
        """End all followers now; there is no way back."""
        self._ended.set()
        self._changed.set()

    def _make(self, beats: int) -> Now:
        now_s = self.clock()
        return Now(
            beats=beats,
            at_s=now_s,
            wall_s=self.wall(),
            barns=self._roster.barns(now_s),
            heard_s=self._heard_s,
            up=self._up,
            ever_up=self._ever_up,
            since_wall_s=self._since_wall_s if self._ever_up else None,
            too_many=self._roster.turned_away > 0,
        )
