"""Owns: checks of what a phone needs to keep us on its first screen: the manifest and the signs.

Must not know: pages.
How it works: Chromium itself reads the manifest (Page.getAppManifest of its protocol) and must have nothing to say.
The signs are drawn once more from the gate and compared pixel by pixel in the browser.
"""

from __future__ import annotations

import base64
import json
import struct
from collections.abc import Callable
from typing import TYPE_CHECKING

import httpx
import pytest
from playwright.sync_api import Browser

from dashboards.assets import FOLDER
from dashboards.door import Access
from tests.dashboards.icons import SIGNS, drawn, sign

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]
# Share of the pixels that differ by more than 32 of 255 in some colour.
DIFFERENT = """async ([one, other]) => {
  const read = async (data) => {
    const image = new Image();
    image.src = 'data:image/png;base64,' + data;
    await image.decode();
    const canvas = new OffscreenCanvas(image.width, image.height), pen = canvas.getContext('2d');
    pen.drawImage(image, 0, 0);
    return pen.getImageData(0, 0, image.width, image.height).data;
  };
  const [a, b] = [await read(one), await read(other)];
  let count = 0;
  for (let at = 0; at < a.length; at += 4)
    if ([0, 1, 2].some(part => Math.abs(a[at + part] - b[at + part]) > 32)) count += 1;
  return a.length === b.length ? count * 4 / a.length : 1;
}"""


def test_chromium_reads_the_manifest_and_has_nothing_to_say(
    hang_wall: Hang, barns: type[Barns], browser: Browser
) -> None:
    wall = hang_wall(barns.risky())
    page = browser.new_page()
    page.goto(wall.url + "/yard")
    found = page.context.new_cdp_session(page).send("Page.getAppManifest")
    page.close()
    assert found["url"] == wall.url + "/manifest.webmanifest"
    assert found["errors"] == []
    read = found["manifest"]
    assert read["name"] == "Loosebox"
    assert (read["startUrl"], read["scope"]) == (wall.url + "/yard", wall.url + "/")
    said = json.loads(found["data"])
    assert (said["display"], said["short_name"]) == ("standalone", "Loosebox")
    sizes = [(icon["sizes"], icon["type"]) for icon in read["icons"]]
    assert sizes == [("192x192", "image/png"), ("512x512", "image/png"), ("512x512", "image/png")]


def test_the_manifest_and_its_signs_are_there_before_anybody_has_signed_in(hang_wall: Hang, barns: type[Barns]) -> None:
    wall = hang_wall(barns.risky(), access=Access(open_to_read=False))
    with httpx.Client(base_url=wall.url, trust_env=False, timeout=20) as asks:
        answer = asks.get("/manifest.webmanifest")
        assert answer.headers["content-type"] == "application/manifest+json"
        assert "manifest-src 'self'" in answer.headers["content-security-policy"]
        assert "Cedar" not in answer.text
        for icon in answer.json()["icons"]:
            side = int(icon["sizes"].split("x")[0])
            got = asks.get(icon["src"])
            assert got.headers["content-type"] == icon["type"] == "image/png"
            assert size_of(got.content) == (side, side)


def size_of(png: bytes) -> tuple[int, int]:
    """Width and height of a PNG (its first chunk, IHDR)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])
    return width, height


def test_the_drawn_gate_is_the_one_of_the_boards() -> None:
    assert (FOLDER / "gate.svg").read_text(encoding="utf-8") == sign() + "\n"


@pytest.mark.parametrize(("name", "side", "share"), SIGNS)
def test_each_sign_is_what_the_gate_gives(browser: Browser, name: str, side: int, share: float) -> None:
    kept = (FOLDER / name).read_bytes()
    assert size_of(kept) == (side, side)
    assert len(kept) < 8000
    page = browser.new_page()
    pair = [base64.b64encode(png).decode() for png in (kept, drawn(browser, side, share))]
    assert page.evaluate(DIFFERENT, pair) < 0.002
    other = base64.b64encode(drawn(browser, side, share * 0.9)).decode()
    assert page.evaluate(DIFFERENT, [pair[0], other]) > 0.01  # the comparison can fail
    page.close()


def test_every_page_names_manifest_signs_and_colour(hang_wall: Hang, barns: type[Barns]) -> None:
    wall = hang_wall(barns.risky())
    for path in ("/aisle", "/gateside", "/yard", "/sign-in", "/pair", "/device"):
        page = httpx.get(wall.url + path, trust_env=False, timeout=20).text
        for part in ('rel="manifest" href="/manifest.webmanifest"', 'rel="apple-touch-icon"', 'name="theme-color"',
                     'type="image/svg+xml"', 'sizes="32x32"'):  # fmt: skip
            assert part in page, f"{path}: {part}"
