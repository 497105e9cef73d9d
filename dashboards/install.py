"""Owns: what a phone needs to keep us on its first screen: the web app manifest.

Must not know: the barn, who asks.
How it works: the manifest of the W3C's "Web Application Manifest", with our signs under their hashed names. A browser
asks for it without a cookie, so it is there for everybody and names no barn.
"""

from __future__ import annotations

import json

from fastapi import APIRouter
from starlette.responses import Response

from dashboards.assets import Assets
from dashboards.boards import PAPER, Face

ICONS = (("icon-192.png", 192, "any"), ("icon-512.png", 512, "any"), ("icon-mask-512.png", 512, "maskable"))


def manifest(assets: Assets) -> dict[str, object]:
    """Its members."""
    return {
        "id": "/yard",
        "name": "Loosebox",
        "short_name": "Loosebox",
        "description": "What the heat lets horses do, at every place of the barn.",
        "lang": "en",
        "start_url": "/yard",
        "scope": "/",
        "display": "standalone",
        "background_color": PAPER[Face.DAY],
        "theme_color": PAPER[Face.DAY],
        "icons": [
            {"src": assets.url(name), "sizes": f"{side}x{side}", "type": "image/png", "purpose": purpose}
            for name, side, purpose in ICONS
        ],
    }


def router(assets: Assets) -> APIRouter:
    """Its address."""
    routes = APIRouter(include_in_schema=False)
    body = json.dumps(manifest(assets), ensure_ascii=False)

    @routes.get("/manifest.webmanifest")
    async def show() -> Response:
        return Response(body, media_type="application/manifest+json")

    return routes
