"""Owns: the addresses that every server of ours has: its files, and the two signs of life.

Must not know: pages, what a server is for.
How it works: `not_ready` gives the sentence that says why not, or nothing. A file has its hash in its name, so a
browser may keep it for ever.
"""

from __future__ import annotations

from collections.abc import Callable

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import PlainTextResponse, Response

from dashboards.assets import Assets
from dashboards.problems import problem


def router(assets: Assets, not_ready: Callable[[], str]) -> APIRouter:
    """The routes. `not_ready` gives an empty text when all is well."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/static/{name}")
    async def static(name: str) -> Response:
        asset = assets.get(name)
        if asset is None:
            raise HTTPException(404)
        forever = {"Cache-Control": "public, max-age=31536000, immutable"}
        return Response(asset.body, media_type=asset.media_type, headers=forever)

    @routes.get("/livez")
    async def alive() -> Response:
        return PlainTextResponse("alive\n")

    @routes.get("/readyz")
    async def ready(request: Request) -> Response:
        if why := not_ready():
            return problem(request, 503, why, headers={"Retry-After": "5"})
        return PlainTextResponse("ready\n")

    return routes
