"""The commands of hardware/many-barns.md, run as they are written: one broker, one store, a site board, two gateways.

Only variables that the guide itself names are set: where things lie, ports, the name of the machine, the broker's user.
"""

from __future__ import annotations

import os
import pwd
import re
import subprocess
import sys
import tempfile
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

from gateway.engine.clock import BoardClock
from gateway.errors import GatewayError
from gateway.org import load_org
from gateway.site import load
from gateway.uplink.days import StoreDays
from gateway.uplink.series import Store
from gateway.uplink.verdict import Outcome
from tests.e2e.barn import free_port
from tests.engine.fakes import until
from tests.uplink.store_rig import PLAIN_SITE

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "hardware" / "many-barns.md"
SHIPPED = ROOT / "drivers" / "bench" / "barn.toml"


def blocks(marked: str) -> str:
    """All command blocks with this mark, in order."""
    return "\n".join(re.findall(rf"<!-- {marked} -->\n```sh\n(.*?)```", GUIDE.read_text(), re.DOTALL))


class Guide:
    """The guide's commands in folders of their own. `said` is what they printed."""

    def __init__(self, folder: Path) -> None:
        tools = folder / "tools"
        tools.mkdir()
        (tools / "loosebox").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m gateway.cli "$@"\n')
        (tools / "loosebox").chmod(0o700)
        self.conf, self.data = folder / "conf", folder / "data"
        self.ports = {name: free_port() for name in ("MQTT_PORT", "STORE_PORT", "INNER_PORT", "BOARD_PORT")}
        given = {
            "HOST": "127.0.0.1", "CONF": self.conf, "DATA": self.data, "RUN_AS": pwd.getpwuid(os.getuid()).pw_name,
            "PATH": f"{tools}:/usr/sbin:{os.environ['PATH']}", "PYTHONPATH": ROOT, **self.ports,
        }  # fmt: skip
        self._env = os.environ | {name: str(value) for name, value in given.items()}

    def run(self, commands: str, folder: Path, within_s: float) -> str:
        """Run them as one script, as somebody who types them one after the other."""
        with (folder / "said.txt").open("w+") as said:
            process = subprocess.Popen(
                ["bash", "-eu", "-c", commands], stdout=said, stderr=said, env=self._env, cwd=folder
            )  # fmt: skip
            code = process.wait(within_s)
            said.seek(0)
            text = said.read()
        assert code == 0, text
        return text

    def board(self) -> str:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.ports['BOARD_PORT']}/site", timeout=10) as answer:
            return str(answer.read().decode())


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Instead of pytest's own: a socket's name in it is short enough beside other workers too."""
    with tempfile.TemporaryDirectory(prefix="many-") as name:
        yield Path(name)


@pytest.fixture
def guide(tmp_path: Path) -> Iterator[Guide]:
    made = Guide(tmp_path)
    try:
        yield made
    finally:
        for path in (*made.data.glob("*.pid"), *made.data.glob("broker/*.pid")):
            subprocess.run(["kill", path.read_text().strip()], check=False, capture_output=True)


def row(page: str, prefix_name: str) -> str:
    """The row of a barn without its markup."""
    found = [re.sub("<[^>]+>", " ", part) for part in page.split('<li id="b-')[1:]]
    return next((text for text in found if prefix_name in text), "")


def running(site: Path, name: str) -> subprocess.Popen[bytes]:
    words = ["run", "--bench", str(site), "--dir", str(site.parent / f"bench-{name}"), "--port", str(free_port())]
    with (site.parent / f"{name}.log").open("ab") as log:
        return subprocess.Popen([sys.executable, "-m", "gateway.cli", *words], stdout=log, stderr=log)


@pytest.mark.timeout(240)
def test_the_guide_makes_a_broker_a_store_and_a_board_that_shows_a_gateway(guide: Guide, tmp_path: Path) -> None:
    said = guide.run(blocks("run"), tmp_path, 90)
    assert "north writes: 204" in said
    assert "a stranger writes: 400" in said
    assert "north reads: 400" in said
    assert "the board reads: 200" in said
    assert "River Valley Riders: time zone America/New_York" in said
    assert said.rstrip().endswith("ready")
    # The lines for north's site file, as pasted: its readings reach the store, and the board can ask for their day.
    folder = guide.conf / "gateways" / "north"
    (folder / "barn.toml").write_text(PLAIN_SITE.format(barn="North Field") + (folder / "paste.toml").read_text())
    site = load(folder / "barn.toml")
    assert site.series is not None and site.broker is not None
    now_s = BoardClock().stamp().wall_s
    lines = "\n".join(
        f"loosebox_reading,barn=North\\ Field,place=stalls,sensor=air {field}={value} {int((now_s - ago_s) * 1000)}"
        for field, value in (("temp_c", 30.0), ("rh_pct", 60.0))
        for ago_s in range(0, 7200, 60)
    )
    store = Store(site.series)
    assert store.write(lines).outcome is Outcome.DELIVERED
    store.close()
    org = load_org(guide.conf / "org.toml")
    assert org.series is not None
    days = StoreDays(org.series)
    until(lambda: answers(lambda: days.days(("North Field",), now_s)), limit_s=40)
    points = days.days(("North Field",), now_s)["North Field", "stalls"]
    assert {round(total, 6) for _, total in points} == {146.0}  # 30 °C is 86 °F, and 86 + 60 is 146
    # A gateway with the pasted broker: the emulated barn, whose readings no store may have.
    mqtt = (folder / "paste.toml").read_text().partition("[series]")[0]
    for name in ("ca.crt", "password"):
        mqtt = mqtt.replace(f'"{name}"', f'"{folder / name}"')
    text = SHIPPED.read_text().replace('name = "Cedar Bend"', 'name = "North Field"', 1)
    (tmp_path / "north.toml").write_text(text.replace("\n[history]\n", f"\n{mqtt}\n[history]\n", 1))
    barn = running(tmp_path / "north.toml", "north")
    try:
        until(lambda: " old" in row(guide.board(), "North Field"), limit_s=60)
    finally:
        barn.terminate()
        barn.wait(20)
    until(lambda: "Its gateway has gone" in row(guide.board(), "North Field"), limit_s=20)
    assert "Never heard" in row(guide.board(), "south")
    broker = (guide.data / "broker" / "mosquitto.pid").read_text()
    guide.run(f'cd "$CONF"\n{blocks("run at the end")}', tmp_path, 20)
    until(lambda: not Path(f"/proc/{broker.strip()}").exists(), limit_s=20)


def answers(question: Callable[[], Mapping[tuple[str, str], object]]) -> bool:
    """Whether the store tells something: what was written just now it tells a little later."""
    try:
        return ("North Field", "stalls") in question()
    except GatewayError:
        return False


def test_the_rights_of_the_guide_keep_gateways_apart() -> None:
    """As the ACL stands there: a gateway has no topic but below its own name, and the board none to write to."""
    acl = re.search(r"cat > broker/acl <<END\n(.*?)END\n", GUIDE.read_text(), re.DOTALL)
    assert acl is not None
    gateways, board = acl[1].split("user board\n")
    assert all("/%u/" in line for line in gateways.splitlines())
    assert all(line.startswith("topic read ") for line in board.splitlines())
