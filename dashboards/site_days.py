"""Owns: a day of each place as the site board has it, and whether the store gives it.

Must not know: HTTP, queries, which store.
How it works: `Days` is a protocol; the role brings one that asks a store. `Kept` asks it at most every `FRESH_S` for
one set of barns, in a thread, and keeps what came last. A store that does not answer takes the days away and says so;
nothing else of the board waits for it.
"""

from __future__ import annotations

import asyncio
import logging
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from gateway.errors import GatewayError

log = logging.getLogger(__name__)

DAY_S, STEP_S, FRESH_S, AWAY_S = 86_400.0, 900.0, 300.0, 30.0
MOST_KEPT = 16

Points = tuple[tuple[float, float], ...]
Found = Mapping[tuple[str, str], Points]  # by the name of the barn and of the place: wall time and sum


class Days(Protocol):
    def days(self, barns: Sequence[str], end_s: float) -> Found:
        """The day up to a moment, every STEP_S. Blocks. Raises GatewayError when the store does not give it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """What is known of the days of some barns, up to `end_s`."""

    found: Found
    end_s: float
    away: bool


NOTHING = Day(found={}, end_s=0.0, away=False)


class Kept:
    """Belongs to the event loop. `clock` gives monotonic seconds, `wall` our wall time, None while it is not set."""

    def __init__(self, days: Days | None, clock: Callable[[], float], wall: Callable[[], float | None]) -> None:
        self._days, self._clock, self._wall = days, clock, wall
        self._kept: OrderedDict[tuple[str, ...], tuple[float, Day]] = OrderedDict()
        self._asking = asyncio.Lock()

    def of(self, barns: Sequence[str]) -> Day:
        """What came last for these barns."""
        kept = self._kept.get(tuple(sorted(set(barns))))
        return kept[1] if kept else NOTHING

    async def refresh(self, barns: Sequence[str]) -> None:
        """Ask anew when that is due. Whoever comes meanwhile goes on with what there is."""
        key, wall_s = tuple(sorted(set(barns))), self._wall()
        kept = self._kept.get(key)
        due = kept is None or self._clock() - kept[0] >= (AWAY_S if kept[1].away else FRESH_S)
        if self._days is None or wall_s is None or not key or not due or self._asking.locked():
            return
        async with self._asking:
            try:
                found = await asyncio.to_thread(self._days.days, key, wall_s)
                day = Day(found=found, end_s=wall_s, away=False)
            except GatewayError as error:
                log.warning("a day of each place: %s", error)
                day = Day(found={}, end_s=wall_s, away=True)
            self._kept[key] = self._clock(), day
            self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
