"""A fan that stops in the heat: who is told, by which way, how soon, and what they are told in the end.

How it works: the whole program, an emulated barn with contacts in its site file; the far ends are an SMTP server with
TLS (aiosmtpd) and an HTTPS receiver whose signatures the reference library of Standard Webhooks judges. Barn time runs
at the pace of life where seconds count, and faster where a fan rests between two tries.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect
from standardwebhooks import Webhook

from tests.browser import chromium
from tests.e2e.barn import Barn, loosebox, running_barn
from tests.e2e.test_fault_table import weather
from tests.uplink.far_ends import PASSWORD, USER, MailServer, Receiver, make_papers

pytestmark = pytest.mark.timeout(400)

BENCH_BARN = Path(__file__).parents[2] / "drivers/bench/barn.toml"
HOT = (31, 58)  # °C and % outdoors, all day
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # the example of the specification's reference libraries
WITHIN_S, ESCALATE_S = 30.0, 60.0
BUSY_S = 6.0  # for a machine that does much else
ALARM = "kit-not-running:stall-fans"
MESSAGE = """
[alarms]
escalate_now_min = 1

[mail]
host = "localhost"
port = {mail}
ca_file = "{papers}/ca.crt"
user = "{user}"
password_file = "{papers}/password"
from = "barn@example.org"

[[contacts]]
name = "Ana"
order = 1
mail = "ana@example.org"
webhook = {{ url = "https://localhost:{hook}/ana", secret_file = "{papers}/hook", ca_file = "{papers}/ca.crt" }}

[[contacts]]
name = "Luis"
order = 2
language = "es"
webhook = {{ url = "https://localhost:{hook}/luis", secret_file = "{papers}/hook", ca_file = "{papers}/ca.crt" }}
"""


class Far:
    """The mailbox of Ana, the receiver of both."""

    def __init__(self, folder: Path) -> None:
        self.papers = make_papers(folder)
        self.mail, self.hook = MailServer(self.papers, starttls=True), Receiver(self.papers)
        for name, text in (("password", PASSWORD), ("hook", SECRET)):
            path = folder / name
            path.touch(mode=0o600)
            path.write_text(text + "\n")

    def site(self, folder: Path) -> Path:
        path = folder / "with-contacts.toml"
        given = {"mail": self.mail.port, "hook": self.hook.port, "papers": self.papers.folder, "user": USER}
        path.write_text(BENCH_BARN.read_text() + MESSAGE.format(**given))
        return path

    def told(self, to: str, news: str) -> list[dict[str, Any]]:
        """What the receiver got at /TO about the fan with this news, each with a good signature."""
        found = [Webhook(SECRET).verify(got.body, got.headers) for got in list(self.hook.got) if got.path == f"/{to}"]
        return [one for one in found if any((a["alarm"], a["news"]) == (ALARM, news) for a in one["data"]["alarms"])]

    def mails(self, word: str) -> list[str]:
        """The subjects of Ana's mails whose text has this word."""
        return [str(mail["Subject"]) for mail in list(self.mail.mails) if word in mail.get_content()]


@contextmanager
def barn_with_people(folder: Path, speed: float) -> Iterator[tuple[Barn, Far]]:
    far = Far(folder / "papers")
    options = ("--bench", str(far.site(folder)), "--weather", weather(folder, HOT))
    try:
        with running_barn(folder / "bench", speed=speed, options=options) as barn:
            barn.wait(lambda: (barn.place("stalls").get("level") or 0) >= 2, 900, "heat in the stalls")
            barn.wait(lambda: barn.running()["stall-fans"], 900, "the stall fan running")
            barn.wait(lambda: barn.kit("stall-fans").get("running"), 60, "its proof")
            yield barn, far
    finally:
        far.mail.close()
        far.hook.close()


def until(found: Any, by_s: float, what: str) -> float:
    """Wait for it; gives the moment."""
    while not found():
        assert time.monotonic() < by_s, f"{what} did not happen in time"
        time.sleep(0.1)
    return time.monotonic()


def test_a_stopped_fan_reaches_a_mailbox_a_receiver_and_the_wall_and_then_the_next_person(tmp_path: Path) -> None:
    with barn_with_people(tmp_path, speed=1) as (barn, far), chromium() as browser:
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.goto(barn.url + "/aisle")
        barn.put(stall_fans="tripped")
        begun_s = time.monotonic()
        by_s = begun_s + WITHIN_S + BUSY_S
        hooked_s = until(lambda: far.told("ana", "call"), by_s, "the webhook")
        mailed_s = until(lambda: far.mails("stall-fans"), by_s, "the mail")
        expect(page.locator("body")).to_contain_text("stall-fans", timeout=1000 * max(0.1, by_s - time.monotonic()))
        wall_s = time.monotonic()
        assert not far.told("luis", "call")
        called_s = until(lambda: far.told("luis", "call"), hooked_s + ESCALATE_S + 30 + BUSY_S, "the next person")
        assert called_s - hooked_s >= ESCALATE_S - 10
        told = [round(at_s - begun_s, 1) for at_s in (hooked_s, mailed_s, wall_s, called_s)]
        print("webhook, mail, wall, next person after s:", told)
        (one,) = far.told("ana", "call")
        assert one["data"]["emulated"] is True
        assert one["data"]["alarms"][0]["priority"] == "now"
        assert barn.log().count("Traceback") == 0


def test_it_is_told_as_over_when_the_fan_runs_again(tmp_path: Path) -> None:
    with barn_with_people(tmp_path, speed=20) as (barn, far):
        barn.put(stall_fans="tripped")
        begun_s = time.monotonic()
        until(lambda: far.told("ana", "call"), begun_s + 60, "the call")
        barn.mend("stall-fans")
        over_s = time.monotonic() + 240  # barn time: its rest, its proof, ten minutes that an alarm stands at least
        until(lambda: far.told("ana", "over"), over_s, "the end, told to Ana")
        until(lambda: far.mails("stall-fans")[1:], over_s, "the end, by mail")
        if far.told("luis", "call"):
            until(lambda: far.told("luis", "over"), over_s, "the end, told to Luis")
        assert len(far.told("ana", "over")) == 1


def test_an_emulated_barn_calls_nobody_elsewhere(tmp_path: Path) -> None:
    site = tmp_path / "real.toml"
    given = {"mail": 587, "hook": 443, "papers": "keys", "user": "barn"}
    text = MESSAGE.format(**given).replace('"localhost"', '"mail.example"').replace("localhost", "b.example")
    site.write_text(BENCH_BARN.read_text() + text)
    told = loosebox("run", "--bench", str(site), "--dir", str(tmp_path / "bench"))
    assert told.returncode != 0
    for what in ("mail.host: found mail.example", "contact Ana: webhook url: found b.example", "contact Luis"):
        assert what in told.stderr
