"""Owns: the alarms for programs: list, one, a word for a lamp or horn, the CAP feed, and what people do to alarms.

Must not know: how it is known who somebody is, how core is asked, pages.
How it works: every answer is made of the newest snapshot, carries an ETag, and holds nothing that changes by itself
with time. A client that sends its ETag with `Prefer: wait=30` (RFC 7240) is answered when something has changed, or
with 304 after that time. `RULES` say who may do what. A change carries the name of whoever has signed in, never one
from the request; without a name, or without a way to core, it is refused.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from fastapi import APIRouter, HTTPException, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from dashboards import cap
from dashboards.boards import Limits
from dashboards.by_hand import Ask
from dashboards.live import Live
from dashboards.pages import Seats
from dashboards.problems import documented, problem
from dashboards.rights import Right, Rule, Who
from gateway.engine.snapshot import AlarmView, Snapshot, to_json
from gateway.errors import GatewayError

LONGEST_WAIT_S = 30.0
WAITERS_AT_MOST = 20
LOOK_EVERY_S = 0.25
Priority = Literal["now", "soon", "when-you-can"]
RANKS: tuple[Priority, ...] = ("now", "soon", "when-you-can")


# What each address asks of a person; `Door` stands in front and looks it up.
RULES: tuple[Rule, ...] = (
    ("GET", "/api/v1/alarms", Right.VIEWER),
    ("GET", "/api/v1/alarms/", Right.VIEWER),
    ("POST", "/api/v1/alarms/acknowledge", Right.HAND),
    ("POST", "/api/v1/alarms/shelve", Right.HAND),
    ("POST", "/api/v1/alarms/unshelve", Right.HAND),
    ("POST", "/api/v1/alarms/weekly-test", Right.HAND),
    ("POST", "/api/v1/alarms/out-of-service", Right.KEEPER),
    ("POST", "/api/v1/alarms/in-service", Right.KEEPER),
)


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Mark(_Model):
    """One step of the present episode."""

    number: int = Field(description="From 1 within the episode.")
    what: str = Field(description="raised, worse, again, acknowledged, returned or ended.")
    wall_s: float = Field(description="When [Unix s]; a label only.")
    priority: Priority = Field(description="How soon a person must act, as of this step.")


class Alarm(_Model):
    """One alarm, with its state in the life cycle of ISA-18.2 / IEC 62682."""

    alarm: str = Field(description="RULE:SUBJECT, the name of the alarm.")
    rule: str = Field(description="Which rule raised it.")
    subject: str = Field(description="The place, kit, sensor, line or part that it is about.")
    place: str = Field(description="The place of the subject; empty when there is none.")
    horse: bool = Field(description="True: about a horse; false: about kit.")
    priority: Priority = Field(description="now, soon or when-you-can.")
    state: Literal[
        "normal", "unacknowledged", "acknowledged", "returned", "shelved", "suppressed", "out-of-service"
    ] = Field(description="normal: ended within a day; returned: over, still to be read; suppressed: see cause.")
    standing: bool = Field(description="Whether its condition stands, after its delays.")
    episode: int = Field(description="How often it has been raised; give it with an acknowledgement.")
    calls: int = Field(description="How often this episode has asked for a person.")
    say: dict[str, str] = Field(description="What is the matter, by language.")
    do: dict[str, str] = Field(description="What to do, by language.")
    detail: str = Field(description="The finding that raised it, for the log.")
    raised_wall_s: float | None = Field(description="When this episode began [Unix s]; a label only.")
    called_wall_s: float | None = Field(description="When it last asked for a person [Unix s].")
    returned_wall_s: float | None = Field(description="When it was over [Unix s]; null while it stands.")
    taken_by: str = Field(description="Who has it; empty when nobody has.")
    shelved_until_wall_s: float | None = Field(description="Until when it is quiet [Unix s]; null when it is not.")
    shelved_by: str = Field(description="Who shelved it.")
    shelved_why: str = Field(description="Why, in that person's words.")
    longest_shelf_s: float = Field(description="For how long it may be shelved at most [s].")
    cause: str = Field(description="The alarm that explains this one; empty when none does.")
    out_by: str = Field(description="Who took it out of service; empty when it is in service.")
    out_why: str = Field(description="Why, in that person's words.")
    marks: list[Mark] = Field(description="The steps of the present episode that people are told of.")


class Alarms(_Model):
    """Every alarm that is not normal, and those that ended within a day; the worst that calls first."""

    barn: str = Field(description="Name of the barn.")
    emulated: bool = Field(description="True: no real barn, the alarms are made up.")
    clock_trusted: bool = Field(description="Whether the times can be trusted.")
    tested_wall_s: float | None = Field(description="When the newest weekly test was put on record [Unix s].")
    tested_by: str = Field(description="By whom.")
    alarms: list[Alarm] = Field(description="The alarms.")


class Lamp(_Model):
    """One word for a lamp and one for a horn. Any answer but 200 or 304 means that nobody knows: show a fault."""

    lamp: Literal["now", "soon", "when-you-can", "off"] = Field(description="The worst that stands and is not quiet.")
    flash: bool = Field(description="True while one of these is not taken; else the lamp is steady.")
    horn: bool = Field(description="True while a NOW is not taken. No siren near horses: a soft chime.")
    calling: int = Field(description="How many call for a person.")
    standing: int = Field(description="How many stand and are not quiet.")
    unread: int = Field(description="How many are over and still to be read.")


class _Named(BaseModel):
    model_config = ConfigDict(extra="forbid")
    alarm: str = Field(min_length=1, max_length=120, description="RULE:SUBJECT, the name of the alarm.")


class AcknowledgeBody(_Named):
    episode: int = Field(ge=1, description="The episode that the person has seen.")


class ShelveBody(_Named):
    minutes: float = Field(ge=1, le=1440, description="For how long; a NOW at most 10.")
    why: str = Field(min_length=1, max_length=120, description="Why it may be quiet.")


class OutBody(_Named):
    why: str = Field(min_length=1, max_length=120, description="Why it is out of service.")


class BackBody(_Named):
    """No longer quiet, or back in service."""


class WeeklyTestBody(_Model):
    reached: list[str] = Field(min_length=2, max_length=20, description="Whom the test reached: two people or more.")
    fail_safe: Literal[True] = Field(description="That the fans ran with the gateway unplugged.")


class Done(_Model):
    done: Literal[True] = Field(description="It is done.")
    recorded: bool = Field(description="False: done, but the history could not be written.")


def alarms_of(snapshot: Snapshot) -> Alarms:
    """The list of a snapshot."""
    return Alarms(
        barn=snapshot.barn,
        emulated=snapshot.emulated,
        clock_trusted=snapshot.clock_trusted,
        tested_wall_s=snapshot.tested_wall_s,
        tested_by=snapshot.tested_by,
        alarms=[Alarm.model_validate(each) for each in to_json(snapshot)["alarms"]],
    )


def lamp_of(alarms: tuple[AlarmView, ...]) -> Lamp:
    """The lamp and the horn. What is shelved, explained or out of service is quiet."""
    calling = [alarm for alarm in alarms if alarm.state == "unacknowledged"]
    standing = [*calling, *(alarm for alarm in alarms if alarm.state == "acknowledged")]
    worst = min((_rank(alarm) for alarm in standing), default=None)
    return Lamp(
        lamp="off" if worst is None else RANKS[worst],
        flash=bool(calling),
        horn=any(alarm.priority == "now" for alarm in calling),
        calling=len(calling),
        standing=len(standing),
        unread=sum(alarm.state == "returned" for alarm in alarms),
    )


def _rank(alarm: AlarmView) -> int:
    return next(rank for rank, word in enumerate(RANKS) if word == alarm.priority)


@dataclass(frozen=True, slots=True)
class _Answer:
    """A body with its kind, and the tag that changes when it does."""

    body: bytes
    kind: str

    @property
    def tag(self) -> str:
        return f'"{hashlib.sha256(self.body).hexdigest()[:32]}"'


Make = Callable[[Snapshot], _Answer]


class _Waiting:
    """Answers with the newest, at once or when it has changed."""

    def __init__(self, live: Live, limits: Limits) -> None:
        self._live, self._limits = live, limits
        self._seats = Seats(WAITERS_AT_MOST)

    async def answer(self, request: Request, make: Make) -> Response:
        """What `make` makes of the newest snapshot; 304 when the client has it already; 503 without a core."""
        known = {tag.strip().removeprefix("W/") for tag in request.headers.get("if-none-match", "").split(",")}
        wait_s = _wait_s(request)
        waits = wait_s > 0 and self._tag(make) in known and self._seats.take()
        if waits:
            try:
                await self._changed(make, known, wait_s)
            finally:
                self._seats.give_back()
        snapshot = self._heard()
        if snapshot is None:
            return problem(request, 503, "The core was not heard lately.", headers={"Retry-After": "5"})
        made = make(snapshot)
        headers = {"ETag": made.tag, "Cache-Control": "no-cache", "Vary": "Prefer"}
        if waits:
            headers["Preference-Applied"] = f"wait={wait_s:g}"
        if made.tag in known:
            return Response(status_code=304, headers=headers)
        return Response(made.body, media_type=made.kind, headers=headers)

    def _heard(self) -> Snapshot | None:
        return self._live.current() if self._live.heard_within(self._limits.bar_after_s) else None

    def _tag(self, make: Make) -> str:
        snapshot = self._heard()
        return "" if snapshot is None else make(snapshot).tag

    async def _changed(self, make: Make, known: set[str], wait_s: float) -> None:
        """Until the answer is another, the core is lost, the server stops, or the time is over."""
        news = self._live.follow(least_s=LOOK_EVERY_S, idle_s=self._limits.bar_after_s)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s), contextlib.aclosing(news):  # type: ignore[type-var]
                async for snapshot in news:
                    if snapshot is None or make(snapshot).tag not in known:
                        return


def _wait_s(request: Request) -> float:
    """How long the client is willing to wait [s]; 0 when it did not say."""
    found = re.search(r"(?:^|[,;\s])wait=(\d{1,4})\b", request.headers.get("prefer", ""))
    return min(float(found[1]), LONGEST_WAIT_S) if found else 0.0


def _json(model: BaseModel) -> _Answer:
    body = json.dumps(model.model_dump(mode="json"), ensure_ascii=False, separators=(",", ":"))
    return _Answer(body.encode(), "application/json")


def router(live: Live, limits: Limits, ask: Ask | None = None) -> APIRouter:
    """All routes of alarms. Without `ask` every change is refused."""
    routes = APIRouter(prefix="/api/v1/alarms", tags=["alarms"])
    _add_reading(routes, _Waiting(live, limits))
    _add_cap(routes, _Waiting(live, limits))
    _add_writing(routes, _Desk(ask))
    return routes


def _add_reading(routes: APIRouter, waiting: _Waiting) -> None:
    @routes.get("", response_model=Alarms, responses=documented(422, 503), summary="All alarms")
    async def every(request: Request) -> Response:
        """With `If-None-Match` and `Prefer: wait=30` the answer comes when something has changed."""
        return await waiting.answer(request, lambda snapshot: _json(alarms_of(snapshot)))

    @routes.get("/state", response_model=Lamp, responses=documented(422, 503), summary="One word for a lamp or a horn")
    async def state(request: Request) -> Response:
        """Small and stable. Treat every answer but 200 and 304 as a fault of the alarm itself."""
        return await waiting.answer(request, lambda snapshot: _json(lamp_of(snapshot.alarms)))

    @routes.get("/one/{alarm}", response_model=Alarm, responses=documented(404, 422, 503), summary="One alarm")
    async def one(request: Request, alarm: str) -> Response:
        """An alarm that is normal and did not end within a day is not found."""

        def make(snapshot: Snapshot) -> _Answer:
            found = next((each for each in alarms_of(snapshot).alarms if each.alarm == alarm), None)
            if found is None:
                raise HTTPException(404, f"There is no alarm {alarm} now.")
            return _json(found)

        return await waiting.answer(request, make)


def _add_cap(routes: APIRouter, waiting: _Waiting) -> None:
    @routes.get(
        "/cap", response_class=Response, responses=documented(422, 503), summary="CAP 1.2 messages, as an Atom feed"
    )
    async def feed(request: Request) -> Response:
        """The newest message of each alarm; each message names those before it."""
        here = request.url.path

        def make(snapshot: Snapshot) -> _Answer:
            return _Answer(cap.index(snapshot, self_url=here, document_url=f"{here}/"), "application/atom+xml")

        return await waiting.answer(request, make)

    @routes.get(
        "/cap/{identifier}", response_class=Response, responses=documented(404, 422, 503), summary="One CAP message"
    )
    async def message(request: Request, identifier: str) -> Response:
        """A message of an alarm that ended more than a day ago is not kept here."""

        def make(snapshot: Snapshot) -> _Answer:
            found = cap.messages(snapshot).get(identifier)
            if found is None:
                raise HTTPException(404, "There is no such message now.")
            return _Answer(cap.document(snapshot, found), cap.KIND)

        return await waiting.answer(request, make)


class _Desk:
    """Takes the name of whoever has signed in, and asks core."""

    def __init__(self, ask: Ask | None) -> None:
        self._ask = ask

    async def do(self, request: Request, do: str, body: BaseModel) -> Response:
        """The answer to one change."""
        who = getattr(request.state, "who", None)
        if self._ask is None or not isinstance(who, Who) or not who.name:
            return problem(request, 403, "Changing alarms takes somebody who has signed in.")
        try:
            answer = await self._ask({"do": do, **body.model_dump(), "by": who.name})
        except GatewayError as error:
            return problem(request, 503, f"The core did not answer: {error}", headers={"Retry-After": "5"})
        if answer.get("done") is not True:
            return problem(request, 409, str(answer.get("error", "The core refuses this.")))
        done = Done(done=True, recorded=answer.get("recorded") is True)
        return Response(done.model_dump_json(), media_type="application/json")


def _add_writing(routes: APIRouter, desk: _Desk) -> None:
    refusals = documented(400, 401, 403, 409, 422, 503)

    @routes.post("/acknowledge", response_model=Done, responses=refusals, summary="I have it")
    async def acknowledge(request: Request, body: AcknowledgeBody) -> Response:
        return await desk.do(request, "acknowledge", body)

    @routes.post("/shelve", response_model=Done, responses=refusals, summary="Quiet for a while")
    async def shelve(request: Request, body: ShelveBody) -> Response:
        return await desk.do(request, "shelve", body)

    @routes.post("/unshelve", response_model=Done, responses=refusals, summary="No longer quiet")
    async def unshelve(request: Request, body: BackBody) -> Response:
        return await desk.do(request, "unshelve", body)

    @routes.post("/out-of-service", response_model=Done, responses=refusals, summary="Out of service")
    async def out_of_service(request: Request, body: OutBody) -> Response:
        return await desk.do(request, "out-of-service", body)

    @routes.post("/in-service", response_model=Done, responses=refusals, summary="Back in service")
    async def in_service(request: Request, body: BackBody) -> Response:
        return await desk.do(request, "in-service", body)

    @routes.post("/weekly-test", response_model=Done, responses=refusals, summary="Put a weekly test on record")
    async def weekly_test(request: Request, body: WeeklyTestBody) -> Response:
        return await desk.do(request, "weekly-test", body)
