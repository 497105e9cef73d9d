"""Owns: drawing the board: once for each change and language, for all who watch.

Must not know: HTTP, how long a client has been there.
How it works: a `Look` says in which language and with how many. For each look the last view is kept; the template
runs only when the view differs. The frames of the event stream are bytes made here once and shared.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from dashboards import pictures
from dashboards.assets import Assets
from dashboards.clock_text import local_of, read_text, time_text
from dashboards.live import Live
from dashboards.present import Board, live_board, lost_board
from dashboards.rows import Row
from dashboards.words import Words
from gateway.engine.snapshot import Snapshot

FOLDER = Path(__file__).parent / "templates"


# Pixels of a 1080-pixel screen: the length of every pole, its height, that with a message over more than four rows, and
# the part of the height that is left below the age of a late row. The style sheet scales poles, and has this part too.
POLE_WIDTH, POLE_HEIGHT, POLE_HEIGHT_TIGHT, LATE_POLE = 400, 50, 40, 0.4


class Face(StrEnum):
    """The colours: by day, by night, black on white for a screen in the sun; or day and night by the barn's clock."""

    DAY = "day"
    NIGHT = "night"
    GLARE = "glare"
    CLOCK = "clock"


# The hours of the night face by the clock, and what a browser paints around a page: --paper in the style sheets.
NIGHT_FROM_H, NIGHT_TO_H = 20, 6
PAPER = {Face.DAY: "#F7F6F1", Face.NIGHT: "#0D1113", Face.GLARE: "#FFFFFF"}


class Link(StrEnum):
    """What is known of the core: heard, not heard for a while, not heard for too long to show a number."""

    LIVE = "live"
    BAR = "bar"
    LOST = "lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Seconds without a word from the core until the black bar, until all numbers go, and until not ready."""

    bar_after_s: float = 25.0
    lost_after_s: float = 60.0
    ready_within_s: float = 5.0


@dataclass(frozen=True, slots=True)
class Look:
    """Which language leads (None: the first of the barn), and whether it stands alone."""

    lang: str | None
    one: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A drawn board. `event` is the ready event of the stream."""

    id: str
    html: str
    event: bytes


class Boards:
    """Draws for all pages and streams. Belongs to the event loop."""

    def __init__(self, live: Live, languages: Mapping[str, Words], assets: Assets, limits: Limits) -> None:
        self.assets = assets
        self._live, self._languages, self._limits = live, languages, limits
        self._frames: dict[Look, tuple[Board, Frame]] = {}
        self._beats: dict[Look, tuple[Snapshot, bytes]] = {}
        self.templates = Environment(
            loader=FileSystemLoader(FOLDER),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.templates.globals["draw"] = _DRAW
        self.templates.globals["asset"] = assets.url
        self.templates.globals["face_of"] = lambda face: shown_face(face, live.current())
        self.templates.globals["paper_of"] = lambda face: PAPER[shown_face(face, live.current())]

    def link(self) -> Link:
        """How the link to the core stands now."""
        if self._live.heard_within(self._limits.bar_after_s):
            return Link.LIVE
        return Link.BAR if self._live.heard_within(self._limits.lost_after_s) else Link.LOST

    def texts(self, look: Look) -> tuple[Words, ...]:
        """The languages of a look, the leading one first. A barn may name languages that have no words here."""
        snapshot = self._live.current()
        of_barn = [lang for lang in (snapshot.languages if snapshot else ("en", "es")) if lang in self._languages]
        lead = look.lang or next(iter(of_barn), "en")
        others = [] if look.one else [lang for lang in of_barn if lang != lead]
        return tuple(self._languages[lang] for lang in (lead, *others[:1]))

    def frame(self, snapshot: Snapshot, look: Look) -> Frame:
        """The board of a snapshot, drawn only when it differs from the last one of this look."""
        texts = self.texts(look)
        board = live_board(snapshot, texts)
        known = self._frames.get(look)
        if known is None or known[0] != board:
            html = self._draw(board, texts)
            digest = hashlib.sha256(html.encode()).hexdigest()[:16]
            frame = Frame(id=digest, html=html, event=event_bytes("board", html, digest))
            known = self._frames[look] = (board, frame)
        return known[1]

    def beat(self, snapshot: Snapshot, look: Look) -> bytes:
        """The event that says: the core lives, it is this late in the barn, this old is what you see."""
        known = self._beats.get(look)
        if known is None or known[0] is not snapshot:
            facts = {
                "clock": self.clock(snapshot, look),
                "age_s": read_age_s(snapshot),
                "line": snapshot.steps % 60,
                "page": self.page_key(snapshot),
            }
            known = self._beats[look] = (snapshot, event_bytes("beat", json.dumps(facts, ensure_ascii=False)))
        return known[1]

    def page(self, look: Look, face: Face) -> str:
        """The whole page, as true as the link is now."""
        snapshot, texts, link = self._live.current(), self.texts(look), self.link()
        lost = self._draw(lost_board(snapshot, texts), texts)
        alive = snapshot is not None and link is not Link.LOST
        age_s = self._live.age_s()
        return self.templates.get_template("aisle.html").render(
            texts=texts,
            words=texts[0],
            face=face,
            look=look,
            link=link,
            board=Markup(self.frame(snapshot, look).html) if snapshot and alive else Markup(lost),
            lost=Markup(lost),
            title=texts[0].title.format(barn=snapshot.barn if snapshot else "Loosebox"),
            emulated=snapshot is not None and snapshot.emulated,
            posts=" · ".join(f"{post:g}" for post in snapshot.posts) if snapshot else "",
            clock=self.clock(snapshot, look) if snapshot else "",
            age_s=read_age_s(snapshot) if snapshot else None,
            age_text=self.age_text(snapshot, look, link),
            silent_s="" if age_s is None else f"{age_s:.2f}",
            line=snapshot.steps % 60 if snapshot else 0,
            page=self.page_key(snapshot),
            limits=self._limits,
        )

    def clock(self, snapshot: Snapshot, look: Look) -> str:
        """The time of the snapshot in the barn, or that the clock is not set."""
        words = self.texts(look)[0]
        return time_text(snapshot.wall_s, snapshot.zone, words) if snapshot.clock_trusted else words.clock_unset

    def page_key(self, snapshot: Snapshot | None) -> str:
        """Changes when the frame around the board is no longer right; a page that sees another key loads again."""
        facts = (
            (snapshot.barn, snapshot.emulated, snapshot.languages, snapshot.posts, [p.name for p in snapshot.places],
             shown_face(Face.CLOCK, snapshot))
            if snapshot
            else ()
        )  # fmt: skip
        return hashlib.sha256(f"{self.assets.key} {facts}".encode()).hexdigest()[:12]

    def age_text(self, snapshot: Snapshot | None, look: Look, link: Link) -> str:
        """How old what is shown is, or when the last word came."""
        words = self.texts(look)[0]
        if snapshot is None:
            return words.read_none
        if link is Link.LIVE:
            age_s = read_age_s(snapshot)
            return read_text(None if age_s is None else age_s + (self._live.age_s() or 0.0), words)
        clock = self.clock(snapshot, look)
        return clock if clock == words.clock_unset else words.last_word.format(time=clock)

    def _draw(self, board: Board, texts: Sequence[Words]) -> str:
        return self.templates.get_template("board.html").render(board=board, texts=texts).strip()


def shown_face(face: Face, snapshot: Snapshot | None) -> Face:
    """The face as it is drawn now. By a clock that nobody trusts it is day: dark letters are read in any light."""
    if face is not Face.CLOCK:
        return face
    local = local_of(snapshot.wall_s, snapshot.zone) if snapshot and snapshot.clock_trusted else None
    night = local is not None and not NIGHT_TO_H <= local.hour < NIGHT_FROM_H
    return Face.NIGHT if night else Face.DAY


def read_age_s(snapshot: Snapshot) -> float | None:
    """The age of the oldest reading that is shown as a number; None when no place has one."""
    ages = [place.age_s for place in snapshot.places if place.level is not None and place.age_s is not None]
    return round(max(ages), 1) if ages else None


def event_bytes(name: str, data: str, event_id: str = "") -> bytes:
    """One event of a stream, as the HTML standard's section on server-sent events frames it."""
    lines = [f"event: {name}", *([f"id: {event_id}"] if event_id else []), *(f"data: {x}" for x in data.split("\n"))]
    return ("\n".join(lines) + "\n\n").encode()


class _Draw:
    """The pictures as the templates call them, marked as safe markup."""

    def gate(self, level: int | None, height: int) -> Markup:
        return Markup(pictures.gate(level, height))

    def plug(self, height: int) -> Markup:
        return Markup(pictures.plug(height))

    def swatch(self, hatched: bool) -> Markup:
        return Markup(pictures.swatch(hatched=hatched, height=24))

    def sign(self, kind: str, state: str, height: int) -> Markup:
        draw = {"fan": pictures.fan, "mister": pictures.mist, "valve": pictures.valve}[kind]
        return Markup(draw(state, height))

    def hand(self, height: int) -> Markup:
        return Markup(pictures.hand(height))

    def bell(self, state: str, height: int) -> Markup:
        return Markup(pictures.bell(state, height))

    def parcel(self, state: str, height: int) -> Markup:
        return Markup(pictures.parcel(state, height))

    def rod(self, temp_f: float | None, rh_pct: float | None, posts: Sequence[float], outline: bool) -> Markup:
        """A pole without letters, for a phone, where the numbers stand beside it."""
        return Markup(
            pictures.pole(
                temp_f=temp_f, rh_pct=rh_pct, posts=posts, labels=("", ""), outline=outline, width=300, height=30
            )
        )

    def pole(self, row: Row, board: Board) -> Markup:
        """All poles of a board have one length; how high one may be follows from what else must fit."""
        height = POLE_HEIGHT_TIGHT if len(board.rows) > 4 and board.message else POLE_HEIGHT
        return Markup(
            pictures.pole(
                temp_f=row.temp_f,
                rh_pct=row.rh_pct,
                posts=board.posts,
                labels=(f"{row.temp_f}°", f"{row.rh_pct}%"),
                outline=row.freshness == "late",
                width=POLE_WIDTH,
                height=round(height * LATE_POLE) if row.age else height,
            )
        )


_DRAW = _Draw()
