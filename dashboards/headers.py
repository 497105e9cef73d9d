"""Owns: the headers on every response, and HEAD for every page.

Must not know: routes, bodies.
How it works: pure ASGI, so streams pass through untouched. A response that names no caching of its own is not to
be kept: what a board says is old at once. HEAD is asked of the routes as GET; the server leaves the body out.
"""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "content-security-policy": (
        "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'; "
        "manifest-src 'self'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Wraps the app. Does not touch what is not HTTP."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        head = scope["method"] == "HEAD" and not scope["path"].endswith("/stream")
        await self._app({**scope, "method": "GET"} if head else scope, receive, guarded)
