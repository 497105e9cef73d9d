"""Owns: the web application: which parts it has and how they are put together.

Must not know: sockets, files of the core, how snapshots arrive.
How it works: `create_app` reads words and files once and fails at start when one is wrong. Whoever runs it feeds
`live` from the same event loop and calls `live.stop()` before the server is stopped, since open streams would
otherwise hold the server back.
"""

from __future__ import annotations

from fastapi import FastAPI

from dashboards import api, pages, problems
from dashboards.assets import Assets
from dashboards.boards import Boards, Limits
from dashboards.headers import Guard
from dashboards.live import Live
from dashboards.words import load_words


def create_app(live: Live, limits: Limits | None = None) -> FastAPI:
    """The application. `limits` is for tests that cannot wait a minute; a barn keeps the default."""
    limits = limits or Limits()
    languages, assets = dict(load_words()), Assets()
    boards = Boards(live, languages, assets, limits)
    app = FastAPI(
        title="Loosebox",
        version="1",
        description="Heat load in a horse barn, read-only. Errors are application/problem+json (RFC 9457).",
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
    )
    problems.install(app)
    app.include_router(pages.router(live, boards, languages, assets, limits))
    app.include_router(api.router(live, languages, limits))
    app.add_middleware(Guard)
    return app
