"""Owns: a picture of every page in every language, face and state, and one sheet of them all.

Must not know: whether they are good: people look at them.
How it works: the pages are those that the tests of the screens look at (`pages.py`), with made-up barns. One PNG for
each, and `index.html` that shows them side by side. Run it with: make screens
"""

from __future__ import annotations

import sys
from html import escape
from pathlib import Path

from tests.browser import chromium
from tests.dashboards.conftest import wall
from tests.dashboards.made_past import MadePast
from tests.dashboards.pages import every_page, prepared


def draw(folder: Path, only: str = "") -> int:
    """Write the pictures; gives how many."""
    folder.mkdir(parents=True, exist_ok=True)
    names = []
    with chromium() as browser:
        for shown in every_page():
            if only not in shown.name:
                continue
            with wall(past=MadePast(), **shown.options()) as hung, browser.new_context() as context:
                page = prepared(context.new_page(), hung, shown)
                page.screenshot(path=folder / f"{shown.name}.png", full_page=not shown.wall)
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


if __name__ == "__main__":
    where = Path(sys.argv[1] if len(sys.argv) > 1 else "screens")
    print(f"{draw(where, sys.argv[2] if len(sys.argv) > 2 else '')} pages drawn into {where}/index.html")
