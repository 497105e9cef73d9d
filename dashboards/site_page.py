"""Owns: the page of the site board and its stream.

Must not know: brokers, stores, how a barn's own pages work.
How it works: the page is drawn for a choice of level and page; what is drawn for one viewer of a beat is drawn for all
with the same choice and language. The stream sends a row only when what it says has changed, its age alone when only
that has, and all rows when their order has; then the beat that vouches for them.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import AsyncIterator, Hashable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from jinja2 import Environment
from markupsafe import Markup
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards.assets import Assets
from dashboards.boards import Limits, Link, event_bytes
from dashboards.clock_text import time_text
from dashboards.device import Device, device_of, remember
from dashboards.pages import Seats, seated
from dashboards.site_board import LEVELS, POSTS, BarnRow, Chosen, Own, SiteBoard, chosen_barns, site_board
from dashboards.site_days import DAY_S, STEP_S, Kept
from dashboards.site_watch import Now, Watch
from dashboards.spark import spark
from dashboards.words import Words

IDLE_S = 10.0
MOST_PAGE = 1_000
DAYS_WITHIN_S = 1.0  # a store that takes longer brings its days to a later beat
RETRY, IDLE = b"retry: 3000\n\n", b": waiting\n\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Organisation:
    """What the organisation file says that a page needs. `own` is by prefix."""

    name: str
    zone: str
    languages: tuple[str, ...]
    own: Mapping[str, Own]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """One beat as one look sees it. `parts` is HTML by the id of its element; `rows` by row, without ages."""

    now: Now
    board: SiteBoard
    parts: Mapping[str, str]
    rows: Mapping[str, BarnRow]


class SitePage:
    """Draws. Belongs to the event loop."""

    def __init__(
        self, organisation: Organisation, watch: Watch, days: Kept, templates: Environment, assets: Assets,
        languages: Mapping[str, Words], limits: Limits,
    ) -> None:  # fmt: skip
        self.organisation, self.watch, self.days = organisation, watch, days
        self._templates, self._assets, self._languages, self._limits = templates, assets, languages, limits
        self._drawn: dict[Hashable, Drawn] = {}
        self._asking: set[asyncio.Task[None]] = set()  # the loop itself keeps no task alive

    def words(self, device: Device) -> Words:
        """The language of a device, else the first of the organisation."""
        known = [lang for lang in (device.lang, *self.organisation.languages) if lang in self._languages]
        return self._languages[known[0] or "en" if known else "en"]

    def draw(self, device: Device, chosen: Chosen) -> Drawn:
        """The parts of a beat, drawn once for each look."""
        now, words = self.watch.current(), self.words(device)
        key = (words.lang, device.unit, chosen)
        known = self._drawn.get(key)
        if known is None or known.now is not now:
            if len(self._drawn) > 64:
                self._drawn.clear()
            known = self._drawn[key] = self._draw(now, words, device, chosen)
        return known

    async def refresh(self, chosen: Chosen) -> None:
        """Have the days of the barns that are shown, if they come soon: a store that hangs delays no page, no beat."""
        asking = asyncio.create_task(self.days.refresh(self._names(chosen)))
        self._asking.add(asking)
        asking.add_done_callback(self._asking.discard)
        done, _ = await asyncio.wait({asking}, timeout=DAYS_WITHIN_S)
        for each in done:
            each.result()

    def page(self, device: Device, chosen: Chosen, who: object) -> str:
        drawn, words = self.draw(device, chosen), self.words(device)
        age_s, silent_s, limits = _age_s(drawn.now), self.watch.silent_s(), self._limits
        link = Link.LIVE if silent_s < limits.bar_after_s else Link.BAR if silent_s < limits.lost_after_s else Link.LOST
        return self._templates.get_template("site.html").render(
            words=words, device=device, who=who, units=True, emulated=False, barn=self.organisation.name,
            links=(("/site", "to_site"),), asset=self._assets.url, limits=self._limits, key=self._key(), chosen=chosen,
            link=link, silent_s=f"{silent_s:.2f}",
            clock=self._clock(drawn.now, words), age_s="" if age_s is None else age_s, line=drawn.now.beats % 60,
            parts={name: Markup(html) for name, html in drawn.parts.items()},
        )  # fmt: skip

    async def events(self, device: Device, chosen: Chosen) -> AsyncIterator[bytes]:
        """What one viewer is sent."""
        yield RETRY
        told: Drawn | None = None
        async for now in self.watch.follow(IDLE_S):
            if now is None or self.watch.silent_s() >= self._limits.ready_within_s:  # an old beat vouches for nothing
                yield IDLE
                continue
            await self.refresh(chosen)
            drawn = self.draw(device, chosen)
            fresh = self._fresh(told, drawn, self.words(device))
            told = drawn
            said = event_bytes("parts", json.dumps(fresh, ensure_ascii=False)) if fresh else b""
            yield said + self._beat(drawn.now, self.words(device))

    def _names(self, chosen: Chosen) -> tuple[str, ...]:
        shown, _ = chosen_barns(self.watch.current().barns, chosen)
        return tuple(barn.name for barn in shown)

    def _draw(self, now: Now, words: Words, device: Device, chosen: Chosen) -> Drawn:
        day = self.days.of(self._names(chosen))
        board = site_board(now.barns, self.organisation.own, chosen, words, device.unit, day)
        macros = self._macros()
        parts = {
            "bar": macros.bar(self._message(now, words, away=day.away)).strip(),
            "counts": macros.counts(board, words).strip(),
            "rows": "".join(self._row(row, board, words, whole=True) for row in board.rows)
            or macros.nothing(words.site["none_here" if now.barns else "none"]).strip(),
            "pager": macros.pager(board, chosen, words).strip(),
        }
        return Drawn(now=now, board=board, parts=parts, rows={row.id: row for row in board.rows})

    def _row(self, row: BarnRow, board: SiteBoard, words: Words, *, whole: bool) -> str:
        picture = ""
        if row.points:
            picture = spark(
                row.points, begin_s=board.day_end_s - DAY_S, end_s=board.day_end_s, step_s=STEP_S, posts=POSTS,
                said=row.said_day,
            )  # fmt: skip
        macros = self._macros()
        draw = macros.item if whole else macros.barn
        return str(draw(row, board.ages[row.id], Markup(picture), words)).strip()

    def _fresh(self, told: Drawn | None, drawn: Drawn, words: Words) -> dict[str, str]:
        """What the viewer has not got yet."""
        if told is None:
            return dict(drawn.parts)
        fresh = {name: html for name, html in drawn.parts.items() if name != "rows" and told.parts[name] != html}
        if list(told.rows) != list(drawn.rows):
            return fresh | {"rows": drawn.parts["rows"]}
        for name, row in drawn.rows.items():
            if row != told.rows[name]:
                fresh[f"b-{name}"] = self._row(row, drawn.board, words, whole=False)
            elif drawn.board.ages[name] != told.board.ages[name]:
                fresh[f"a-{name}"] = drawn.board.ages[name]
        return fresh

    def _message(self, now: Now, words: Words, *, away: bool) -> tuple[str, ...]:
        lines = []
        if not now.up:
            time = words.clock_unset if now.since_wall_s is None else self._time(now.since_wall_s, words)
            lines.append(words.site["broker_lost"].format(time=time) if now.ever_up else words.site["broker_never"])
        if now.too_many:
            lines.append(words.site["too_many"])
        return (*lines, words.site["store_away"]) if away else tuple(lines)

    def _beat(self, now: Now, words: Words) -> bytes:
        facts = {"clock": self._clock(now, words), "age_s": _age_s(now), "line": now.beats % 60, "page": self._key()}
        return event_bytes("beat", json.dumps(facts, ensure_ascii=False))

    def _clock(self, now: Now, words: Words) -> str:
        return words.clock_unset if now.wall_s is None else self._time(now.wall_s, words)

    def _time(self, wall_s: float, words: Words) -> str:
        return time_text(wall_s, self.organisation.zone, words)

    def _key(self) -> str:
        return hashlib.sha256(f"{self._assets.key} {self.organisation.name}".encode()).hexdigest()[:12]

    def _macros(self) -> Any:
        return self._templates.get_template("site_parts.html").module


def _age_s(now: Now) -> float | None:
    return None if now.heard_s is None else round(max(0.0, now.at_s - now.heard_s), 1)


def chosen_of(request: Request) -> Chosen:
    """What an address asks to see; what it asks wrongly counts as not asked."""
    asked = request.query_params
    level, page = asked.get("level", ""), asked.get("page", "")
    number = int(page) if page.isascii() and page.isdigit() and len(page) < 6 else 1
    return Chosen(level=level if level in LEVELS else "", page=max(1, min(number, MOST_PAGE)))


def router(page: SitePage, languages: Mapping[str, Words], seats: Seats) -> APIRouter:
    """Its addresses. Whoever signs in or pairs a wall is sent where a barn's pages are: here that is this page."""
    routes = APIRouter(include_in_schema=False)

    @routes.get("/")
    @routes.get("/yard")
    @routes.get("/aisle")
    async def start() -> Response:
        return RedirectResponse("/site")

    @routes.get("/site")
    async def board(request: Request) -> Response:
        device, chosen = device_of(request, languages), chosen_of(request)
        await page.refresh(chosen)
        response = HTMLResponse(page.page(device, chosen, request.state.who))
        remember(request, response, device)
        return response

    @routes.get("/site/stream")
    async def stream(request: Request) -> Response:
        return seated(request, page.events(device_of(request, languages), chosen_of(request)), seats)

    return routes
