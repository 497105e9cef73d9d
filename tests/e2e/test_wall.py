"""The wall of a running barn in a real browser, through the whole path from the wire."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from tests.browser import chromium
from tests.e2e.barn import Barn, running_barn

pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def barn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Barn]:
    with running_barn(tmp_path_factory.mktemp("barn") / "bench", speed=10) as made:
        yield made


@pytest.fixture(scope="module")
def page(barn: Barn) -> Iterator[Page]:
    with chromium() as browser:
        made = browser.new_page(viewport={"width": 1920, "height": 1080})
        made.goto(barn.url + "/aisle")
        yield made


def _row(page: Page, label: str) -> str:
    return page.locator(".row", has_text=label).inner_text()


def test_the_wall_shows_the_barn_and_says_that_it_is_emulated(barn: Barn, page: Page) -> None:
    for label in ("Stalls", "Arena", "Rack", "Outside"):
        expect(page.locator(".row", has_text=label)).to_be_visible()
    expect(page.locator("body")).to_contain_text("emulated barn")
    assert re.search(r"\d", _row(page, "Arena"))


def test_a_pulled_wire_turns_numbers_into_dashes_and_the_gate_into_a_question(barn: Barn, page: Page) -> None:
    arena = page.locator(".row", has_text="Arena")
    known_gate = arena.locator(".chip").inner_html()
    barn.bench(do="fault", target="arena-air", kind="silence")
    try:
        expect(arena).to_contain_text("– –", timeout=30_000)
        assert not re.search(r"\d", arena.inner_text())
        expect(arena).to_have_attribute("data-level", "unknown")  # the gate of two dashed posts and a question mark
        assert arena.locator(".chip").inner_html() != known_gate
        expect(page.locator("body")).to_contain_text("Arena: no reading")
    finally:
        barn.bench(do="clear", target="arena-air")
    expect(arena).to_contain_text(re.compile(r"\d"), timeout=30_000)
    expect(arena).not_to_contain_text("–")


def test_the_open_page_survives_a_new_web_process(barn: Barn, page: Page) -> None:
    before = barn.child("web")
    with page.expect_response(lambda r: "/stream" in r.url, timeout=40_000):  # the page asks again by itself
        os.kill(before, signal.SIGKILL)
    assert barn.child("web") not in (0, before)
    expect(page.locator(".row", has_text="Arena")).to_contain_text(re.compile(r"\d"), timeout=30_000)
