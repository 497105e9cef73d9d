"""Owns: made-up barns, a real web server and a real browser for the tests of the screens.

Must not know: what the tests look at.
How it works: `Barns` fills everything that a test does not care about; all names and numbers are invented. `wall`
runs uvicorn in a thread on a free port of 127.0.0.1; snapshots are published from the server's own loop, as the
link does it. One browser serves all tests, each with fresh pages.
"""

from __future__ import annotations

import asyncio
import dataclasses
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, Page

from dashboards.app import Outside, create_app
from dashboards.boards import Limits
from dashboards.calls import Calls
from dashboards.door import Access
from dashboards.live import Live
from dashboards.past import Past
from gateway.app.people import PeopleFile
from gateway.engine.snapshot import VERSION, FaultView, KitView, PlaceView, Snapshot
from tests.browser import chromium

# 2026-07-14 18:12:00 UTC, which is 2:12 pm in New York and 8:12 pm in Madrid (both on summer time; IANA tzdata).
AFTERNOON_S = 1784052720.0
LABELS = {
    "stalls": {"en": "Stalls", "es": "Cuadras"},
    "arena": {"en": "Arena", "es": "Pista"},
    "rack": {"en": "Rack", "es": "Duchas"},
    "outdoors": {"en": "Outside", "es": "Afuera"},
}

# The roof of a riding place whose level by the air is 0 to 3.
ROOFS = ("canter", "trot", "walk", "none")


class Barns:
    """Barns and their parts as a test wants them."""

    @staticmethod
    def kit(
        name: str, kind: str = "fan", *, asked: bool = True, seen: bool | None = True, trouble: str = ""
    ) -> KitView:
        return KitView(
            name=name,
            kind=kind,
            asked=asked,
            seen=seen,
            reasons=("level",),
            reason_codes=("level-asks",),
            trouble=trouble,
        )

    @staticmethod
    def place(
        name: str = "arena", temp_c: float = 22.0, rh_pct: float = 50.0, level: int = 0, **other: Any
    ) -> PlaceView:
        """A place whose rule and air agree on its level, unless the test says otherwise."""
        kind = other.get("kind", "riding" if name in ("arena", "outdoors") else "standing")
        air = min(other.get("air_level", level) or 0, 3)
        given: dict[str, Any] = {
            "name": name,
            "kind": kind,
            "label": LABELS.get(name, {"en": name.title(), "es": name.title()}),
            "freshness": "fresh",
            "policy": "stricter" if kind == "riding" else "air",
            "level": level,
            "rule_level": level,
            "air_level": level,
            "last_level": level,
            "roof": ROOFS[air],
            "carry_pace": "stand" if kind == "standing" else ("canter", "canter", "trot", "walk")[air],
            "carry": ((2.4, 1.5, 1.1, 0.8) if kind == "standing" else (1.2, 0.9, 0.9, 0.9))[air],
            "carry_low": 0.7,
            "carry_high": 2.8,
            "carries": {
                "stand": 1.7,
                "walk": (2.4, 1.9, 1.3, 0.8)[air],
                "trot": (1.7, 1.3, 0.9, 0.6)[air],
                "canter": (1.2, 0.9, 0.7, 0.5)[air],
            },
            "sum_f_pct": temp_c * 1.8 + 32 + rh_pct,
            "temp_c": temp_c,
            "rh_pct": rh_pct,
            "wet_bulb_c": 15.0,
            "dew_point_c": 11.0,
            "age_s": 3.0,
            "good_wall_s": AFTERNOON_S - 3,
            "lost_code": "",
            "lost_text": "",
            "kit": (),
        }
        return PlaceView(**{**given, **other})

    @staticmethod
    def lost(name: str = "stalls", last_level: int | None = 0, since_s: float = 3600.0, **other: Any) -> PlaceView:
        """A place whose sensor has been silent for an hour."""
        given: dict[str, Any] = {
            **dict.fromkeys(("level", "rule_level", "air_level", "sum_f_pct", "temp_c", "rh_pct")),
            **dict.fromkeys(("wet_bulb_c", "dew_point_c", "carry", "carry_low", "carry_high")),
            "roof": "",
            "carry_pace": "",
            "carries": {},
            "freshness": "lost",
            "last_level": last_level,
            "age_s": since_s,
            "good_wall_s": AFTERNOON_S - since_s,
            "lost_code": "silent",
            "lost_text": f"{name}-air: no reading for {since_s:.0f} s",
        }
        return dataclasses.replace(Barns.place(name), **{**given, **other})

    @staticmethod
    def fault(subject: str, code: str) -> FaultView:
        return FaultView(subject=subject, code=code, text=f"{subject} has {code}", since_wall_s=AFTERNOON_S - 60)

    @staticmethod
    def barn(*places: PlaceView, **other: Any) -> Snapshot:
        given: dict[str, Any] = {
            "version": VERSION,
            "barn": "Cedar Bend",
            "zone": "America/New_York",
            "emulated": False,
            "boot": "boot-1",
            "steps": 100,
            "mono_s": 100.0,
            "wall_s": AFTERNOON_S,
            "clock_trusted": True,
            "posts": (130.0, 150.0, 180.0),
            "languages": ("en", "es"),
            "places": places or Barns.four(),
            "faults": (),
        }
        return Snapshot(**{**given, **other})

    @staticmethod
    def four() -> tuple[PlaceView, ...]:
        """Four places on a mild morning."""
        return (
            Barns.place("stalls", 21.5, 50.0, kit=(Barns.kit("stall-fans", asked=False, seen=False), Barns.mister())),
            Barns.place("arena", 23.4, 48.0, kit=(Barns.kit("arena-fans", asked=False, seen=False),)),
            Barns.place("rack", 22.6, 52.0, kit=(Barns.kit("rack-fan", asked=False, seen=False),)),
            Barns.place("outdoors", 21.0, 49.0),
        )

    @staticmethod
    def mister(*, on: bool = False) -> KitView:
        return Barns.kit("stall-mist", "mister", asked=on, seen=on)

    @staticmethod
    def risky() -> Snapshot:
        """A close afternoon: the arena at level 2, the others below or with it."""
        return Barns.barn(
            Barns.place("stalls", 30.0, 57.0, 1, kit=(Barns.kit("stall-fans"), Barns.mister())),
            Barns.place("arena", 33.3, 59.0, 2, kit=(Barns.kit("arena-fans"),)),
            Barns.place("rack", 32.2, 63.0, 2, kit=(Barns.kit("rack-fan"), Barns.mister(on=True))),
            Barns.place("outdoors", 33.0, 55.0, 1),
        )

    @staticmethod
    def dangerous() -> Snapshot:
        """The worst afternoon: nobody rides."""
        return Barns.barn(
            Barns.place("stalls", 34.4, 66.0, 2, kit=(Barns.kit("stall-fans"), Barns.mister(on=True))),
            Barns.place("arena", 38.3, 81.0, 3, kit=(Barns.kit("arena-fans"),)),
            Barns.place("rack", 35.6, 68.0, 2, kit=(Barns.kit("rack-fan"),)),
            Barns.place("outdoors", 37.0, 70.0, 2),
        )

    @staticmethod
    def split(name: str, rule_level: int, air_level: int, **other: Any) -> PlaceView:
        """A place where the rule and the air differ; its level is what its policy makes of both."""
        policy = other.get("policy", Barns.place(name).policy)
        level = {"rule": rule_level, "air": air_level, "stricter": max(rule_level, air_level)}[policy]
        return Barns.place(name, **{**other, "level": level, "rule_level": rule_level, "air_level": air_level})

    @staticmethod
    def damp_morning() -> Snapshot:
        """Mild and damp: the rule asks for more care than the air."""
        stalls = (Barns.kit("stall-fans", asked=False, seen=False), Barns.mister())
        return Barns.barn(
            Barns.split("stalls", 2, 0, temp_c=23.0, rh_pct=84.0, wet_bulb_c=21.0, kit=stalls),
            Barns.split("arena", 2, 0, temp_c=22.2, rh_pct=88.0, wet_bulb_c=20.8, kit=(Barns.kit("arena-fans"),)),
            Barns.split("rack", 2, 0, temp_c=22.8, rh_pct=90.0, wet_bulb_c=21.6),
            Barns.split("outdoors", 2, 1, temp_c=21.5, rh_pct=89.0, wet_bulb_c=20.2, kit=stalls),
        )

    @staticmethod
    def hot_noon() -> Snapshot:
        """Hot and not very damp: the air asks for more care than the rule."""
        both = (Barns.kit("fans"), Barns.mister(on=True))
        return Barns.barn(
            Barns.split("stalls", 1, 2, temp_c=34.4, rh_pct=50.0, wet_bulb_c=25.6, kit=both),
            Barns.split("arena", 1, 2, temp_c=38.0, rh_pct=44.0, wet_bulb_c=27.4, kit=(Barns.kit("arena-fans"),)),
            Barns.split("rack", 1, 3, temp_c=40.0, rh_pct=40.0, wet_bulb_c=28.0, kit=both),
            Barns.place("outdoors", 33.0, 50.0, 1, wet_bulb_c=24.4),
        )

    @staticmethod
    def blind() -> Snapshot:
        """The stalls have no reading; the others are well."""
        return Barns.barn(
            Barns.lost("stalls", kit=(Barns.kit("stall-fans"),)),
            *Barns.four()[1:],
            faults=(Barns.fault("stalls-air", "sensor-lost"),),
        )

    @staticmethod
    def disobeyed() -> Snapshot:
        """A fan was asked and its relay does not follow."""
        words = "stall-fans: asked on, its relay shows off"
        stalls = Barns.place(
            "stalls", 30.0, 57.0, 1, kit=(Barns.kit("stall-fans", seen=False, trouble=words), Barns.mister())
        )
        return Barns.barn(stalls, *Barns.four()[1:], faults=(Barns.fault("stall-fans", "kit-not-following"),))


class Core:
    """What answers a person's requests: remembers them, and says what the test told it to say."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []
        self.answer: dict[str, Any] | Exception = {"done": True, "recorded": True, "until_wall_s": AFTERNOON_S + 1800}
        self.then: Callable[[], None] = lambda: None  # what follows inside the server's loop

    async def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self.asked.append(dict(request))
        if isinstance(self.answer, Exception):
            raise self.answer
        self.then()
        return self.answer


class Wall:
    """A running web role. `url` is where; `publish` is what the core would do."""

    def __init__(self, live: Live, url: str, loop: asyncio.AbstractEventLoop, core: Core) -> None:
        self.live, self.url, self.loop, self.core = live, url, loop, core

    def publish(self, snapshot: Snapshot) -> None:
        self._inside(lambda: self.live.publish(snapshot))

    def stop_streams(self) -> None:
        self._inside(self.live.stop)

    def _inside(self, work: Callable[[], None]) -> None:
        done: Future[None] = Future()

        def run() -> None:
            work()
            done.set_result(None)

        self.loop.call_soon_threadsafe(run)
        done.result(timeout=5)


@contextmanager
def wall(
    limits: Limits | None = None,
    clock: Callable[[], float] = time.monotonic,
    port: int = 0,
    *,
    people: PeopleFile | None = None,
    access: Access | None = None,
    past: Past | None = None,
    contacts: tuple[str, ...] = (),
    calls: Calls | None = None,
    listen: str = "127.0.0.1",
    **options: Any,
) -> Iterator[Wall]:
    """A wall for the time of a `with` block; it is stopped as the web role stops it. Without people nobody can sign in;
    everybody may look unless `access` says otherwise."""
    live, core = Live(clock), Core()
    listening = socket.create_server((listen, port))
    outside = Outside(
        clock=clock,
        people=people or PeopleFile(Path("/nowhere/people.json")),
        access=access or Access(open_to_read=True),
        ask=core.ask,
        past=past,
        past_fresh_s=0.0,
        contacts=contacts,
        calls=calls,
    )
    given: dict[str, Any] = {"log_level": "error", "timeout_graceful_shutdown": 2, "lifespan": "off",
                             "access_log": False, "proxy_headers": False}  # fmt: skip
    config = uvicorn.Config(create_app(live, outside, limits), **{**given, **options})
    server = uvicorn.Server(config)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=_run, args=(loop, server, listening), daemon=True)
    thread.start()
    until(lambda: server.started)
    scheme = "https" if options.get("ssl_certfile") else "http"
    address = f"{scheme}://{listen}:{listening.getsockname()[1]}"
    try:
        yield Wall(live, address, loop, core)
    finally:
        loop.call_soon_threadsafe(live.stop)
        server.should_exit = True
        thread.join(timeout=10)
        assert not thread.is_alive()


def until(met: Callable[[], Any], within_s: float = 10.0) -> None:
    """Wait for something that a real process does soon."""
    end_s = time.monotonic() + within_s
    while not met():
        assert time.monotonic() < end_s, "this did not happen in time"
        time.sleep(0.02)


def _run(loop: asyncio.AbstractEventLoop, server: uvicorn.Server, listening: socket.socket) -> None:
    asyncio.set_event_loop(loop)
    loop.run_until_complete(server.serve(sockets=[listening]))
    loop.close()


@pytest.fixture(scope="session")
def barns() -> type[Barns]:
    return Barns


@pytest.fixture(scope="session")
def until_met() -> Callable[..., None]:
    return until


@pytest.fixture(scope="session")
def open_wall() -> Callable[..., AbstractContextManager[Wall]]:
    """`wall` itself, for tests that stop a server and start another."""
    return wall


@pytest.fixture
def hang_wall() -> Iterator[Callable[..., Wall]]:
    """Makes a running wall that lasts as long as the test; the first snapshot, limits, clock and port are optional."""
    with ExitStack() as walls:

        def make(snapshot: Snapshot | None = None, **how: Any) -> Wall:
            made = walls.enter_context(wall(**how))
            if snapshot is not None:
                made.publish(snapshot)
            return made

        yield make


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture
def look_at(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a page of a given size and waits until its fonts are there."""
    pages: list[Page] = []

    def open_page(
        url: str, size: tuple[int, int] = (1920, 1080), prepare: Callable[[Page], None] | None = None
    ) -> Page:
        page = browser.new_page(viewport={"width": size[0], "height": size[1]})
        pages.append(page)
        if prepare:
            prepare(page)
        page.goto(url)
        page.evaluate("document.fonts.ready.then(() => true)")
        return page

    yield open_page
    for page in pages:
        page.close()


@pytest.fixture
def own_address() -> str:
    """An address of this machine that is not loopback; what other machines would call."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737); nothing is sent
            address = str(sock.getsockname()[0])
        except OSError:
            address = "127.0.0.1"
    if address.startswith("127."):
        pytest.skip("this machine has no address but loopback")
    return address
