"""What a page weighs, how soon it is painted by a slow phone, and what fifty open walls cost.

A real barn, emulated, with a real browser. Each page is opened in a profile of its own, so that nothing is cached. What
crosses the wire is counted by the browser (encoded bytes with headers); the slow phone is the browser's own throttle.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page

from tests.browser import chromium
from tests.e2e.barn import Barn, running_barn

PAGES = {"/aisle": (1920, 1080), "/gateside?place=arena": (1280, 800), "/yard": (390, 844), "/bell": (390, 844),
         "/book": (1280, 800)}  # fmt: skip
THROTTLE, TIMES = 6, 5
WALLS, WATCHED_S = 50, 30.0
_PAINTED = """new Promise(done => new PerformanceObserver(found => found.getEntries().forEach(
  one => one.name === 'first-contentful-paint' && done(one.startTime))).observe({type: 'paint', buffered: true}))"""


def main() -> None:
    print("screens")
    with tempfile.TemporaryDirectory() as folder, running_barn(Path(folder) / "bench", speed=1) as barn:
        with chromium() as browser:
            for path in PAGES:
                _weight(browser, barn.url, path)
            for path in PAGES:
                _paint(browser, barn.url, path)
        _walls(barn)


@contextmanager
def _fresh(browser: Browser, path: str) -> Iterator[Page]:
    width, height = PAGES[path]
    context = browser.new_context(viewport={"width": width, "height": height})
    yield context.new_page()
    context.close()


def _weight(browser: Browser, url: str, path: str) -> None:
    sizes: dict[str, float] = {}
    kinds: dict[str, str] = {}

    def finished(event: dict[str, Any]) -> None:
        sizes[event["requestId"]] = event["encodedDataLength"]

    def received(event: dict[str, Any]) -> None:
        kinds[event["requestId"]] = event["type"]

    with _fresh(browser, path) as page:
        wire = page.context.new_cdp_session(page)
        wire.send("Network.enable")
        wire.on("Network.loadingFinished", finished)
        wire.on("Network.responseReceived", received)
        page.goto(url + path)
        page.evaluate("document.fonts.ready.then(() => true)")
        page.wait_for_timeout(500)
    by_kind: dict[str, float] = {}
    for number, size in sizes.items():
        kind = kinds.get(number, "Other")
        by_kind[kind] = by_kind.get(kind, 0.0) + size / 1e3
    parts = ", ".join(f"{kind.lower()} {size:.1f}" for kind, size in sorted(by_kind.items()))
    whole = sum(by_kind.values())
    print(f"  {path}: {whole:.1f} kB ({parts}) (aim: 70 kB with fonts, HTML 14 kB)")


def _paint(browser: Browser, url: str, path: str) -> None:
    took_ms = []
    for _ in range(TIMES):
        with _fresh(browser, path) as page:
            page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": THROTTLE})
            page.goto(url + path, wait_until="commit")
            took_ms.append(float(page.evaluate(_PAINTED)))
    print(
        f"  {path}: first paint with the processor {THROTTLE} times slower, median of {TIMES}: "
        f"{statistics.median(took_ms):.0f} ms, worst {max(took_ms):.0f} ms (aim: 2,000 ms)"
    )


def _used_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _walls(barn: Barn) -> None:
    code = (
        "import socket, sys\n"
        "host, port, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])\n"
        "asked = b'GET /aisle/stream HTTP/1.1\\r\\nHost: %b:%d\\r\\n\\r\\n' % (host.encode(), port)\n"
        "import selectors\nwaiting = selectors.DefaultSelector()\n"
        "for _ in range(count):\n"
        "    one = socket.create_connection((host, port)); one.sendall(asked)\n"
        "    waiting.register(one, selectors.EVENT_READ)\n"
        "while True:\n"
        "    for key, _ in waiting.select(): key.fileobj.recv(65536) or sys.exit('a stream ended')\n"
    )
    host, port = barn.url.removeprefix("http://").split(":")
    processes = {role: barn.child(role) for role in ("core", "web")}
    begun = {role: _used_s(process) for role, process in processes.items()}
    time.sleep(WATCHED_S)
    alone = {role: (_used_s(process) - begun[role]) / WATCHED_S for role, process in processes.items()}
    with subprocess.Popen([sys.executable, "-c", code, host, port, str(WALLS)]) as viewers:
        time.sleep(3)
        begun = {role: _used_s(process) for role, process in processes.items()}
        time.sleep(WATCHED_S)
        assert viewers.poll() is None, "a wall was turned away"
        for role, process in processes.items():
            share = (_used_s(process) - begun[role]) / WATCHED_S
            print(
                f"  {WALLS} open walls: {role} uses {share:.1%} of one processor, without them {alone[role]:.1%} "
                "(aim: below 25 %)"
            )
        viewers.kill()


if __name__ == "__main__":
    main()
