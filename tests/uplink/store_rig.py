"""Owns: real and hostile time-series stores for the tests of uplink, and histories to be carried there.

Must not know: how uplink works.
How it works: VictoriaMetrics runs as a process with its data in the test's folder, and is read back through its own
export. The hostile peer is an HTTP server that answers each request as the test's script says. Histories are written
by the program's own writer; large ones get their rows by SQL, in the same tables.
"""

from __future__ import annotations

import contextlib
import gzip
import http.server
import json
import socket
import sqlite3
import subprocess
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.barn import Barn, Place
from gateway.model import Channel, Event, PlaceKind, Policy, Quality, Quantity, Reading, Stamp
from gateway.site_streams import Series
from gateway.store.writer import Writer
from tests.engine.fakes import until
from tests.uplink.rig import free_port

BARN = Barn(
    name="Far, Field",  # a comma and a blank: what line protocol must escape
    zone="America/New_York",
    pressure_pa=101325.0,
    posts=(),
    carry_limits=(2.0, 1.2, 1.0),
    horse_mass_kg=500.0,
    dead_band=3.0,
    hold_s=300.0,
    places=(Place(name="stalls", kind=PlaceKind.STANDING, policy=Policy.AIR, label={"en": "Stalls"}),),
    sensors=(),
    kit=(),
)
BEGAN_S = 1_780_000_000.0  # 2026-05-28
BOOT = "boot-a"
Point = tuple[str, str, str, str, int, float]  # measurement_field, place, sensor, barn, ms, value

# The smallest site file; what a test is about is added to it.
PLAIN_SITE = """
[barn]
name = "{barn}"
zone = "America/New_York"
altitude_m = 30
[[places]]
name = "stalls"
kind = "standing"
[[buses]]
name = "tree"
kind = "sysfs"
root = "sys"
[[sensors]]
name = "air-0"
place = "stalls"
bus = "tree"
kind = "iio"
device = "air"
every_s = 5
temp = "in_temp"
rh = "in_humidityrelative"
rh_unit = "milli-percent"
[history]
file = "history.db"
[link]
socket = "link.sock"
"""


def channels_of(count: int) -> tuple[Channel, ...]:
    """Temperature and humidity of count / 2 sensors."""
    kinds = (Quantity.TEMP, Quantity.RH)
    return tuple(
        Channel(name=f"air-{n // 2}.{kinds[n % 2]}", sensor=f"air-{n // 2}", place="stalls", quantity=kinds[n % 2])
        for n in range(count)
    )


def stamp(mono_s: float, *, trusted: bool = True, boot: str = BOOT) -> Stamp:
    return Stamp(mono_s=mono_s, wall_s=BEGAN_S + mono_s, boot=boot, trusted=trusted)


@dataclass
class Hist:
    """A history of `count` channels."""

    path: Path
    count: int = 2

    def __post_init__(self) -> None:
        self.channels = channels_of(self.count)
        self.acknowledged = 0  # readings that the writer said are on the disk
        self.acknowledged_events = 0
        self._writer: Writer | None = None

    def open(self) -> None:
        self._writer = Writer(self.path, BARN, self.channels, batch_s=0.05)
        assert self._writer.flush(10)

    def add(self, first: int, last: int, *, every_s: float = 5.0, events: Sequence[Event] = ()) -> None:
        """Rounds first to last - 1, each with every channel; on the disk when this returns."""
        if self._writer is None:
            self.open()
        assert self._writer is not None
        for n in range(first, last):
            for number, channel in enumerate(self.channels):
                value = round(20 + (n % 977) / 100 + number, 2)
                reading = Reading(channel=channel.name, value=value, quality=Quality.GOOD, stamp=stamp(n * every_s))
                self._writer.reading(reading)
        if events:
            self._writer.events(events)
        assert self._writer.flush(10)
        self.acknowledged += (last - first) * len(self.channels)
        self.acknowledged_events += len(events)

    def reading(self, reading: Reading) -> None:
        assert self._writer is not None
        self._writer.reading(reading)
        assert self._writer.flush(10)
        self.acknowledged += 1

    def bulk(self, rounds: int, *, every_s: float = 5.0, first: int = 0) -> None:
        """Many rounds, by SQL."""
        if self._writer is None:
            self.add(first, first + 1, every_s=every_s)
            first, rounds = first + 1, rounds - 1
        connection = sqlite3.connect(self.path, isolation_level=None)
        ids = [row[0] for row in connection.execute("SELECT id FROM channels ORDER BY id")]
        connection.execute("BEGIN")
        connection.executemany(
            "INSERT INTO readings (boot, mono_ms, wall_ms, trusted, channel, value, quality)"
            " VALUES (1, ?, ?, 1, ?, ?, 'good')",
            (
                (ms, ms + int(BEGAN_S * 1000), channel, round(20 + (n % 977) / 100 + number, 2))
                for n in range(first, first + rounds)
                for ms in [int(n * every_s * 1000)]
                for number, channel in enumerate(ids)
            ),
        )
        connection.execute("COMMIT")
        connection.close()
        self.acknowledged += rounds * len(ids)

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close(5)
            self._writer = None

    def count_rows(self) -> int:
        with contextlib.closing(sqlite3.connect(self.path)) as connection:
            return int(connection.execute("SELECT count(*) FROM readings").fetchone()[0])

    def points(self, channel: str = "%") -> set[Point]:
        """What a store must hold of the readings with a value, read by plain SQL."""
        query = (
            "SELECT c.quantity, c.place, c.sensor, r.wall_ms, r.value FROM readings r"
            " JOIN channels c ON c.id = r.channel WHERE r.value IS NOT NULL AND c.name LIKE ?"
        )
        with contextlib.closing(sqlite3.connect(self.path)) as connection:
            return {
                (f"loosebox_reading_{quantity}", place, sensor, BARN.name, ms, value)
                for quantity, place, sensor, ms, value in connection.execute(query, (channel,))
            }


class Victoria:
    """VictoriaMetrics on loopback."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        folder.mkdir(parents=True, exist_ok=True)
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        with (self.folder / "victoria.log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    "victoria-metrics",
                    f"-storageDataPath={self.folder / 'data'}",
                    f"-httpListenAddr=127.0.0.1:{self.port}",
                    "-retentionPeriod=100y",
                    "-dedup.minScrapeInterval=1ms",
                    "-memory.allowedBytes=256MB",
                    "-search.latencyOffset=0s",
                ],
                stdout=log,
                stderr=log,
            )
        until(self._listens, limit_s=20)

    def kill(self) -> None:
        """As by power loss."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    @property
    def alive(self) -> bool:
        return self._process is not None

    def count(self) -> int:
        """How many points it holds, of all series of readings."""
        return len(self.points())

    def points(self, match: str = '{__name__=~"loosebox_reading_.*"}') -> set[Point]:
        found: set[Point] = set()
        for series in self.series(match):
            labels = series["metric"]
            for ms, value in zip(series["timestamps"], series["values"], strict=True):
                name, place, sensor = (labels.get(key, "") for key in ("__name__", "place", "sensor"))
                found.add((name, place, sensor, labels.get("barn", ""), ms, value))
        return found

    def series(self, match: str) -> list[dict[str, Any]]:
        """Its own export, after everything written has been made visible."""
        self._get("/internal/force_flush")
        always = {"start": "2000-01-01T00:00:00Z", "end": "2030-01-01T00:00:00Z"}
        query = urllib.parse.urlencode({"match[]": match} | always)
        return [json.loads(line) for line in self._get(f"/api/v1/export?{query}").splitlines()]

    def _get(self, path: str) -> bytes:
        with urllib.request.urlopen(self.url + path, timeout=60) as answer:
            found: bytes = answer.read()
            return found

    def _listens(self) -> bool:
        try:
            return self._get("/health") == b"OK"
        except OSError:
            return False


@dataclass(frozen=True)
class Say:
    """An answer. `cut`: so many bytes of the body are sent and the connection is closed. `drip_s`: between bytes."""

    status: int = 204
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""
    cut: int | None = None
    wait: threading.Event | None = None
    drip_s: float = 0.0


class _Server(http.server.ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_: object) -> None:
        """Whoever talks to us may go away at any moment."""


class Peer:
    """A far end that takes what it is told to take. `taken` has each line of each request answered with 204."""

    def __init__(self, script: Callable[[list[str]], Say], *, port: int = 0) -> None:
        self.script = script
        self._open: set[socket.socket] = set()
        self.requests: list[tuple[str, dict[str, str], list[str]]] = []
        self.taken: list[str] = []
        self._pause = threading.Event()
        peer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def setup(self) -> None:
                super().setup()
                peer._open.add(self.connection)

            def do_POST(self) -> None:
                peer._answer(self)

            def finish(self) -> None:
                peer._open.discard(self.connection)
                super().finish()

            def log_message(self, *_: object) -> None:
                pass

        self._server = _Server(("127.0.0.1", port), Handler)
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def _answer(self, handler: http.server.BaseHTTPRequestHandler) -> None:
        body = handler.rfile.read(int(handler.headers["Content-Length"]))
        if handler.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        lines = body.decode().split("\n")
        self.requests.append((handler.path, dict(handler.headers), lines))
        say = self.script(lines)
        if say.wait is not None:
            say.wait.wait(30)
        if say.status == 204:
            self.taken.extend(lines)
        try:
            self._send(handler, say)
        except OSError:
            handler.close_connection = True

    def _send(self, handler: http.server.BaseHTTPRequestHandler, say: Say) -> None:
        if say.cut is not None and say.status == 204:  # taken, and the answer never comes
            handler.close_connection = True
            return
        handler.send_response(say.status)
        for name, value in say.headers:
            handler.send_header(name, value)
        if say.status != 204:
            handler.send_header("Content-Length", str(len(say.body)))
        handler.end_headers()
        for n in range(len(say.body) if say.drip_s else 0):
            handler.wfile.write(say.body[n : n + 1])
            handler.wfile.flush()
            self._pause.wait(say.drip_s)
        if not say.drip_s:
            handler.wfile.write(say.body[: say.cut])
        handler.close_connection = say.cut is not None

    def close(self) -> None:
        """As by kill: whoever is connected is cut off."""
        for sock in tuple(self._open):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)


def series_at(url: str, folder: Path, **changed: Any) -> Series:
    """How a site file would name it."""
    token = folder / "token"
    token.touch(mode=0o600)
    token.write_text("hay-token\n")
    fields: dict[str, Any] = {
        "url": url,
        "org": "yard",
        "bucket": "barns",
        "token_file": token,
        "ca_file": None,
        "gzip": True,
    }
    return Series(**(fields | changed))
