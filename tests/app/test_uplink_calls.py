"""The uplink role of a barn without a broker and without a store: it follows core, calls, and beats."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from gateway.app.around import around, report_file
from gateway.app.uplink import run_uplink
from gateway.app.uplink_calls import page_of
from gateway.app.web_calls import LedgerCalls, calls_file
from gateway.engine.clock import machine_s
from gateway.engine.link import LinkServer
from gateway.site import Site, load
from gateway.site_web import WebAccess
from tests.engine.fakes import until
from tests.site.test_whole_file import SMALL
from tests.uplink.call_scenes import snapshot, view

SECRET = "whsec_" + "QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVphYmNk"  # base64 of thirty letters, invented
PEOPLE = """
[alarms]
heartbeat = {{ url = "http://127.0.0.1:{port}/alive", every_min = 1 }}
[[contacts]]
name = "Ana"
webhook = {{ url = "http://127.0.0.1:{port}/calls", secret_file = "secret" }}
"""


class Receiver:
    """A far end on this machine that takes everything."""

    def __init__(self) -> None:
        self.heard: list[tuple[str, dict[str, str], bytes]] = []
        heard = self.heard

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("content-length") or 0))
                heard.append((self.path, {k.lower(): v for k, v in self.headers.items()}, body))
                self.send_response(204)
                self.end_headers()

            def log_message(self, *args: object) -> None: ...

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self.thread.start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(5)

    def at(self, path: str) -> list[tuple[str, dict[str, str], bytes]]:
        return [each for each in self.heard if each[0] == path]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.close()


def site_of(folder: Path, text: str) -> Site:
    path = folder / "barn.toml"
    path.write_text(SMALL.replace("/data/h.db", "h.db").replace("run/link", "link") + text)
    secret = folder / "secret"
    secret.touch(mode=0o600)
    secret.write_text(SECRET + "\n")
    return load(path)


def test_a_barn_with_contacts_only_calls_them_beats_and_reports(tmp_path: Path, receiver: Receiver) -> None:
    site = site_of(tmp_path, PEOPLE.format(port=receiver.port))
    link, stop, begun_s = LinkServer(site.link_socket), threading.Event(), machine_s()
    uplink = threading.Thread(target=run_uplink, args=(site, stop))
    uplink.start()
    cursors = tmp_path / "uplink-cursors.json"
    try:

        def has_come() -> bool:
            link.publish(snapshot(1.0 + machine_s() - begun_s, view(raised_wall_s=1_780_000_000.0)))
            return bool(receiver.at("/calls") and receiver.at("/alive") and report_file(cursors).exists())

        until(has_come, limit_s=90)
        _, headers, body = receiver.at("/calls")[0]
        assert json.loads(body)["type"] == "alarm.call" and headers["webhook-id"].startswith("notice-")
        assert link.at_uplink().here

        def is_reported() -> bool:
            has_come()
            calls = around(site.history_file, report_file(cursors)).calls
            return calls is not None and (calls.pending, calls.delivered, calls.arrive, calls.kept) == (
                0,
                1,
                True,
                True,
            )

        until(is_reported, limit_s=60)
        (seen,) = LedgerCalls(calls_file(cursors)).latest(9)
        assert (seen.contact, seen.way, seen.state, seen.alarms) == ("Ana", "webhook", "delivered", ("bus-lost:line",))
    finally:
        stop.set()
        uplink.join(30)
        link.close()
    assert not uplink.is_alive()
    assert len(receiver.at("/calls")) == 1


@pytest.mark.parametrize(
    ("listen", "hosts", "tls", "page"),
    [
        ("127.0.0.1", ("barn.local",), False, ""),
        ("0.0.0.0", ("barn.local", "other"), True, "https://barn.local:8460/bell"),
        ("0.0.0.0", (), True, ""),
        ("192.168.1.5", (), False, "http://192.168.1.5:8460/bell"),
        ("fd00::5", (), True, "https://[fd00::5]:8460/bell"),
    ],
)
def test_a_message_says_where_to_look_only_if_somebody_can_look_there(
    listen: str, hosts: tuple[str, ...], tls: bool, page: str
) -> None:
    access = WebAccess(
        tls=tls, open_to_read=False, hosts=hosts, cert_file=Path("c"), key_file=Path("k"), own_certificate=True,
        people_file=Path("p"),
    )  # fmt: skip
    assert page_of(access, listen, 8460) == page
