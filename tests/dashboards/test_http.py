"""Owns: checks of everything that a program sees: the API, errors, headers, files, streams.

Must not know: what a board looks like.
How it works: a real server on 127.0.0.1, a real HTTP client, and plain sockets where a client misbehaves.
"""

from __future__ import annotations

import json
import re
import socket
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import httpx
import pytest

from dashboards.boards import Limits
from dashboards.pages import STREAMS_AT_MOST
from tests.dashboards.made_past import MadePast

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]


@pytest.fixture
def http() -> Iterator[httpx.Client]:
    with httpx.Client(trust_env=False, timeout=10) as client:
        yield client


def events(response: httpx.Response) -> Iterator[dict[str, str]]:
    """The events of a stream as the HTML standard reads them; comments and retry come as their own."""
    fields: dict[str, str] = {}
    for line in response.iter_lines():
        if not line:
            if fields:
                yield fields
            fields = {}
            continue
        name, _, value = line.partition(":")
        value = value.removeprefix(" ")
        fields[name or "comment"] = f"{fields[name]}\n{value}" if name in fields else value


def problem(response: httpx.Response, status: int) -> dict[str, Any]:
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = response.json()
    assert body["status"] == status
    assert {"type", "title", "detail", "instance"} <= body.keys()
    return body


# --- the API ----------------------------------------------------------------------------------------


def test_now_gives_the_whole_snapshot_with_words_and_age(
    hang_wall: Hang, http: httpx.Client, barns: type[Barns]
) -> None:
    now_s = [100.0]
    wall = hang_wall(barns.risky(), clock=lambda: now_s[0])
    now_s[0] = 103.25
    body = http.get(f"{wall.url}/api/v1/now").json()
    assert body["age_s"] == 3.25
    assert body["barn"] == "Cedar Bend"
    assert [place["words"] for place in body["places"]] == [
        {"en": "AIR", "es": "AIRE"}, {"en": "CARE", "es": "CUIDE"}, {"en": "HOT", "es": "CALOR"},
        {"en": "EASY", "es": "SUAVE"},
    ]  # fmt: skip
    # 33.3 °C is 91.94 °F by the definition of the scale; with 59 % that is 150.94.
    assert body["places"][1]["sum_f_pct"] == pytest.approx(150.94)


def test_now_gives_null_for_a_lost_place(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    lost = http.get(f"{hang_wall(barns.blind()).url}/api/v1/now").json()["places"][0]
    assert [lost[key] for key in ("level", "sum_f_pct", "temp_c", "rh_pct", "wet_bulb_c", "dew_point_c")] == [None] * 6
    assert lost["words"] == {"en": "LOOK", "es": "MIRE"}
    assert lost["lost_code"] == "silent"


def test_now_does_not_serve_old_air(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    now_s = [0.0]
    wall = hang_wall(clock=lambda: now_s[0])
    assert "never" in problem(http.get(f"{wall.url}/api/v1/now"), 503)["detail"]
    wall.publish(barns.barn())
    now_s[0] = 24.9
    assert http.get(f"{wall.url}/api/v1/now").status_code == 200
    now_s[0] = 25.0
    assert problem(http.get(f"{wall.url}/api/v1/now"), 503)["detail"] == "The core was last heard 25 s ago."


def test_openapi_describes_every_field(hang_wall: Hang, http: httpx.Client) -> None:
    document = http.get(f"{hang_wall().url}/api/v1/openapi.json").json()
    ours = {path for path in document["paths"] if not path.startswith("/api/v1/alarms")}  # they have tests of their own
    assert ours == {"/api/v1/now", "/api/v1/hand", "/api/v1/history"}
    answers = document["paths"]["/api/v1/now"]["get"]["responses"]
    assert "application/problem+json" in answers["503"]["content"]
    schemas = document["components"]["schemas"]
    assert {"Now", "Place", "Kit", "Fault"} <= schemas.keys()
    for name, schema in schemas.items():
        for field, facts in schema["properties"].items():
            assert facts.get("description"), f"{name}.{field}"
            if field.endswith(("_s", "_c", "_pct")):
                assert "[" in facts["description"] or "Unix s" in facts["description"], f"{name}.{field} has no unit"


def test_now_has_exactly_the_fields_that_are_described(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    url = hang_wall(barns.disobeyed()).url
    schemas = http.get(f"{url}/api/v1/openapi.json").json()["components"]["schemas"]
    body = http.get(f"{url}/api/v1/now").json()
    assert body.keys() == schemas["Now"]["properties"].keys()
    assert body["places"][0].keys() == schemas["Place"]["properties"].keys()
    assert body["places"][0]["kit"][0].keys() == schemas["Kit"]["properties"].keys()
    assert body["faults"][0].keys() == schemas["Fault"]["properties"].keys()


# --- errors, headers, files ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing", 401),
        ("GET", "/static/aisle.css", 404),
        ("GET", "/static/..%2fapp.py", 404),
        ("GET", "/docs", 401),
        ("POST", "/aisle", 403),
        ("DELETE", "/api/v1/now", 403),
        ("HEAD", "/aisle/stream", 405),
        ("GET", "/aisle?lang=xx", 422),
        ("GET", "/aisle?face=disco", 422),
        ("GET", "/aisle?one=perhaps", 422),
        ("GET", "/aisle/stream?lang=<b>", 422),
    ],
)
def test_every_error_is_a_problem_document(
    hang_wall: Hang, http: httpx.Client, method: str, path: str, status: int
) -> None:
    response = http.request(method, hang_wall().url + path)
    if method == "HEAD":
        assert (response.status_code, response.headers["content-type"]) == (405, "application/problem+json")
        return
    body = problem(response, status)
    if status == 422:
        assert body["errors"][0]["pointer"].startswith("query/")


def test_a_fault_inside_is_a_problem_without_details(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    # A level that no gate has: the core never sends one.
    wall = hang_wall(barns.barn(barns.place(level=9)))
    response = http.get(f"{wall.url}/aisle", headers={"Connection": "close"})
    assert "IndexError" not in json.dumps(problem(response, 500))
    assert "default-src 'self'" in response.headers["content-security-policy"]
    assert http.get(f"{wall.url}/livez").status_code == 200


@pytest.mark.parametrize("path", ["/", "/aisle", "/nothing", "/api/v1/now", "/livez", "/readyz"])
def test_guarding_headers_are_on_every_answer(hang_wall: Hang, http: httpx.Client, path: str) -> None:
    headers = http.get(hang_wall().url + path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert (headers["x-content-type-options"], headers["referrer-policy"]) == ("nosniff", "same-origin")
    assert headers["cache-control"] == "no-store"


def test_the_root_leads_to_the_aisle_board(hang_wall: Hang, http: httpx.Client) -> None:
    response = http.get(hang_wall().url + "/")
    assert (response.status_code, response.headers["location"]) == (307, "/aisle")


def test_head_is_answered_like_get_without_a_body(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn())
    for path in ("/aisle", "/readyz", "/api/v1/now"):
        response = http.head(wall.url + path)
        assert (response.status_code, response.content) == (200, b"")


def test_files_of_the_page_are_kept_for_ever_under_their_hash(
    hang_wall: Hang, http: httpx.Client, barns: type[Barns]
) -> None:
    wall = hang_wall(barns.barn())
    page = http.get(f"{wall.url}/aisle").text
    names = re.findall(r'"(/static/[^"]+)"', page)
    css = http.get(wall.url + next(name for name in names if name.endswith(".css"))).text
    names += [f"/static/{name}" for name in re.findall(r'url\("([^"]+)"\)', css)]
    assert {name.rsplit(".")[-1] for name in names} == {"css", "js", "png", "svg", "woff2"}
    for name in names:
        response = http.get(wall.url + name)
        assert response.status_code == 200, name
        assert "immutable" in response.headers["cache-control"]


@pytest.mark.parametrize("path", ["/aisle", "/gateside?place=arena", "/yard", "/bell", "/book"])
def test_every_page_is_light_on_the_wire(hang_wall: Hang, http: httpx.Client, barns: type[Barns], path: str) -> None:
    # Budgets: 70 kB for everything of the page with its fonts, 14 kB for the page itself, 12 kB for our own scripts.
    wall = hang_wall(barns.risky(), past=MadePast())

    def packed(name: str) -> int:
        response = http.get(wall.url + name)
        assert response.status_code == 200
        return response.num_bytes_downloaded

    page = http.get(wall.url + path)
    names = set(re.findall(r'"(/static/[^"]+(?:js|svg|css))"', page.text))
    sheets = "".join(http.get(wall.url + name).text for name in names if name.endswith("css"))
    names |= {f"/static/{name}" for name in re.findall(r'url\("([^"]+)"\)', sheets)}
    assert 1_000 < page.num_bytes_downloaded < 14_000
    assert page.headers["content-encoding"] == "gzip"
    assert sum(packed(name) for name in names if name.endswith("js")) < 12_000
    assert page.num_bytes_downloaded + sum(map(packed, names)) < 70_000


def test_readiness_follows_the_core_and_life_does_not(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    now_s = [0.0]
    wall = hang_wall(clock=lambda: now_s[0])
    problem(http.get(f"{wall.url}/readyz"), 503)
    wall.publish(barns.barn())
    now_s[0] = 4.9
    assert http.get(f"{wall.url}/readyz").status_code == 200
    now_s[0] = 5.0
    assert "retry-after" in http.get(f"{wall.url}/readyz").headers
    assert http.get(f"{wall.url}/livez").status_code == 200


def test_the_page_is_as_true_as_the_link(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    now_s = [0.0]
    wall = hang_wall(barns.risky(), clock=lambda: now_s[0])
    told = {}
    for now_s[0] in (1.0, 26.0, 61.0):
        page = http.get(f"{wall.url}/aisle").text
        board = page.split('id="board"')[1].split('id="said"')[0]
        told[now_s[0]] = (re.findall(r'data-link="(\w+)"', page)[0], "CARE" in board, "LOOK" in board, "151" in board)
    assert told == {
        1.0: ("live", True, False, True),
        26.0: ("bar", True, False, True),
        61.0: ("lost", False, True, False),
    }


def test_text_of_the_site_file_cannot_become_markup(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    evil = "<script>alert(1)</script>"
    wall = hang_wall(barns.barn(barns.place("x", label={"en": evil}), barn=evil, faults=(barns.fault(evil, "x"),)))
    page = http.get(f"{wall.url}/aisle").text
    assert evil not in page
    assert "&lt;script&gt;" in page


# --- streams ----------------------------------------------------------------------------------------


def test_a_stream_sends_the_board_once_and_a_beat_for_each_step(
    hang_wall: Hang, http: httpx.Client, barns: type[Barns]
) -> None:
    wall = hang_wall(barns.barn(steps=61))
    with http.stream("GET", f"{wall.url}/aisle/stream") as response:
        assert response.headers["content-type"].startswith("text/event-stream")
        assert response.headers["cache-control"] == "no-store"
        told = events(response)
        assert next(told) == {"retry": "3000"}
        board = next(told)
        assert (board["event"], "GO" in board["data"]) == ("board", True)
        beat = next(told)
        assert json.loads(beat["data"]) | {"page": ""} == {"clock": "2:12 pm", "age_s": 3.0, "line": 1, "page": ""}
        wall.publish(barns.barn(steps=62))
        again = next(told)
        assert (again["event"], json.loads(again["data"])["line"]) == ("beat", 2)
        wall.publish(barns.risky())
        changed = next(told)
        assert (changed["event"], changed["id"] != board["id"]) == ("board", True)


def test_a_stream_speaks_the_language_of_its_page(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    wall = hang_wall(barns.risky())
    with http.stream("GET", f"{wall.url}/aisle/stream?lang=es&one=1") as response:
        told = events(response)
        next(told)
        board = next(told)["data"]
        assert "CUIDE" in board
        assert "CARE" not in board
        assert json.loads(next(told)["data"])["clock"] == "14:12"


def test_beats_of_a_fast_core_are_at_most_one_a_second(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn(steps=0))
    with http.stream("GET", f"{wall.url}/aisle/stream") as response:
        told = events(response)
        [next(told) for _ in range(3)]
        begin_s = time.monotonic()
        for steps in range(1, 101):
            wall.publish(barns.barn(steps=steps))
        assert json.loads(next(told)["data"])["line"] == 40  # 100 modulo 60: only the newest
        assert time.monotonic() - begin_s > 0.9


def test_an_old_snapshot_is_not_given_to_a_new_stream(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    now_s = [0.0]
    wall = hang_wall(barns.risky(), clock=lambda: now_s[0])
    now_s[0] = 6.0
    with http.stream("GET", f"{wall.url}/aisle/stream") as response:
        told = events(response)
        next(told)
        assert "comment" in next(told)
        wall.publish(barns.risky())
        assert next(told)["event"] == "board"


def test_a_stream_too_many_is_refused_until_one_ends(
    hang_wall: Hang, http: httpx.Client, barns: type[Barns], until_met: Callable[..., None]
) -> None:
    wall = hang_wall(barns.barn())
    address = f"{wall.url}/aisle/stream"
    with ExitStack() as streams:
        opened = [streams.enter_context(http.stream("GET", address)) for _ in range(STREAMS_AT_MOST)]
        assert [response.status_code for response in opened] == [200] * STREAMS_AT_MOST
        refused = http.get(address)
        problem(refused, 503)
        assert int(refused.headers["retry-after"]) > 0
        assert http.get(f"{wall.url}/aisle").status_code == 200

    def free() -> bool:
        with http.stream("GET", address) as response:
            return response.status_code == 200

    until_met(free)


def test_stop_ends_all_streams_at_once(hang_wall: Hang, http: httpx.Client, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn())

    def read_to_the_end() -> float:
        with http.stream("GET", f"{wall.url}/aisle/stream") as response:
            opened.append(response)
            list(response.iter_lines())
        return time.monotonic()

    opened: list[httpx.Response] = []
    with ThreadPoolExecutor(5) as readers:
        ends = [readers.submit(read_to_the_end) for _ in range(5)]
        while len(opened) < 5:
            time.sleep(0.01)
        begin_s = time.monotonic()
        wall.stop_streams()
        assert max(end.result(timeout=5) for end in ends) - begin_s < 1.0


def test_a_client_that_never_reads_holds_back_neither_others_nor_the_stop(
    open_wall: Callable[..., Any], http: httpx.Client, barns: type[Barns]
) -> None:
    with open_wall(Limits()) as wall:
        wall.publish(barns.barn())
        host = urlsplit(wall.url)
        with socket.create_connection((host.hostname or "", host.port or 0)) as mute:
            mute.sendall(f"GET /aisle/stream HTTP/1.1\r\nHost: {host.netloc}\r\n\r\n".encode())
            for steps in range(500):
                wall.publish(barns.barn(steps=steps))
            with http.stream("GET", f"{wall.url}/aisle/stream") as response:
                told = events(response)
                next(told)
                assert next(told)["event"] == "board"
        begin_s = time.monotonic()
    assert time.monotonic() - begin_s < 4.0
