"""Owns: the list of every page in every language, face and state, for the pictures and for the checks of all.

Must not know: what is checked.
How it works: a state is a made-up barn; a page is an address and a size. Pages behind the door are opened by signing in
as a person would.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from playwright.sync_api import Page

from dashboards.boards import Limits
from dashboards.door import Access
from dashboards.rights import Right
from gateway.app.people import PeopleFile
from gateway.engine.snapshot import Snapshot
from tests.dashboards.conftest import AFTERNOON_S, Barns, Wall, wall
from tests.dashboards.made_bells import BELLS, CONTACTS, STOP, MadeCalls
from tests.dashboards.made_past import MadePast
from tests.dashboards.site_wall import SITE_STATES, SiteWall, site_prepared, site_wall

WORDS = "four plain words here"
WALL, PHONE, SMALL, PANEL, DESK = (1920, 1080), (390, 844), (320, 568), (800, 480), (1280, 800)
LANGS, FACES = ("en", "es"), ("day", "night", "glare")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One page as it is looked at. `signed`: as whom; `posts`: fields to fill and the button to press."""

    name: str
    path: str
    state: str
    size: tuple[int, int]
    signed: str = ""
    answer: str = ""
    press: str = ""

    @property
    def wall(self) -> bool:
        return self.size == WALL

    def options(self) -> dict[str, Any]:
        short = Limits(bar_after_s=0.2, lost_after_s=0.4, ready_within_s=0.1)
        people = None if self.state == "nobody" else people_file()
        return {
            "people": people,
            "access": Access(open_to_read=not self.signed or self.path.startswith("/yard")),
            **({"limits": short} if self.state in ("link lost", "bell lost") else {}),
            **({"contacts": CONTACTS, "calls": MadeCalls()} if self.path.startswith("/bell") else {}),
        }


@lru_cache(maxsize=1)
def people_file() -> PeopleFile:
    """Two people, a wall and a machine."""
    made = PeopleFile(Path(tempfile.mkdtemp()) / "people.json")
    made.add("Luis", Right.KEEPER, WORDS)
    made.add("Ana", Right.HAND, WORDS)
    made.add_key("history store", "read")
    made.pair(made.offer("Aisle screen"))
    return made


def by_hand() -> Snapshot:
    """The stall fans stopped by Ana for half an hour."""
    hand = Barns.kit("stall-fans", asked=False, seen=False)
    fields = {"hand": "off", "hand_by": "Ana", "hand_why": "farrier", "hand_until_wall_s": AFTERNOON_S + 1800}
    kit = type(hand)(**{**{name: getattr(hand, name) for name in hand.__dataclass_fields__}, **fields})
    return Barns.barn(Barns.place("stalls", 30.0, 57.0, 1, kit=(kit, Barns.mister())), *Barns.four()[1:])


def at_its_end() -> Snapshot:
    """Level 3 with every fan on; one of them asked and by its proof not running."""
    barn = Barns.dangerous()
    idle = Barns.kit("rack-fan", seen=True, trouble="rack-fan: asked to run, but its current shows that it does not")
    idle = type(idle)(**{**{name: getattr(idle, name) for name in idle.__dataclass_fields__}, "running": False})
    valve = Barns.kit("rack-valve", "valve", asked=True)
    rack = Barns.place("rack", 35.6, 68.0, 3, kit=(idle, Barns.mister(on=True), valve))
    places = (barn.places[0], barn.places[1], rack, barn.places[3])
    return Barns.barn(*places, faults=(Barns.fault("arena", "kit-at-its-end"),))


STATES = {
    "normal": lambda: Barns.barn(emulated=True),
    "risk": Barns.risky,
    "danger": Barns.dangerous,
    "rule asks for more": Barns.damp_morning,
    "lost": Barns.blind,
    "asked": Barns.disobeyed,
    "by hand": by_hand,
    "at its end": at_its_end,
    "link lost": Barns.risky,
}
BELL_STATES = {**BELLS, "bell lost": BELLS["one now"]}


def every_page() -> Iterator[Shown]:
    """Walls in every state; the sheet in every state; what is behind the door once in each language and face."""
    for lang in LANGS:
        for face in FACES:
            look = f"lang={lang}&face={face}"
            for state in STATES:
                tag = f"{state.replace(' ', '-')}-{lang}-{face}"
                yield Shown(name=f"aisle-{tag}", path=f"/aisle?{look}", state=state, size=WALL)
                yield Shown(name=f"gateside-{tag}", path=f"/gateside?{look}", state=state, size=WALL)
                yield Shown(name=f"yard-{tag}", path=f"/yard?{look}", state=state, size=PHONE)
            tag = f"{lang}-{face}"
            yield Shown(name=f"yard-small-{tag}", path=f"/yard?{look}&unit=c", state="at its end", size=SMALL)
            yield Shown(name=f"kit-{tag}", path=f"/kit/stall-fans?{look}", state="risk", size=PHONE, signed="Ana")
            yield Shown(name=f"kit-small-{tag}", path=f"/kit/stall-fans?{look}", state="by hand", size=SMALL,
                        signed="Ana")  # fmt: skip
            yield Shown(name=f"kit-question-{tag}", path=f"/kit/stall-fans?{look}", state="danger", size=PHONE,
                        signed="Ana", answer="question", press="#do")  # fmt: skip
            yield Shown(name=f"sign-in-{tag}", path=f"/sign-in?{look}", state="normal", size=PHONE)
            yield Shown(name=f"sign-in-nobody-{tag}", path=f"/sign-in?{look}", state="nobody", size=SMALL)
            yield Shown(name=f"pair-{tag}", path=f"/pair?{look}", state="normal", size=PHONE)
            yield Shown(name=f"book-{tag}", path=f"/book?{look}", state="risk", size=(1000, 1200))
            yield Shown(name=f"book-small-{tag}", path=f"/book?day=2026-07-13&{look}&unit=c", state="risk", size=SMALL)
            yield Shown(name=f"book-table-{tag}", path=f"/book?as=table&{look}", state="risk", size=PHONE)
            yield Shown(name=f"book-slope-{tag}", path=f"/book?as=slope&{look}", state="risk", size=PHONE)
            yield from bell_pages(look, tag)
            yield from site_pages(look, tag)
            yield Shown(name=f"device-{tag}", path=f"/device?{look}", state="risk", size=PHONE)
            yield Shown(name=f"device-small-{tag}", path=f"/device?{look}", state="link lost", size=SMALL)
            yield Shown(name=f"people-{tag}", path=f"/people?{look}", state="normal", size=PHONE, signed="Luis")


def bell_pages(look: str, tag: str) -> Iterator[Shown]:
    """The bell list in every state and right, and what it makes of the wall and the yard sheet."""
    for state in BELL_STATES:
        name = f"{state.replace(' ', '-')}-{tag}"
        yield Shown(name=f"bell-{name}", path=f"/bell?{look}", state=state, size=PHONE, signed="Ana")
    quiet = f"/bell/quiet/{STOP.episode}/{STOP.alarm}?{look}"
    for size, name in ((SMALL, "small"), (PANEL, "panel"), (DESK, "desk")):
        yield Shown(name=f"bell-{name}-{tag}", path=f"/bell?{look}", state="every state", size=size, signed="Luis")
    yield Shown(name=f"bell-small-flood-{tag}", path=f"/bell?{look}", state="flood", size=SMALL)
    yield Shown(name=f"bell-look-{tag}", path=f"/bell?{look}", state="every state", size=PHONE)
    yield Shown(name=f"bell-quiet-{tag}", path=quiet, state="one now", size=PHONE, signed="Luis")
    yield Shown(name=f"bell-gone-{tag}", path=quiet, state="kit soon", size=SMALL, signed="Ana")
    for state in ("one taken", "flood"):
        name = f"{state.replace(' ', '-')}-{tag}"
        yield Shown(name=f"aisle-bell-{name}", path=f"/aisle?{look}", state=state, size=WALL)
        yield Shown(name=f"yard-bell-{name}", path=f"/yard?{look}", state=state, size=PHONE)


def site_pages(look: str, tag: str) -> Iterator[Shown]:
    """The board of many barns in every state, on a screen, at a desk and on a phone."""
    for state in SITE_STATES:
        sizes = ((WALL, "wall"), (SMALL, "small")) if state == "site mixed" else ()
        for size, name in (*sizes, (DESK, "desk"), (PHONE, "phone")):
            yield Shown(name=f"{state.replace(' ', '-')}-{name}-{tag}", path=f"/site?{look}", state=state, size=size)


def hung_for(shown: Shown) -> AbstractContextManager[Any]:
    """A running server for a page: that of a barn, or the site board."""
    if shown.state in SITE_STATES:
        return site_wall(**SITE_STATES[shown.state]())
    return wall(past=MadePast(), **shown.options())


def prepared(page: Page, hung: Wall | SiteWall, shown: Shown) -> Page:
    """The page, open and still."""
    page.set_viewport_size({"width": shown.size[0], "height": shown.size[1]})
    page.emulate_media(reduced_motion="reduce")
    if isinstance(hung, SiteWall):
        return site_prepared(page, hung.url + shown.path, shown.state)
    hung.publish({**STATES, **BELL_STATES}.get(shown.state, STATES["normal"])())
    if shown.answer == "question":
        hung.core.answer = {"question": "sure?"}
    if shown.signed:
        page.goto(f"{hung.url}/sign-in")
        page.locator("#name").fill(shown.signed)
        page.locator("#passphrase").fill(WORDS)
        page.locator("#enter").click()
        page.wait_for_url(lambda url: "/sign-in" not in url)
    page.goto(hung.url + shown.path)
    page.evaluate("document.fonts.ready.then(() => true)")
    if shown.press:
        page.locator(shown.press).click()
        page.wait_for_load_state()
    if shown.state in ("link lost", "bell lost") and (shown.wall or "/yard" in shown.path or "/bell" in shown.path):
        page.locator("body[data-link=lost]").wait_for(timeout=8000)
    return page
