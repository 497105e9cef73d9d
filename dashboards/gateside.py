"""Owns: the gate-side board: its page and its stream, for one place.

Must not know: what a row says, how the roof is drawn.
How it works: the place is that of the address, else the first where horses are ridden. The same row as on the aisle
board gives word, number and kit, so the two can never differ; the roof is drawn once a minute.
"""

from __future__ import annotations

import dataclasses
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from dashboards.boards import Look
from dashboards.device import Device, device_of, remember, renew
from dashboards.door import renew_wall
from dashboards.messages import worst_message
from dashboards.pages import Seats, seated
from dashboards.roof_view import WALL, roof_of
from dashboards.rows import row_of
from dashboards.sheet import riding_places
from dashboards.stage import Parts, Stage
from dashboards.words import Words
from gateway.engine.snapshot import PlaceView, Snapshot


class Gateside:
    """Draws the board."""

    def __init__(self, stage: Stage) -> None:
        self._stage, self._parts = stage, Parts()
        self._roofs: dict[Any, tuple[Any, str]] = {}

    def place(self, name: str) -> str:
        """The place to show. Raises HTTPException for a name that no place has."""
        snapshot = self._stage.live.current()
        if snapshot is None:
            return name
        if not name:
            return riding_places(snapshot.places)[0].name
        if all(place.name != name for place in snapshot.places):
            raise HTTPException(404, f"There is no place {name}.")
        return name

    def page(self, device: Device, look: Look, name: str) -> str:
        frame, snapshot = self._stage.frame(look), self._stage.live.current()
        parts = self.parts(look, name, snapshot) if snapshot and frame["alive"] else {}
        shown = {part: Markup(parts.get(part, "")) for part in ("bar", "head", "roof", "note")}
        page = self._stage.boards.templates.get_template("gateside.html")
        barn, texts = snapshot.barn if snapshot else "Loosebox", self._stage.boards.texts(look)
        return page.render(**frame, parts=shown, device=device, look=look, place=name, barn=barn, texts=texts)

    def parts(self, look: Look, name: str, snapshot: Snapshot) -> Mapping[str, str]:
        return self._parts.of((look, name), snapshot, lambda newest: self._draw(look, name, newest))

    def events(self, look: Look, name: str) -> AsyncIterator[bytes]:
        return self._parts.stream(self._stage, (look, name), look, lambda snapshot: self._draw(look, name, snapshot))

    def _draw(self, look: Look, name: str, snapshot: Snapshot) -> Mapping[str, str]:
        texts = self._stage.boards.texts(look)
        place = next((each for each in snapshot.places if each.name == name), riding_places(snapshot.places)[0])
        row = row_of(place, texts, snapshot.posts)
        macros: Any = self._stage.boards.templates.get_template("gateside_parts.html").module
        return {
            "bar": macros.bar(worst_message(_alone(snapshot, place), texts)).strip(),
            "head": macros.head(row, place.name).strip(),
            "roof": self._roof(place, snapshot, texts, look),
            "note": macros.note(row, texts, place.kit).strip(),
        }

    def _roof(self, place: PlaceView, snapshot: Snapshot, texts: Sequence[Words], look: Look) -> str:
        day = self._stage.today.of(place.name)
        key = (int(snapshot.wall_s // 60), place.level, place.roof, id(day))
        known = self._roofs.get((look, place.name))
        if known is None or known[0] != key:
            drawn = roof_of(place, day, snapshot, texts, size=WALL, every=3)
            known = self._roofs[look, place.name] = (key, drawn)
        return known[1]


def _alone(snapshot: Snapshot, place: PlaceView) -> Snapshot:
    """The snapshot as if the barn had this place alone: a board at one gate tells no trouble of another."""
    own = {place.name, *(kit.name for kit in place.kit)}
    faults = tuple(fault for fault in snapshot.faults if fault.subject in own or fault.code == "fire")
    return dataclasses.replace(snapshot, places=(place,), faults=faults, alarms=())


def router(board: Gateside, stage: Stage, languages: Mapping[str, Words], seats: Seats) -> APIRouter:
    """Its addresses."""
    routes = APIRouter(include_in_schema=False)

    def look_of(request: Request) -> Look:
        device = device_of(request, languages)
        return Look(device.lang, device.one)

    @routes.get("/gateside")
    async def page(request: Request, place: str = "") -> Response:
        device = device_of(request, languages)
        await stage.today.refresh(stage.live.current())
        response = HTMLResponse(board.page(device, look_of(request), board.place(place)))
        renew_wall(request, response)
        renew(request, response, device)
        remember(request, response, device)
        return response

    @routes.get("/gateside/stream")
    async def stream(request: Request, place: str = "") -> Response:
        name = board.place(place)
        return seated(request, board.events(look_of(request), name), seats)

    return routes
