"""Owns: checks of who may do what: every address with every right, and every way that somebody might get around it.

Must not know: what pages look like.
How it works: a real server, a real people file with real hashes, a real HTTP client that keeps cookies as browsers do.
The table of rights is checked against the routes that the app really has, so a new one cannot be forgotten.
"""

from __future__ import annotations

import hashlib
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute

from dashboards import alarms_api
from dashboards.app import Outside, create_app
from dashboards.door import Access
from dashboards.live import Live
from dashboards.rights import RULES, Right, Who, allowed, needed
from gateway.app.certificate import ready_certificate
from gateway.app.people import PeopleFile
from gateway.errors import GatewayError, LinkError
from gateway.site_web import WebForm, access_of

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]
WORDS = "four plain words here"
CLOSED = Access(open_to_read=False)
NAMES = {Right.VIEWER: "Vera", Right.HAND: "Ana", Right.KEEPER: "Luis"}


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> PeopleFile:
    """One person of each right, a machine of each scope."""
    made = PeopleFile(tmp_path_factory.mktemp("people") / "people.json")
    for right in (Right.KEEPER, Right.HAND, Right.VIEWER):
        made.add(NAMES[right], right, WORDS)
    return made


@pytest.fixture(scope="module")
def keys(people: PeopleFile) -> dict[str, str]:
    return {scope: people.add_key(f"the {scope} machine", scope) for scope in ("read", "hand", "metrics")}


def client(wall: Wall, **headers: str) -> httpx.Client:
    return httpx.Client(base_url=wall.url, trust_env=False, timeout=20, headers={"Origin": wall.url, **headers})


@contextmanager
def sign_in(wall: Wall, name: str) -> Iterator[httpx.Client]:
    with client(wall) as made:
        assert made.post("/sign-in", data={"name": name, "passphrase": WORDS}).status_code == 303
        yield made


def token_of(page: httpx.Response) -> str:
    return page.text.split('name="form" value="')[1].split('"')[0]


@pytest.fixture
def wall(hang_wall: Hang, barns: type[Barns], people: PeopleFile) -> Wall:
    return hang_wall(barns.barn(), people=people, access=CLOSED)


# --- every address with every right -----------------------------------------------------------------


def app_of(people: PeopleFile) -> FastAPI:
    async def nobody(_: Any) -> dict[str, Any]:
        return {}

    return create_app(Live(lambda: 0.0), Outside(clock=lambda: 0.0, people=people, access=CLOSED, ask=nobody))


def routes_of(app: FastAPI) -> Iterator[tuple[str, str]]:
    """Every method and path, also of routers inside routers."""
    pending: list[Any] = list(app.router.routes)
    while pending:
        route = pending.pop()
        if isinstance(route, APIRoute):
            yield from ((method, route.path) for method in route.methods or ())
        elif inner := getattr(route, "routes", None) or getattr(
            getattr(route, "original_router", None), "routes", None
        ):
            pending += inner
        elif path := getattr(route, "path", ""):
            yield "GET", path


def test_every_route_of_the_app_has_its_line_in_the_table(people: PeopleFile) -> None:
    found = set(routes_of(app_of(people)))
    assert len(found) >= 18
    for method, path in found:
        concrete = path.replace("{name}", "stall-fans")
        named = [rule for rule in (*RULES, *alarms_api.RULES) if rule[0] == method and (rule[1] == concrete or (
            rule[1].endswith("/") and rule[1] != "/" and concrete.startswith(rule[1])))]  # fmt: skip
        assert named, f"{method} {path} is in no line"


def test_an_address_that_nobody_named_is_for_keepers() -> None:
    assert needed("GET", "/forgotten") is Right.KEEPER
    assert needed("DELETE", "/aisle") is Right.KEEPER
    assert needed("POST", "/aisle") is Right.KEEPER
    assert needed("HEAD", "/aisle") is Right.VIEWER


# What the table of rights in the documentation says, written down a second time by hand.
EXPECTED = {
    Right.NOBODY: ("GET /", "GET /livez", "GET /readyz", "GET /static/x", "GET /sign-in", "GET /pair",
                   "GET /manifest.webmanifest"),
    Right.VIEWER: ("GET /aisle", "GET /yard", "GET /book", "GET /gateside", "GET /bell", "GET /device",
                   "GET /api/v1/now", "GET /api/v1/openapi.json", "GET /api/v1/history"),
    Right.HAND: ("POST /bell/take", "POST /bell/quiet", "POST /bell/loud", "POST /bell/try", "POST /bell/test",
                 "GET /bell/quiet/3/level-stop:stalls", "GET /kit/stall-fans", "POST /kit/stall-fans",
                 "POST /api/v1/hand"),
    Right.KEEPER: ("POST /bell/out", "POST /bell/back", "GET /people", "POST /people", "POST /people/remove",
                   "GET /anything-else"),
}  # fmt: skip


@pytest.mark.parametrize("right", list(Right))
def test_each_right_opens_what_it_should_and_nothing_above(right: Right) -> None:
    for least, lines in EXPECTED.items():
        for line in lines:
            method, path = line.split()
            assert allowed(Who(name="x", right=right), method, path) is (right >= least), f"{right.word}: {line}"


@pytest.mark.parametrize("right", list(Right))
def test_the_running_server_keeps_to_the_table(wall: Wall, right: Right) -> None:
    with client(wall) if right is Right.NOBODY else sign_in(wall, NAMES[right]) as asks:
        for least, lines in EXPECTED.items():
            for line in lines:
                method, path = line.split()
                answer = asks.request(method, path, follow_redirects=False)
                refused = answer.status_code in (401, 403) and answer.headers["content-type"].startswith(
                    "application/problem"
                )
                if right < least:
                    assert answer.status_code == (401 if right is Right.NOBODY else 403), line
                elif method == "GET":
                    assert not refused, line  # a form without its token is refused for another reason


def test_a_browser_is_led_to_the_door_and_back(wall: Wall) -> None:
    with client(wall, Accept="text/html") as asks:
        answer = asks.get("/kit/stall-fans")
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?to=/kit/stall-fans")
        form = asks.get(answer.headers["location"])
        assert 'value="/kit/stall-fans"' in form.text
        answer = asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS, "to": "/kit/stall-fans"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/kit/stall-fans")
        assert asks.get("/kit/stall-fans").status_code == 200


@pytest.mark.parametrize("to", ["https://evil.example/", "//evil.example", "/kit//evil.example", "script:1", "/\\e"])
def test_signing_in_leads_nowhere_else(wall: Wall, to: str) -> None:
    with client(wall) as asks:
        answer = asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS, "to": to})
        assert answer.headers["location"] == "/yard"


# --- signing in -------------------------------------------------------------------------------------


def test_nobody_can_sign_in_before_there_are_people(hang_wall: Hang, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn(), access=CLOSED)
    with client(wall) as asks:
        assert "loosebox people" in asks.get("/sign-in").text
        for name, words in (("admin", "admin"), ("", ""), ("root", "root"), ("keeper", "keeper")):
            assert asks.post("/sign-in", data={"name": name, "passphrase": words}).status_code in (403, 429)


def test_a_wrong_passphrase_opens_nothing(wall: Wall) -> None:
    with client(wall) as asks:
        answer = asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS + "!"})
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers
        assert asks.get("/yard").status_code == 401


def test_the_cookie_is_unseen_by_scripts_and_stays_at_home(wall: Wall) -> None:
    with client(wall) as asks:
        cookie = asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS}).headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie and "Path=/" in cookie


def test_each_session_has_a_secret_of_its_own(wall: Wall) -> None:
    with sign_in(wall, "Ana") as one, sign_in(wall, "Ana") as two:
        assert one.cookies["loosebox"] != two.cookies["loosebox"]
        assert len(one.cookies["loosebox"]) >= 43  # 256 bits in base64


def test_signing_out_ends_the_session_itself(wall: Wall) -> None:
    with sign_in(wall, "Ana") as asks:
        kept = asks.cookies["loosebox"]
        asks.post("/sign-out")
        with client(wall) as thief:
            thief.cookies.set("loosebox", kept)
            assert thief.get("/yard").status_code == 401


def test_too_many_tries_must_wait_and_the_wait_ends(hang_wall: Hang, barns: type[Barns], people: PeopleFile) -> None:
    now_s = [0.0]
    wall = hang_wall(barns.barn(), people=people, access=CLOSED, clock=lambda: now_s[0])
    with client(wall) as asks:
        tries = [asks.post("/sign-in", data={"name": "Ana", "passphrase": "no"}).status_code for _ in range(7)]
        assert tries == [403] * 5 + [429] * 2
        answer = asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS})
        assert answer.status_code == 429
        now_s[0] += int(answer.headers["retry-after"])
        assert asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS}).status_code == 303


def test_a_session_ends_after_half_a_day_without_use(hang_wall: Hang, barns: type[Barns], people: PeopleFile) -> None:
    now_s = [0.0]
    wall = hang_wall(barns.barn(), people=people, access=CLOSED, clock=lambda: now_s[0])
    with sign_in(wall, "Ana") as asks:
        now_s[0] += 12 * 3600 - 1
        assert asks.get("/sign-in").text.count("signed in: Ana") == 1
        now_s[0] += 12 * 3600 + 1
        assert asks.get("/sign-in").text.count("signed in: Ana") == 0


def test_whoever_is_taken_off_the_list_is_out_at_once(hang_wall: Hang, barns: type[Barns], tmp_path: Path) -> None:
    people = PeopleFile(tmp_path / "people.json")
    people.add("Luis", Right.KEEPER, WORDS)
    people.add("Eva", Right.HAND, WORDS)
    wall = hang_wall(barns.barn(), people=people, access=CLOSED)
    with sign_in(wall, "Eva") as asks, sign_in(wall, "Luis") as keeper:
        assert asks.get("/yard").status_code == 200
        token = token_of(keeper.get("/people"))
        assert keeper.post("/people/remove", data={"name": "Eva"}).status_code == 403  # without the token of the form
        assert keeper.post("/people/remove", data={"name": "Eva", "form": token}).status_code == 303
        assert asks.get("/yard").status_code == 401
        answer = keeper.post("/people/remove", data={"name": "Luis", "form": token})
        assert (answer.status_code, "only keeper" in answer.text) == (409, True)
        added = keeper.post("/people", data={"name": "Noé", "right": "viewer", "passphrase": WORDS, "form": token})
        assert added.status_code == 303
        assert people.right_of("Noé") is Right.VIEWER


def test_a_damaged_list_lets_nobody_in_but_the_wall_stays(hang_wall: Hang, barns: type[Barns], tmp_path: Path) -> None:
    people = PeopleFile(tmp_path / "people.json")
    people.add("Luis", Right.KEEPER, WORDS)
    wall = hang_wall(barns.barn(), people=people, access=Access(open_to_read=True))
    with sign_in(wall, "Luis") as asks:
        (tmp_path / "people.json").write_text("{")
        assert asks.get("/aisle").status_code == 200
        assert asks.get("/people").status_code == 401
        assert asks.post("/sign-in", data={"name": "Luis", "passphrase": WORDS}).status_code == 503


# --- writes -----------------------------------------------------------------------------------------


def test_a_hand_is_recorded_under_the_name_of_the_session(wall: Wall) -> None:
    with sign_in(wall, "Ana") as asks:
        token = token_of(asks.get("/kit/stall-fans"))
        form = {"form": token, "kind": "off", "minutes": "30", "why": "farrier", "by": "Luis"}
        answer = asks.post("/kit/stall-fans", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/yard#kit-stall-fans")
    assert wall.core.asked == [
        {"do": "hand", "subject": "stall-fans", "kind": "off", "minutes": 30, "by": "Ana", "why": "farrier",
         "sure": False}
    ]  # fmt: skip


def test_the_second_question_of_core_is_asked_and_answered(wall: Wall, barns: type[Barns]) -> None:
    wall.publish(barns.dangerous())
    wall.core.answer = {"question": "Level 2 at stalls and horses are there. Stop stall-fans all the same?"}
    with sign_in(wall, "Ana") as asks:
        page = asks.get("/kit/stall-fans")
        form = {"form": token_of(page), "kind": "off", "minutes": "60", "why": ""}
        answer = asks.post("/kit/stall-fans", data=form)
        assert answer.status_code == 200
        assert "Level 2 at Stalls, and horses are there. Stop it all the same?" in answer.text
        assert 'name="sure" value="yes"' in answer.text
        wall.core.answer = {"done": True, "recorded": True}
        assert asks.post("/kit/stall-fans", data={**form, "sure": "yes"}).status_code == 303
    assert [request["sure"] for request in wall.core.asked] == [False, True]


@pytest.mark.parametrize(
    ("answer", "status", "said"),
    [
        ({"error": "it must last 1 to 240 minutes"}, 409, "it must last 1 to 240 minutes"),
        ({"done": True, "recorded": False}, 200, "the history could not record it"),
        (LinkError("core has not answered"), 502, "did not answer"),
        ({}, 409, "stall-fans"),
    ],
)
def test_what_core_did_not_do_is_never_shown_as_done(
    wall: Wall, answer: dict[str, Any] | Exception, status: int, said: str
) -> None:
    wall.core.answer = answer
    with sign_in(wall, "Ana") as asks:
        form = {"form": token_of(asks.get("/kit/stall-fans")), "kind": "off", "minutes": "30"}
        told = asks.post("/kit/stall-fans", data=form)
    assert (told.status_code, said in told.text) == (status, True)


def test_a_page_elsewhere_cannot_make_a_browser_switch(wall: Wall) -> None:
    with sign_in(wall, "Ana") as asks:
        form = {"form": token_of(asks.get("/kit/stall-fans")), "kind": "off", "minutes": "30"}
        for origin in ("https://evil.example", "null", "", wall.url.replace("http:", "https:"), wall.url + ".evil"):
            assert asks.post("/kit/stall-fans", data=form, headers={"Origin": origin}).status_code == 403
        assert asks.post("/kit/stall-fans", data={**form, "form": "other"}).status_code == 403
        assert asks.post("/kit/stall-fans", data={**form, "form": ""}).status_code == 403
    assert wall.core.asked == []


def test_a_form_of_one_session_is_worth_nothing_in_another(wall: Wall) -> None:
    with sign_in(wall, "Ana") as one, sign_in(wall, "Luis") as two:
        form = {"form": token_of(one.get("/kit/stall-fans")), "kind": "off", "minutes": "30"}
        assert two.post("/kit/stall-fans", data=form).status_code == 403
    assert wall.core.asked == []


@pytest.mark.parametrize("bad", [{"kind": "explode"}, {"minutes": "-1"}, {"minutes": "1e9"}, {"minutes": "٣٠"}])
def test_a_form_that_does_not_fit_asks_core_nothing(wall: Wall, bad: dict[str, str]) -> None:
    with sign_in(wall, "Ana") as asks:
        form = {"form": token_of(asks.get("/kit/stall-fans")), "kind": "off", "minutes": "30", **bad}
        assert asks.post("/kit/stall-fans", data=form).status_code == 422
        assert asks.post("/kit/stall-fans", content="x" * 10_000).status_code == 415
        assert asks.post("/kit/stall-fans", data={"why": "x" * 10_000}).status_code == 413
    assert wall.core.asked == []


def test_a_foreign_name_that_points_here_gets_nothing(wall: Wall) -> None:
    with client(wall) as asks:
        for host in ("evil.example", "127.0.0.1.evil.example", "", "[::1", "localhost.evil.example"):
            assert asks.get("/livez", headers={"Host": host}).status_code in (400, 421), host
        for host in ("localhost", "127.0.0.1:80", "[::1]:8460", "192.168.1.20"):
            assert asks.get("/livez", headers={"Host": host}).status_code == 200, host


def test_a_name_of_the_site_file_is_ours(hang_wall: Hang, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn(), access=Access(open_to_read=True, hosts=frozenset({"barn.local"})))
    with client(wall) as asks:
        assert asks.get("/yard", headers={"Host": "barn.local:8460"}).status_code == 200


# --- machines and walls -----------------------------------------------------------------------------


def test_a_key_opens_its_scope_and_nothing_more(wall: Wall, keys: dict[str, str]) -> None:
    body = {"subject": "stall-fans", "kind": "off", "minutes": 30}
    told = {}
    for scope, secret in keys.items():
        with httpx.Client(base_url=wall.url, trust_env=False, headers={"Authorization": f"Bearer {secret}"}) as asks:
            told[scope] = [
                asks.get("/api/v1/now").status_code,
                asks.post("/api/v1/hand", json=body).status_code,
                asks.get("/people").status_code,
            ]
    assert told == {"read": [200, 403, 403], "hand": [200, 200, 403], "metrics": [403, 403, 403]}
    assert [request["by"] for request in wall.core.asked] == ["the hand machine"]


def test_the_key_for_metrics_opens_that_page() -> None:
    metrics = Who(name="prometheus", scope="metrics", by_key=True)
    assert allowed(metrics, "GET", "/metrics")
    assert not allowed(metrics, "POST", "/metrics")
    assert not allowed(metrics, "GET", "/api/v1/now")


def test_a_machine_that_must_be_sure_is_told(wall: Wall, keys: dict[str, str]) -> None:
    wall.core.answer = {"question": "sure?"}
    with httpx.Client(base_url=wall.url, trust_env=False, headers={"Authorization": f"Bearer {keys['hand']}"}) as asks:
        answer = asks.post("/api/v1/hand", json={"subject": "stall-fans", "kind": "off", "minutes": 30})
        assert (answer.status_code, "sure" in answer.json()["detail"]) == (409, True)
        assert asks.post("/api/v1/hand", json={"subject": "stall-fans", "kind": "melt"}).status_code == 422


@pytest.mark.parametrize("value", ["Bearer", "Bearer wrong", "Basic QW5hOmZvdXI=", "bearer x y", "Bearer " + "x" * 900])
def test_a_key_that_is_none_opens_nothing(wall: Wall, value: str) -> None:
    with httpx.Client(base_url=wall.url, trust_env=False, headers={"Authorization": value}) as asks:
        assert asks.get("/api/v1/now").status_code == 401


def test_a_wall_is_paired_once_with_a_code_and_may_only_look(
    hang_wall: Hang, barns: type[Barns], tmp_path: Path
) -> None:
    now_s = [0.0]
    people = PeopleFile(tmp_path / "people.json", lambda: now_s[0])
    code = people.offer("Aisle")
    wall = hang_wall(barns.barn(), people=people, access=CLOSED)
    with client(wall) as asks:
        assert asks.post("/pair", data={"code": "00000000" if code != "00000000" else "1"}).status_code == 403
        assert asks.get("/aisle").status_code == 401
        assert asks.post("/pair", data={"code": f" {code[:4]} {code[4:]} "}).headers["location"] == "/device"
        assert asks.get("/device").status_code == 200
        shown = asks.get("/aisle")
        assert shown.status_code == 200
        assert f"Max-Age={400 * 24 * 3600}" in shown.headers["set-cookie"]  # it lasts as long as it is looked at
        assert asks.get("/kit/stall-fans").status_code == 403
        assert (
            asks.post("/api/v1/hand", json={"subject": "stall-fans", "kind": "off", "minutes": 30}).status_code == 403
        )
        kept = asks.cookies["loosebox"]
    with client(wall) as other:
        assert other.post("/pair", data={"code": code}).status_code == 403  # a code is for one wall
        other.headers["Authorization"] = f"Bearer {kept}"
        assert other.get("/aisle").status_code == 401  # a wall's cookie is no key
    assert hang_wall(barns.barn(), people=PeopleFile(tmp_path / "people.json"), access=CLOSED).url
    late = people.offer("Rack")
    now_s[0] += 601
    assert people.pair(late) is None


# --- TLS --------------------------------------------------------------------------------------------


def test_over_the_network_nothing_is_changed_in_the_clear(
    hang_wall: Hang, barns: type[Barns], people: PeopleFile, own_address: str
) -> None:
    wall = hang_wall(barns.barn(), people=people, access=Access(open_to_read=True), listen=own_address)
    with client(wall) as asks:
        assert asks.get("/yard").status_code == 200
        for path in ("/sign-in", "/pair", "/kit/stall-fans", "/api/v1/hand"):
            answer = asks.post(path, data={"name": "Ana", "passphrase": WORDS})
            assert (answer.status_code, "plain HTTP" in answer.text) == (403, True)
        spoofed = asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS},
                            headers={"X-Forwarded-For": "127.0.0.1", "X-Forwarded-Proto": "https"})  # fmt: skip
        assert spoofed.status_code == 403


def test_a_certificate_of_our_own_serves_and_its_fingerprint_is_shown(
    hang_wall: Hang, barns: type[Barns], people: PeopleFile, tmp_path: Path
) -> None:
    access = access_of(
        WebForm.model_validate({"listen": "192.168.1.20", "hosts": ["barn.local"]}), tmp_path, tmp_path / "history.db"
    )
    assert access.tls and access.own_certificate and not access.open_to_read
    fingerprint = ready_certificate(access, "127.0.0.1")
    assert ready_certificate(access, "127.0.0.1") == fingerprint  # kept, not made anew
    assert access.key_file.stat().st_mode & 0o777 == 0o600
    wall = hang_wall(
        barns.barn(), people=people, access=Access(open_to_read=False, fingerprint=fingerprint),
        ssl_certfile=str(access.cert_file), ssl_keyfile=str(access.key_file),
    )  # fmt: skip
    trust = ssl.create_default_context(cafile=str(access.cert_file))
    with httpx.Client(base_url=wall.url, trust_env=False, verify=trust, headers={"Origin": wall.url}) as asks:
        assert fingerprint in asks.get("/sign-in").text
        cookie = asks.post("/sign-in", data={"name": "Ana", "passphrase": WORDS}).headers["set-cookie"]
        assert cookie.startswith("__Host-loosebox=") and "Secure" in cookie
        assert asks.get("/yard").status_code == 200
    seen = ssl.get_server_certificate(("127.0.0.1", int(wall.url.rsplit(":", 1)[1])))
    digest = hashlib.sha256(ssl.PEM_cert_to_DER_cert(seen)).hexdigest().upper()
    assert ":".join(digest[at : at + 2] for at in range(0, 64, 2)) == fingerprint


def test_a_certificate_that_is_none_stops_the_start(tmp_path: Path) -> None:
    (tmp_path / "c.pem").write_text("no certificate")
    (tmp_path / "k.pem").write_text("no key")
    access = access_of(
        WebForm.model_validate({"cert_file": "c.pem", "key_file": "k.pem"}), tmp_path, tmp_path / "history.db"
    )
    with pytest.raises(GatewayError, match="cannot be used"):
        ready_certificate(access, "127.0.0.1")
