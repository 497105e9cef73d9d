"""Owns: the checks of the wall screen: its script, its unit, its user, and the whole of it with a real browser.

Must not know: what a board says.
How it works: the script runs Chromium as on a board, against a real web role; a debugging port lets the test look at
the page. Once that happens inside the real compositor, which draws into memory (wlroots' headless backend and its
software renderer) because a test machine has no screen. The compositor refuses to run as root, so root lends the test
the user "nobody".
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error, Page, Playwright, expect, sync_playwright

from dashboards.door import Access
from gateway.app.certificate import ready_certificate
from gateway.app.people import PeopleFile
from gateway.site_web import WebForm, access_of
from tests.dashboards.conftest import Barns, wall

FOLDER = Path(__file__).parents[2] / "systemd" / "kiosk"
UNIT = "loosebox-wall.service"
PROGRAM = "/usr/local/lib/loosebox-wall/loosebox-wall"
# Scale of systemd-analyze(1), "security": 0 is closed, 10 is open. A browser makes code at run time and needs
# namespaces of its own, so it is more open than the roles. The limit is ours.
LIMIT = 4.0
WITHIN_S = 90.0
NOBODY = 65534

pytestmark = pytest.mark.timeout(300)
Start = Callable[..., "Screen"]


def tool(name: str, package: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.fail(f"{name} is not installed; it is in the Debian package {package!r}")
    return found


def ran(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(word) for word in words], capture_output=True, text=True, timeout=60, check=False)


# --- the files --------------------------------------------------------------------------------------


@pytest.mark.parametrize("shell", ["sh", "dash"])
def test_the_script_is_plain_shell(shell: str) -> None:
    done = ran(tool(shell, "dash"), "-n", FOLDER / "loosebox-wall")
    assert (done.returncode, done.stderr) == (0, "")
    assert (FOLDER / "loosebox-wall").stat().st_mode & 0o111


def test_systemd_accepts_the_unit(tmp_path: Path) -> None:
    tool("cage", "cage")
    (tmp_path / UNIT).write_text((FOLDER / UNIT).read_text().replace(PROGRAM, "/bin/true"))
    done = ran(tool("systemd-analyze", "systemd"), "verify", "--man=no", tmp_path / UNIT)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_the_unit_is_closed_to_what_a_browser_does_not_need() -> None:
    done = ran(tool("systemd-analyze", "systemd"), "security", "--offline=true", "--no-pager", FOLDER / UNIT)
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found is not None, done.stderr
    assert float(found[1]) <= LIMIT, done.stdout


def test_the_unit_never_gives_up_and_binds_nobody() -> None:
    lines = (FOLDER / UNIT).read_text().splitlines()
    assert {"Restart=always", "StartLimitIntervalSec=0", "User=loosebox-wall", "Conflicts=getty@tty1.service"} <= {
        *lines
    }
    assert [line for line in lines if re.match("(Requires|Requisite|BindsTo|PartOf)=", line)] == []
    assert not any(re.match(r"(Group|SupplementaryGroups)=(.* )?loosebox( |$)", line) for line in lines)


def test_its_user_may_draw_and_has_neither_password_nor_shell(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/group").write_text("video:x:44:\nrender:x:105:\n")
    done = ran(
        tool("systemd-sysusers", "systemd"), f"--root={tmp_path}", FOLDER / "loosebox-wall.sysusers"
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    user = (tmp_path / "etc/passwd").read_text().strip().splitlines()[-1].split(":")
    assert user[0] == "loosebox-wall" and user[6].endswith("nologin")
    groups = dict(line.split(":", 1) for line in (tmp_path / "etc/group").read_text().splitlines())
    assert [groups[name].endswith(":loosebox-wall") for name in ("video", "render")] == [True, True]


def test_the_policy_is_the_json_that_the_browser_reads() -> None:
    policy = json.loads((FOLDER / "loosebox-wall.policy.json").read_text())
    assert policy["DeveloperToolsAvailability"] == 2
    assert "chrome://*" in policy["URLBlocklist"]
    assert not any(each.startswith(("http", "file", "*")) for each in policy["URLBlocklist"])  # our own pages


@pytest.mark.parametrize(
    ("text", "said"),
    [("URL=barn\n", "must begin with http"), ("ADDRESS=http://x/\n", "ADDRESS is not known"), ("", "URL=")],
)
def test_a_file_with_a_mistake_is_refused_with_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "wall.conf").write_text(text)
    done = ran(FOLDER / "loosebox-wall", tmp_path / "wall.conf")
    assert done.returncode == 78  # EX_CONFIG of sysexits.h
    assert said in done.stderr


def test_the_file_that_is_shipped_shows_this_board_without_a_change() -> None:
    lines = [line for line in (FOLDER / "loosebox-wall.conf").read_text().splitlines() if not line.startswith("#")]
    assert [line for line in lines if line] == ["URL=http://127.0.0.1:8460/"]


# --- the whole of it --------------------------------------------------------------------------------


class Screen:
    """A running script, and the one page that it shows."""

    def __init__(self, process: subprocess.Popen[bytes], folder: Path, playwright: Playwright) -> None:
        self.process, self.folder, self._playwright = process, folder, playwright

    def page(self, address: str) -> Page:
        """The page, once the screen shows this address."""
        end_s = time.monotonic() + WITHIN_S
        shown = "nothing"
        while time.monotonic() < end_s:
            assert self.process.poll() is None, (self.folder / "log").read_text()[-3000:]
            with contextlib.suppress(Error, OSError, IndexError):
                page = self._browser().contexts[0].pages[0]
                shown = page.url
                if re.search(address, shown):
                    return page
            time.sleep(0.3)
        raise AssertionError(f"the screen shows {shown}, not {address}: {(self.folder / 'log').read_text()[-3000:]}")

    def _browser(self) -> Browser:
        port = (self.folder / "state/profile/DevToolsActivePort").read_text().split()[0]
        return self._playwright.chromium.connect_over_cdp(f"http://127.0.0.1:{port}")

    def stop(self) -> None:
        """As systemd stops a unit: everybody in it at once."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGTERM)
        try:
            self.process.wait(20)
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    with sync_playwright() as made:
        yield made


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Instead of pytest's own: another user can reach it, and a socket's name in it is short enough."""
    with tempfile.TemporaryDirectory(prefix="wall-") as name:
        yield Path(name)


@pytest.fixture
def start(tmp_path: Path, playwright: Playwright) -> Iterator[Start]:
    """Runs the script with a configuration; `inside` are the words of what it runs in."""
    with ExitStack() as ends:

        def run(config: str, *flags: str, inside: tuple[str, ...] = (), user: int | None = None, **env: str) -> Screen:
            (tmp_path / "wall.conf").write_text(config)
            port = tmp_path / "state/profile/DevToolsActivePort"
            port.unlink(missing_ok=True)
            for name in ("loosebox-wall", "waiting.html"):
                shutil.copy(FOLDER / name, tmp_path)
            if user is not None:
                for path in (tmp_path, *tmp_path.rglob("*")):
                    os.chown(path, user, user)
            words = [*inside, str(tmp_path / "loosebox-wall"), str(tmp_path / "wall.conf"), "--no-sandbox",
                     "--disable-gpu", "--remote-debugging-port=0", *flags]  # fmt: skip
            own = {"STATE_DIRECTORY": str(tmp_path / "state"), "RUNTIME_DIRECTORY": str(tmp_path / "run"),
                   "HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}  # fmt: skip
            log = ends.enter_context((tmp_path / "log").open("wb"))
            process = subprocess.Popen(
                words, env={"PATH": os.environ["PATH"], **own, **env}, stdout=log, stderr=log, start_new_session=True,
                user=user, group=user, extra_groups=None if user is None else [],
            )  # fmt: skip
            screen = Screen(process, tmp_path, playwright)
            ends.callback(screen.stop)
            return screen

        yield run


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def test_it_says_that_it_waits_then_shows_the_board_and_ends_when_told(start: Start) -> None:
    port = free_port()
    screen = start(f"# ours\nURL=http://127.0.0.1:{port}/\n", "--headless=new")
    waiting = screen.page("waiting.html$")
    assert "LOOK MIRE" in " ".join(waiting.inner_text("main").split())
    with wall(port=port) as hung:
        hung.publish(Barns.risky())
        board = screen.page("/aisle$")
        expect(board.locator("body")).to_have_attribute("data-link", "live")
        expect(board.locator(".head")).to_contain_text("CARE")
        screen.stop()
    assert "showing http" in (screen.folder / "log").read_text()


def test_a_wall_is_paired_at_its_own_screen_and_still_is_after_a_restart(start: Start, tmp_path: Path) -> None:
    people = PeopleFile(tmp_path / "people.json")
    with wall(people=people, access=Access(open_to_read=False)) as hung:
        hung.publish(Barns.risky())
        screen = start(f"URL={hung.url}/\n", "--headless=new")
        page = screen.page("/sign-in")
        page.get_by_role("link", name="Let this screen look").click()
        page.get_by_label("Code").fill(people.offer("Aisle screen"))
        page.get_by_role("button", name="Let it look").click()
        page.get_by_role("radio", name="Gate-side board Arena").check()
        page.get_by_role("button", name="Keep, and show it").click()
        page.wait_for_url("**/gateside?place=arena")
        page.wait_for_timeout(
            1500
        )  # the browser writes cookies down in its own time; a power cut soon after loses them
        page.context.browser.new_browser_cdp_session().send("Browser.close")  # type: ignore[union-attr]
        screen.process.wait(20)
        again = start(f"URL={hung.url}/\n", "--headless=new")
        assert again.page("/gateside.place=arena$")
        again.stop()


def test_the_certificate_of_another_machine_is_taken_by_its_pin_and_no_other(start: Start, tmp_path: Path) -> None:
    access = access_of(WebForm.model_validate({"listen": "127.0.0.1"}), tmp_path, tmp_path / "history.db")
    ready_certificate(access, "127.0.0.1")
    with wall(ssl_certfile=str(access.cert_file), ssl_keyfile=str(access.key_file)) as hung:
        hung.publish(Barns.risky())
        told = ran(FOLDER / "loosebox-wall", "--pin", hung.url + "/").stdout
        assert ready_certificate(access, "127.0.0.1") in told.upper()
        pin = re.search("^PIN=(.+)$", told, re.MULTILINE)
        assert pin is not None
        refused = start(f"URL={hung.url}/\n", "--headless=new")
        page = refused.page("^https|^chrome-error")
        assert "CARE" not in page.inner_text("body")
        refused.stop()
        taken = start(f"URL={hung.url}/\nPIN={pin[1]}\n", "--headless=new")
        expect(taken.page("/aisle$").locator(".head")).to_contain_text("CARE")
        taken.stop()


def test_inside_the_compositor_the_board_has_the_whole_screen(start: Start) -> None:
    cage = tool("cage", "cage")
    tool("Xwayland", "xwayland")  # Debian's cage asks for it at its start
    port = free_port()
    headless = {"WLR_BACKENDS": "headless", "WLR_LIBINPUT_NO_DEVICES": "1", "WLR_RENDERER": "pixman"}
    with wall(port=port) as hung:
        hung.publish(Barns.risky())
        user = NOBODY if os.geteuid() == 0 else None
        screen = start(f"URL={hung.url}/\n", inside=(cage, "-d", "--"), user=user, **headless)
        board = screen.page("/aisle$")
        expect(board.locator("body")).to_have_attribute("data-link", "live")
        size = board.evaluate("[innerWidth === screen.width, innerHeight === screen.height]")
        assert size == [True, True]
        assert board.evaluate("matchMedia('(display-mode: fullscreen)').matches")
        screen.stop()
