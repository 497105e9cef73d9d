"""Owns: checks of what an open board does when the core or the web role goes away and comes back.

Must not know: what the board says when all is well.
How it works: the limits are shortened through the app's own argument, the server is really stopped and really
started again on the same port.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from playwright.sync_api import Page, Route, expect

from dashboards.boards import Limits

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]
Open = Callable[..., AbstractContextManager["Wall"]]
Look = Callable[..., Page]

SHORT = Limits(bar_after_s=1.2, lost_after_s=2.4, ready_within_s=1.0)
LINK = "document.body.dataset.link"


def wait_for(page: Page, link: str) -> None:
    expect(page.locator("body")).to_have_attribute("data-link", link, timeout=12_000)


def test_a_silent_core_brings_the_bar_and_then_takes_the_numbers(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    wall = hang_wall(barns.risky(), limits=SHORT)
    page = look_at(wall.url + "/aisle")
    assert page.evaluate(LINK) == "live"
    assert not page.locator("#nolink").is_visible()
    wait_for(page, "bar")
    assert "Screen lost its link. Go and look" in page.locator("#nolink").inner_text()
    assert "Pantalla sin enlace. Vaya y mire" in page.locator("#nolink").inner_text()
    assert "CARE" in page.locator(".head").inner_text()
    assert "last word 2:12 pm" in page.locator(".foot").inner_text()
    wait_for(page, "lost")
    assert page.locator(".head").inner_text().split() == ["LOOK", "MIRE", "No", "link"]
    rows = page.locator(".rows").inner_text() + "".join(page.locator(".rows svg text").all_text_contents())
    assert "Arena" in rows
    assert not re.search(r"\d", rows)
    assert page.locator("[role=status]").inner_text() == "LOOK: No link"


def test_the_board_comes_back_with_the_next_step_of_the_core(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    wall = hang_wall(barns.risky(), limits=SHORT)
    page = look_at(wall.url + "/aisle")
    page.evaluate("window.mark = 1")
    wait_for(page, "lost")
    wall.publish(barns.risky())  # the same board as before: nothing to redraw, yet it must come back
    wait_for(page, "live")
    assert "CARE" in page.locator(".head").inner_text()
    assert not page.locator("#nolink").is_visible()
    assert page.evaluate("window.mark") == 1


def test_a_page_opened_while_the_core_is_silent_shows_it_and_recovers(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    wall = hang_wall(limits=SHORT)
    page = look_at(wall.url + "/aisle")
    assert page.evaluate(LINK) == "lost"
    assert "LOOK" in page.locator(".head").inner_text()
    wall.publish(barns.dangerous())
    wait_for(page, "live")
    assert "STOP" in page.locator(".head").inner_text()


def test_a_new_server_alone_is_no_news_only_fresh_air_is(open_wall: Open, look_at: Look, barns: type[Barns]) -> None:
    with open_wall(SHORT) as first:
        first.publish(barns.risky())
        page = look_at(first.url + "/aisle")
        port = urlsplit(first.url).port
    wait_for(page, "lost")
    page.evaluate("window.mark = 1")
    with open_wall(SHORT, port=port) as second:
        with page.expect_response("**/aisle/stream*", timeout=12_000):
            pass
        page.wait_for_timeout(300)
        assert page.evaluate(LINK) == "lost"
        second.publish(barns.dangerous())
        wait_for(page, "live")
        assert "STOP" in page.locator(".head").inner_text()
        assert page.evaluate("window.mark") == 1


def test_the_alive_line_moves_with_the_steps_of_the_core_only(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    wall = hang_wall(barns.barn(steps=30))
    page = look_at(wall.url + "/aisle")
    width = "Number(document.querySelector('#alive').getAttribute('width'))"
    assert page.evaluate(width) == 30
    wall.publish(barns.barn(steps=59))
    expect(page.locator("#alive")).to_have_attribute("width", "59")
    page.wait_for_timeout(1200)  # a browser's own clock would have moved it by now
    assert page.evaluate(width) == 59
    wall.publish(barns.barn(steps=61))
    expect(page.locator("#alive")).to_have_attribute("width", "1")


def test_a_gate_side_board_says_in_both_languages_that_it_lost_its_link_and_what_the_hatch_is(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    now_s = [0.0]
    wall = hang_wall(barns.risky(), clock=lambda: now_s[0])
    now_s[0] = 30.0
    for size in ((1920, 1080), (800, 480), (1280, 800), (390, 844)):
        page = look_at(wall.url + "/gateside", size)
        said = page.locator("#nolink").inner_text()
        assert "Screen lost its link. Go and look" in said
        assert "Pantalla sin enlace. Vaya y mire" in said
        key = page.locator(".foot .key span")
        assert key.evaluate_all("all => all.map(e => e.lang)") == ["en", "es"]
        for each in (*key.all(), page.locator("#nolink"), page.locator(".foot .when")):
            box = each.bounding_box()
            assert box is not None
            assert box["x"] >= 0 and box["x"] + box["width"] <= size[0]
            assert box["y"] >= 0 and box["y"] + box["height"] <= size[1]
    alone = look_at(wall.url + "/gateside?lang=es&one=1")
    assert "Screen" not in alone.locator("body").inner_text()
    assert "Hatched" not in alone.locator("body").inner_text()


def test_the_age_grows_between_beats(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.barn()).url + "/aisle")
    assert re.search(r"read [34] s ago", page.locator("#age").inner_text())
    expect(page.locator("#age")).to_have_text(re.compile("read [56] s ago"))


def test_a_refused_stream_is_tried_again(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn())
    refused: list[int] = []

    def refuse_twice(page: Page) -> None:
        def answer(route: Route) -> None:
            refused.append(1)
            if len(refused) <= 1:
                route.fulfill(status=503)
            else:
                route.continue_()

        page.route("**/aisle/stream*", answer)

    page = look_at(wall.url + "/aisle", prepare=refuse_twice)
    page.wait_for_timeout(200)
    wall.publish(barns.dangerous())
    expect(page.locator(".verdict")).to_contain_text("STOP", timeout=12_000)
    assert len(refused) >= 2


def test_the_limits_of_a_real_barn_are_those_of_the_design(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.barn()).url + "/aisle")
    assert page.evaluate("[document.body.dataset.barAfterS, document.body.dataset.lostAfterS].map(Number)") == [25, 60]


def test_a_tablet_that_slept_shows_no_old_numbers_when_it_wakes(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    wall = hang_wall(barns.risky())
    page = look_at(wall.url + "/aisle")
    expect(page.locator("[role=status]")).to_have_text("CARE: Arena")  # the stream has spoken
    # One evaluation, so that no event of the stream comes between.
    woken = page.evaluate("""() => {
      const truth = Date.now();
      Date.now = () => truth + 90_000;
      document.dispatchEvent(new Event('visibilitychange', {bubbles: true}));
      return [document.body.dataset.link, document.querySelector('.verdict').innerText.split('\\n')[0]];
    }""")
    assert woken == ["lost", "LOOK"]
    wall.publish(barns.risky())
    wait_for(page, "live")
    assert "CARE" in page.locator(".head").inner_text()
