"""Owns: the web application: which parts it has and how they are put together.

Must not know: sockets, files of the core, how snapshots arrive.
How it works: `create_app` reads words and files once and fails at start when one is wrong. Whoever runs it feeds
`live` from the same event loop and calls `live.stop()` before the server is stopped, since open streams would
otherwise hold the server back. What only the web role can bring (people, the way to core, the past) comes in as
`Outside`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fastapi import APIRouter, FastAPI
from fastapi.middleware.gzip import GZipMiddleware

from dashboards import (
    alarms_api,
    api,
    bell,
    bell_desk,
    book,
    device_page,
    files,
    gateside,
    install,
    kit_page,
    pages,
    problems,
    sign_in,
    yard,
)
from dashboards.assets import Assets
from dashboards.bell_calls import Told
from dashboards.boards import Boards, Limits
from dashboards.by_hand import Ask
from dashboards.calls import Calls
from dashboards.door import Access, Door
from dashboards.headers import Guard
from dashboards.live import Live
from dashboards.past import FRESH_S, Past, Today
from dashboards.people import People, Sessions
from dashboards.rights import Rule
from dashboards.stage import Stage
from dashboards.tries import Tries
from dashboards.words import load_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """What the screens need of the world. `clock` gives monotonic seconds.

    `contacts` are the names of those who are called, `calls` tells what they were told; without it that is not shown.
    `more` are routes of other rooms; what they ask of a person stands in `rules`, else they are for keepers alone.
    """

    clock: Callable[[], float]
    people: People
    access: Access
    ask: Ask
    past: Past | None = None
    past_fresh_s: float = FRESH_S
    contacts: tuple[str, ...] = ()
    calls: Calls | None = None
    more: tuple[APIRouter, ...] = ()
    rules: tuple[Rule, ...] = ()


def create_app(live: Live, outside: Outside, limits: Limits | None = None) -> FastAPI:
    """The application. `limits` is for tests that cannot wait a minute; a barn keeps the default."""
    limits = limits or Limits()
    languages, assets = dict(load_words()), Assets()
    boards = Boards(live, languages, assets, limits)
    today = Today(outside.past, outside.clock, outside.past_fresh_s)
    stage = Stage(live=live, boards=boards, today=today, limits=limits)
    sessions, seats = Sessions(outside.people, outside.clock), pages.Seats(pages.STREAMS_AT_MOST)
    desk = sign_in.Desk(
        stage=stage, people=outside.people, sessions=sessions, tries=Tries(outside.clock), access=outside.access,
        languages=languages,
    )  # fmt: skip
    app = FastAPI(
        title="Loosebox",
        version="1",
        description="Heat load in a horse barn. Errors are application/problem+json (RFC 9457).",
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
    )
    problems.install(app)
    app.include_router(pages.router(live, boards, languages, limits, seats))

    def not_ready() -> str:
        heard = live.heard_within(limits.ready_within_s)
        return "" if heard else "The core was not heard lately. Is it running?"

    app.include_router(files.router(assets, not_ready))
    app.include_router(yard.router(yard.Yard(stage, languages), stage, languages, seats))
    app.include_router(book.router(book.Book(stage, outside.past), stage, languages))
    app.include_router(gateside.router(gateside.Gateside(stage), stage, languages, seats))
    app.include_router(kit_page.router(kit_page.KitPage(stage, languages), live, outside.ask, languages))
    bells = bell.BellPage(stage, Told(outside.calls, outside.clock), outside.contacts)
    app.include_router(bell.router(bells, languages, seats))
    app.include_router(bell_desk.router(bell_desk.BellDesk(bells, outside.ask, languages)))
    device = device_page.DevicePage(stage, languages, len(outside.contacts))
    app.include_router(device_page.router(device, stage, languages))
    app.include_router(install.router(assets))
    app.include_router(sign_in.router(desk))
    app.include_router(api.router(live, languages, limits))
    app.include_router(alarms_api.router(live, limits, outside.ask))
    for routes in outside.more:
        app.include_router(routes)
    app.add_middleware(Door, sessions=sessions, access=outside.access, more=(*alarms_api.RULES, *outside.rules))
    app.add_middleware(Guard)
    # Streams pass unpacked. No page of a session can be asked for from elsewhere (its cookie is strictly same-site), so
    # the length of a packed page tells nobody its form token.
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=6)
    return app
