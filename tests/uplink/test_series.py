"""The adapter of influxdb-client against a far end that answers everything there is."""

from __future__ import annotations

import contextlib
import http.server
import ssl
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from gateway.engine.clock import machine_s
from gateway.uplink.series import Store
from gateway.uplink.verdict import Outcome, Restart
from tests.uplink.rig import Mosquitto, free_port
from tests.uplink.store_rig import Peer, Say, series_at

LINES = "loosebox_reading,barn=b temp_c=1.5 1780000000000\nloosebox_reading,barn=b temp_c=1.6 1780000005000"


@pytest.fixture
def peer() -> Iterator[Peer]:
    made = Peer(lambda lines: Say())
    yield made
    made.close()


@pytest.fixture
def store(peer: Peer, tmp_path: Path) -> Iterator[Store]:
    made = Store(series_at(peer.url, tmp_path), within_s=1.0)
    yield made
    made.close()


@pytest.mark.parametrize("packed", [True, False])
def test_a_batch_is_one_post_with_token_bucket_and_milliseconds(peer: Peer, tmp_path: Path, packed: bool) -> None:
    store = Store(series_at(peer.url, tmp_path, gzip=packed))
    assert store.write(LINES).outcome is Outcome.DELIVERED
    store.close()
    [(path, headers, lines)] = peer.requests
    assert urlsplit(path).path == "/api/v2/write"
    assert parse_qs(urlsplit(path).query) == {"org": ["yard"], "bucket": ["barns"], "precision": ["ms"]}
    assert headers["Authorization"] == "Token hay-token"
    assert (headers.get("Content-Encoding") == "gzip") is packed
    assert lines == LINES.split("\n")


@pytest.mark.parametrize(
    ("status", "outcome"),
    [
        *((status, Outcome.BAD) for status in (400, 413, 422)),
        *((status, Outcome.REFUSED) for status in (401, 403, 404, 405, 410, 418)),
        *((status, Outcome.AWAY) for status in (408, 429, 500, 502, 503, 504, 507)),
        *((status, Outcome.AWAY) for status in (301, 302, 303, 307, 308)),
        *((status, Outcome.AWAY) for status in (200, 201, 202)),
    ],
)
def test_what_each_answer_means(peer: Peer, store: Store, status: int, outcome: Outcome) -> None:
    away = (("Location", peer.url + "/elsewhere"),) if 300 <= status < 400 else ()
    peer.script = lambda lines: Say(status=status, headers=away, body=b"because")
    verdict = store.write(LINES)
    assert verdict.outcome is outcome
    assert str(status) in verdict.why
    assert len(peer.requests) == 1  # neither tried again nor followed


@pytest.mark.parametrize("kind", ["text/html", "application/json"])
def test_a_page_of_a_captive_portal_is_no_success(peer: Peer, store: Store, kind: str) -> None:
    peer.script = lambda lines: Say(status=200, headers=(("Content-Type", kind),), body=b"<html>Welcome</html>")
    verdict = store.write(LINES)
    assert verdict.outcome is Outcome.AWAY
    assert kind in verdict.why


@pytest.mark.parametrize(
    ("said", "wait_s"),
    [("7", 7.0), ("0", 0.0), ("999999999", 3600.0), ("-1", None), ("Wed, 21 Oct 2026 07:28:00 GMT", None), ("x", None)],
)
def test_the_store_says_how_long_to_wait(peer: Peer, store: Store, said: str, wait_s: float | None) -> None:
    peer.script = lambda lines: Say(status=429, headers=(("Retry-After", said),))
    assert store.write(LINES).wait_s == wait_s


def test_the_reason_in_the_answer_is_told_in_one_short_line(peer: Peer, store: Store) -> None:
    peer.script = lambda lines: Say(status=400, body=b'{"code": "invalid", "message": "type\\n conflict ' + b"x" * 9000)
    assert len(store.write(LINES).why) < 320
    peer.script = lambda lines: Say(status=400, body=b'{"code": "invalid", "message": "type conflict"}')
    assert store.write(LINES).why == "400: type conflict"


def test_bytes_that_are_no_text_are_an_answer_too(peer: Peer, store: Store) -> None:
    peer.script = lambda lines: Say(status=503, body=b"\xff\xfe\x80")
    assert store.write(LINES).outcome is Outcome.AWAY


def test_half_an_answer_is_none(peer: Peer, store: Store) -> None:
    peer.script = lambda lines: Say(status=500, body=b"x" * 1000, cut=10)
    assert store.write(LINES).outcome is Outcome.AWAY
    peer.script = lambda lines: Say(cut=0)  # taken, but nothing comes back
    assert store.write(LINES).outcome is Outcome.AWAY
    peer.script = lambda lines: Say()
    assert store.write(LINES).outcome is Outcome.DELIVERED


@pytest.mark.parametrize("status", [200, 400, 503])
def test_an_answer_that_drips_is_given_up_in_time(peer: Peer, store: Store, status: int) -> None:
    peer.script = lambda lines: Say(status=status, body=b"x" * 1000, drip_s=0.1)
    began_s = machine_s()
    assert store.write(LINES).outcome is Outcome.AWAY
    assert machine_s() - began_s < 3


def test_an_answer_that_never_comes_is_given_up_in_time(peer: Peer, store: Store) -> None:
    never = threading.Event()
    peer.script = lambda lines: Say(wait=never)
    began_s = machine_s()
    assert store.write(LINES).outcome is Outcome.AWAY
    assert machine_s() - began_s < 3
    never.set()


def test_an_endless_answer_is_cut(peer: Peer, store: Store) -> None:
    peer.script = lambda lines: Say(status=400, body=b"x" * 50_000_000)
    began_s = machine_s()
    verdict = store.write(LINES)
    assert machine_s() - began_s < 3
    assert verdict.outcome is Outcome.BAD  # the status alone counts
    peer.script = lambda lines: Say()
    assert store.write(LINES).outcome is Outcome.DELIVERED


def test_nobody_listening_is_a_restart_for_sure_and_a_lost_line_perhaps(peer: Peer, store: Store) -> None:
    assert store.write(LINES).restarted is Restart.NO
    peer.script = lambda lines: Say(cut=0)
    store.write(LINES)
    peer.script = lambda lines: Say()
    assert store.write(LINES).restarted is Restart.PERHAPS
    assert store.write(LINES).restarted is Restart.NO
    peer.script = lambda lines: Say(status=503)
    store.write(LINES)
    peer.script = lambda lines: Say()
    assert store.write(LINES).restarted is Restart.NO  # it was there all the time


def test_a_store_that_was_down_between_two_requests_is_a_restart_perhaps(peer: Peer, store: Store) -> None:
    """Nobody saw it away; only the connection is another one."""
    assert [store.write(LINES).restarted for _ in range(3)] == [Restart.NO] * 3
    peer.close()
    again = Peer(lambda lines: Say(), port=peer.port)
    assert [store.write(LINES).restarted for _ in range(3)] == [Restart.PERHAPS, Restart.NO, Restart.NO]
    again.close()


@pytest.mark.parametrize("header", [(("Connection", "close"),), (("Connection", "Close"), ("X-Any", "1"))])
def test_a_store_that_says_it_closes_each_connection_was_not_restarted(
    peer: Peer, store: Store, header: tuple[tuple[str, str], ...]
) -> None:
    peer.script = lambda lines: Say(headers=header)
    assert [store.write(LINES).restarted for _ in range(4)] == [Restart.NO] * 4


def test_a_store_that_is_down_and_comes_back(tmp_path: Path) -> None:
    port = free_port()
    store = Store(series_at(f"http://127.0.0.1:{port}", tmp_path))
    assert store.write(LINES).outcome is Outcome.AWAY

    class Takes(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with http.server.HTTPServer(("127.0.0.1", port), Takes) as server:
        thread = threading.Thread(target=server.handle_request, daemon=True)
        thread.start()
        assert store.write(LINES).restarted is Restart.SURE
        thread.join(5)
    store.close()


def test_a_token_that_others_may_read_is_refused_and_a_changed_one_is_taken(peer: Peer, tmp_path: Path) -> None:
    series = series_at(peer.url, tmp_path)
    store = Store(series)
    series.token_file.chmod(0o640)
    verdict = store.write(LINES)
    assert verdict.outcome is Outcome.REFUSED
    assert "chmod 0600" in verdict.why and "hay-token" not in verdict.why
    assert peer.requests == []
    series.token_file.chmod(0o600)
    peer.script = lambda lines: Say(status=401)
    assert store.write(LINES).outcome is Outcome.REFUSED
    series.token_file.write_text("other\n")
    peer.script = lambda lines: Say()
    assert store.write(LINES).outcome is Outcome.DELIVERED
    assert peer.requests[-1][1]["Authorization"] == "Token other"
    store.close()


def test_a_redirect_leads_nowhere_and_carries_no_token_away(peer: Peer, store: Store) -> None:
    other = Peer(lambda lines: Say())
    peer.script = lambda lines: Say(status=307, headers=(("Location", other.url + "/api/v2/write"),))
    assert store.write(LINES).outcome is Outcome.AWAY
    assert other.requests == []
    other.close()


def test_one_connection_serves_many_batches_and_no_thread_is_left(peer: Peer, store: Store) -> None:
    before = threading.active_count()
    for _ in range(20):
        assert store.write(LINES).restarted is Restart.NO
    assert threading.active_count() <= before + 1  # the peer's own for this connection
    store.close()


@contextlib.contextmanager
def tls_peer(folder: Path) -> Iterator[str]:
    """A far end with a certificate for localhost from an authority of our own."""
    Mosquitto(folder, tls=True)  # makes the certificates, is not started

    class Takes(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    class Server(http.server.HTTPServer):
        def handle_error(self, *_: object) -> None:
            """A client that does not like the certificate goes away."""

    server = Server(("127.0.0.1", 0), Takes)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "broker.crt", folder / "broker.key")
    server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    yield f"https://{{}}:{server.server_address[1]}"
    server.shutdown()
    server.server_close()
    thread.join(5)


def test_tls_is_verified_by_authority_and_by_name(tmp_path: Path) -> None:
    with tls_peer(tmp_path / "tls") as url:
        authority = tmp_path / "tls" / "ca.crt"
        cases = (
            ("localhost", authority, Outcome.DELIVERED),
            ("localhost", None, Outcome.REFUSED),  # an authority that the system does not know
            ("127.0.0.1", authority, Outcome.REFUSED),  # another name than in the certificate
        )
        for host, ca_file, outcome in cases:
            store = Store(series_at(url.format(host), tmp_path, ca_file=ca_file), within_s=5)
            assert store.write(LINES).outcome is outcome, (host, ca_file)
            store.close()
