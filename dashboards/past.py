"""Owns: what the screens ask of the past, and today's past kept ready for pages that are drawn often.

Must not know: files, SQL, formulas.
How it works: `Past` is a protocol; the web role brings one that reads the history. It blocks, so it is asked in a
thread, at most once in `FRESH_S` for all who watch. Without a history pages say less, and never guess.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Protocol

from dashboards.clock_text import local_of, zone_of
from gateway.engine.snapshot import Snapshot
from gateway.errors import GatewayError

log = logging.getLogger(__name__)

FRESH_S = 30.0
STEP_S = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AirPoint:
    """The air of a place, the mean of one step that begins at `wall_s`. `carries` by pace."""

    wall_s: float
    temp_c: float
    rh_pct: float
    sum_f_pct: float
    carries: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Something that held from a time to a time. `what` is its value, `by` who wanted it."""

    begin_s: float
    end_s: float
    what: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceDay:
    """A place over a span. A step without a reading has no point: gaps stay gaps. A level of "" is unknown.

    `cut`: so much changed that levels, kit and hands are known of the newest part only.
    """

    begin_s: float
    end_s: float
    air: tuple[AirPoint, ...] = ()
    levels: tuple[Stretch, ...] = ()
    kit: Mapping[str, tuple[Stretch, ...]] = field(default_factory=dict)
    hands: Mapping[str, tuple[Stretch, ...]] = field(default_factory=dict)
    cut: bool = False


class Past(Protocol):
    def days(self, begin_s: float, end_s: float, step_s: float) -> Mapping[str, PlaceDay]:
        """Every place over a span of wall time. Blocks. Raises GatewayError when the history cannot be read."""
        ...


class Today:
    """Belongs to the event loop. `clock` gives monotonic seconds."""

    def __init__(self, past: Past | None, clock: Callable[[], float], fresh_s: float = FRESH_S) -> None:
        self._past, self._clock, self._fresh_s = past, clock, fresh_s
        self._days: Mapping[str, PlaceDay] = {}
        self._asked_s: float | None = None
        self._asking = asyncio.Lock()

    async def refresh(self, snapshot: Snapshot | None) -> None:
        """Bring today's past up to date when it is old. Whoever comes meanwhile goes on with what there is."""
        old = self._asked_s is None or self._clock() - self._asked_s >= self._fresh_s
        if self._past is None or snapshot is None or not snapshot.clock_trusted or not old or self._asking.locked():
            return
        span = day_span(snapshot.wall_s, snapshot.zone)
        if span is None:
            return
        async with self._asking:
            try:
                self._days = await asyncio.to_thread(self._past.days, span[0], snapshot.wall_s, STEP_S)
            except GatewayError as error:
                self._days = {}
                log.warning("today's past: %s", error)
            self._asked_s = self._clock()

    def of(self, place: str) -> PlaceDay | None:
        """Today of a place, as far as it is known."""
        return self._days.get(place)


def day_span(wall_s: float, zone: str) -> tuple[float, float] | None:
    """The local day around a moment: its begin and end [Unix s]; 23 or 25 hours when the clock changes."""
    local, where = local_of(wall_s, zone), zone_of(zone)
    if local is None or where is None:
        return None
    begin = datetime(local.year, local.month, local.day, tzinfo=where)
    after = local.date() + timedelta(days=1)
    end = datetime(after.year, after.month, after.day, tzinfo=where)
    return begin.timestamp(), end.timestamp()


def worst_point(points: Sequence[AirPoint]) -> AirPoint | None:
    """The first with the highest sum."""
    return max(points, key=lambda point: point.sum_f_pct, default=None)
