"""Owns: the door: every request passes here, and only what its sender may do goes on.

Must not know: pages, passphrases, files.
How it works: pure ASGI. In this order: the Host must be ours (a foreign name that points here is a trick of a web
page somewhere), a change must come over TLS or from this machine, a change by cookie must come from our own page,
and the right must do. Who it is goes on in `scope["state"]["who"]`. A browser that may not look is shown where to
sign in; a program gets a problem document.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboards.people import Sessions
from dashboards.problems import problem
from dashboards.rights import Right, Rule, Who, allowed, needed
from gateway.errors import GatewayError

log = logging.getLogger(__name__)

COOKIE = "loosebox"
SAFE_COOKIE = "__Host-loosebox"  # a browser takes this name over TLS only, and from no neighbour
READS = ("GET", "HEAD", "OPTIONS")
WALL_S = 400 * 24 * 3600  # as long as browsers keep a cookie at all


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """What the site file says of access. `hosts` are the names under which browsers may call beside addresses.

    `fingerprint` is that of the certificate, for the page where people sign in; empty without TLS.
    """

    open_to_read: bool
    hosts: frozenset[str] = frozenset()
    fingerprint: str = ""


class Door:
    """Wraps the app."""

    def __init__(self, app: ASGIApp, sessions: Sessions, access: Access, more: tuple[Rule, ...] = ()) -> None:
        self._app, self._sessions, self._access, self._more = app, sessions, access, more

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        refused = self._refused(scope)
        await (refused or self._app)(scope, receive, send)

    def _refused(self, scope: Scope) -> Response | None:
        request, headers = Request(scope), Headers(scope=scope)
        method, path = scope["method"], scope["path"]
        if not _is_ours(headers.get("host", ""), self._access.hosts):
            return problem(request, 421, "This name is not in [web] hosts of the site file.")
        who = self._who(request)
        scope.setdefault("state", {})["who"] = who
        if method not in READS and not is_private(scope):
            return problem(request, 403, "Nothing is changed over plain HTTP. Use https, or the board itself.")
        if method not in READS and not who.by_key and not _from_our_page(scope, headers):
            return problem(request, 403, "This did not come from a page of this gateway.")
        return None if allowed(who, method, path, self._more) else self._turned_away(request, who)

    def _who(self, request: Request) -> Who:
        """Whoever it is. When the list of people cannot be read nobody is anybody, but what is open stays open."""
        try:
            return self._known(request)
        except GatewayError as error:
            log.error("nobody can sign in: %s", error)
            return self._anyone()

    def _anyone(self) -> Who:
        return Who(right=Right.VIEWER if self._access.open_to_read else Right.NOBODY)

    def _known(self, request: Request) -> Who:
        scheme, _, secret = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return self._sessions.machine(secret.strip()) or Who()
        known = self._sessions.who(request.cookies.get(cookie_name(request.scope), ""))
        return known or self._anyone()

    def _turned_away(self, request: Request, who: Who) -> Response:
        if who.name:
            right = needed(request.method, request.url.path, self._more)
            return problem(request, 403, f"{who.name} may not do this; it takes the right {right.word}.")
        if wants_page(request):
            back = quote(request.url.path, safe="/") if request.method == "GET" else "/yard"
            return RedirectResponse(f"/sign-in?to={back}", 303)
        return problem(request, 401, "Sign in, or bring a key.", headers={"WWW-Authenticate": "Bearer"})


def wants_page(request: Request) -> bool:
    """Whether a person with a browser asks, not a program."""
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")


def is_private(scope: Scope) -> bool:
    """Whether nobody on the network can read along: TLS, or a sender on this machine."""
    client = scope.get("client")
    return scope["scheme"] == "https" or (client is not None and _loopback(client[0]))


def cookie_name(scope: Scope) -> str:
    return SAFE_COOKIE if scope["scheme"] == "https" else COOKIE


def give_cookie(response: Response, scope: Scope, secret: str, lasts_s: float) -> None:
    """Set our cookie: for scripts unseen, never sent along from a foreign page, over TLS only where there is TLS."""
    response.set_cookie(
        cookie_name(scope), secret, max_age=int(lasts_s), httponly=True, samesite="strict",
        secure=scope["scheme"] == "https",
    )  # fmt: skip


def renew_wall(request: Request, response: Response) -> None:
    """A wall that is looked at keeps its cookie: else it would go dark in its second summer."""
    if request.state.who.scope == "wall":
        give_cookie(response, request.scope, request.cookies[cookie_name(request.scope)], WALL_S)


def take_cookie(response: Response, scope: Scope) -> None:
    """Have the browser forget it."""
    response.delete_cookie(
        cookie_name(scope), httponly=True, samesite="strict", secure=scope["scheme"] == "https"
    )  # fmt: skip


def _is_ours(host: str, names: frozenset[str]) -> bool:
    """An address is always ours: only a name can be made to point here by a stranger."""
    try:
        name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
    except ValueError:
        return False
    if name == "localhost" or name in names:
        return True
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _from_our_page(scope: Scope, headers: Headers) -> bool:
    return headers.get("origin", "") == f"{scope['scheme']}://{headers.get('host', '')}"


def _loopback(address: str) -> bool:
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False
