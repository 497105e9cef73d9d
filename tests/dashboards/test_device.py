"""Owns: checks of what a device remembers: the page /device, its cookie, the address without a path, the face by clock.

Must not know: what boards say.
How it works: a real server and a real HTTP client that keeps cookies as browsers do; one pass in a real browser with
scripts switched off.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import httpx
import pytest
from playwright.sync_api import Browser, expect

from dashboards.boards import PAPER, Face, shown_face
from dashboards.device import Device, board_path
from tests.dashboards.test_contrast import tokens

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]
# 2026-07-14: 6 pm UTC is 2 pm in New York, and 3 am UTC of the next day is 11 pm there (summer time; IANA tzdata).
AFTERNOON_S, NIGHT_S = 1784052000.0, 1784084400.0


@pytest.fixture
def wall(hang_wall: Hang, barns: type[Barns]) -> Wall:
    return hang_wall(barns.risky())


@pytest.fixture
def asks(wall: Wall) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=wall.url, timeout=20, trust_env=False) as client:
        yield client


def chosen(page: str) -> dict[str, str]:
    return dict(re.findall(r'name="(\w+)" value="([^"]+)" checked', page))


def test_a_new_device_has_the_choices_that_pages_have_without_it(asks: httpx.Client) -> None:
    expected = {"lang": "en", "one": "0", "unit": "f", "face": "day", "board": "aisle"}
    assert chosen(asks.get("/device").text) == expected
    assert asks.get("/").headers["location"] == "/aisle"


def test_what_is_kept_holds_on_every_page_and_leads_to_the_board(asks: httpx.Client) -> None:
    form = {"lang": "es", "one": "1", "unit": "c", "face": "night", "board": "gateside:arena"}
    answer = asks.get("/device", params=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/gateside?place=arena")
    assert chosen(asks.get("/device").text) == form
    assert asks.get("/").headers["location"] == "/gateside?place=arena"
    for path in ("/aisle", "/gateside", "/yard", "/device", "/sign-in"):
        page = asks.get(path).text
        assert '<html lang="es" data-face="night">' in page, path
    assert "one=1" in asks.get("/aisle").text
    assert "one=1" in asks.get("/gateside").text
    assert "°C" in asks.get("/yard").text


def test_an_address_that_chooses_wins_and_is_for_this_time_only_on_a_wall(asks: httpx.Client) -> None:
    asks.get("/device", params={"lang": "es", "face": "night"})
    assert '<html lang="en" data-face="glare">' in asks.get("/aisle?lang=en&face=glare").text
    assert '<html lang="es" data-face="night">' in asks.get("/aisle").text


@pytest.mark.parametrize(
    "cookie", ["", "es", "es.c.night", "xx.k.pink.7.attic", "." * 50, "en.f.day.0.gateside%3A" + "x" * 500, "%%%.\"'"]
)
def test_what_a_cookie_says_that_is_not_known_counts_as_not_said(asks: httpx.Client, cookie: str) -> None:
    answer = asks.get("/device", headers={"Cookie": f"device={cookie}"})
    assert answer.status_code == 200
    assert chosen(answer.text)["board"] == "aisle"
    assert chosen(answer.text)["lang"] == ("es" if cookie.startswith("es") else "en")


def test_a_board_for_a_place_that_is_gone_shows_the_first_one() -> None:
    assert board_path("gateside:gone", ["arena"]) == "/gateside"
    assert board_path("gateside:long barn", ["long barn"]) == "/gateside?place=long%20barn"
    assert Device().board == "aisle"


def test_a_board_keeps_for_another_year_what_it_remembers(asks: httpx.Client) -> None:
    assert "set-cookie" not in asks.get("/aisle").headers
    asks.get("/device", params={"face": "night"})
    for path in ("/aisle", "/gateside"):
        assert "device=.f.night.0.aisle" in asks.get(path).headers["set-cookie"]


@pytest.mark.parametrize(
    ("wall_s", "trusted", "face"),
    [(AFTERNOON_S, True, Face.DAY), (NIGHT_S, True, Face.NIGHT), (NIGHT_S, False, Face.DAY)],
)
def test_the_face_by_the_clock_is_that_of_the_barn(
    hang_wall: Hang, barns: type[Barns], wall_s: float, trusted: bool, face: Face
) -> None:
    snapshot = barns.barn(wall_s=wall_s, clock_trusted=trusted)
    assert shown_face(Face.CLOCK, snapshot) is face
    assert shown_face(Face.GLARE, snapshot) is Face.GLARE
    assert shown_face(Face.CLOCK, None) is Face.DAY
    url = hang_wall(snapshot).url
    for path in ("/aisle", "/gateside", "/yard"):
        page = httpx.get(f"{url}{path}?face=clock", trust_env=False, timeout=20).text
        assert f'data-face="{face}"' in page
        assert f'<meta name="theme-color" content="{PAPER[face]}">' in page


def test_an_open_board_changes_its_face_when_the_evening_comes(
    hang_wall: Hang, barns: type[Barns], browser: Browser
) -> None:
    wall = hang_wall(barns.barn(wall_s=AFTERNOON_S))
    page = browser.new_page()
    for path in ("/aisle", "/gateside"):
        wall.publish(barns.barn(wall_s=AFTERNOON_S))
        page.goto(f"{wall.url}{path}?face=clock")
        expect(page.locator("html")).to_have_attribute("data-face", "day")
        wall.publish(barns.barn(wall_s=NIGHT_S))
        expect(page.locator("html")).to_have_attribute("data-face", "night", timeout=15_000)
    page.close()


@pytest.mark.parametrize("face", [Face.DAY, Face.NIGHT, Face.GLARE])
def test_the_colour_around_a_page_is_its_paper(face: Face) -> None:
    assert tokens(face)["paper"] == PAPER[face]


def test_the_site_file_is_told_and_said_to_be_out_of_reach(asks: httpx.Client) -> None:
    text = re.sub(r"<[^>]+>", " ", asks.get("/device?lang=en").text)
    assert "No page can change it." in text
    for part in ("Cedar Bend", "America/New_York", "130 · 150 · 180", "arena-fans (fan)", "Horses stand here.",
                 "needs a person: 0."):  # fmt: skip
        assert part in text
    assert "/people" not in asks.get("/device").text  # a link for keepers alone


def test_the_form_works_without_scripts(wall: Wall, browser: Browser) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(wall.url + "/yard")
        page.get_by_role("link", name="This device").click()
        page.get_by_role("radio", name="Español").check()
        page.get_by_role("radio", name="sun").check()
        page.get_by_role("radio", name="Yard sheet").check()
        page.get_by_role("button", name="Keep, and show it").click()
        page.wait_for_url("**/yard")
        expect(page.locator("html")).to_have_attribute("data-face", "glare")
        expect(page.get_by_role("link", name="Este aparato")).to_be_visible()
