"""What it costs to carry the history out: drain of a backlog against a bare post, memory, bytes, a week of 64 channels.

Run alone with `python tests/bench/streams_bench.py [--week]`. Needs VictoriaMetrics and Mosquitto. The bare post sends
the same lines, built beforehand, in requests of the same size, to a store of its own. Both run in turn, and the better
of each counts, since the machine is shared. `--week` carries 7.7 million rows with the store down for two of the days.
"""

from __future__ import annotations

import gzip
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import urllib3

from gateway.engine.clock import machine_s
from gateway.model import Channel
from gateway.store.outbox import Outbox
from gateway.uplink.backoff import Patience
from gateway.uplink.ledger import START, Ledger
from gateway.uplink.lines import LineWriter
from gateway.uplink.mqtt import BrokerLine
from gateway.uplink.series import Store
from gateway.uplink.stream import Destination, Stream
from gateway.uplink.to_broker import ToBroker
from gateway.uplink.to_store import ToStore
from tests.engine.fakes import until
from tests.uplink.rig import Mosquitto
from tests.uplink.store_rig import BARN, Hist, Victoria, series_at

Row = tuple[str, str, str]  # what, measured, aim

CHANNELS, ROWS, TRIES = 64, 1_000_000, 3
MQTT_ROWS = 64_000
WEEK_ROUNDS = 7 * 24 * 720  # every 5 s


def rows() -> list[Row]:
    """Each: what was measured, the figure, the aim."""
    with tempfile.TemporaryDirectory(prefix="streams-") as name:
        folder = Path(name)
        hist = Hist(folder / "history.db", CHANNELS)
        hist.bulk(ROWS // CHANNELS)
        found = [*_store_rows(folder, hist), _broker_row(folder, hist)]
        hist.close()
        return found


def main() -> None:
    print("streams")
    for what, measured, aim in rows():
        print(f"  {what}: {measured} (aim: {aim})")
    if "--week" in sys.argv:
        print(f"  a week of 64 channels at 5 s: {week()}")


def _store_rows(folder: Path, hist: Hist) -> list[Row]:
    bodies = _bodies(hist)
    size = sum(map(len, bodies)) / ROWS
    packed = sum(len(gzip.compress(body)) for body in bodies[:20]) / (20 * ToStore.batch)
    bare, drained, grown, packed_rate = 0.0, 0.0, 0, 0.0
    for turn in range(TRIES):
        bare = max(bare, _with_store(folder / f"bare-{turn}", lambda store: _bare(store, bodies)))
        before = _peak_kib()
        drained = max(drained, _with_store(folder / f"plain-{turn}", lambda store: _drain(store, hist, gzip=False)))
        grown = max(grown, _peak_kib() - before)
        packed_rate = max(
            packed_rate, _with_store(folder / f"packed-{turn}", lambda store: _drain(store, hist, gzip=True))
        )
    return [
        ("bare post of prebuilt lines, rows/s", f"{bare:,.0f}", "-"),
        ("drain of 1,000,000 rows, rows/s", f"{drained:,.0f} ({drained / bare:.2f} of the bare post)", ">= 0.7"),
        ("the same, packed", f"{packed_rate:,.0f} ({packed_rate / bare:.2f})", "-"),
        ("memory that the drain takes beyond the prebuilt lines", f"{grown / 1024:.1f} MiB", "flat"),
        ("bytes of a reading, plain and packed", f"{size:.0f}, {packed:.1f}", "-"),
    ]


def _bodies(hist: Hist) -> list[bytes]:
    outbox, writer, cursor, bodies = Outbox(hist.path), LineWriter(BARN.name), START, []
    while (page := outbox.page(cursor, ToStore.batch))[0]:
        cursor = page[1]
        bodies.append("\n".join(writer.readings(page[0], outbox.channels())).encode())
    return bodies


def _with_store(folder: Path, run: Callable[[Victoria], float]) -> float:
    store = Victoria(folder)
    store.start()
    try:
        return run(store)
    finally:
        store.kill()


def _bare(store: Victoria, bodies: list[bytes]) -> float:
    pool = urllib3.PoolManager(maxsize=1)
    began_s = time.perf_counter()
    for body in bodies:
        answer = pool.request("POST", f"{store.url}/api/v2/write?org=yard&bucket=barns&precision=ms", body=body)
        assert answer.status == 204
    return ROWS / (time.perf_counter() - began_s)


def _drain(store: Victoria, hist: Hist, *, gzip: bool) -> float:
    to = ToStore(Store(series_at(store.url, store.folder, gzip=gzip)), BARN.name)
    return _carry(to, hist, store.folder)


def _carry(to: Destination, hist: Hist, folder: Path) -> float:
    outbox = Outbox(hist.path)
    ledger = Ledger(folder / "cursors.json", [to.name], history=outbox.identity(), clock=machine_s)
    stream = Stream(outbox, ledger, to, clock=machine_s, mono_s=machine_s)
    began_s = time.perf_counter()
    while stream.turn() == 0.0:
        pass
    took_s = time.perf_counter() - began_s
    assert stream.standing().state == "ok", stream.standing()
    done = ledger.course(to.name).readings
    stream.close()
    return done / took_s


def _broker_row(folder: Path, hist: Hist) -> Row:
    small = Hist(folder / "small.db", CHANNELS)
    small.bulk(MQTT_ROWS // CHANNELS)
    broker = Mosquitto(folder / "broker")
    broker.start()
    line = BrokerLine(
        broker.broker(),
        take=lambda message: None,
        changed=lambda up, why: None,
        state=lambda here: b"{}",
        patience=Patience(first_s=0.1),
    )
    line.start()
    until(lambda: line.post(()).over and line.up, limit_s=10)
    rate = _carry(ToBroker(line, "loosebox"), small, folder)
    line.close()
    broker.kill()
    small.close()
    return (f"drain of {MQTT_ROWS:,} rows to the broker, each acknowledged, rows/s", f"{rate:,.0f}", "-")


def week() -> str:
    """7.7 million rows; after five days the store is down, for the rows of two more, then it takes all."""
    with tempfile.TemporaryDirectory(prefix="week-") as name:
        folder = Path(name)
        hist, store = Hist(folder / "history.db", CHANNELS), Victoria(folder / "store")
        store.start()
        outbox = Outbox(hist.path)
        hist.bulk(WEEK_ROUNDS * 5 // 7)
        to = ToStore(Store(series_at(store.url, folder)), BARN.name)
        ledger = Ledger(folder / "cursors.json", [to.name], history=outbox.identity(), clock=machine_s)
        stream = Stream(outbox, ledger, to, clock=machine_s, mono_s=machine_s, patience=Patience(first_s=0.2))
        began_s = time.perf_counter()
        _until_level(stream, hist)
        store.kill()
        hist.bulk(WEEK_ROUNDS - WEEK_ROUNDS * 5 // 7, first=WEEK_ROUNDS * 5 // 7)
        for _ in range(3):
            time.sleep(stream.turn())
        store.start()
        drain_s = time.perf_counter()
        _until_level(stream, hist)
        ended_s = time.perf_counter()
        rows_of_week, peak = hist.count_rows(), _peak_kib() / 1024
        same = all(_same(store, hist, channel) for channel in hist.channels)
        stream.close()
        store.kill()
        hist.close()
        return (
            f"{rows_of_week:,} rows, drain after two days without store {ended_s - drain_s:.0f} s, all in"
            f" {ended_s - began_s:.0f} s; store and history row for row: {same}; peak of memory {peak:.0f} MiB"
        )


def _same(store: Victoria, hist: Hist, channel: Channel) -> bool:
    """Whether store and history have the same rows of one channel."""
    match = f'{{__name__="loosebox_reading_{channel.quantity}",sensor="{channel.sensor}"}}'
    return store.points(match) == hist.points(channel.name)


def _until_level(stream: Stream, hist: Hist) -> None:
    total = hist.count_rows()
    while stream.standing().readings < total:
        time.sleep(min(stream.turn(), 0.2))


def _peak_kib() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


if __name__ == "__main__":
    main()
