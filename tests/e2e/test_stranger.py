"""Somebody who has never seen this, with a phone: may the arena be used, when was it worst, why does that fan run, stop
it for half an hour, and see it come back. Found by what can be read and pressed alone, in the whole running program."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser import chromium
from tests.e2e.barn import Barn, running_barn
from tests.e2e.test_fault_table import weather

pytestmark = pytest.mark.timeout(300)
HOT = (31, 58)  # °C and % outdoors, all day
WORDS = "four plain words here"
SPEED = 45.0  # half an hour of the barn is 40 s here


@pytest.fixture(scope="module")
def barn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Barn]:
    folder = tmp_path_factory.mktemp("stranger")
    with running_barn(folder / "bench", speed=SPEED, options=("--weather", weather(folder, HOT))) as made:
        for name, right in (("Luis", "keeper"), ("Ana", "hand")):  # the first person is a keeper
            subprocess.run(
                [sys.executable, "-m", "gateway.cli", "people", "--site", str(made.folder / "barn.toml"), "add", name,
                 "--right", right], input=f"{WORDS}\n{WORDS}\n", text=True, check=True, timeout=60, capture_output=True,
            )  # fmt: skip
        made.wait(lambda: made.kit("stall-fans").get("running") or made.kit("stall-fans").get("seen"), 600, "a fan")
        yield made


@pytest.fixture(scope="module")
def page(barn: Barn) -> Iterator[Page]:
    with chromium() as browser:
        made = browser.new_page(viewport={"width": 390, "height": 844}, has_touch=True)
        made.goto(barn.url + "/yard")
        yield made


def line(page: Page, text: str) -> Locator:
    """The line of a list that begins with this."""
    return page.get_by_role("listitem").filter(has_text=re.compile(f"^\\s*{text}"))


def test_may_the_arena_be_used(page: Page) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text(re.compile("^(GO|EASY|CARE|STOP|FINE|AIR|HOT|HOSE)$"))
    arena = line(page, "Arena").first
    expect(arena).to_contain_text(re.compile("GO|EASY|CARE|STOP"))
    expect(arena).to_contain_text(re.compile(r"Air: (canter ok|up to trot|walk only|no work)"))
    expect(page.get_by_text("How fast can a horse work today?")).to_be_visible()


def test_when_was_it_worst_today(page: Page) -> None:
    page.get_by_role("link", name="Day book").click()
    arena = page.get_by_role("region", name="Arena")
    for _ in range(30):  # the book of a barn that has just begun has nothing yet
        if arena.count() and re.search(r"Worst \d{3} at \d{1,2}:\d\d [ap]m", arena.inner_text()):
            break
        page.wait_for_timeout(1000)
        page.reload()
    expect(arena).to_contain_text(re.compile(r"Worst \d{3} at \d{1,2}:\d\d [ap]m"))
    page.get_by_role("link", name="Yard sheet").click()
    expect(page.get_by_text(re.compile(r"Worst today, \w+: \d{3} at \d{1,2}:\d\d [ap]m"))).to_be_visible()


def test_why_does_the_fan_run_and_how_is_it_stopped_for_half_an_hour(page: Page) -> None:
    fan = line(page, "Stalls: fan").first
    expect(fan).to_contain_text("Running · by itself", timeout=20_000)
    expect(fan).to_contain_text(re.compile("because (the heat|horses here need|it must run)"))
    fan.get_by_role("link", name="Change").click()

    page.get_by_label("Name").fill("Ana")
    page.get_by_label("Passphrase").fill(WORDS)
    page.get_by_role("button", name="Sign in").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("Stalls: fan")
    page.get_by_role("radio", name="Off").check()
    page.get_by_role("radio", name="30 min").check()
    page.get_by_role("button", name="Do it").click()
    sure = page.get_by_role("button", name="Yes, stop it")  # asked where it is hot
    expect(sure.or_(page.get_by_text("OFF by hand")).first).to_be_visible()
    if sure.is_visible():
        sure.click()

    expect(fan).to_contain_text(re.compile(r"OFF by hand till \d{1,2}:\d\d [ap]m · Ana"))
    expect(fan).not_to_contain_text("Running", timeout=20_000)
    expect(fan.get_by_role("link", name="Give back")).to_be_visible()


def test_it_comes_back_by_itself(barn: Barn, page: Page) -> None:
    fan = line(page, "Stalls: fan").first
    expect(fan).to_contain_text("Running · by itself", timeout=90_000)
    change = barn.history.hands()[-1]
    assert change.until_mono_s - change.stamp.mono_s == pytest.approx(30 * 60, abs=1)
    on = barn.commands("stall-fans")[-1]
    assert on.on and on.stamp.mono_s >= change.until_mono_s
