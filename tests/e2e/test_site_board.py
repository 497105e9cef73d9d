"""Three emulated barns, one broker, one site board, as a user starts them; one barn is killed, one loses its network.

A pulled cable is played by stopping the uplink's process (SIGSTOP): its connection stays open and nothing comes.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page

from tests.browser import chromium
from tests.e2e.barn import free_port
from tests.uplink.rig import NODE, PASSWORD, USER, Mosquitto

SHIPPED = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"
START_S = 60.0  # generous: twelve processes on a shared machine
LOST_S, SLACK_S = 30.0, 3.0
BARNS = ("north", "south", "river")
MQTT = """
[mqtt]
host = "127.0.0.1"
port = {port}
tls = false
user = "{user}"
password_file = "{secret}"
prefix = "loosebox/{name}"
publish = true
"""
ORG = """
[organisation]
name = "River Valley Riders"
zone = "America/New_York"
[mqtt]
host = "127.0.0.1"
port = {port}
tls = false
user = "{user}"
password_file = "{secret}"
root = "loosebox"
[[barns]]
prefix = "loosebox/north"
page = "https://north.example:8460"
[web]
port = {web}
"""


class Bench:
    """One emulated barn with all its roles."""

    def __init__(self, name: str, folder: Path, broker: Mosquitto) -> None:
        self.name, self.folder = name, folder
        text = SHIPPED.read_text().replace('name = "Cedar Bend"', f'name = "{name.title()} Field"', 1)
        secret = broker.secret(PASSWORD)
        mqtt = MQTT.format(port=broker.port, user=USER, secret=secret, name=name)
        (folder / f"{name}.toml").write_text(text.replace("\n[history]\n", f"{mqtt}\n[history]\n", 1))
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        words = ["run", "--bench", str(self.folder / f"{self.name}.toml"), "--dir", str(self.folder / self.name)]
        with (self.folder / f"{self.name}.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "gateway.cli", *words, "--port", str(free_port())], stdout=log, stderr=log
            )

    def role(self, name: str) -> int:
        """Process id of a role."""
        assert self.process is not None
        for entry in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError, IndexError, ValueError):
                parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
                if parent == self.process.pid and name in (entry / "cmdline").read_text().split("\0"):
                    return int(entry.name)
        raise AssertionError(f"{self.name} has no {name}")

    def kill(self) -> None:
        """All its processes at once, as by power loss: the children die with their parent."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def benches(tmp_path: Path, broker: Mosquitto) -> Iterator[dict[str, Bench]]:
    made = {name: Bench(name, tmp_path, broker) for name in BARNS}
    for bench in made.values():
        bench.start()
    yield made
    for bench in made.values():
        bench.kill()


@pytest.fixture
def board(tmp_path: Path, broker: Mosquitto, benches: dict[str, Bench]) -> Iterator[Page]:
    """The page as a person has it open, on a server that knows no device."""
    port, secret = free_port(), tmp_path / "board-secret"
    secret.touch(mode=0o600)
    secret.write_text(PASSWORD + "\n")
    text = ORG.format(port=broker.port, user=NODE, secret=secret.name, web=port)
    (tmp_path / "org.toml").write_text(text)
    with (tmp_path / "board.log").open("wb") as log:
        words = [sys.executable, "-m", "gateway.cli", "web", "--site-board", str(tmp_path / "org.toml")]
        process = subprocess.Popen(words, stdout=log, stderr=log)
    try:
        wait(lambda: "the site board is at" in (tmp_path / "board.log").read_text(), START_S, "the site board")
        with chromium() as browser:
            page = browser.new_page()
            page.goto(f"http://127.0.0.1:{port}/site")
            yield page
    finally:
        process.terminate()
        assert process.wait(20) in (0, -signal.SIGTERM)  # uvicorn ends as the signal would
    assert "Traceback" not in (tmp_path / "board.log").read_text()


def wait(met: Callable[[], object], within_s: float, what: str) -> float:
    """How long it took."""
    begun_s = time.monotonic()
    while not met():
        assert time.monotonic() - begun_s < within_s, f"{what}: not within {within_s} s"
        time.sleep(0.1)
    return time.monotonic() - begun_s


def row(page: Page, name: str) -> str:
    """What the open page says of a barn."""
    rows = page.locator(".one", has=page.locator("h2", has_text=f"{name.title()} Field"))
    return rows.first.inner_text() if rows.count() else ""


def known(page: Page, name: str) -> bool:
    text = row(page, name)
    return bool(text) and "LOOK" not in text and " old" in text


def lost(page: Page, name: str) -> bool:
    text = row(page, name)
    return "LOOK" in text and ("Its gateway has gone" in text or "No word from its gateway" in text)


@pytest.mark.timeout(300)
def test_three_barns_are_shown_and_a_dead_one_is_lost_within_half_a_minute(
    board: Page, benches: dict[str, Bench], tmp_path: Path
) -> None:
    wait(lambda: all(known(board, name) for name in BARNS), START_S, "all three barns")
    assert board.locator("#counts h1").inner_text().startswith("Barns: 3")
    assert board.locator("a.button[href='https://north.example:8460']").count() == 1
    silent = benches["south"].role("uplink")
    os.kill(silent, signal.SIGSTOP)  # first the one that takes longest
    stopped_s = time.monotonic()
    benches["north"].kill()
    wait(lambda: lost(board, "north"), LOST_S + SLACK_S, "the killed barn is lost")
    wait(lambda: lost(board, "south"), stopped_s + LOST_S + SLACK_S - time.monotonic(), "the silent barn is lost")
    for name in ("north", "south"):
        assert not any(sign.isdigit() for sign in row(board, name).split("for")[0]), row(board, name)
    assert known(board, "river")
    os.kill(silent, signal.SIGCONT)
    benches["north"].start()
    wait(lambda: all(known(board, name) for name in BARNS), START_S, "both are back")
    assert board.locator("#counts h1 span").inner_text() == "Every gateway is heard."
