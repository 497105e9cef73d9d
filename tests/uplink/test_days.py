"""A day of each place from a store: a real one, and one whose answers are none."""

from __future__ import annotations

import http.server
import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.errors import GatewayError
from gateway.org import OrgSeries
from gateway.uplink.days import MOST_BYTES, STEP_S, StoreDays, points_of, query_of
from gateway.uplink.series import Store
from gateway.uplink.verdict import Outcome
from tests.engine.fakes import until
from tests.uplink.store_rig import Victoria, series_at

ODD = 'Far "Field" (old|new) \\ .*'  # what a name may hold and a query must not take for its own


def days_at(url: str, folder: Path, within_s: float = 10.0) -> StoreDays:
    series = series_at(url, folder)
    return StoreDays(OrgSeries(url=url, token_file=series.token_file, ca_file=None), within_s=within_s)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path / "store")
    made.start()
    yield made
    made.kill()


def test_the_sum_of_each_place_with_the_higher_of_two_sensors_and_a_gap(store: Victoria, tmp_path: Path) -> None:
    end_s = int(time.time() // STEP_S) * STEP_S
    lines = []
    for barn in ("North", ODD, "South"):
        tag = barn.replace("\\", "/").replace(" ", "\\ ").replace(",", "\\,").replace("=", "\\=")
        for n in range(-90, 0):
            if -60 <= n < -48:
                continue  # three hours of nothing
            at_ms = (end_s + n * STEP_S + 60) * 1000
            for place, sensor, temp_c, rh_pct in (("arena", "a1", 30.0, 60.0), ("arena", "a2", 30.0, 64.0),
                                                  ("stalls", "s", 20.0, 50.0)):  # fmt: skip
                head = f"loosebox_reading,barn={tag},place={place},sensor={sensor}"
                lines += [f"{head} temp_c={temp_c} {at_ms}", f"{head} rh_pct={rh_pct} {at_ms}"]
    writer = Store(series_at(store.url, tmp_path))
    assert writer.write("\n".join(lines)).outcome is Outcome.DELIVERED
    writer.close()
    assert store.series('{__name__="loosebox_reading_temp_c"}')  # written is visible
    odd = ODD.replace("\\", "/")
    found = days_at(store.url, tmp_path).days(("North", odd), end_s + 5.0)
    assert set(found) == {(barn, place) for barn in ("North", odd) for place in ("arena", "stalls")}
    arena = found["North", "arena"]
    # 30 °C is 86 °F and 20 °C is 68 °F (definition of the scale); of the arena's sensors the damper one counts.
    assert {round(total, 9) for _, total in arena} == {150.0}
    assert {round(total, 9) for _, total in found["North", "stalls"]} == {118.0}
    assert len(arena) == 78 and arena[-1][0] == end_s


def test_a_store_that_is_not_there_is_said_to_be_away(tmp_path: Path, store: Victoria) -> None:
    store.kill()
    with pytest.raises(GatewayError, match=store.url):
        days_at(store.url, tmp_path).days(("North",), 1_780_000_000.0)


ANSWERS = {
    "page": (200, b"<html>Welcome</html>"),
    "error": (200, b'{"status": "error", "errorType": "x"}'),
    "no matrix": (200, b'{"status": "success", "data": {"resultType": "vector", "result": []}}'),
    "no labels": (200, b'{"status":"success","data":{"resultType":"matrix","result":[{"metric":{},"values":[]}]}}'),
    "values": (200, json.dumps({"status": "success", "data": {"resultType": "matrix", "result": [
        {"metric": {"barn": "a", "place": "b"}, "values": [[1, "x"]]}]}}).encode()),
    "list": (200, b"[1, 2]"),
    "deep": (200, b"[" * 100_000),
    "refused": (400, b"{}"),
    "redirect": (302, b""),
    "long": (200, b" " * (MOST_BYTES + 100_000)),
}  # fmt: skip


@pytest.mark.parametrize("what", ANSWERS)
def test_an_answer_that_is_none_is_a_store_that_is_away(tmp_path: Path, what: str) -> None:
    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            status, body = ANSWERS[what]
            self.rfile.read(int(self.headers["Content-Length"]))
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            if status == 302:
                self.send_header("Location", "/elsewhere")
            self.end_headers()
            try:
                self.wfile.write(body)
            except OSError:
                self.close_connection = True

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        with pytest.raises(GatewayError):
            days_at(f"http://127.0.0.1:{server.server_address[1]}", tmp_path).days(("a",), 1_780_000_000.0)
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)
    until(lambda: not thread.is_alive())


def test_numbers_that_are_none_are_left_out() -> None:
    values = [[1.0, "140"], [2.0, "NaN"], [3.0, "+Inf"], [4, "141.5"]]
    result = [{"metric": {"barn": "a", "place": "b"}, "values": values}]
    found = points_of({"status": "success", "data": {"resultType": "matrix", "result": result}})
    assert found == {("a", "b"): ((1.0, 140.0), (4.0, 141.5))}


def test_a_name_cannot_break_out_of_the_query() -> None:
    asked = query_of(('x"} or up{a="',))
    assert '"} or up' not in asked.replace('\\"', "")
