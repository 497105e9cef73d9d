"""The metrics page against the judge of its form, promtool, and a real Prometheus that scrapes it."""

from __future__ import annotations

import json
import subprocess
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from fastapi import FastAPI
from hypothesis import given
from hypothesis import strategies as st

from dashboards.live import Live
from dashboards.metrics import STATES, Around, CallsSeen, StreamSeen, families, page, router
from gateway.engine.snapshot import Snapshot
from tests.dashboards.conftest import Barns
from tests.uplink.rig import free_port

SERIES = StreamSeen(name="series", state="away", pending=7_700_000, behind_s=600.5, readings=12, events=3, dead=1)
AROUND = Around(
    streams=(SERIES,),
    uplink_age_s=2.5,
    broker_up=False,
    queued=4,
    calls=CallsSeen(pending=3, delivered=20, given_up=1, arrive=False, kept=True),
    steps_late=2,
    history_bytes=123_456_789_012,
    disk_free_bytes=10**10,
    disk_size_bytes=32 * 10**9,
)


def whole() -> Snapshot:
    """A barn with something of everything."""
    return Barns.barn(
        Barns.place("stalls", 31.25, 62.0, 2, kit=(Barns.kit("fans"), Barns.kit("mist", "mister", seen=None))),
        Barns.place("arena", 22.0, 50.0, 0, wind_mps=1.5),
        Barns.lost("rack"),
        barn='Cedar "Bend" \\ two',
        step_s=0.0125,
        faults=(Barns.fault("rack-air", "sensor-silent"), Barns.fault("x", "sensor-silent")),
    )


def text_of(snapshot: Snapshot | None, around: Around = AROUND, *, is_open: bool = False) -> str:
    return page(families(snapshot, 1.5, around), is_open=is_open)


def samples(text: str) -> dict[str, float]:
    return {line.rsplit(" ", 1)[0]: float(line.rsplit(" ", 1)[1]) for line in text.splitlines() if line[:1] != "#"}


@pytest.mark.parametrize("snapshot", [whole(), None], ids=["barn", "no core"])
@pytest.mark.parametrize("around", [AROUND, Around()], ids=["all", "nothing around"])
def test_the_page_pleases_promtool(snapshot: Snapshot | None, around: Around) -> None:
    text = text_of(snapshot, around)
    judged = subprocess.run(["promtool", "check", "metrics"], input=text, capture_output=True, text=True, check=False)
    assert (judged.returncode, judged.stdout + judged.stderr) == (0, "")


def test_every_number_is_told_in_base_units() -> None:
    found = samples(text_of(whole()))
    assert found['loosebox_air_temperature_celsius{place="stalls"}'] == 31.25
    assert found['loosebox_air_humidity_ratio{place="stalls"}'] == 0.62
    assert found['loosebox_heat_points{place="stalls"}'] == pytest.approx(31.25 * 1.8 + 32 + 62)
    assert found['loosebox_level{place="stalls"}'] == 2
    assert found['loosebox_kit_asked{kit="fans",kind="fan",place="stalls"}'] == 1
    assert found['loosebox_faults{code="sensor-silent"}'] == 2
    assert found["loosebox_clock_trusted"] == 1
    assert found["loosebox_steps_total"] == 100
    assert found["loosebox_steps_late_total"] == 2
    assert found["loosebox_step_seconds"] == 0.0125
    assert found['loosebox_stream_pending_readings{stream="series"}'] == 7_700_000
    assert found['loosebox_stream_behind_seconds{stream="series"}'] == 600.5
    assert found["loosebox_uplink_queued_messages"] == 4
    assert found["loosebox_broker_up"] == 0
    assert found["loosebox_history_size_bytes"] == pytest.approx(123_456_789_012, rel=1e-9)
    states = {state: found[f'loosebox_stream_state{{stream="series",state="{state}"}}'] for state in STATES}
    assert states == {state: float(state == "away") for state in STATES}


def test_what_is_not_known_has_no_sample() -> None:
    text = text_of(whole(), Around())
    assert "loosebox_step_seconds" not in text_of(Barns.barn()), "nobody has measured it"
    for gone in ("level", "air_temperature_celsius", "heat_points", "carry_ratio"):
        assert f'loosebox_{gone}{{place="rack"}}' not in text
    assert 'loosebox_place_freshness{place="rack",state="lost"} 1' in text
    assert "loosebox_stream" not in text and "loosebox_disk" not in text and "loosebox_broker" not in text
    assert 'loosebox_kit_seen{kit="mist"' not in text


def test_what_became_of_messages_to_contacts_is_told_where_there_are_contacts() -> None:
    found = samples(text_of(whole()))
    assert found["loosebox_calls_pending"] == 3
    assert (found["loosebox_calls_delivered_total"], found["loosebox_calls_given_up_total"]) == (20, 1)
    assert (found["loosebox_calls_arrive"], found["loosebox_calls_kept"]) == (0, 1)
    assert "loosebox_calls" not in text_of(whole(), Around())


def test_a_core_that_is_not_heard_gives_no_air_and_no_kit() -> None:
    text = text_of(None)
    assert "loosebox_core_up 0" in text
    assert "celsius" not in text and "kit" not in text and "level" not in text


@given(name=st.text(st.characters(codec="utf-8", exclude_categories=["Cs"], exclude_characters="\0")))
def test_names_with_any_letters_stay_on_one_line(name: str) -> None:
    line = next(line for line in text_of(Barns.barn(barn=name)).split("\n") if line.startswith("loosebox_barn_info{"))
    inside = line.removeprefix('loosebox_barn_info{barn="').rsplit('",emulated=', 1)[0]
    back = inside.replace(r"\\", "\0").replace(r"\"", '"').replace(r"\n", "\n").replace("\0", "\\")
    assert back == name and line.endswith(" 1")


class Served:
    """The route as it is served, by a real server."""

    def __init__(self) -> None:
        self.live, self.port = Live(time.monotonic), free_port()
        app = FastAPI()
        app.include_router(router(self.live, lambda: AROUND, old_after_s=30.0))
        config = uvicorn.Config(app, host="127.0.0.1", port=self.port, log_level="error")
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        _until(lambda: self._server.started)

    def get(self, accept: str = "*/*") -> httpx.Response:
        return httpx.get(f"http://127.0.0.1:{self.port}/metrics", headers={"Accept": accept})

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join(5)


@pytest.fixture
def served() -> Iterator[Served]:
    made = Served()
    yield made
    made.close()


def test_the_form_is_the_one_that_the_client_asks_for(served: Served) -> None:
    plain, is_open = served.get(), served.get("application/openmetrics-text;version=1.0.0,text/plain;q=0.5")
    assert plain.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert "EOF" not in plain.text
    assert is_open.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    assert is_open.text.endswith("\n# EOF\n")


def test_a_real_prometheus_takes_the_page_in_open_metrics(served: Served, tmp_path: Path) -> None:
    """Prometheus asks for OpenMetrics first; a form that it cannot read makes the target down."""
    served.live.publish(whole())
    port = free_port()
    (tmp_path / "prometheus.yml").write_text(
        "global: {scrape_interval: 500ms}\n"
        f"scrape_configs: [{{job_name: barn, static_configs: [{{targets: ['127.0.0.1:{served.port}']}}]}}]\n"
    )
    command = [
        "prometheus",
        f"--config.file={tmp_path / 'prometheus.yml'}",
        f"--storage.tsdb.path={tmp_path / 'data'}",
        f"--web.listen-address=127.0.0.1:{port}",
    ]
    with (tmp_path / "log").open("wb") as log:
        server = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        _until(lambda: _asked(port, "up") == [1.0], limit_s=30)
        _until(lambda: _asked(port, 'loosebox_level{place="stalls"}') == [2.0])
        assert _asked(port, "loosebox_steps_total") == [100.0]
        assert _asked(port, "count(loosebox_stream_state)") == [float(len(STATES))]
    finally:
        server.kill()
        server.wait()


def _asked(port: int, query: str) -> list[float]:
    address = f"http://127.0.0.1:{port}/api/v1/query?{urllib.parse.urlencode({'query': query})}"
    try:
        with urllib.request.urlopen(address, timeout=5) as answer:
            found: dict[str, Any] = json.load(answer)
    except OSError:
        return []
    return [float(one["value"][1]) for one in found["data"]["result"]]


def _until(condition: Any, limit_s: float = 10.0) -> None:
    end_s = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.05)
