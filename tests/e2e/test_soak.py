"""A day and a night of barn time with pages open: nothing grows without end.

How it works: the emulated barn runs at 300 times life, so a day takes five minutes. Memory is read every
hour of the barn: of each role from the kernel, of each page from the browser after it has collected its garbage. The
first eight hours are for everything to be used once; what is asked of the rest is that it does not climb.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from playwright.sync_api import CDPSession, Page

from tests.browser import chromium
from tests.e2e.barn import Barn, running_barn

pytestmark = pytest.mark.timeout(600)

SPEED = 300
HOUR_S = 3600.0
SETTLED_H, END_H = 8, 24
PAGES = {"/aisle": (1920, 1080), "/gateside?place=arena": (1280, 800), "/yard": (390, 844)}
ROLES = ("core", "web", "uplink")
# What a role may be larger by in the last quarter of the day than in the quarter before the middle [MB]. A reading a
# second that is kept anywhere would be 60,000 of them: more than 10 MB.
ROLE_MB, PAGE_MB, PAGE_NODES = 6.0, 2.0, 400


@pytest.fixture(scope="module")
def barn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Barn]:
    with running_barn(tmp_path_factory.mktemp("soak") / "bench", speed=SPEED, air=False) as made:
        yield made


def resident_mb(process: int) -> float:
    """VmRSS of proc(5), which is in kibibytes."""
    found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{process}/status").read_text())
    assert found
    return int(found[1]) / 1024


class Open:
    """An open page and what it holds."""

    def __init__(self, page: Page, url: str) -> None:
        self.page = page
        page.goto(url)
        self._browser: CDPSession = page.context.new_cdp_session(page)
        self._browser.send("Performance.enable")

    def holds(self) -> dict[str, float]:
        self._browser.send("HeapProfiler.collectGarbage")
        told: list[dict[str, Any]] = self._browser.send("Performance.getMetrics")["metrics"]
        by_name = {one["name"]: one["value"] for one in told}
        return {"mb": by_name["JSHeapUsedSize"] / 1e6, "nodes": by_name["Nodes"]}


def grown(series: list[float]) -> float:
    """How much more the last third holds than the first: medians, so that one peak says nothing."""
    third = max(1, len(series) // 3)
    return median(series[-third:]) - median(series[:third])


def test_a_day_and_a_night_leave_memory_flat(barn: Barn) -> None:
    begun_s = barn.now()["mono_s"]
    processes = {role: barn.child(role) for role in ROLES}
    roles: dict[str, list[float]] = {role: [] for role in ROLES}
    with chromium() as browser:
        opened = {
            path: Open(browser.new_page(viewport={"width": w, "height": h}), barn.url + path)
            for path, (w, h) in PAGES.items()
        }
        pages: dict[str, list[dict[str, float]]] = {path: [] for path in PAGES}
        for hour in range(1, END_H + 1):
            while barn.now().get("mono_s", 0.0) - begun_s < hour * HOUR_S:
                time.sleep(0.2)
            if hour >= SETTLED_H:
                for role, process in processes.items():
                    roles[role].append(resident_mb(process))
                for path, page in opened.items():
                    pages[path].append(page.holds())
        assert all(opened[path].page.evaluate("document.body.dataset.link") == "live" for path in ("/aisle", "/yard"))
    assert {role: barn.child(role) for role in ROLES} == processes  # nobody was started anew
    print({role: [round(mb, 1) for mb in found] for role, found in roles.items()}, pages)
    for role, found in roles.items():
        assert grown(found) < ROLE_MB, f"{role} grows: {found}"
    for path, held in pages.items():
        assert grown([one["mb"] for one in held]) < PAGE_MB, f"{path} grows: {held}"
        assert grown([one["nodes"] for one in held]) < PAGE_NODES, f"{path} grows: {held}"
