"""Owns: the signs that a phone or a browser shows for us, drawn from the gate of the boards.

Must not know: pages.
How it works: the gate with two rails stands on paper in `gate.svg`; Chromium draws that as PNG in the sizes that
browsers and phones ask for. A mask cuts a sign down to a circle of 80 % of its side (W3C, "Web Application Manifest",
maskable icons), so there the gate is smaller. Run it with: PYTHONPATH=. python tests/dashboards/icons.py
"""

from __future__ import annotations

import re

from playwright.sync_api import Browser

from dashboards.assets import FOLDER
from dashboards.boards import PAPER, Face
from dashboards.pictures import gate
from tests.browser import chromium

INK = "#12171A"
# Name, side in pixels, share of the side that the drawing has.
SIGNS = (
    ("icon-32.png", 32, 1.0), ("icon-180.png", 180, 1.0), ("icon-192.png", 192, 1.0), ("icon-512.png", 512, 1.0),
    ("icon-mask-512.png", 512, 0.8),
)  # fmt: skip


def sign() -> str:
    """The gate on paper, square."""
    inside = re.sub(r"^<svg[^>]*>|</svg>$", "", gate(2, 110).strip())
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-10 -21 150 150"><path fill="{PAPER[Face.DAY]}" '
        f'd="M-10-21h150v150h-150z"/><g fill="{INK}">{inside}</g></svg>'
    )


def drawn(browser: Browser, side: int, share: float) -> bytes:
    """The sign as PNG."""
    page = browser.new_page(viewport={"width": side, "height": side})
    page.set_content(
        "<style>body { margin: 0; height: 100vh; display: grid; place-items: center; "
        f"background: {PAPER[Face.DAY]}; }}"
        f"svg {{ width: {side * share}px; height: {side * share}px; }}</style>{sign()}"
    )
    made = page.screenshot(type="png")
    page.close()
    return made


if __name__ == "__main__":
    (FOLDER / "gate.svg").write_text(sign() + "\n", encoding="utf-8")
    with chromium() as running:
        for name, side, share in SIGNS:
            print(name, (FOLDER / name).write_bytes(drawn(running, side, share)), "bytes")
