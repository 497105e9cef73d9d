"""Owns: what people do on the bell list: take, make quiet, let ring, out of service, try a contact, record the test.

Must not know: how core decides, how a page is drawn, sessions.
How it works: every form carries the token of its session and, for an alarm, the episode that its page showed: an old
page never takes a new alarm. Core is asked under the name of whoever has signed in. What is done leads back to the
list, once a snapshot shows it; what is not done comes back as the list with a sentence above it.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.bell import BellPage, alarm_at
from dashboards.bell_view import anchor, quiet_min
from dashboards.by_hand import LOOK_EVERY_S, SEEN_WITHIN_S, Ask, Outcome, outcome_of
from dashboards.device import device_of
from dashboards.forms import form_of
from dashboards.problems import problem
from dashboards.words import Words
from gateway.engine.snapshot import AlarmView, Snapshot

WHY_LETTERS, NAME_LETTERS, LEAST_REACHED, MOST_REACHED = 120, 40, 2, 20
REASONS = ("why_here", "why_vet", "why_mend", "why_known")

Form = Mapping[str, str]


class BellDesk:
    """Answers the forms."""

    def __init__(self, page: BellPage, ask: Ask, languages: Mapping[str, Words]) -> None:
        self._page, self._ask, self._languages = page, ask, languages

    async def on_alarm(self, request: Request, do: str) -> Response:
        """A button of one alarm, which needs nothing beside its episode and its name."""
        form = await form_of(request)
        if refused := self._forged(request, form):
            return refused
        alarm = alarm_at(self._snapshot(), form.get("alarm", ""))
        taken = do == "acknowledge" and alarm is not None and alarm.state not in ("unacknowledged", "returned")
        if alarm is None or taken:
            return self._back(request, 409, self._words(request).bell["gone"])
        episode = {"episode": alarm.episode} if do == "acknowledge" else {}
        return await self._told(request, alarm, {"do": do, "alarm": alarm.alarm, **episode})

    async def quiet(self, request: Request, do: str) -> Response:
        """Make one quiet for as long as its page said, or take it out of service; both with a reason."""
        form = await form_of(request)
        if refused := self._forged(request, form):
            return refused
        alarm, words = alarm_at(self._snapshot(), form.get("alarm", "")), self._words(request)
        if alarm is None:
            return self._back(request, 409, words.bell["gone"])
        asked: dict[str, Any] = {"do": do, "alarm": alarm.alarm, "why": why_of(form, words)}
        if do == "shelve":
            asked["minutes"] = quiet_min(alarm)
        return await self._told(request, alarm, asked)

    async def try_contact(self, request: Request) -> Response:
        """Have a message sent to somebody, to see whether it arrives."""
        form = await form_of(request)
        if refused := self._forged(request, form):
            return refused
        asked = {"do": "trial", "contact": form.get("contact", "")[:NAME_LETTERS]}
        before = self._trials()
        return await self._done(request, asked, lambda snapshot: len(self._trials(snapshot) - before) > 0, "people")

    async def test(self, request: Request) -> Response:
        """Put the weekly test on record."""
        form = await form_of(request)
        if refused := self._forged(request, form):
            return refused
        reached = reached_of(form)
        if len(reached) < LEAST_REACHED or form.get("fail_safe") != "yes":
            return self._back(request, 422, self._words(request).bell["few"])
        asked = {"do": "weekly-test", "reached": reached, "fail_safe": True}
        snapshot = self._snapshot()
        before = snapshot.tested_wall_s if snapshot else None
        return await self._done(request, asked, lambda newest: newest.tested_wall_s != before, "test")

    async def _told(self, request: Request, alarm: AlarmView, asked: Mapping[str, Any]) -> Response:
        def shown(snapshot: Snapshot) -> bool:
            found = next((each for each in snapshot.alarms if each.alarm == alarm.alarm), None)
            return found is None or found.state != alarm.state

        return await self._done(request, asked, shown, anchor(alarm.alarm))

    async def _done(
        self, request: Request, asked: Mapping[str, Any], shown: Callable[[Snapshot], bool], at: str
    ) -> Response:
        """Ask core; lead back to the list when a snapshot shows what was done, else say why it is not."""
        outcome = await outcome_of(self._ask, {**asked, "by": request.state.who.name})
        if outcome.done and not outcome.unrecorded:
            await self._seen(shown)
            return RedirectResponse(f"/bell#{at}", 303)
        message, detail, status = _message(outcome, self._words(request))
        return self._back(request, status, message, detail)

    async def _seen(self, shown: Callable[[Snapshot], bool]) -> None:
        for _ in range(round(SEEN_WITHIN_S / LOOK_EVERY_S)):
            snapshot = self._snapshot()
            if snapshot is None or shown(snapshot):
                return
            await asyncio.sleep(LOOK_EVERY_S)

    def _back(self, request: Request, status: int, message: str, detail: str = "") -> Response:
        device = device_of(request, self._languages)
        return HTMLResponse(self._page.page(device, request.state.who, message, detail), status)

    def _forged(self, request: Request, form: Form) -> Response | None:
        token = request.state.who.token
        if token and secrets.compare_digest(form.get("form", "").encode(), token.encode()):
            return None
        return problem(request, 403, "This form belongs to another session. Open the page again.")

    def _snapshot(self) -> Snapshot | None:
        return self._page.stage.live.current()

    def _trials(self, snapshot: Snapshot | None = None) -> frozenset[int]:
        newest = snapshot or self._snapshot()
        return frozenset(trial.number for trial in newest.trials) if newest else frozenset()

    def _words(self, request: Request) -> Words:
        return self._page.words(device_of(request, self._languages))


def _message(outcome: Outcome, words: Words) -> tuple[str, str, int]:
    if outcome.unreached:
        return words.bell["no_core"], "", 502
    if outcome.unrecorded:
        return words.bell["unrecorded"], "", 200
    return f"{words.bell['refused']}:", outcome.error, 409


def why_of(form: Form, words: Words) -> str:
    """The reason in the person's own words, else the one that was chosen; never empty."""
    own = " ".join(form.get("own", "").split())
    chosen = form.get("why", "")
    return (own or words.bell[chosen if chosen in REASONS else REASONS[0]])[:WHY_LETTERS]


def reached_of(form: Form) -> list[str]:
    """The names that were ticked and those that were written, each once."""
    ticked = [value for name, value in form.items() if name.startswith("reached.")]
    names = [" ".join(name.split())[:NAME_LETTERS] for name in (*ticked, *form.get("others", "").split(","))]
    return list(dict.fromkeys(name for name in names if name))[:MOST_REACHED]


def router(desk: BellDesk) -> APIRouter:
    """The addresses that are written to."""
    routes = APIRouter(include_in_schema=False)

    @routes.post("/bell/take")
    async def take(request: Request) -> Response:
        return await desk.on_alarm(request, "acknowledge")

    @routes.post("/bell/loud")
    async def loud(request: Request) -> Response:
        return await desk.on_alarm(request, "unshelve")

    @routes.post("/bell/back")
    async def back(request: Request) -> Response:
        return await desk.on_alarm(request, "in-service")

    @routes.post("/bell/quiet")
    async def quiet(request: Request) -> Response:
        return await desk.quiet(request, "shelve")

    @routes.post("/bell/out")
    async def out(request: Request) -> Response:
        return await desk.quiet(request, "out-of-service")

    @routes.post("/bell/try")
    async def attempt(request: Request) -> Response:
        return await desk.try_contact(request)

    @routes.post("/bell/test")
    async def test(request: Request) -> Response:
        return await desk.test(request)

    return routes
