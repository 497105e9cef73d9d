"""Owns: the bell list: its page, its stream, and the page where one alarm is made quiet.

Must not know: how core decides, what the list says, how a message travels.
How it works: as on the yard sheet, parts are drawn once for all who look in the same language with the same right. The
buttons of a part carry no secret: they belong to one form beside the parts, which has the token of the session, so a
part can be shared and swapped.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from typing import Any

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.alarm_text import say_of
from dashboards.bell_calls import Told, persons_of, sent_of, test_of
from dashboards.bell_view import bell_of, quiet_text
from dashboards.boards import Look
from dashboards.device import Device, device_of, remember
from dashboards.pages import Seats, seated
from dashboards.rights import Right, Who
from dashboards.stage import Parts, Stage
from dashboards.words import Words
from gateway.engine.snapshot import AlarmView, Snapshot

PARTS = ("head", "list", "told", "people", "last")


class BellPage:
    """Draws the pages. `contacts` are the names of those whom the gateway may call."""

    def __init__(self, stage: Stage, told: Told, contacts: tuple[str, ...]) -> None:
        self.stage, self.told, self._contacts = stage, told, contacts
        self._parts = Parts()

    def page(self, device: Device, who: Who, message: str = "", detail: str = "") -> str:
        look, snapshot = Look(device.lang, True), self.stage.live.current()
        frame, can = self.stage.frame(look), may(who)
        drawn = self._parts_of(device, can, snapshot) if snapshot and frame["alive"] else {}
        return self.stage.boards.templates.get_template("bell.html").render(
            **frame, device=device, who=who, can=can, units=False, message=message, detail=detail,
            parts={name: Markup(drawn.get(name, "")) for name in PARTS}, contacts=self._contacts,
            barn=snapshot.barn if snapshot else "Loosebox", there=self.told.there,
            stream=f"/bell/stream?lang={self.words(device).lang}",
        )  # fmt: skip

    def quiet_page(self, device: Device, who: Who, alarm: AlarmView, message: str = "", detail: str = "") -> str:
        """Where one alarm is made quiet, or by a keeper taken out of service."""
        look, snapshot, words = Look(device.lang, True), self.stage.live.current(), self.words(device)
        return self.stage.boards.templates.get_template("bell_quiet.html").render(
            **self.stage.frame(look), device=device, who=who, can=may(who), units=False, message=message, detail=detail,
            barn=snapshot.barn if snapshot else "Loosebox", alarm=alarm, say=say_of(alarm, words),
            which=f"{alarm.episode} {alarm.alarm}", quiet=quiet_text(alarm, words),
        )  # fmt: skip

    def events(self, device: Device, who: Who) -> AsyncIterator[bytes]:
        can = may(who)
        return self._parts.stream(
            self.stage, (device.lang, can), Look(device.lang, True), lambda s: self._draw(device, can, s),
            ready=self.told.refresh,
        )  # fmt: skip

    def words(self, device: Device) -> Words:
        return self.stage.boards.texts(Look(device.lang, True))[0]

    def _parts_of(self, device: Device, can: Right, snapshot: Snapshot) -> Mapping[str, str]:
        return self._parts.of((device.lang, can), snapshot, lambda newest: self._draw(device, can, newest))

    def _draw(self, device: Device, can: Right, snapshot: Snapshot) -> Mapping[str, str]:
        words, calls = self.words(device), self.told.newest
        bell, macros = bell_of(snapshot, words), self._macros()
        sent = sent_of(calls, snapshot, words)
        return {
            "head": macros.head(bell, words).strip(),
            "list": macros.everything(bell, words, can).strip(),
            "told": macros.told(sent, words, self.told.readable).strip() if self.told.there else "",
            "people": macros.people(persons_of(self._contacts, calls, snapshot, words), words, can).strip(),
            "last": macros.last(test_of(snapshot, words), words).strip(),
        }

    def _macros(self) -> Any:
        return self.stage.boards.templates.get_template("bell_parts.html").module


def may(who: Who) -> Right:
    """What somebody may do here: only who has signed in has a form to do it with."""
    return who.right if who.token else Right.NOBODY


def alarm_at(snapshot: Snapshot | None, which: str) -> AlarmView | None:
    """The alarm that a button meant: its episode and its name. None when it has come anew or is no more."""
    episode, _, name = which.partition(" ")
    alarms = snapshot.alarms if snapshot else ()
    found = next((alarm for alarm in alarms if alarm.alarm == name), None)
    return found if found is not None and episode == str(found.episode) else None


def router(bell: BellPage, languages: Mapping[str, Words], seats: Seats) -> APIRouter:
    """The addresses that are read."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/bell")
    async def page(request: Request) -> Response:
        device = device_of(request, languages)
        await bell.told.refresh()
        response = HTMLResponse(bell.page(device, request.state.who))
        remember(request, response, device)
        return response

    @routes.get("/bell/quiet/{episode}/{alarm:path}")
    async def quiet(request: Request, episode: str, alarm: str) -> Response:
        device = device_of(request, languages)
        if not bell.stage.frame(Look(device.lang, True))["alive"]:
            raise HTTPException(503, "The barn is not heard now.")
        found = alarm_at(bell.stage.live.current(), f"{episode} {alarm}")
        if found is None:
            message = bell.words(device).bell["gone"]
            return HTMLResponse(bell.page(device, request.state.who, message))
        response = HTMLResponse(bell.quiet_page(device, request.state.who, found))
        remember(request, response, device)
        return response

    @routes.get("/bell/stream")
    async def stream(request: Request) -> Response:
        return seated(request, bell.events(device_of(request, languages), request.state.who), seats)

    @routes.get("/bell/{was}")
    async def back(request: Request, was: str) -> Response:
        """A page that came as the answer to a form has its links here."""
        return RedirectResponse(f"/bell?{request.url.query}")

    return routes
