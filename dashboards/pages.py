"""Owns: the board that people look at, and its stream.

Must not know: what a board says, how it is drawn.
How it works: a page is drawn as true as the link is now. Its stream sends the board when it changed and a beat for
each step of the core. A beat is only ever sent right after the board that it vouches for, and never for an old
snapshot, so a browser that hears one may trust what it shows.
"""

from __future__ import annotations

from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.exceptions import RequestValidationError
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from dashboards.boards import Boards, Face, Limits, Look
from dashboards.device import board_path, device_of, renew
from dashboards.door import renew_wall
from dashboards.live import Live
from dashboards.problems import problem
from dashboards.words import Words

STREAMS_AT_MOST = 60

# At most one beat a second, even when an emulated barn runs fast; a comment when the core says nothing.
BEAT_LEAST_S = 1.0
IDLE_S = 10.0
RETRY = b"retry: 3000\n\n"
IDLE = b": waiting for the core\n\n"


class Seats:
    """Counts the streams that are open."""

    def __init__(self, at_most: int) -> None:
        self._free = at_most

    def take(self) -> bool:
        """Whether there was a free one; it is then taken."""
        if self._free <= 0:
            return False
        self._free -= 1
        return True

    def give_back(self) -> None:
        """One stream less."""
        self._free += 1


class BoardStream(StreamingResponse):
    """An event stream that gives its place back however it ends, even before its first byte."""

    def __init__(self, events: AsyncIterator[bytes], seats: Seats) -> None:
        super().__init__(events, media_type="text/event-stream", headers={"x-accel-buffering": "no"})
        self._seats = seats

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._seats.give_back()


def seated(
    request: Request, events: AsyncIterator[bytes], seats: Seats, full: str = "All places for live pages are taken."
) -> Response:
    """The stream of these events, or a problem that says `full` when every place is taken."""
    if not seats.take():
        return problem(request, 503, full, headers={"Retry-After": "10"})
    return BoardStream(events, seats)


async def board_events(live: Live, boards: Boards, look: Look, limits: Limits) -> AsyncIterator[bytes]:
    """The events of one client."""
    sent = ""
    yield RETRY
    async for snapshot in live.follow(least_s=BEAT_LEAST_S, idle_s=IDLE_S):
        if snapshot is None or not live.heard_within(limits.ready_within_s):
            yield IDLE
            continue
        frame = boards.frame(snapshot, look)
        beat = boards.beat(snapshot, look)
        yield beat if frame.id == sent else frame.event + beat
        sent = frame.id


def router(live: Live, boards: Boards, languages: dict[str, Words], limits: Limits, seats: Seats) -> APIRouter:
    """The way in, the board and its stream."""
    routes = APIRouter(include_in_schema=False)

    def look_of(lang: str | None, one: bool) -> Look:
        if lang is not None and lang not in languages:
            known = ", ".join(languages)
            raise RequestValidationError([{"loc": ("query", "lang"), "msg": f"Known languages: {known}"}])
        return Look(lang, one)

    @routes.get("/")
    async def start(request: Request) -> Response:
        snapshot = live.current()
        places = [place.name for place in snapshot.places] if snapshot else []
        return RedirectResponse(board_path(device_of(request, languages).board, places))

    @routes.get("/aisle")
    async def aisle(
        request: Request, lang: str | None = None, one: bool | None = None, face: Face | None = None
    ) -> Response:
        device = device_of(request, languages)
        look = look_of(device.lang if lang is None else lang, device.one if one is None else one)
        response = HTMLResponse(boards.page(look, face or device.face))
        renew_wall(request, response)
        if not {"lang", "one", "face"} & request.query_params.keys():  # an address that chooses is for this time only
            renew(request, response, device)
        return response

    @routes.get("/aisle/stream")
    async def stream(request: Request, lang: str | None = None, one: bool = False) -> Response:
        look = look_of(lang, one)
        full = f"All {STREAMS_AT_MOST} places for live boards are taken. Close one, or try again."
        return seated(request, board_events(live, boards, look, limits), seats, full)

    return routes
