"""The alarms as a program sees them: a real server behind the real door, a real HTTP client, ETags and waiting."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import httpx
import pytest
import uvicorn
from fastapi import FastAPI
from fastapi.routing import APIRoute

from dashboards import alarms_api, problems
from dashboards.alarms_api import RULES, lamp_of
from dashboards.boards import Limits
from dashboards.door import Access, Door
from dashboards.headers import Guard
from dashboards.live import Live
from dashboards.people import Key, Person, Sessions
from dashboards.rights import Right, needed
from gateway.engine.snapshot import Snapshot
from gateway.errors import LinkError
from gateway.model import AlarmStep
from tests.alarms.scenes import Bell, facts, hot, troubles
from tests.alarms.snapshots import snapshot

KEY = "level-stop:stalls"
HAND = {"Authorization": "Bearer hand-key"}
LOOK = {"Authorization": "Bearer read-key"}


class Keys:
    """Two machines with keys; nobody else."""

    def check(self, name: str, passphrase: str) -> str | None:
        return None

    def right_of(self, name: str) -> Right:
        return Right.NOBODY

    def persons(self) -> Sequence[Person]:
        return ()

    def listed_keys(self) -> Sequence[Key]:
        return ()

    def key_of(self, secret: str) -> Key | None:
        return {"hand-key": Key(name="Ana", scope="hand"), "read-key": Key(name="lamp", scope="read")}.get(secret)

    def pair(self, code: str) -> str | None:
        return None

    def add(self, name: str, right: Right, passphrase: str) -> None:
        raise AssertionError

    def remove(self, name: str) -> None:
        raise AssertionError


class Served:
    """A running server. `now_s` is its clock for the age of a snapshot."""

    def __init__(self, *, door: bool, ask: bool) -> None:
        self.now_s, self.asked = 0.0, list[dict[str, Any]]()
        self.answer: dict[str, Any] | Exception = {"done": True, "recorded": True}
        self.live, self.loop = Live(lambda: self.now_s), asyncio.new_event_loop()
        self._app = FastAPI()
        problems.install(self._app)
        self._app.include_router(alarms_api.router(self.live, Limits(), self._ask if ask else None))
        if door:
            sessions = Sessions(Keys(), lambda: self.now_s)
            self._app.add_middleware(Door, sessions=sessions, access=Access(open_to_read=True), more=RULES)
        self._app.add_middleware(Guard)

    async def _ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self.asked.append(dict(request))
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer

    def publish(self, seen: Snapshot) -> None:
        async def inside() -> None:
            self.live.publish(seen)

        asyncio.run_coroutine_threadsafe(inside(), self.loop).result(5)

    @contextmanager
    def running(self) -> Iterator[httpx.Client]:
        listening = socket.create_server(("127.0.0.1", 0))
        server = uvicorn.Server(uvicorn.Config(self._app, log_level="error", lifespan="off"))
        thread = threading.Thread(target=self.loop.run_until_complete, args=(server.serve([listening]),), daemon=True)
        thread.start()
        address = f"http://127.0.0.1:{listening.getsockname()[1]}/api/v1/alarms"
        with httpx.Client(base_url=address, trust_env=False, timeout=10, follow_redirects=True) as client:
            yield client
        self.loop.call_soon_threadsafe(self.live.stop)
        server.should_exit = True
        thread.join(10)
        assert not thread.is_alive()
        self.loop.close()


@pytest.fixture
def served() -> Served:
    return Served(door=True, ask=True)


@pytest.fixture
def http(served: Served) -> Iterator[httpx.Client]:
    with served.running() as client:
        yield client


def heat(*more: AlarmStep) -> Bell:
    """Level 3 that calls, and then what a person did."""
    bell = Bell()
    bell.run(hot(3), for_s=120)
    for what in more:
        bell.file(what, KEY, why="vet", until_mono_s=bell.now_s + 600, until_wall_s=1_780_000_000.0)
    return bell


def problem(response: httpx.Response, status: int) -> str:
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    return str(response.json()["detail"])


# --- reading ----------------------------------------------------------------------------------------


def test_the_list_says_what_is_the_matter_and_what_to_do_in_both_languages(served: Served, http: httpx.Client) -> None:
    served.publish(snapshot(heat()))
    body = http.get("").json()
    assert [alarm["alarm"] for alarm in body["alarms"]] == [KEY]
    first = body["alarms"][0]
    assert (first["priority"], first["state"], first["horse"], first["episode"]) == ("now", "unacknowledged", True, 1)
    assert first["say"]["es"] == "Cuadras: nivel 3, demasiado calor para un caballo."
    assert first["do"]["en"] == "Stop all work. Water on the horses. See that every fan runs."
    assert http.get(f"/one/{KEY}").json() == first


def test_an_alarm_that_is_not_there_is_not_found(served: Served, http: httpx.Client) -> None:
    served.publish(snapshot(Bell()))
    assert KEY in problem(http.get(f"/one/{KEY}"), 404)
    assert http.get("").json()["alarms"] == []


@pytest.mark.parametrize("path", ["", "/state", f"/one/{KEY}", "/cap", "/cap/x"])
def test_without_a_core_nobody_says_that_all_is_well(path: str, served: Served, http: httpx.Client) -> None:
    problem(http.get(path), 503)
    served.publish(snapshot(Bell()))
    served.now_s += 3600.0
    problem(http.get(path), 503)


STATES = [
    ((), ("now", True, True, 1, 1, 0)),
    ((AlarmStep.ACKNOWLEDGED,), ("now", False, False, 0, 1, 0)),
    ((AlarmStep.SHELVED,), ("off", False, False, 0, 0, 0)),
    ((AlarmStep.OUT_OF_SERVICE,), ("off", False, False, 0, 0, 0)),
]


@pytest.mark.parametrize(("did", "shows"), STATES)
def test_the_lamp_and_the_horn(
    did: tuple[AlarmStep, ...], shows: tuple[Any, ...], served: Served, http: httpx.Client
) -> None:
    served.publish(snapshot(heat(*did)))
    assert tuple(http.get("/state").json().values()) == shows


def test_the_lamp_shows_the_worst_and_counts_what_is_unread() -> None:
    bell = Bell()
    bell.run(facts(troubles=troubles(("history", "history-unwritten"), ("disk", "disk-low"))), for_s=300)
    assert lamp_of(snapshot(bell).alarms).lamp == "soon"
    bell.run(for_s=3600, every_s=10.0)
    over = lamp_of(snapshot(bell).alarms)
    assert (over.lamp, over.unread, over.standing) == ("off", 1, 0)


# --- tags and waiting -------------------------------------------------------------------------------


def test_the_tag_changes_with_the_alarms_and_not_with_the_time(served: Served, http: httpx.Client) -> None:
    bell = heat()
    served.publish(snapshot(bell))
    first = http.get("")
    bell.run(hot(3), for_s=30)
    served.publish(snapshot(bell))
    again = http.get("", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    bell.file(AlarmStep.ACKNOWLEDGED, KEY)
    served.publish(snapshot(bell))
    new = http.get("", headers={"If-None-Match": first.headers["etag"]})
    assert new.status_code == 200 and new.headers["etag"] != first.headers["etag"]
    assert new.headers["cache-control"] == "no-cache"


def test_whoever_waits_is_answered_when_something_changes(served: Served, http: httpx.Client) -> None:
    bell = heat()
    served.publish(snapshot(bell))
    tag = http.get("/state").headers["etag"]
    bell.file(AlarmStep.ACKNOWLEDGED, KEY)
    changed = threading.Timer(0.4, served.publish, [snapshot(bell)])
    changed.start()
    begun_s = time.monotonic()
    answer = http.get("/state", headers={"If-None-Match": tag, "Prefer": "wait=8"})
    took_s = time.monotonic() - begun_s
    changed.join()
    assert answer.status_code == 200 and answer.json()["flash"] is False
    assert answer.headers["preference-applied"] == "wait=8"
    assert 0.3 < took_s < 4.0


def test_whoever_waits_in_vain_is_told_that_nothing_has_changed(served: Served, http: httpx.Client) -> None:
    served.publish(snapshot(heat()))
    tag = http.get("").headers["etag"]
    begun_s = time.monotonic()
    assert http.get("", headers={"If-None-Match": tag, "Prefer": "wait=1"}).status_code == 304
    assert 0.8 < time.monotonic() - begun_s < 4.0


def test_nobody_waits_with_an_old_tag_or_without_asking_to(served: Served, http: httpx.Client) -> None:
    served.publish(snapshot(heat()))
    tag = http.get("").headers["etag"]
    begun_s = time.monotonic()
    assert http.get("", headers={"If-None-Match": '"old"', "Prefer": "wait=30"}).status_code == 200
    assert http.get("", headers={"If-None-Match": tag}).status_code == 304
    assert http.get("", headers={"Prefer": "wait=x"}).status_code == 200
    assert time.monotonic() - begun_s < 2.0


# --- CAP --------------------------------------------------------------------------------------------


def test_the_feed_leads_to_the_document(served: Served, http: httpx.Client) -> None:
    served.publish(snapshot(heat()))
    feed = http.get("/cap")
    assert feed.headers["content-type"] == "application/atom+xml"
    href = feed.text.split('type="application/cap+xml" href="')[1].split('"')[0]
    document = http.get(href.removeprefix("/api/v1/alarms"))
    assert document.headers["content-type"] == "application/cap+xml"
    assert b"<msgType>Alert</msgType>" in document.content
    problem(http.get("/cap/nothing"), 404)


# --- changing ---------------------------------------------------------------------------------------

WRITES: list[tuple[str, dict[str, Any]]] = [
    ("acknowledge", {"alarm": KEY, "episode": 1}),
    ("shelve", {"alarm": KEY, "minutes": 10, "why": "vet is here"}),
    ("unshelve", {"alarm": KEY}),
    ("weekly-test", {"reached": ["Ana", "Luis"], "fail_safe": True}),
]
KEEPERS: list[tuple[str, dict[str, Any]]] = [
    ("out-of-service", {"alarm": "sensor-lost:air", "why": "repair"}),
    ("in-service", {"alarm": "sensor-lost:air"}),
]


@pytest.mark.parametrize(("do", "body"), WRITES)
def test_a_change_carries_the_name_of_whoever_has_signed_in(
    do: str, body: dict[str, Any], served: Served, http: httpx.Client
) -> None:
    served.publish(snapshot(heat()))
    answer = http.post(f"/{do}", json=body, headers=HAND)
    assert answer.json() == {"done": True, "recorded": True}
    assert served.asked == [{"do": do, **body, "by": "Ana"}]


@pytest.mark.parametrize(("do", "body"), [*WRITES, *KEEPERS])
def test_a_forged_change_does_not_reach_core(do: str, body: dict[str, Any], served: Served, http: httpx.Client) -> None:
    served.publish(snapshot(heat()))
    foreign = {"Origin": "http://elsewhere.example"}
    assert http.post(f"/{do}", json=body).status_code in (401, 403)
    assert http.post(f"/{do}", json=body, headers=foreign).status_code == 403
    assert http.post(f"/{do}", json=body, headers={"Authorization": "Bearer wrong"}).status_code in (401, 403)
    assert http.post(f"/{do}", json=body, headers=LOOK).status_code == 403
    assert http.post(f"/{do}", json={**body, "by": "Luis"}, headers=HAND).status_code in (403, 422)
    assert http.get(f"/{do}", headers=HAND).status_code == 405
    assert served.asked == []


@pytest.mark.parametrize(("do", "body"), KEEPERS)
def test_taking_an_alarm_out_of_service_is_for_keepers(
    do: str, body: dict[str, Any], served: Served, http: httpx.Client
) -> None:
    assert "keeper" in problem(http.post(f"/{do}", json=body, headers=HAND), 403)
    assert needed("POST", f"/api/v1/alarms/{do}", RULES) is Right.KEEPER


@pytest.mark.parametrize(
    ("do", "body"),
    [
        ("acknowledge", {"alarm": KEY}),
        ("acknowledge", {"alarm": KEY, "episode": 0}),
        ("acknowledge", {"alarm": "x" * 121, "episode": 1}),
        ("shelve", {"alarm": KEY, "minutes": 10}),
        ("shelve", {"alarm": KEY, "minutes": 1441, "why": "long"}),
        ("shelve", {"alarm": KEY, "minutes": "nan", "why": "x"}),
        ("weekly-test", {"reached": ["Ana"], "fail_safe": True}),
        ("weekly-test", {"reached": ["Ana", "Luis"], "fail_safe": False}),
    ],
)
def test_what_does_not_fit_is_refused(do: str, body: dict[str, Any], served: Served, http: httpx.Client) -> None:
    problem(http.post(f"/{do}", json=body, headers=HAND), 422)
    assert served.asked == []


def test_core_may_refuse_or_be_gone(served: Served, http: httpx.Client) -> None:
    served.answer = {"error": "this alarm has come anew meanwhile: look again"}
    assert "anew" in problem(http.post("/acknowledge", json=WRITES[0][1], headers=HAND), 409)
    served.answer = LinkError("core is not there")
    assert "core is not there" in problem(http.post("/acknowledge", json=WRITES[0][1], headers=HAND), 503)


@pytest.mark.parametrize(("door", "ask"), [(False, True), (True, False)])
def test_without_sign_in_or_without_a_way_to_core_every_change_is_refused(door: bool, ask: bool) -> None:
    served = Served(door=door, ask=ask)
    with served.running() as http:
        for do, body in WRITES:
            assert "signed in" in problem(http.post(f"/{do}", json=body, headers=HAND), 403)
    assert served.asked == []


def test_every_route_is_in_the_table_of_rights() -> None:
    router = alarms_api.router(Live(time.monotonic), Limits())
    asked = {(method, path) for method, path, _ in RULES}
    for route in router.routes:
        assert isinstance(route, APIRoute)
        for method, path in ((method, route.path) for method in route.methods or ()):
            under = method == "GET" and path.startswith("/api/v1/alarms/")
            assert (method, path) in asked or under, f"{method} {path}"
