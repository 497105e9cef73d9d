"""The web role as a board on a network runs it: TLS by itself, its fingerprint told, nobody in without signing in."""

from __future__ import annotations

import re
import socket
import ssl
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.e2e.barn import free_port, loosebox

SHIPPED = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"


@pytest.fixture
def address() -> str:
    """An address of this machine that is not loopback."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737); nothing is sent
            found = str(sock.getsockname()[0])
        except OSError:
            found = "127.0.0.1"
    if found.startswith("127."):
        pytest.skip("this machine has no address but loopback")
    return found


@pytest.fixture
def site(tmp_path: Path, address: str) -> Path:
    text = SHIPPED.read_text().replace('listen = "127.0.0.1"', f'listen = "{address}"')
    text = re.sub(r"^port = 8460$", f"port = {free_port()}", text, flags=re.MULTILINE)
    (tmp_path / "barn.toml").write_text(text)
    return tmp_path / "barn.toml"


@pytest.fixture
def said(site: Path) -> Iterator[str]:
    """What the role said until it served."""
    log = site.with_name("web.log")
    with log.open("w") as out:
        process = subprocess.Popen([sys.executable, "-m", "gateway.cli", "web", str(site)], stderr=out, text=True)
        try:
            end_s = time.monotonic() + 30
            while "the wall is at" not in log.read_text():
                assert process.poll() is None and time.monotonic() < end_s, log.read_text()
                time.sleep(0.05)
            yield log.read_text()
        finally:
            process.terminate()
            process.wait(20)


def test_a_board_on_a_network_serves_over_tls_and_tells_its_fingerprint(site: Path, said: str) -> None:
    printed = re.search(r"fingerprint is ([0-9A-F:]{95})", said)
    url = re.search(r"the wall is at (https://\S+)/aisle", said)
    assert printed and url
    trust = ssl.create_default_context(cafile=str(site.with_name("web-certificate.pem")))
    with urllib.request.urlopen(f"{url[1]}/sign-in", timeout=10, context=trust) as answer:
        page = answer.read().decode()
    assert printed[1] in page
    assert "loosebox people" in page  # nobody is on the list yet, and the page says how to begin
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(f"{url[1]}/api/v1/now", timeout=10, context=trust)
    assert refused.value.code == 401
    refused.value.close()


def test_check_says_how_people_reach_the_pages(site: Path) -> None:
    told = loosebox("check", str(site)).stdout
    assert "TLS; nobody looks without signing in" in told
    assert "a certificate of its own is made at first start" in told


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        ('cert_file = "a.pem"', "cert_file stands alone"),
        ('plain_http = true\ncert_file = "a.pem"\nkey_file = "b.pem"', "plain_http and a certificate"),
        ("plain_http = true\nread_without_sign_in = false", "nobody can sign in over plain HTTP"),
        ('hosts = ["bad name"]', "hosts"),
    ],
)
def test_what_cannot_be_is_refused_by_the_site_file(site: Path, lines: str, problem: str) -> None:
    site.write_text(site.read_text().replace("[web]\n", f"[web]\n{lines}\n"))
    run = loosebox("check", str(site))
    assert (run.returncode, problem in run.stderr) == (2, True), run.stderr
