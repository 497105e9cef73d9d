"""Owns: the yard sheet: its page and its stream.

Must not know: what it says, how it is drawn.
How it works: the parts are drawn by macros of one template and shared by all who look in the same language and unit.
The roof is drawn once a minute: more would tell nothing and would send the picture again and again.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from typing import Any

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from dashboards.boards import Look
from dashboards.device import Device, device_of, remember
from dashboards.pages import Seats, seated
from dashboards.present import worst_place
from dashboards.roof_view import PHONE, roof_of
from dashboards.rows import label_of
from dashboards.sheet import riding_places, sheet_of
from dashboards.stage import Parts, Stage
from dashboards.words import Words
from gateway.engine.snapshot import Snapshot

ROOFS_AT_MOST = 3


class Yard:
    """Draws the sheet."""

    def __init__(self, stage: Stage, languages: Mapping[str, Words]) -> None:
        self._stage, self._languages, self._parts = stage, languages, Parts()
        self._roofs: dict[str, tuple[Any, Markup]] = {}

    def look(self, device: Device) -> Look:
        return Look(device.lang, True)

    def parts(self, device: Device, snapshot: Snapshot) -> Mapping[str, str]:
        return self._parts.of((device.lang, device.unit), snapshot, lambda s: self._draw(device, s))

    def page(self, device: Device, who: object) -> str:
        frame = self._stage.frame(self.look(device))
        snapshot = self._stage.live.current()
        alive = snapshot is not None and frame["alive"]
        parts = self.parts(device, snapshot) if snapshot and alive else {}
        shown = {name: Markup(parts.get(name, "")) for name in ("bell", "verdict", "roof", "broken", "places", "kit")}
        barn = snapshot.barn if snapshot else "Loosebox"
        page = self._stage.boards.templates.get_template("yard.html")
        lang = self._stage.boards.texts(self.look(device))[0].lang
        stream = f"/yard/stream?lang={lang}&unit={device.unit}"
        return page.render(**frame, parts=shown, device=device, who=who, barn=barn, units=True, stream=stream)

    def events(self, device: Device) -> AsyncIterator[bytes]:
        return self._parts.stream(
            self._stage, (device.lang, device.unit), self.look(device), lambda s: self._draw(device, s)
        )

    def _draw(self, device: Device, snapshot: Snapshot) -> Mapping[str, str]:
        words = self._stage.boards.texts(self.look(device))[0]
        sheet = sheet_of(snapshot, words, device.unit, self._stage.today.of(worst_place(snapshot.places).name))
        macros: Any = self._stage.boards.templates.get_template("yard_parts.html").module
        return {
            "bell": macros.ringer(sheet, words).strip(),
            "verdict": macros.verdict(sheet).strip(),
            "roof": self._roof(words, snapshot, macros),
            "broken": macros.broken(sheet, words).strip(),
            "places": macros.places(sheet).strip(),
            "kit": macros.kit(sheet, words).strip(),
        }

    def _roof(self, words: Words, snapshot: Snapshot, macros: Any) -> str:
        places = riding_places(snapshot.places)[:ROOFS_AT_MOST]
        days = [self._stage.today.of(place.name) for place in places]
        key = (int(snapshot.wall_s // 60), [(place.name, place.level, place.roof) for place in places],
               [id(day) for day in days])  # fmt: skip
        known = self._roofs.get(words.lang)
        if known is None or known[0] != key:
            drawn = [
                (label_of(place, words.lang), Markup(roof_of(place, day, snapshot, (words,), size=PHONE, every=4)))
                for place, day in zip(places, days, strict=True)
            ]
            known = self._roofs[words.lang] = (key, macros.roofs(drawn).strip())
        return known[1]


def router(yard: Yard, stage: Stage, languages: Mapping[str, Words], seats: Seats) -> APIRouter:
    """Its addresses."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/yard")
    async def sheet(request: Request) -> Response:
        device = device_of(request, languages)
        await stage.today.refresh(stage.live.current())
        response = HTMLResponse(yard.page(device, request.state.who))
        remember(request, response, device)
        return response

    @routes.get("/yard/stream")
    async def stream(request: Request) -> Response:
        return seated(request, yard.events(device_of(request, languages)), seats)

    return routes
