"""Owns: the order in which the history goes to one destination, and what follows from each answer.

Must not know: the history's file, the destination's protocol, threads.
How it works: `turn` does one batch and says how long to wait before the next. The history is the outbox: what is to be
sent is read by cursor, and the cursor moves when the destination has proven that it took the batch.

    events first, then the live lane, then the oldest lane of the backlog; the live lane is looked at every LIVE_EVERY_S
    live lane more than a batch behind  -> all before now becomes a backlog lane, the live lane begins now
    delivered   cursor moves; the next batch may be twice as large
    bad         half the batch; a batch of one goes to the dead letters, unless MOST_DEAD before it went there too
    refused     hold, say so, try once a minute
    away        back off; when it comes back it may have forgotten: the cursor goes back by a minute
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Any, Protocol

from gateway.errors import GatewayError
from gateway.model import Event
from gateway.uplink.backoff import Backoff, Patience
from gateway.uplink.ledger import Course, Cursor, Lane, Ledger
from gateway.uplink.lines import Place, Row
from gateway.uplink.verdict import Outcome, Restart, Verdict

log = logging.getLogger(__name__)

LIVE_EVERY_S = 2.0
COUNT_EVERY_S = 15.0
MOST_LANES = 8
MOST_DEAD = 100
UNSURE_WAIT_S = 24 * 3600.0
RESTARTS_APART_S = 300.0
WAITS = -1  # a row whose time is not known yet
_SURE = itemgetter(5)


class Outbox(Protocol):
    """The history, read by cursor."""

    def channels(self) -> Mapping[int, Place]: ...

    def page(self, cursor: Cursor, limit: int, until: Cursor | None = None) -> tuple[Sequence[Row], Cursor]: ...

    def newest(self) -> Cursor: ...

    def pending(self, cursor: Cursor, until: Cursor | None = None) -> int: ...

    def events_after(self, number: int, limit: int) -> Sequence[tuple[int, Event]]: ...


class Destination(Protocol):
    """Where it goes. `forgets`: what it acknowledged in its last minute may be lost when it is restarted."""

    name: str
    batch: int
    forgets: bool

    def readings(self, rows: Sequence[Row], channels: Mapping[int, Place]) -> Sequence[Any]: ...

    def event(self, event: Event) -> Any: ...

    def deliver(self, parts: Sequence[Any]) -> Verdict: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a stream does. `behind_s` is for how long it has not been at the end of the history."""

    name: str
    state: str
    why: str
    pending: int
    behind_s: float
    lanes: int
    readings: int
    events: int
    dead: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    cursor: Cursor
    until: Cursor | None
    limit: int
    rows: Sequence[Row]
    parts: Sequence[Any]
    end: Cursor
    held: bool  # the next row waits for its time


class Stream:
    """Used by one thread; `standing` by any."""

    def __init__(
        self,
        outbox: Outbox,
        ledger: Ledger,
        to: Destination,
        *,
        clock: Callable[[], float],
        mono_s: Callable[[], float],
        patience: Patience | None = None,
    ) -> None:
        self._outbox, self._ledger, self._to = outbox, ledger, to
        self._clock, self._mono_s = clock, mono_s
        self._backoff = Backoff(patience or Patience(longest_s=60.0))
        self._limit = to.batch
        self._ahead: Future[_Page] | None = None
        self._reader = ThreadPoolExecutor(1, thread_name_prefix=f"{to.name}-reader")
        self._channels: Mapping[int, Place] = {}
        self._not_before_s = self._live_s = self._counted_s = self._restart_s = float("-inf")
        self._level_s = clock()  # when the live lane was last found empty
        self._dead_in_a_row = 0
        self._pending = 0
        self._state, self._why = "starting", ""
        if to.forgets:
            ledger.rewind(to.name)

    def turn(self) -> float:
        """One batch, if one is due. Returns how long to wait before the next turn. Never raises."""
        now_s = self._clock()
        if now_s < self._not_before_s:
            return self._not_before_s - now_s
        try:
            wait_s = self._one(now_s)
            self._count(now_s)
            if wait_s > 0:
                self._ledger.save()
            return wait_s
        except GatewayError as error:  # the history or the ledger
            return self._pause("stopped", str(error), self._backoff.failed())
        except Exception as error:  # the line to the broker, which kit hangs on, must not end by a defect here
            log.exception("%s: defect", self._to.name)
            return self._pause("stopped", f"defect: {error!r}", self._backoff.refused())

    def standing(self) -> Standing:
        """As of the last turn."""
        course = self._ledger.course(self._to.name)
        return Standing(
            name=self._to.name,
            state=self._state,
            why=self._why,
            pending=self._pending,
            behind_s=max(0.0, self._clock() - self._level_s),
            lanes=len(course.lanes),
            readings=course.readings,
            events=course.events,
            dead=course.dead,
        )

    def close(self) -> None:
        """Idempotent, never raises. What was delivered is noted, if the disk takes it; else it is sent again."""
        self._reader.shutdown(wait=True, cancel_futures=True)
        self._to.close()
        try:
            self._ledger.save()
        except GatewayError as error:
            log.warning("%s", error)

    # --- one batch

    def _one(self, now_s: float) -> float:
        course = self._ledger.course(self._to.name)
        if now_s - self._live_s >= LIVE_EVERY_S or len(course.lanes) == 1:
            if events := self._outbox.events_after(course.event, self._limit):
                return self._send_events(course, events)
            page = self._read(course.live, self._limit)
            if len(page.rows) >= self._to.batch and len(course.lanes) < MOST_LANES:
                self._ledger.advance(self._to.name, self._split(course))
                return 0.0
            if len(page.rows) < self._limit:
                self._live_s = now_s
            if page.rows or page.end != course.live.at:
                return self._send(course, page, len(course.lanes) - 1)
            self._at_the_end(page, now_s, alone=len(course.lanes) == 1)
        if len(course.lanes) == 1:
            return LIVE_EVERY_S
        return self._send_backlog(course)

    def _at_the_end(self, page: _Page, now_s: float, *, alone: bool) -> None:
        if page.held:
            self._state, self._why = "waiting", "the clock is not set yet; readings wait for their time"
            return
        self._level_s = now_s
        if alone:
            self._pending = 0
            self._all_well()

    def _send_backlog(self, course: Course) -> float:
        page = self._fetched(course.lanes[0])
        if page.rows or page.end != course.lanes[0].at:
            return self._send(course, page, 0)
        if page.held:
            return LIVE_EVERY_S
        self._ledger.advance(self._to.name, replace(course, lanes=course.lanes[1:]))
        return 0.0

    def _split(self, course: Course) -> Course:
        newest = self._outbox.newest()
        lane = replace(course.live, until=newest)
        return replace(course, lanes=(*course.lanes[:-1], lane, Lane(at=newest)))

    def _fetched(self, lane: Lane) -> _Page:
        """The page of a backlog lane, which was read while the last one was on its way; and begin to read the next."""
        ahead, self._ahead = self._ahead, None
        page = ahead.result() if ahead else None
        if page is None or (page.cursor, page.until, page.limit) != (lane.at, lane.until, self._limit):
            page = self._read(lane, self._limit)
        if page.rows and self._limit == self._to.batch:
            self._ahead = self._reader.submit(self._read, Lane(at=page.end, until=lane.until), self._limit)
        return page

    def _read(self, lane: Lane, limit: int) -> _Page:
        rows, end = self._outbox.page(lane.at, limit, lane.until)
        waiting = None
        if WAITS in map(_SURE, rows):  # seldom; and a page is large
            waiting = next((number for number, row in enumerate(rows) if self._waits(row)), None)
        if waiting is not None:
            rows, end = self._outbox.page(lane.at, waiting, lane.until) if waiting else ([], lane.at)
        if not {row[0] for row in rows} <= self._channels.keys():
            self._channels = self._outbox.channels()
        parts = self._to.readings(rows, self._channels)
        held = waiting == 0
        return _Page(cursor=lane.at, until=lane.until, limit=limit, rows=rows, parts=parts, end=end, held=held)

    def _waits(self, row: Row) -> bool:
        """A row of this boot whose wall time may still be settled."""
        return row[5] == WAITS and self._mono_s() - row[1] / 1000 < UNSURE_WAIT_S

    def _send(self, course: Course, page: _Page, number: int) -> float:
        lanes = list(course.lanes)
        lanes[number] = replace(lanes[number], at=page.end)
        after = replace(course, lanes=tuple(lanes), readings=course.readings + len(page.rows))
        if not page.rows:  # rows that came late are listed, and were sent in their order
            self._ledger.advance(self._to.name, after)
            return 0.0
        return self._deliver(page.parts, course, after)

    def _send_events(self, course: Course, events: Sequence[tuple[int, Event]]) -> float:
        parts = [self._to.event(event) for _, event in events]
        after = replace(course, event=events[-1][0], events=course.events + len(events))
        return self._deliver(parts, course, after)

    # --- what follows from the answer

    def _deliver(self, parts: Sequence[Any], before: Course, after: Course) -> float:
        verdict = self._to.deliver(parts)
        if verdict.outcome is Outcome.DELIVERED:
            return self._delivered(verdict, after)
        if verdict.outcome is Outcome.BAD:
            return self._bad(parts, verdict.why, before, after)
        if verdict.outcome is Outcome.REFUSED:
            return self._pause("refused", verdict.why, self._backoff.refused())
        return self._pause("away", verdict.why, max(self._backoff.failed(), verdict.wait_s or 0.0))

    def _delivered(self, verdict: Verdict, after: Course) -> float:
        self._dead_in_a_row = 0
        self._limit = min(2 * self._limit, self._to.batch)
        self._backoff.worked()
        if self._to.forgets and self._may_have_forgotten(verdict):
            self._restart_s = self._clock()
            self._ledger.rewind(self._to.name)
            log.info("%s: may have been restarted; its last minute is sent again", self._to.name)
        else:
            self._ledger.advance(self._to.name, after, hurry=len(after.lanes) == 1)
        self._all_well()
        return 0.0

    def _may_have_forgotten(self, verdict: Verdict) -> bool:
        """Not each lost connection: on a line that drops all the time we would never come forward."""
        apart = self._clock() - self._restart_s > RESTARTS_APART_S
        return verdict.restarted is Restart.SURE or (verdict.restarted is Restart.PERHAPS and apart)

    def _bad(self, parts: Sequence[Any], why: str, before: Course, after: Course) -> float:
        if len(parts) > 1:
            self._limit = max(1, len(parts) // 2)
            return 0.0
        if self._dead_in_a_row >= MOST_DEAD:
            return self._pause("refused", f"takes nothing any more: {why}", self._backoff.refused())
        self._dead_in_a_row += 1
        log.warning("%s does not take %s: %s", self._to.name, parts[0], why)
        self._ledger.bury(self._to.name, str(parts[0]), why)
        buried = replace(after, readings=before.readings, events=before.events, dead=before.dead + 1)
        self._ledger.advance(self._to.name, buried)
        return 0.0

    def _pause(self, state: str, why: str, pause_s: float) -> float:
        if (state, why) != (self._state, self._why):
            log.warning("%s: %s: %s", self._to.name, state, why)
        self._state, self._why = state, why
        self._not_before_s = self._clock() + pause_s
        return pause_s

    def _all_well(self) -> None:
        if self._state != "ok":
            log.info("%s: takes the history", self._to.name)
        self._state, self._why = "ok", ""

    def _count(self, now_s: float) -> None:
        if now_s - self._counted_s >= COUNT_EVERY_S:
            self._counted_s = now_s
            self._pending = sum(self._outbox.pending(*lane) for lane in self._lanes())

    def _lanes(self) -> Iterator[tuple[Cursor, Cursor | None]]:
        return ((lane.at, lane.until) for lane in self._ledger.course(self._to.name).lanes)
