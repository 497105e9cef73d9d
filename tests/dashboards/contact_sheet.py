"""Owns: a picture of every page in every language, face and state, and one sheet of them all.

Must not know: whether they are good: people look at them.
How it works: the pages are those that the tests of the screens look at (`pages.py`), with made-up barns. One PNG for
each, and `index.html` that shows them side by side. Run it with: make screens

With --light FILE.webp it makes one small picture instead, for the documentation: of the main states every language and
face, of all others two looks, so that each page is there in both languages and each face often.
    PYTHONPATH=. python tests/dashboards/contact_sheet.py screens --light dashboards/screens.webp
"""

from __future__ import annotations

import argparse
import base64
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

from playwright.sync_api import Browser, Page

from tests.browser import chromium
from tests.dashboards.pages import FACES, LANGS, Shown, every_page, hung_for, prepared

MOST_BYTES = 1_500_000
LOOKS = tuple(f"{lang}-{face}" for lang in LANGS for face in FACES)
MAIN = ("aisle-risk", "gateside-risk", "yard-risk", "bell-every-state")
# Drawn this wide and at most this high; what is longer is cut below.
WIDE_PX, NARROW_PX, HIGH_PX = 330, 150, 330
QUALITIES = (60, 50, 40, 30, 20)
STYLE = f"""
body {{ margin: 16px; width: 2080px; font: 15px/1.3 B612, "DejaVu Sans", sans-serif; background: #fff; color: #000; }}
main {{ display: flex; flex-wrap: wrap; gap: 14px 10px; align-items: flex-start; }}
h1, p {{ font-size: 22px; margin: 0 0 12px; }}
figure {{ margin: 0; width: {NARROW_PX}px; }} .wide {{ width: {WIDE_PX}px; }}
div {{ max-height: {HIGH_PX}px; overflow: hidden; border: 1px solid #888; }} img {{ width: 100%; display: block; }}
figcaption {{ font-size: 12px; overflow-wrap: anywhere; }}"""


def draw(folder: Path, only: str = "") -> int:
    """Write the pictures; gives how many."""
    folder.mkdir(parents=True, exist_ok=True)
    names = []
    with chromium() as browser:
        for shown in every_page():
            if only in shown.name:
                _draw(browser, shown, folder)
                names.append(shown)
    figures = "".join(
        f'<figure><a href="{s.name}.png"><img loading="lazy" src="{s.name}.png" alt=""></a>'
        f"<figcaption>{escape(s.name)}</figcaption></figure>" for s in names
    )  # fmt: skip
    style = "body{font:14px sans-serif}figure{display:inline-block;margin:8px;vertical-align:top}img{width:300px}"
    (folder / "index.html").write_text(
        f'<!doctype html><meta charset="utf-8"><title>Contact sheet</title><style>{style}</style>'
        f"<p>Every page, language, face and state. Barns, people and numbers are invented.</p>{figures}"
    )
    return len(names)


def light(folder: Path, file: Path) -> tuple[int, int]:
    """One small picture of them all; gives how many pages it shows and its bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    pages = sorted(chosen(tuple(every_page())), key=lambda shown: not _is_wide(shown))
    with chromium() as browser:
        for shown in pages:
            _draw(browser, shown, folder)
        sheet = browser.new_page(viewport={"width": 2112, "height": 1000})
        sheet.set_content(_sheet(folder, pages))
        sheet.evaluate("Promise.all([...document.images].map(image => image.decode())).then(() => true)")
        protocol = sheet.context.new_cdp_session(sheet)
        for quality in QUALITIES:
            shot = protocol.send(
                "Page.captureScreenshot", {"format": "webp", "quality": quality, "captureBeyondViewport": True,
                "clip": {"x": 0, "y": 0, "width": 2112, "height": _height(sheet), "scale": 1}},
            )  # fmt: skip
            made = base64.b64decode(shot["data"])
            if len(made) <= MOST_BYTES:
                break
    return len(pages), file.write_bytes(made)


def chosen(pages: Sequence[Shown]) -> Iterable[Shown]:
    """Those on the light sheet: all looks of the main ones, two of each other, each time two others."""
    groups: dict[str, list[Shown]] = {}
    for shown in pages:
        groups.setdefault("-".join(shown.name.split("-")[:-2]), []).append(shown)
    for number, (name, looks) in enumerate(groups.items()):
        known = {"-".join(shown.name.split("-")[-2:]): shown for shown in looks}
        english, spanish = LOOKS[number % len(FACES)], LOOKS[len(FACES) + (number + 1) % len(FACES)]
        wanted = LOOKS if name in MAIN else (english, spanish)
        yield from (known[look] for look in wanted)


def _is_wide(shown: Shown) -> bool:
    return shown.size[0] > 600


def _height(sheet: Page) -> int:
    return int(sheet.evaluate("document.documentElement.scrollHeight"))


def _sheet(folder: Path, pages: Iterable[Shown]) -> str:
    figures = "".join(
        f'<figure{" class=wide" if _is_wide(s) else ""}><div><img alt="" src="data:image/png;base64,'
        f'{base64.b64encode((folder / f"{s.name}.png").read_bytes()).decode()}"></div>'
        f"<figcaption>{escape(s.name)}</figcaption></figure>" for s in pages
    )  # fmt: skip
    return (
        f"<style>{STYLE}</style><h1>Loosebox: the screens</h1><p>Barns, people and numbers are invented. "
        f"page-state-language-face.</p><main>{figures}</main>"
    )


def _draw(browser: Browser, shown: Shown, folder: Path) -> None:
    with hung_for(shown) as hung, browser.new_context() as context:
        page = prepared(context.new_page(), hung, shown)
        page.screenshot(path=folder / f"{shown.name}.png", full_page=not shown.wall)


if __name__ == "__main__":
    words = argparse.ArgumentParser()
    words.add_argument("folder", type=Path, nargs="?", default=Path("screens"))
    words.add_argument("only", nargs="?", default="", help="only pages whose name has this in it")
    words.add_argument("--light", type=Path, metavar="FILE.webp", help="one small picture instead")
    asked = words.parse_args()
    if asked.light:
        shown, size = light(asked.folder, asked.light)
        print(f"{shown} pages on {asked.light}, {size} bytes")
    else:
        print(f"{draw(asked.folder, asked.only)} pages drawn into {asked.folder}/index.html")
