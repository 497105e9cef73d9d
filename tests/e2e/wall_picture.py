"""Owns: the picture of the wall in README.md: the emulated barn as `make run` starts it, in a real browser.

Must not know: what the wall says.
How it works: the whole program runs at the pace of life on a hot day. When every reading is fresh, nothing is wrong and
a fan runs where it is hot, the wall is photographed; that takes a minute or two. Run it with:
    PYTHONPATH=. python tests/e2e/wall_picture.py dashboards/wall.png
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser import chromium
from tests.e2e.barn import Barn, running_barn
from tests.e2e.test_fault_table import weather

HOT = (31, 58)  # °C and % outdoors, invented
UNTIL_S = 600.0


def worth_it(barn: Barn) -> bool:
    """Somewhere level 2, somewhere less, nothing wrong, and a fan in sight that runs."""
    places = barn.now().get("places", [])
    levels = {place["level"] for place in places}
    runs = any(kit["running"] or kit["seen"] for place in places for kit in place["kit"] if place["level"] == 2)
    calm = not barn.faults() and all(alarm["state"] == "normal" for alarm in barn.now().get("alarms", []))
    return calm and 2 in levels and len(levels) > 1 and None not in levels and 3 not in levels and runs


def is_fresh(page: Page) -> bool:
    """Whether no row says that its reading is old."""
    return page.get_by_text(" s old").count() == 0


def photograph(file: Path) -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        running_barn(Path(folder) / "bench", speed=1, options=("--weather", weather(Path(folder), HOT))) as barn,
        chromium() as browser,
    ):
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.goto(barn.url + "/aisle")
        barn.wait(lambda: worth_it(barn) and is_fresh(page), UNTIL_S, "a wall worth a picture")
        expect(page.locator(".head[data-level='2'], .board[data-level='2']").first).to_be_visible(timeout=20_000)
        page.evaluate("document.fonts.ready.then(() => true)")
        page.screenshot(path=file)


if __name__ == "__main__":
    photograph(Path(sys.argv[1] if len(sys.argv) > 1 else "dashboards/wall.png"))
