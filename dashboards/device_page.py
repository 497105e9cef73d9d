"""Owns: the page where a device says how it wants to be spoken to, and where the site file is read.

Must not know: files, who may do what, how other pages are drawn.
How it works: the form is sent as an address, like every other choice of a device, so it needs no script, no session and
changes nothing but the cookie of whoever sends it. With a board in it the answer leads there. What the site file says
is taken from the snapshot and can only be read here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.boards import NIGHT_FROM_H, NIGHT_TO_H, Face, Look
from dashboards.device import Device, board_path, device_of, remember
from dashboards.roof_view import hour_text
from dashboards.rows import label_of
from dashboards.sheet import riding_places
from dashboards.stage import Stage
from dashboards.words import Words
from gateway.engine.snapshot import PlaceView, Snapshot

Choice = tuple[str, str, str]  # value, what it says, what is said smaller beside it


class DevicePage:
    """Draws the page. `contacts` is how many people the site file names to be called."""

    def __init__(self, stage: Stage, languages: Mapping[str, Words], contacts: int) -> None:
        self._stage, self._languages, self._contacts = stage, languages, contacts

    def page(self, device: Device, who: Any) -> str:
        look = Look(device.lang, True)
        frame, snapshot = self._stage.frame(look), self._stage.live.current()
        words = self._stage.boards.texts(look)[0]
        boards = list(_boards(snapshot, words))
        chosen = {"lang": words.lang, "one": str(int(device.one)), "unit": device.unit, "face": str(device.face),
                  "board": device.board if device.board in {value for value, _, _ in boards} else "aisle"}  # fmt: skip
        choices = {
            "lang": [(lang, each.name, "") for lang, each in self._languages.items()],
            "one": [("0", words.device["both"], ""), ("1", words.device["alone"], words.device["alone_say"])],
            "unit": [("f", "°F", ""), ("c", "°C", "")],
            "face": list(_faces(words)),
            "board": boards,
        }
        return self._stage.boards.templates.get_template("device.html").render(
            **frame, device=device, who=who, units=False, barn=snapshot.barn if snapshot else "Loosebox",
            choices=choices, chosen=chosen, places=list(_places(snapshot, words)),
            posts=" · ".join(f"{post:g}" for post in snapshot.posts) if snapshot else "",
            called=words.device["called"].format(n=self._contacts),
            spoken=", ".join(snapshot.languages).upper() if snapshot else "",
        )  # fmt: skip


def _faces(words: Words) -> Iterator[Choice]:
    for face in Face:
        say = words.device[f"{face}_say"]
        if face is Face.CLOCK:
            say = say.format(time=f"{hour_text(NIGHT_FROM_H, words)} – {hour_text(NIGHT_TO_H, words)}")
        yield str(face), words.device[str(face)], say


def _boards(snapshot: Snapshot | None, words: Words) -> Iterator[Choice]:
    yield "aisle", words.yard["to_aisle"], words.device["aisle_say"]
    for place in riding_places(snapshot.places) if snapshot else ():
        yield f"gateside:{place.name}", words.yard["to_side"], label_of(place, words.lang)
    yield "yard", words.yard["to_yard"], words.device["yard_say"]


def _places(snapshot: Snapshot | None, words: Words) -> Iterator[tuple[str, str]]:
    """Each place, and what the site file says of it."""
    for place in snapshot.places if snapshot else ():
        yield label_of(place, words.lang), " ".join(_of_place(place, words))


def _of_place(place: PlaceView, words: Words) -> Iterator[str]:
    yield words.device[place.kind]
    yield words.policy.get(place.policy, "")
    yield " · ".join(f"{kit.name} ({words.kit.get(kit.kind, kit.kind)})" for kit in place.kit)


def router(page: DevicePage, stage: Stage, languages: Mapping[str, Words]) -> APIRouter:
    """Its address."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/device")
    async def show(request: Request) -> Response:
        device, snapshot = device_of(request, languages), stage.live.current()
        response: Response
        if "board" in request.query_params:
            places = [place.name for place in snapshot.places] if snapshot else []
            response = RedirectResponse(board_path(device.board, places), 303)
        else:
            response = HTMLResponse(page.page(device, request.state.who))
        remember(request, response, device)
        return response

    return routes
