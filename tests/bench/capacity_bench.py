"""What many barns cost: measured inputs, and the table of hardware/many-barns.md worked out from them.

Run alone with `python tests/bench/capacity_bench.py`; it takes some minutes. Needs Mosquitto and VictoriaMetrics. One
gateway is the shipped emulated barn (`drivers/bench/barn.toml`), which really runs and publishes to a real broker. What
is measured on this machine stands in `Inputs`; `table` has the formulas. 100,000 gateways are computed, never tried.
"""

from __future__ import annotations

import gzip
import itertools
import json
import socket
import ssl
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from gateway.site import load
from gateway.store.outbox import Outbox
from gateway.uplink.ledger import START
from gateway.uplink.lines import LineWriter
from gateway.uplink.series import Store
from gateway.uplink.states import CALM_S
from gateway.uplink.verdict import Outcome
from tests.dashboards.site_wall import many
from tests.e2e.barn import free_port
from tests.e2e.test_site_board import MQTT, ORG, SHIPPED
from tests.engine.fakes import until
from tests.uplink.rig import NODE, PASSWORD, USER, Mosquitto
from tests.uplink.store_rig import Victoria, series_at

GATEWAYS = (10, 1_000, 100_000)
RUN_S, BATCH_S = 60.0, 10.0  # how long the barn is listened to; the history commits at most so often
YEAR_S, WEEK_S = 365 * 86_400.0, 7 * 86_400
STORE_GATEWAYS, EVERY_S = 6, 5  # 6 gateways of 17 channels: a week of 102 series
CONNECTIONS = (0, 500, 1_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """All per gateway unless said otherwise. Bytes are of the protocol: TCP, IP and TLS come on top."""

    channels: int
    readings_per_s: float
    states_per_s: float  # messages: state, places, kit, faults
    states_bytes: float  # of one message with its topic, mean
    packs_per_s: float  # messages of readings and events
    packs_bytes: float
    broker_in_bytes_per_s: float  # everything that the broker receives of it, acknowledgements included
    broker_kept_bytes: float  # topic and payload of all that is retained
    line_bytes: float  # of a reading, plain
    live_bytes: float  # of a reading, packed in a request of BATCH_S
    backlog_bytes: float  # of a reading, packed in a request of 5,000
    head_bytes: float  # of a request, without its body
    smooth_disk_bytes: float  # of a sample in the store, a week of 102 series, merged; sensors that drift only
    disk_bytes: float  # the same of sensors whose last digit jumps at every reading
    store_requests_per_s: float  # of BATCH_S each, from one client over one connection: a lower bound
    broker_kib: tuple[float, ...]  # resident memory with CONNECTIONS
    broker_tls_kib: tuple[float, ...]
    board_mib: tuple[float, ...]  # resident memory with 10 and 1,000 barns
    board_page_ms: tuple[float, ...]
    board_page_bytes: tuple[int, ...]
    board_cpu: tuple[float, ...]  # share of one core while all of them publish, one viewer


def main() -> None:
    print("many barns")
    found = measured(print)
    for field in fields(found):
        print(f"  {field.name}: {_figure(getattr(found, field.name))}")
    print("\n".join(table(found)))


def measured(say: Callable[[str], None] = lambda text: None) -> Inputs:
    """Everything, one after the other."""
    with tempfile.TemporaryDirectory(prefix="capacity-") as name:
        folder = Path(name)
        say("  one emulated barn for a minute ...")
        barn = _one_barn(folder)
        say("  a week of 102 series in the store ...")
        smooth, noisy = _disk_bytes(folder / "smooth", 0.0), _disk_bytes(folder / "noisy", 1.0)
        requests = _requests_per_s(folder / "requests")
        say("  connections to the broker ...")
        plain, tls = _broker_kib(folder / "plain", tls=False), _broker_kib(folder / "tls", tls=True)
        say("  the site board ...")
        boards = [_board(folder / f"board-{count}", count) for count in (10, 1_000)]
    mib, page_ms, page_bytes, cpu = zip(*boards, strict=True)
    return Inputs(
        **barn, smooth_disk_bytes=smooth, disk_bytes=noisy, store_requests_per_s=requests, broker_kib=plain,
        broker_tls_kib=tls, board_mib=mib, board_page_ms=page_ms, board_page_bytes=page_bytes, board_cpu=cpu,
    )  # fmt: skip


def table(found: Inputs) -> list[str]:
    """Markdown; each row has its formula."""
    per_connection = (found.broker_tls_kib[-1] - found.broker_tls_kib[0]) / CONNECTIONS[-1]
    live = found.live_bytes * found.readings_per_s + found.head_bytes / BATCH_S
    rows: list[tuple[str, str, Callable[[int], str]]] = [
        ("readings per second", "n × readings", lambda n: f"{n * found.readings_per_s:,.0f}"),
        ("series in the store", "n × channels", lambda n: f"{n * found.channels:,}"),
        ("requests per second to the store", f"n / {BATCH_S:g}", lambda n: f"{n / BATCH_S:,.0f}"),
        ("to the store, kbit/s", "n × (readings × live + head / 10) × 8", lambda n: f"{n * live * 8 / 1000:,.0f}"),
        ("store's disk, GB per year", "n × readings × disk × year",
         lambda n: f"{n * found.readings_per_s * found.disk_bytes * YEAR_S / 1e9:,.1f}"),
        ("messages per second to the broker", "n × (states + packs)",
         lambda n: f"{n * (found.states_per_s + found.packs_per_s):,.0f}"),
        ("to the broker, kbit/s", "n × broker in × 8", lambda n: f"{n * found.broker_in_bytes_per_s * 8 / 1000:,.0f}"),
        ("kept by the broker, MB", "n × kept", lambda n: f"{n * found.broker_kept_bytes / 1e6:,.2f}"),
        ("broker's memory for TLS connections, MB", "n × per connection",
         lambda n: f"{n * per_connection * 1024 / 1e6:,.1f}"),
        ("messages per second to one site board", "n × states", lambda n: f"{n * found.states_per_s:,.0f}"),
        ("to one site board, kbit/s", "n × states × bytes × 8",
         lambda n: f"{n * found.states_per_s * found.states_bytes * 8 / 1000:,.0f}"),
    ]  # fmt: skip
    head = "| | formula | " + " | ".join(f"{n:,}" for n in GATEWAYS) + " |"
    return [head, "|---|---|---|---|---|"] + [
        f"| {name} | {formula} | " + " | ".join(of(n) for n in GATEWAYS) + " |" for name, formula, of in rows
    ]


def _figure(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(_figure(each) for each in value)
    return f"{value:,.2f}" if isinstance(value, float) else f"{value:,}"


# --- one gateway ------------------------------------------------------------------------------------


def _one_barn(folder: Path) -> dict[str, Any]:
    """The shipped barn for RUN_S, once it is warm: what it sends to the broker, and its readings as lines."""
    broker = Mosquitto(folder / "broker")
    (folder / "broker" / "mosquitto.conf").open("a").write("sys_interval 1\n")
    (folder / "broker" / "acl").open("a").write("topic read $SYS/#\n")
    broker.start()
    text = SHIPPED.read_text()
    mqtt = MQTT.format(port=broker.port, user=USER, secret=broker.secret(PASSWORD), name="north")
    (folder / "north.toml").write_text(text.replace("\n[history]\n", f"{mqtt}\n[history]\n", 1))
    words = ["run", "--bench", str(folder / "north.toml"), "--dir", str(folder / "bench"), "--port", str(free_port())]
    barn = subprocess.Popen([sys.executable, "-m", "gateway.cli", *words], stderr=subprocess.DEVNULL,
                            stdout=subprocess.DEVNULL)  # fmt: skip
    try:
        ear = _Ear(broker)
        until(lambda: ear.counts["readings"] > 20, limit_s=60)
        time.sleep(20.0)
        before, bytes_before, began_s = ear.so_far(), ear.received, time.monotonic()
        time.sleep(RUN_S)
        took_s = time.monotonic() - began_s
        after, received = ear.so_far(), ear.received - bytes_before
        kept = sum(ear.kept.values())
        ear.close()
    finally:
        barn.terminate()
        barn.wait(20)
        broker.kill()
    counts, sizes = ({key: a[key] - b[key] for key in a} for a, b in zip(after, before, strict=True))
    site = load(folder / "bench" / "barn.toml")
    return {
        "channels": sum(len(sensor.channels) for sensor in site.barn.sensors),
        "readings_per_s": sum(len(sensor.channels) / sensor.every_s for sensor in site.barn.sensors),
        "states_per_s": counts["states"] / took_s,
        "states_bytes": sizes["states"] / counts["states"],
        "packs_per_s": counts["readings"] / took_s,
        "packs_bytes": sizes["readings"] / counts["readings"],
        "broker_in_bytes_per_s": received / took_s,
        "broker_kept_bytes": kept,
        **_lines(folder, Outbox(site.history_file), site.barn.name),
    }


class _Ear:
    """Counts what a gateway publishes, by kind, and reads what the broker says that it has received.

    `$SYS/broker/bytes/received` counts all bytes from all clients; this one sends next to nothing.
    """

    def __init__(self, broker: Mosquitto) -> None:
        self.counts: Counter[str] = Counter({"states": 0, "readings": 0})
        self.sizes: Counter[str] = Counter({"states": 0, "readings": 0})
        self.kept: dict[str, int] = {}
        self.received = 0
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="ear")
        self._client.username_pw_set(NODE, PASSWORD)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", broker.port)
        self._client.subscribe([("loosebox/#", 0), ("$SYS/broker/bytes/received", 0)])
        self._client.loop_start()

    def so_far(self) -> tuple[dict[str, int], dict[str, int]]:
        return dict(self.counts), dict(self.sizes)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _hear(self, _: object, __: object, message: paho.MQTTMessage) -> None:
        if message.topic.startswith("$SYS"):
            self.received = int(message.payload)
            return
        size = len(message.topic.encode()) + len(message.payload)
        kind = "readings" if "/readings/" in message.topic or message.topic.endswith("/events") else "states"
        self.counts[kind] += 1
        self.sizes[kind] += size
        if kind == "states":
            self.kept[message.topic] = size


def _lines(folder: Path, outbox: Outbox, barn: str) -> dict[str, float]:
    rows, _ = outbox.page(START, 5_000)
    lines = LineWriter(barn).readings(rows, outbox.channels())
    live = [
        list(group) for _, group in itertools.groupby(zip(rows, lines, strict=True), lambda pair: pair[0][1] // 10_000)
    ]
    whole = live[1:-1]  # the first and the last are not full
    packed = sum(len(gzip.compress("\n".join(line for _, line in group).encode())) for group in whole)
    many_lines = (lines * (5_000 // len(lines) + 1))[:5_000]
    times = iter(range(10**12, 10**13, 5_000))
    backlog = "\n".join(f"{line.rsplit(' ', 1)[0]} {next(times)}" for line in many_lines).encode()
    return {
        "line_bytes": sum(len(line.encode()) + 1 for line in lines) / len(lines),
        "live_bytes": packed / sum(len(group) for group in whole),
        "backlog_bytes": len(gzip.compress(backlog)) / 5_000,
        "head_bytes": _head_bytes(folder, "\n".join(line for _, line in whole[0])),
    }


def _head_bytes(folder: Path, body: str) -> float:
    """A request of the real client to a bare socket: its bytes without the body."""
    server, got = socket.create_server(("127.0.0.1", 0)), bytearray()

    def serve() -> None:
        connection, _ = server.accept()
        with connection:
            connection.settimeout(5)
            while b"\r\n\r\n" not in got:
                got.extend(connection.recv(65_536))
            connection.sendall(b"HTTP/1.1 204 No Content\r\n\r\n")

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    store = Store(series_at(f"http://127.0.0.1:{server.getsockname()[1]}", folder))
    store.write(body)
    store.close()
    thread.join(10)
    server.close()
    return float(got.index(b"\r\n\r\n") + 4)


# --- the store --------------------------------------------------------------------------------------


def _disk_bytes(folder: Path, jump: float) -> float:
    """A week of made-up readings, each as a transmitter rounds it, then merged; bytes on the disk for each sample.

    A daily curve and noise that drifts, rounded to 0.1, and white noise of `jump` steps of 0.1 on top of it. The store
    is asked how many samples it holds.
    """
    store = Victoria(folder)
    store.start()
    try:
        samples = 0
        for name, values in _week(jump):
            begin_ms = 1_780_000_000_000
            stamps = ",".join(str(begin_ms + n * EVERY_S * 1000) for n in range(len(values)))
            line = f'{{"metric":{name},"values":[{",".join(map(str, values))}],"timestamps":[{stamps}]}}\n'
            request = urllib.request.Request(f"{store.url}/api/v1/import", data=line.encode(), method="POST")
            with urllib.request.urlopen(request, timeout=60):
                samples += len(values)
        for path in ("/internal/force_flush", "/internal/force_merge"):
            with urllib.request.urlopen(store.url + path, timeout=600):
                pass
        size = _settled(folder / "data")
        held = _held(store)
        assert held == samples, (held, samples)
        return size / samples
    finally:
        store.kill()


def _week(jump: float) -> Iterator[tuple[str, list[float]]]:
    chance, count = np.random.default_rng(7), WEEK_S // EVERY_S
    hours = np.arange(count) * EVERY_S / 3600
    kinds: list[tuple[str, float, float, float]] = [("temp_c", 28.0, 6.0, 0.1)] * 5
    kinds += [("rh_pct", 60, -20, 0.5)] * 5 + [("wind_mps", 2, 1, 0.3)]
    kinds += [("direction_deg", 180, 40, 10), ("globe_c", 32, 9, 0.1), ("flow_lpm", 0.5, 0.4, 0.02)]
    kinds += [("current_a", 4, 3, 0.05)] * 3
    for barn, (sensor, (field, mean, swing, noise)) in itertools.product(range(STORE_GATEWAYS), enumerate(kinds)):
        drift = np.convolve(chance.normal(0, noise, count + 59), np.ones(60) / 60**0.5, "valid")
        values = mean + swing * np.cos((hours - 15) / 24 * 2 * np.pi) + drift + chance.normal(0, 0.1 * jump, count)
        name = f'{{"__name__":"loosebox_reading_{field}","barn":"Barn {barn}","place":"p","sensor":"s{sensor}"}}'
        yield name, np.round(values, 1).tolist()


def _held(store: Victoria) -> int:
    """How many samples the store says it has of that week."""
    query = 'sum(count_over_time({__name__=~"loosebox_reading_.*"}[8d]))'
    asked = urllib.parse.urlencode({"query": query, "time": 1_780_000_000 + WEEK_S + 60})
    with urllib.request.urlopen(f"{store.url}/api/v1/query?{asked}", timeout=120) as answer:
        return int(json.load(answer)["data"]["result"][0]["value"][1])


def _requests_per_s(folder: Path) -> float:
    """Requests as gateways send them, each with the readings of BATCH_S of one, one after the other."""
    store = Victoria(folder)
    store.start()
    client = Store(series_at(store.url, folder))
    count = 1_000
    bodies = [
        "\n".join(
            f"loosebox_reading,barn=B{n},place=p,sensor=s{k % 17} temp_c={k / 10} {1_780_000_000_000 + n * 10_000 + k}"
            for k in range(33)
        )
        for n in range(count)
    ]
    try:
        begun_s = time.perf_counter()
        assert all(client.write(body).outcome is Outcome.DELIVERED for body in bodies)
        return count / (time.perf_counter() - begun_s)
    finally:
        client.close()
        store.kill()


def _settled(folder: Path) -> int:
    """The size of a folder once it has not changed for some seconds."""
    sizes: list[int] = []
    for _ in range(120):
        sizes.append(sum(path.stat().st_blocks * 512 for path in folder.rglob("*") if path.is_file()))
        if len(sizes) > 5 and len(set(sizes[-6:])) == 1:
            break
        time.sleep(1.0)
    return sizes[-1]


# --- the broker -------------------------------------------------------------------------------------


def _broker_kib(folder: Path, *, tls: bool) -> tuple[float, ...]:
    """Resident memory of the broker with so many connected clients that have a last will and say nothing."""
    broker = Mosquitto(folder, tls=tls)
    broker.start()
    process = broker._process
    assert process is not None
    found: list[float] = []
    open_sockets: list[socket.socket] = []
    context = ssl.create_default_context(cafile=str(folder / "ca.crt")) if tls else None
    try:
        for count in CONNECTIONS:
            while len(open_sockets) < count:
                open_sockets.append(_joined(broker.port, len(open_sockets), context))
            time.sleep(2.0)
            found.append(_rss_kib(process.pid))
    finally:
        for sock in open_sockets:
            sock.close()
        broker.kill()
    return tuple(found)


def _joined(port: int, number: int, context: ssl.SSLContext | None) -> socket.socket:
    """CONNECT of MQTT 3.1.1 (section 3.1) with user, password, last will and a long keepalive."""

    def text(value: str) -> bytes:
        return len(value).to_bytes(2, "big") + value.encode()

    said = text("MQTT") + bytes([4, 0b11101110]) + (600).to_bytes(2, "big") + text(f"gateway-{number}")
    said += text(f"loosebox/b{number}/state") + text('{"state": "gone"}') + text(USER) + text(PASSWORD)
    sock: socket.socket = socket.create_connection(("127.0.0.1", port), timeout=30)
    if context is not None:
        sock = context.wrap_socket(sock, server_hostname="localhost")
    length = len(said)
    sock.sendall(
        bytes([0x10]) + (bytes([length]) if length < 128 else bytes([length % 128 + 128, length // 128])) + said
    )
    assert sock.recv(4)[:1] == b"\x20"
    return sock


def _rss_kib(process: int) -> float:
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return float(line.split()[1])
    return 0.0


# --- the site board ---------------------------------------------------------------------------------


def _board(folder: Path, count: int) -> tuple[float, float, int, float]:
    """The role with so many barns, each telling everything every CALM_S; one viewer. Memory, page, share of a core."""
    broker = Mosquitto(folder)
    broker.start()
    port, secret = free_port(), broker.secret(PASSWORD)
    org = ORG.format(port=broker.port, user=NODE, secret=secret, web=port).replace(
        'prefix = "loosebox/north"', 'prefix = "loosebox/b0"'
    )
    (folder / "org.toml").write_text(org)
    words = [sys.executable, "-m", "gateway.cli", "web", "--site-board", str(folder / "org.toml")]
    process = subprocess.Popen(words, stderr=subprocess.DEVNULL)
    url = f"http://127.0.0.1:{port}/site"
    try:
        with _telling(broker, count):
            until(lambda: f"Barns: {count}" in _page(url), limit_s=90)
            time.sleep(CALM_S)
            viewer = urllib.request.urlopen(f"{url}/stream", timeout=30)
            threading.Thread(target=lambda: [None for _ in viewer], daemon=True).start()
            before, began_s = _cpu_s(process.pid), time.monotonic()
            time.sleep(2 * CALM_S)
            share = (_cpu_s(process.pid) - before) / (time.monotonic() - began_s)
            times = [_timed(url) for _ in range(15)]
            return _rss_kib(process.pid) / 1024, statistics.median(times) * 1000, len(_page(url).encode()), share
    finally:
        process.terminate()
        process.wait(20)
        broker.kill()


@contextmanager
def _telling(broker: Mosquitto, count: int) -> Iterator[None]:
    """One client that plays all gateways, evenly spread over CALM_S; the time in the messages moves on."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="all")
    client.username_pw_set(NODE, PASSWORD)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    ended, messages = threading.Event(), many(count)

    def tell() -> None:
        for turn in itertools.count():
            begun_s = time.monotonic()
            for number, (topic, payload) in enumerate(messages):
                if number % 50 == 0:
                    ended.wait(max(0.0, begun_s + number / len(messages) * CALM_S - time.monotonic()))
                if ended.is_set():
                    return
                client.publish(
                    topic, payload.replace(b'"time": 1784052720.0', b'"time": %d' % (1784052720 + turn)), retain=True
                )

    thread = threading.Thread(target=tell, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(10)
        client.disconnect()
        client.loop_stop()


def _page(url: str) -> str:
    try:
        with urllib.request.urlopen(url, timeout=10) as answer:
            return str(answer.read().decode())
    except OSError:
        return ""


def _timed(url: str) -> float:
    begun_s = time.perf_counter()
    _page(url)
    return time.perf_counter() - begun_s


def _cpu_s(process: int) -> float:
    words: Sequence[str] = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(words[11]) + int(words[12])) / 100


if __name__ == "__main__":
    main()
