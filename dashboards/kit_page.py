"""Owns: the page where a person takes kit by hand, and the same for programs: POST /api/v1/hand.

Must not know: how core decides, how a page is drawn.
How it works: GET shows the choices. POST asks core; a second question comes back as a page of its own, whose form says
"sure". What is done leads back to the yard sheet, which shows it. A form counts only with the token of its session.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from dashboards.boards import Look
from dashboards.by_hand import (
    KINDS,
    Ask,
    Outcome,
    Wanted,
    ask_core,
    choices,
    consequence,
    find_kit,
    question,
    seen,
    span_text,
)
from dashboards.clock_text import since_text
from dashboards.device import Device, device_of, remember
from dashboards.forms import form_of
from dashboards.live import Live
from dashboards.problems import documented, problem
from dashboards.sheet import kit_of
from dashboards.stage import Stage
from dashboards.words import Words


class HandRequest(BaseModel):
    """A fan, mister or valve taken by hand for a while, or given back."""

    model_config = ConfigDict(extra="forbid")
    subject: str = Field(max_length=40, description="Name of the kit in the site file.")
    kind: Literal["on", "off", "auto"] = Field(description="What it shall do; auto gives it back.")
    minutes: float = Field(0, ge=0, le=720, description="For how long [min]; core says what it allows.")
    why: str = Field("", max_length=120, description="Why, in the words of whoever asks.")
    sure: bool = Field(False, description="True answers the question that was asked before.")


class HandAnswer(BaseModel):
    """What became of it."""

    done: bool = Field(description="Whether core has taken it.")
    recorded: bool = Field(description="Whether the history has it.")
    until_wall_s: float | None = Field(description="Until when it lasts [Unix s]; a label only.")


class KitPage:
    """Draws the page."""

    def __init__(self, stage: Stage, languages: Mapping[str, Words]) -> None:
        self._stage, self._languages = stage, languages

    def page(self, device: Device, who: Any, name: str, wanted: Wanted | None, outcome: Outcome) -> str:
        """The page of one piece of kit. Raises HTTPException when there is none of that name."""
        look = Look(device.lang, True)
        frame, snapshot = self._stage.frame(look), self._stage.live.current()
        found = find_kit(snapshot, name) if frame["alive"] else None
        if snapshot is None or found is None:
            raise HTTPException(404 if frame["alive"] else 503, "There is no such kit, or the barn is not heard now.")
        place, kit = found
        words = self._stage.boards.texts(look)[0]
        spans = [
            (minutes, span_text(minutes, words), words.hands["till"].format(
                time=since_text(snapshot.wall_s + 60 * minutes, snapshot.wall_s, snapshot.zone, words)))
            for minutes in choices(kit)
        ]  # fmt: skip
        message, detail = _message(outcome, words)
        page = self._stage.boards.templates.get_template("kit.html")
        return page.render(
            **frame, device=device, who=who, barn=snapshot.barn, units=False,
            kit=kit_of(kit, place, snapshot, words), spans=spans, wanted=wanted, message=message, detail=detail,
            consequence=consequence(kit, place, words), question=question(place, words) if outcome.question else "",
            first="auto" if kit.hand else "off" if kit.asked else "on",
        )  # fmt: skip


def _message(outcome: Outcome, words: Words) -> tuple[str, str]:
    if outcome.unreached:
        return words.hands["no_core"], ""
    if outcome.unrecorded:
        return words.hands["unrecorded"], ""
    return (words.hands["refused"] + ":", outcome.error) if outcome.error else ("", "")


def router(page: KitPage, live: Live, ask: Ask, languages: Mapping[str, Words]) -> APIRouter:
    """The addresses."""
    routes = APIRouter()

    @routes.get("/kit/{name}", include_in_schema=False)
    async def show(request: Request, name: str) -> Response:
        device = device_of(request, languages)
        response = HTMLResponse(page.page(device, request.state.who, name, None, Outcome()))
        remember(request, response, device)
        return response

    @routes.post("/kit/{name}", include_in_schema=False)
    async def take(request: Request, name: str) -> Response:
        who, form = request.state.who, await form_of(request)
        if not secrets.compare_digest(form.get("form", "").encode(), who.token.encode()) or not who.token:
            return problem(request, 403, "This form belongs to another session. Open the page again.")
        wanted = _wanted(name, form)
        outcome = await ask_core(ask, wanted, who.name)
        if outcome.done and not outcome.unrecorded:
            await seen(live, wanted)
            return RedirectResponse(f"/yard#kit-{name}", 303)
        status = 200 if outcome.question or outcome.unrecorded else 502 if outcome.unreached else 409
        return HTMLResponse(page.page(device_of(request, languages), who, name, wanted, outcome), status)

    @routes.post(
        "/api/v1/hand",
        response_model=HandAnswer,
        responses=documented(400, 401, 403, 409, 422, 502),
        tags=["hand"],
        summary="Take kit by hand, or give it back",
        description="Takes the right hand. 409 when core refuses, or asks to be sure: then ask again with sure true.",
    )
    async def hand(request: Request, asked: Annotated[HandRequest, Body()]) -> Response:
        outcome = await ask_core(ask, Wanted(**asked.model_dump()), request.state.who.name)
        if outcome.done:
            answer = HandAnswer(done=True, recorded=not outcome.unrecorded, until_wall_s=outcome.until_wall_s)
            return JSONResponse(answer.model_dump())
        if outcome.question:
            return problem(request, 409, "It is hot there, or nobody knows the air: say sure to stop it all the same.")
        return problem(request, 502 if outcome.unreached else 409, outcome.error)

    return routes


def _wanted(name: str, form: Mapping[str, str]) -> Wanted:
    """Raises HTTPException when a field does not fit."""
    kind, minutes = form.get("kind", ""), form.get("minutes", "0")
    if kind not in KINDS or not minutes.isascii() or not minutes.isdigit() or len(minutes) > 4:
        raise HTTPException(422, "The form has a part that does not fit.")
    why = " ".join(form.get("why", "").split())[:120]
    return Wanted(subject=name, kind=kind, minutes=int(minutes), why=why, sure=form.get("sure") == "yes")
