"""Owns: the day book: its page, its file, and the same past for programs: /api/v1/history.

Must not know: SQL, formulas, how a strip is drawn.
How it works: the past is asked for in a thread. A past day does not change, so a few are kept. Gaps are null in JSON
and empty in CSV, never a number. The file has its units in its header.
"""

from __future__ import annotations

import asyncio
import csv
import io
import math
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from markupsafe import Markup
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, JSONResponse, Response

from dashboards.boards import Look
from dashboards.book_view import BookPlace, book_place
from dashboards.clock_text import local_of, zone_of
from dashboards.device import Device, device_of, remember
from dashboards.past import STEP_S, Past, PlaceDay, day_span
from dashboards.problems import documented
from dashboards.stage import Stage
from dashboards.words import Words
from gateway.engine.snapshot import Snapshot
from gateway.errors import GatewayError

DAYS_KEPT = 8
FINEST_S = 60.0
LONGEST_S = 400 * 24 * 3600.0
MOST_POINTS = 2000
COLUMNS = ("time_utc", "place", "temp [degC]", "rh [%]", "sum [degF+%]")


class HistoryAnswer(BaseModel):
    """The past of one place in equal steps. The lists have one entry for each step; null where nothing was read."""

    place: str = Field(description="Name of the place in the site file.")
    from_s: float = Field(description="Begin of the first step [Unix s].")
    step_s: float = Field(description="Length of a step [s].")
    wall_s: list[float] = Field(description="Begin of each step [Unix s].")
    temp_c: list[float | None] = Field(description="Mean air temperature of each step [°C].")
    rh_pct: list[float | None] = Field(description="Mean relative humidity of each step [%].")
    sum_f_pct: list[float | None] = Field(description="Air temperature [°F] plus relative humidity [%], of the means.")


class Book:
    """Asks the past and keeps what does not change."""

    def __init__(self, stage: Stage, past: Past | None) -> None:
        self._stage, self._past = stage, past
        self._kept: dict[tuple[float, float], Mapping[str, PlaceDay]] = {}

    def snapshot(self) -> Snapshot:
        """The newest, which names the places. Raises HTTPException before there was one."""
        snapshot = self._stage.live.current()
        if snapshot is None or self._past is None:
            raise HTTPException(503, "The barn was not heard yet, or there is no history.")
        return snapshot

    async def days(self, begin_s: float, end_s: float, step_s: float) -> Mapping[str, PlaceDay]:
        """Raises GatewayError, or HTTPException."""
        snapshot, past = self.snapshot(), self._past
        assert past is not None  # snapshot() says so
        over = end_s < snapshot.wall_s - 3600
        if over and (known := self._kept.get((begin_s, end_s))) is not None and step_s == STEP_S:
            return known
        found = await asyncio.to_thread(past.days, begin_s, end_s, step_s)
        if over and step_s == STEP_S:
            while len(self._kept) >= DAYS_KEPT:
                del self._kept[next(iter(self._kept))]
            self._kept[begin_s, end_s] = found
        return found

    def day(self, asked: str) -> tuple[date, float, float]:
        """The day of an address, else today; with its begin and end. Raises HTTPException."""
        snapshot = self.snapshot()
        today = local_of(snapshot.wall_s, snapshot.zone)
        where = zone_of(snapshot.zone)
        if today is None or where is None:
            raise HTTPException(503, "The clock of the barn is not known.")
        try:
            day = date.fromisoformat(asked) if asked else today.date()
            noon = datetime(day.year, day.month, day.day, 12, tzinfo=where)
            span = day_span(noon.timestamp(), snapshot.zone)
        except (ValueError, OverflowError) as error:
            raise HTTPException(422, "A day is written as 2026-07-14.") from error
        if span is None or day > today.date() or day.year < 2000:
            raise HTTPException(404, "There is no such day in the book.")
        return day, *span

    def page(self, request: Request, device: Device, day: date, places: Iterable[BookPlace], message: str) -> str:
        look, snapshot = Look(device.lang, True), self.snapshot()
        frame = self._stage.frame(look)
        today = local_of(snapshot.wall_s, snapshot.zone)
        last = today is not None and day >= today.date()
        words = self._stage.boards.texts(look)[0]
        return self._stage.boards.templates.get_template("book.html").render(
            **frame, device=device, who=request.state.who, barn=snapshot.barn, units=True, message=message,
            places=[_marked(place) for place in places], day=day.isoformat(), day_text=day_text(day, words),
            before=(day - timedelta(days=1)).isoformat(), after="" if last else (day + timedelta(days=1)).isoformat(),
            shown=shown_as(request.query_params.get("as", "")),
        )  # fmt: skip


def until_s(end_s: float, snapshot: Snapshot) -> float:
    """Where the record of a day ends: at its end, or now."""
    return min(end_s, snapshot.wall_s)


def shown_as(asked: str) -> str:
    """As strips, as a table, or as a slope."""
    return asked if asked in ("table", "slope") else "strips"


def day_text(day: date, words: Words) -> str:
    """A day with its name of the week; written so that no two lands read it differently."""
    return f"{words.days[day.weekday()]} {day.isoformat()}"


def _marked(place: BookPlace) -> dict[str, object]:
    pictures = {"picture": Markup(place.picture), "slope": Markup(place.slope)}
    return {"name": place.name, "sentence": place.sentence, "hands": place.hands, "rows": place.rows, **pictures}


def router(book: Book, stage: Stage, languages: Mapping[str, Words]) -> APIRouter:
    """The addresses."""
    routes = APIRouter()

    @routes.get("/book", include_in_schema=False)
    async def page(request: Request, day: str = "") -> Response:
        device = device_of(request, languages)
        found, begin_s, end_s = book.day(day)
        snapshot, words = book.snapshot(), stage.boards.texts(Look(device.lang, True))[0]
        try:
            days, message = await book.days(begin_s, until_s(end_s, snapshot), STEP_S), ""
        except GatewayError:
            days, message = {}, words.book["unread"]
        places = [
            book_place(place, days[place.name], snapshot, words, device.unit, end_s=end_s)
            for place in snapshot.places
            if place.name in days
        ]
        response = HTMLResponse(book.page(request, device, found, places, message))
        remember(request, response, device)
        return response

    @routes.get("/book/{day}.csv", include_in_schema=False)
    async def file(day: str) -> Response:
        found, begin_s, end_s = book.day(day)
        days = await book.days(begin_s, until_s(end_s, book.snapshot()), STEP_S)
        name = f'attachment; filename="loosebox-{found.isoformat()}.csv"'
        return csv_of(days.items(), STEP_S, {"content-disposition": name})

    _add_history(routes, book)
    return routes


def _add_history(routes: APIRouter, book: Book) -> None:
    @routes.get(
        "/api/v1/history",
        response_model=HistoryAnswer,
        responses={**documented(404, 422, 503), 200: {"content": {"text/csv": {}}}},
        tags=["history"],
        summary="The past of a place",
        description="JSON, or CSV for `Accept: text/csv`. The step follows from the points asked for.",
    )
    async def history(
        request: Request,
        place: Annotated[str, Query(max_length=40, description="Name of the place in the site file.")],
        from_s: Annotated[float, Query(alias="from", ge=0, le=4e9, description="Begin [Unix s].")],
        to_s: Annotated[float, Query(alias="to", ge=0, le=4e9, description="End [Unix s], at most 400 days later.")],
        points: Annotated[int, Query(ge=1, le=MOST_POINTS, description="How many steps at most.")] = 500,
    ) -> Response:
        if not 0 < to_s - from_s <= LONGEST_S:
            raise HTTPException(422, "`to` lies after `from`, at most 400 days.")
        snapshot = book.snapshot()
        if all(each.name != place for each in snapshot.places):
            raise HTTPException(404, f"There is no place {place}.")
        step_s = max(FINEST_S, math.ceil((to_s - from_s) / points))
        day = (await book.days(from_s, to_s, step_s))[place]
        if "text/csv" in request.headers.get("accept", ""):
            return csv_of([(place, day)], step_s, {})
        return JSONResponse(_answer(place, day, from_s, to_s, step_s).model_dump())


def _answer(place: str, day: PlaceDay, from_s: float, to_s: float, step_s: float) -> HistoryAnswer:
    known = {round((point.wall_s - from_s) / step_s): point for point in day.air}
    steps = range(math.ceil((to_s - from_s) / step_s))
    found = [known.get(step) for step in steps]
    return HistoryAnswer(
        place=place,
        from_s=from_s,
        step_s=step_s,
        wall_s=[from_s + step * step_s for step in steps],
        temp_c=[None if point is None else round(point.temp_c, 2) for point in found],
        rh_pct=[None if point is None else round(point.rh_pct, 2) for point in found],
        sum_f_pct=[None if point is None else round(point.sum_f_pct, 2) for point in found],
    )


def csv_of(days: Iterable[tuple[str, PlaceDay]], step_s: float, headers: Mapping[str, str]) -> Response:
    """One line for each step of each place; empty fields where nothing was read."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180
    writer.writerow(COLUMNS)
    for place, day in days:
        known = {round((point.wall_s - day.begin_s) / step_s): point for point in day.air}
        for step in range(math.ceil((day.end_s - day.begin_s) / step_s)):
            at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=day.begin_s + step * step_s)
            point = known.get(step)
            cells = ("", "", "") if point is None else (
                f"{point.temp_c:.2f}", f"{point.rh_pct:.2f}", f"{point.sum_f_pct:.2f}")  # fmt: skip
            writer.writerow((at.strftime("%Y-%m-%dT%H:%M:%SZ"), place, *cells))
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8", headers=dict(headers))
