"""Owns: the web application of the site board: which parts it has and how they are put together.

Must not know: brokers, stores, sockets, how messages arrive.
How it works: signing in, people, the door and the headers are those of a barn's pages; the board is its own. No
snapshot ever comes here, so what draws with one finds none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fastapi import FastAPI
from fastapi.middleware.gzip import GZipMiddleware

from dashboards import files, install, pages, problems, sign_in, site_page
from dashboards.assets import Assets
from dashboards.boards import Boards, Limits
from dashboards.door import Access, Door
from dashboards.headers import Guard
from dashboards.live import Live
from dashboards.past import Today
from dashboards.people import People, Sessions
from dashboards.rights import Right, Rule
from dashboards.site_days import Days, Kept
from dashboards.site_page import Organisation
from dashboards.site_watch import Watch
from dashboards.stage import Stage
from dashboards.tries import Tries
from dashboards.words import load_words

RULES: tuple[Rule, ...] = (("GET", "/site", Right.VIEWER), ("GET", "/site/stream", Right.VIEWER))


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOutside:
    """What the site board needs of the world. `clock` gives monotonic seconds."""

    clock: Callable[[], float]
    organisation: Organisation
    people: People
    access: Access
    days: Days | None = None


def create_site_app(watch: Watch, outside: SiteOutside, limits: Limits | None = None) -> FastAPI:
    """The application. `limits` is for tests that cannot wait a minute."""
    limits = limits or Limits()
    languages, assets, live = dict(load_words()), Assets(), Live(outside.clock)
    boards = Boards(live, languages, assets, limits)
    boards.templates.globals["links"] = (("/site", "to_site"),)
    stage = Stage(
        live=live, boards=boards, today=Today(None, outside.clock), limits=limits, house=outside.organisation.name
    )
    desk = sign_in.Desk(
        stage=stage, people=outside.people, sessions=(sessions := Sessions(outside.people, outside.clock)),
        tries=Tries(outside.clock), access=outside.access, languages=languages,
    )  # fmt: skip
    days = Kept(outside.days, outside.clock, watch.wall)
    page = site_page.SitePage(outside.organisation, watch, days, boards.templates, assets, languages, limits)
    app = FastAPI(title="Loosebox site board", version="1", openapi_url=None, docs_url=None, redoc_url=None)
    problems.install(app)
    app.include_router(site_page.router(page, languages, pages.Seats(pages.STREAMS_AT_MOST)))

    def not_ready() -> str:
        heard = watch.silent_s() < limits.ready_within_s and watch.current().up
        return "" if heard else "The broker is not reached."

    app.include_router(files.router(assets, not_ready))
    app.include_router(install.router(assets))
    app.include_router(sign_in.router(desk))
    app.add_middleware(Door, sessions=sessions, access=outside.access, more=RULES)
    app.add_middleware(Guard)
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=6)  # as in `app.py`
    return app
