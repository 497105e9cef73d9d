"""Owns: made-up organisations and a running site board for the tests of the screens.

Must not know: what the tests look at.
How it works: what a gateway publishes is made by the gateway's own code from made-up snapshots (`conftest.Barns`), so
the bytes are real. `site_wall` runs uvicorn in a thread; messages are given to the board from the server's own loop,
and it beats as the role does. All names and numbers are invented.
"""

from __future__ import annotations

import asyncio
import dataclasses
import json
import math
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn
from playwright.sync_api import Page

from dashboards.boards import Limits
from dashboards.door import Access
from dashboards.roster import Roster
from dashboards.site_app import SiteOutside, create_site_app
from dashboards.site_board import Own
from dashboards.site_days import DAY_S, STEP_S, Days, Found
from dashboards.site_page import Organisation
from dashboards.site_watch import Heard, Watch
from gateway.app.people import PeopleFile
from gateway.engine.snapshot import Snapshot
from gateway.errors import GatewayError
from gateway.uplink.mqtt import Parcel
from gateway.uplink.states import States
from tests.dashboards.conftest import AFTERNOON_S, Barns, until

ROOT = "loosebox"
Told = tuple[str, bytes]


def state(prefix: str, barn: str, *, here: bool = True, time_s: float | None = AFTERNOON_S) -> Told:
    """As `gateway.app.uplink` has the broker keep it."""
    said = {"state": "here" if here else "gone", "since": 1.0, "barn": barn, "time": time_s, "time_trusted": True}
    return f"{prefix}/state", json.dumps(said).encode()


def told(prefix: str, snapshot: Snapshot) -> list[Told]:
    """Everything that a gateway publishes of a snapshot."""
    parcels: list[Parcel] = []

    def publish(parcel: Parcel) -> bool:
        parcels.append(parcel)
        return True

    States(prefix, publish).turn(snapshot, 0.0)
    return [state(prefix, snapshot.barn, time_s=snapshot.wall_s), *((p.topic, p.payload) for p in parcels)]


def mixed() -> list[Told]:
    """Seven barns: one in danger, one gone, one blind at a place, one with kit that does not follow, the rest calm."""
    barns = {
        "north": Barns.dangerous(),
        "river": Barns.risky(),
        "hill": Barns.blind(),
        "mill": Barns.disobeyed(),
        "oak": Barns.barn(),
        "ford": Barns.damp_morning(),
        "south": Barns.barn(),
    }
    names = {"north": "North Field", "river": "River Bend", "hill": "Hill Top", "mill": "Old Mill and its long meadow",
             "oak": "Oak Lane", "ford": "The Ford", "south": "South Field"}  # fmt: skip
    found: list[Told] = []
    for key, snapshot in barns.items():
        found += told(f"{ROOT}/{key}", dataclasses.replace(snapshot, barn=names[key]))
    return [*found, state(f"{ROOT}/south", names["south"], here=False)]


def calm(count: int = 5) -> list[Told]:
    names = ("Ash", "Birch", "Cedar", "Elm", "Fir", "Hazel", "Linden", "Maple", "Oak", "Pine")
    found: list[Told] = []
    for n in range(count):
        barn = Barns.barn(barn=names[n % len(names)] + (f" {n // len(names) + 1}" if n >= len(names) else ""))
        found += told(f"{ROOT}/b{n}", barn)
    return found


def many(count: int = 1000) -> list[Told]:
    """Every seventh at level 3, 2 or 1 by turns, every fiftieth gone."""
    found: list[Told] = []
    kinds = (
        Barns.barn(),
        Barns.dangerous(),
        Barns.barn(),
        Barns.risky(),
        Barns.damp_morning(),
        Barns.barn(),
        Barns.barn(),
    )
    made = [told("PREFIX", kind) for kind in kinds]
    for n in range(count):
        prefix = f"{ROOT}/b{n}"
        found += [
            (topic.replace("PREFIX", prefix), payload.replace(b"Cedar Bend", f"Barn {n}".encode()))
            for topic, payload in made[n % len(made)]
        ]
        if n % 50 == 49:
            found.append(state(prefix, f"Barn {n}", here=False))
    return found


class MadeDays:
    """A hot day for every place, with a gap; or a store that is away."""

    def __init__(self, *, away: bool = False) -> None:
        self.away = away
        self.asked: list[tuple[str, ...]] = []

    def days(self, barns: Sequence[str], end_s: float) -> Found:
        self.asked.append(tuple(barns))
        if self.away:
            raise GatewayError("the store does not answer")
        steps = range(int(DAY_S // STEP_S))
        at = [(end_s - DAY_S + n * STEP_S, 128 + 22 * math.sin(n / 15.3 - 1.4)) for n in steps if not 30 <= n < 35]
        return {(barn, place): tuple(at) for barn in barns for place in ("stalls", "arena", "rack", "outdoors")}


OWN: Mapping[str, Own] = {
    f"{ROOT}/north": Own(page="https://north.example:8460"),
    f"{ROOT}/river": Own(name="River Bend, lower yard", page="https://river.example:8460"),
}


class SiteWall:
    """A running site board."""

    def __init__(self, watch: Watch, url: str, loop: asyncio.AbstractEventLoop) -> None:
        self.watch, self.url, self._loop = watch, url, loop

    def hear(self, messages: Iterable[Told], *, retained: bool = False) -> None:
        """As the broker delivers them, and the next beat."""
        now_s = self.watch.clock()
        heard = [
            Heard(topic=topic, payload=payload, retained=retained, heard_s=now_s, wall_s=self.watch.wall())
            for topic, payload in messages
        ]
        self.inside(lambda: self.watch.take(heard))
        self.beat()

    def broker(self, up: bool) -> None:
        self.inside(lambda: self.watch.broker(up))
        self.beat()

    def beat(self) -> None:
        self.inside(self.watch.beat)

    def inside(self, work: Callable[[], object]) -> None:
        done: Future[None] = Future()

        def run() -> None:
            work()
            done.set_result(None)

        self._loop.call_soon_threadsafe(run)
        done.result(timeout=20)


@contextmanager
def site_wall(
    messages: Iterable[Told] = (),
    *,
    clock: Callable[[], float] = time.monotonic,
    expected: Sequence[str] = (),
    days: Days | None = None,
    people: PeopleFile | None = None,
    access: Access | None = None,
    limits: Limits | None = None,
    languages: tuple[str, ...] = ("en", "es"),
    up: bool = True,
) -> Iterator[SiteWall]:
    """A site board for the time of a `with` block; the broker is reached and has said `messages`."""
    watch = Watch(Roster(is_ours=lambda p: p.startswith(f"{ROOT}/"), expected=expected), clock, lambda: AFTERNOON_S)
    outside = SiteOutside(
        clock=clock,
        organisation=Organisation(name="River Valley Riders", zone="America/New_York", languages=languages, own=OWN),
        people=people or PeopleFile(Path("/nowhere/people.json")),
        access=access or Access(open_to_read=True),
        days=days,
    )
    listening = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(create_site_app(watch, outside, limits), log_level="error", lifespan="off",
                            timeout_graceful_shutdown=2, access_log=False, proxy_headers=False)  # fmt: skip
    server, loop = uvicorn.Server(config), asyncio.new_event_loop()

    def serve() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(server.serve(sockets=[listening]))
        loop.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    until(lambda: server.started)
    hung = SiteWall(watch, f"http://127.0.0.1:{listening.getsockname()[1]}", loop)
    if up:
        hung.broker(True)
    hung.hear(messages)
    try:
        yield hung
    finally:
        loop.call_soon_threadsafe(watch.stop)
        server.should_exit = True
        thread.join(timeout=10)
        assert not thread.is_alive()


# What the site board is looked at in: by name, what the server is made with.
SITE_STATES: Mapping[str, Callable[[], dict[str, Any]]] = {
    "site mixed": lambda: {"messages": mixed(), "days": MadeDays(), "expected": [f"{ROOT}/far"]},
    "site calm": lambda: {"messages": calm()},
    "site many": lambda: {"messages": many(150), "days": MadeDays()},
    "site store away": lambda: {"messages": mixed(), "days": MadeDays(away=True)},
    "site broker away": lambda: {"messages": mixed(), "up": False},
    "site nothing": lambda: {"messages": ()},
    "site link lost": lambda: {
        "messages": mixed(),
        "limits": Limits(bar_after_s=0.2, lost_after_s=0.4, ready_within_s=0.1),
    },
}


def site_prepared(page: Page, url: str, state_name: str) -> Page:
    """The site board, open and still."""
    page.goto(url)
    page.evaluate("document.fonts.ready.then(() => true)")
    if state_name == "site link lost":
        page.locator("body[data-link=lost]").wait_for(timeout=8000)
    return page
