"""The real browser of the tests: Debian's Chromium, driven by playwright, asking nobody but our own servers."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

# Our own server must not be asked by way of a proxy, and the browser must ask nobody else.
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@contextmanager
def chromium() -> Iterator[Browser]:
    """A running browser. One for a module, not for all: playwright's sync interface holds an event loop in its thread,
    and other modules want their own."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    assert path, "these tests need chromium"
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        yield running
        running.close()
