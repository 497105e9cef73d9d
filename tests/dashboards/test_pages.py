"""Owns: what must hold on every page, in every language, face and state.

Must not know: what single pages say.
How it works: axe-core (carried by axe-playwright-python) judges each page of `pages.py` in a real browser: all WCAG 2.2
A and AA rules and the best practices, zero violations. On the same open page: nothing is asked of anybody but our own
server, nothing runs over its side, nothing that is tapped is too small, no letter is smaller than the floor.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib import resources
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Request

from tests.browser import chromium
from tests.dashboards.pages import Shown, every_page, hung_for, prepared

ALL = tuple(every_page())
# A third of the list: every page and every state, every language and every face, but not each with each; that takes
# long and is `LOOSEBOX_ALL_PAGES=1 pytest tests/dashboards/test_pages.py`.
PAGES = [page for at, page in enumerate(ALL) if "LOOSEBOX_ALL_PAGES" in os.environ or (at // 3 + at) % 3 == 0]
AXE = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# Axe asks for 24 px of a target; phones in gloved hands get at least 44, and 48 where it is ours to say.
SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, select, input:not([type=hidden])')]
  .map(e => [e, (e.closest('.choice label') || e).getBoundingClientRect()])
  .filter(([e, r]) => r.width && (r.height < 44 || r.width < 44) && !e.closest('.barn'))
  .map(([e, r]) => `${e.textContent.trim()} ${r.width}x${r.height}`)"""
SMALL_LETTERS = """() => [...document.querySelectorAll('body *')]
  .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
  .map(e => {
    const svg = e.ownerSVGElement;
    const scale = svg ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1;
    return [e, parseFloat(getComputedStyle(e).fontSize) * scale];
  })
  .filter(([e, size]) => size < 12 && e.getBoundingClientRect().width > 1)
  .map(([e, size]) => `${e.textContent} ${size}`)"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


def violations(page: Page) -> list[str]:
    """What axe finds, one line each. Evaluated from outside: the policy of the page lets no script of ours in."""
    page.evaluate(AXE)
    found: dict[str, Any] = page.evaluate(
        "(tags) => axe.run(document, {runOnly: tags, resultTypes: ['violations']})", TAGS
    )
    return [
        f"{each['id']}: {node['target']} {node['failureSummary']}"
        for each in found["violations"]
        for node in each["nodes"]
    ]


@pytest.mark.parametrize("shown", PAGES, ids=lambda shown: shown.name)
def test_every_page_is_open_to_everybody_and_fits(browser: Browser, shown: Shown) -> None:
    asked: list[str] = []
    wrong: list[str] = []

    def note(request: Request) -> None:
        asked.append(request.url)

    with hung_for(shown) as hung, browser.new_context() as context:
        page = context.new_page()
        page.on("request", note)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
        prepared(page, hung, shown)
        assert violations(page) == []
        assert {url.split("/")[2] for url in asked if not url.startswith("data:")} == {hung.url.split("/")[2]}
        assert wrong == []
        assert page.evaluate("document.documentElement.scrollWidth") <= shown.size[0]
        assert page.evaluate("document.fonts.check('16px B612')")
        if not shown.wall:
            assert page.evaluate(SMALL_TARGETS) == []
            assert page.evaluate(SMALL_LETTERS) == []


def test_axe_would_find_something(browser: Browser) -> None:
    """The check itself must be able to fail."""
    with browser.new_context() as context:
        page = context.new_page()
        page.set_content("<html><body><img src='x'><button></button></body></html>")
        found = violations(page)
    assert any(line.startswith("button-name") for line in found)
    assert any(line.startswith("image-alt") for line in found)
