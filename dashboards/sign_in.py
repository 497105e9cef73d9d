"""Owns: signing in and out, pairing a wall, and the page of people for keepers.

Must not know: hashes, files, which page needs which right.
How it works: a try is taken from the purses of the address and of the name before anything is checked, and the slow
check runs in a thread. The cookie holds a random secret and nothing else. A new session has a new secret, so nobody
can prepare one for somebody else.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.boards import Look
from dashboards.device import device_of, remember
from dashboards.door import WALL_S, Access, cookie_name, give_cookie, take_cookie
from dashboards.forms import form_of
from dashboards.people import LONGEST_S, People, Sessions
from dashboards.problems import problem
from dashboards.rights import GIVEN
from dashboards.stage import Stage
from dashboards.tries import Tries
from dashboards.words import Words
from gateway.errors import GatewayError

BACK_TO = ("/yard", "/aisle", "/gateside", "/book", "/people", "/device")


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What signing in needs."""

    stage: Stage
    people: People
    sessions: Sessions
    tries: Tries
    access: Access
    languages: Mapping[str, Words]

    def page(self, request: Request, template: str, *, status: int = 200, **facts: Any) -> Response:
        device = device_of(request, self.languages)
        frame, snapshot = self.stage.frame(Look(device.lang, True)), self.stage.live.current()
        html = self.stage.boards.templates.get_template(template).render(
            **{"message": "", **frame, **facts}, device=device, who=request.state.who, units=False,
            barn=snapshot.barn if snapshot else self.stage.house, fingerprint=self.access.fingerprint,
        )  # fmt: skip
        response = HTMLResponse(html, status)
        remember(request, response, device)
        return response

    def words(self, request: Request) -> Words:
        return self.stage.boards.texts(Look(device_of(request, self.languages).lang, True))[0]

    def wait_page(self, request: Request, template: str, wait_s: float, **facts: Any) -> Response:
        text = self.words(request).sign["wait"].format(n=int(wait_s) + 1)
        response = self.page(request, template, status=429, message=text, **facts)
        response.headers["retry-after"] = str(int(wait_s) + 1)
        return response


def back_to(path: str) -> str:
    """Where to go after signing in: only to a page of ours."""
    if path.startswith("/bell"):  # what is done there starts from the list
        return "/bell"
    ours = path in BACK_TO or (path.startswith("/kit/") and "//" not in path and "\\" not in path)
    return path if ours else "/yard"


def router(desk: Desk) -> APIRouter:
    """The addresses."""
    routes = APIRouter(include_in_schema=False)
    _add_sign_in(routes, desk)
    _add_pair(routes, desk)
    _add_people(routes, desk)
    return routes


def _add_sign_in(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/sign-in")
    async def show(request: Request) -> Response:
        to = back_to(request.query_params.get("to", ""))
        return desk.page(request, "sign_in.html", to=to, nobody=not desk.people.persons())

    @routes.post("/sign-in")
    async def enter(request: Request) -> Response:
        form = await form_of(request)
        name, to = " ".join(form.get("name", "").split())[:80], back_to(form.get("to", ""))
        purses = (f"from {_address(request)}", f"as {name.casefold()}")
        if wait_s := desk.tries.take(*purses):
            return desk.wait_page(request, "sign_in.html", wait_s, to=to, nobody=False)
        kept = await asyncio.to_thread(desk.people.check, name, form.get("passphrase", "")[:400])
        if kept is None:
            text = desk.words(request).sign["wrong"]
            return desk.page(request, "sign_in.html", status=403, message=text, to=to, nobody=False)
        desk.tries.give_back(*purses)
        response = RedirectResponse(to, 303)
        give_cookie(response, request.scope, desk.sessions.begin(kept), LONGEST_S)
        return response

    @routes.post("/sign-out")
    async def leave(request: Request) -> Response:
        desk.sessions.end(request.cookies.get(cookie_name(request.scope), ""))
        response = RedirectResponse("/yard", 303)
        take_cookie(response, request.scope)
        return response


def _add_pair(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/pair")
    async def show(request: Request) -> Response:
        return desk.page(request, "pair.html")

    @routes.post("/pair")
    async def pair(request: Request) -> Response:
        form = await form_of(request)
        # One purse for all: a code has eight digits, and no flood of addresses may try them out.
        if wait_s := desk.tries.take(f"from {_address(request)}", "pair"):
            return desk.wait_page(request, "pair.html", wait_s)
        secret = desk.people.pair(form.get("code", ""))
        if secret is None:
            return desk.page(request, "pair.html", status=403, message=desk.words(request).sign["pair_wrong"])
        response = RedirectResponse("/device", 303)  # while a keyboard is there: which board, which languages
        give_cookie(response, request.scope, secret, WALL_S)
        return response


def _add_people(routes: APIRouter, desk: Desk) -> None:
    def listed(request: Request) -> list[tuple[str, str]]:
        sign = desk.words(request).sign
        persons = [(person.name, sign[person.right.word]) for person in desk.people.persons()]
        scopes = {"hand": "machine_hand"}
        return persons + [(key.name, sign[scopes.get(key.scope, key.scope)]) for key in desk.people.listed_keys()]

    async def change(request: Request, form: Mapping[str, str], remove: bool) -> Response:
        token = request.state.who.token
        if not token or not secrets.compare_digest(form.get("form", "").encode(), token.encode()):
            return problem(request, 403, "This form belongs to another session. Open the page again.")
        try:
            if remove:
                await asyncio.to_thread(desk.people.remove, form.get("name", ""))
            else:
                right = GIVEN.get(form.get("right", ""))
                if right is None:
                    return problem(request, 422, f"A right is one of {', '.join(GIVEN)}.")
                await asyncio.to_thread(desk.people.add, form.get("name", ""), right, form.get("passphrase", ""))
        except GatewayError as error:
            return desk.page(request, "people.html", status=409, message=str(error), listed=listed(request))
        return RedirectResponse("/people", 303)

    @routes.get("/people")
    async def show(request: Request) -> Response:
        return desk.page(request, "people.html", listed=listed(request))

    @routes.post("/people")
    async def add(request: Request) -> Response:
        return await change(request, await form_of(request), remove=False)

    @routes.post("/people/remove")
    async def remove(request: Request) -> Response:
        return await change(request, await form_of(request), remove=True)


def _address(request: Request) -> str:
    return request.client.host if request.client else "nowhere"
