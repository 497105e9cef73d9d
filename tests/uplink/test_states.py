"""How the barn stands, kept by a real broker for whoever joins late; and uplink's report to the other roles."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.app.around import around
from gateway.engine.clock import machine_s
from gateway.uplink.backoff import Patience
from gateway.uplink.mqtt import BrokerLine, Parcel
from gateway.uplink.report import write_report
from gateway.uplink.states import CALM_S, States
from gateway.uplink.stream import Standing
from tests.dashboards.conftest import Barns
from tests.engine.fakes import until
from tests.uplink.rig import Far, Mosquitto


class Sent:
    """Takes what is published, as long as there is room."""

    def __init__(self) -> None:
        self.parcels: list[Parcel] = []
        self.room = 1000

    def __call__(self, parcel: Parcel) -> bool:
        if len(self.parcels) >= self.room:
            return False
        self.parcels.append(parcel)
        return True

    def topics(self) -> list[str]:
        found = [parcel.topic for parcel in self.parcels]
        self.parcels.clear()
        return found


BARN = Barns.barn(Barns.place("stalls", kit=(Barns.kit("fans"),)), Barns.place("arena"))
ALL = ["loosebox/places/stalls", "loosebox/kit/fans", "loosebox/places/arena", "loosebox/faults"]


def test_everything_at_first_then_what_people_act_on_at_once_and_the_rest_now_and_then() -> None:
    sent = Sent()
    states = States("loosebox", sent)
    states.turn(None, 0.0)
    assert sent.topics() == []
    states.turn(BARN, 1.0)
    assert sent.topics() == ALL
    stalls, arena = BARN.places
    warmer = dataclasses.replace(BARN, places=(dataclasses.replace(stalls, temp_c=22.5), arena))
    states.turn(warmer, 2.0)
    assert sent.topics() == []
    hot = dataclasses.replace(BARN, places=(dataclasses.replace(stalls, level=2), arena))
    states.turn(hot, 3.0)
    assert sent.topics() == ["loosebox/places/stalls"]
    off = dataclasses.replace(stalls, kit=(Barns.kit("fans", asked=False),))
    states.turn(dataclasses.replace(BARN, places=(off, arena)), 4.0)
    assert sent.topics() == ["loosebox/places/stalls", "loosebox/kit/fans"]
    states.turn(BARN, 4.0 + CALM_S)
    assert len(sent.topics()) == 4


def test_what_finds_no_room_is_sent_at_the_next_turn_and_a_new_broker_gets_all() -> None:
    sent = Sent()
    states = States("loosebox", sent)
    sent.room = 2
    states.turn(BARN, 1.0)
    assert sent.topics() == ALL[:2]
    states.turn(BARN, 2.0)
    assert sent.topics() == ALL[2:]
    states.anew()
    sent.room = 9
    states.turn(BARN, 3.0)
    assert sent.topics() == ALL


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


def test_whoever_joins_late_sees_how_everything_stood_and_when(broker: Mosquitto) -> None:
    line = BrokerLine(
        broker.broker(),
        take=lambda message: None,
        changed=lambda up, why: None,
        state=lambda here: b"{}",
        patience=Patience(first_s=0.1),
    )
    line.start()
    until(lambda: line.up, limit_s=10)
    states = States("loosebox", line.publish)
    states.turn(BARN, 1.0)
    until(lambda: line.queued == 0)
    far = Far(broker, "loosebox/places/#", "loosebox/kit/#", "loosebox/faults")
    until(lambda: {topic for topic, _, retained in far.heard if retained} == set(ALL), limit_s=10)
    told = {topic: json.loads(payload) for topic, payload, _ in far.heard}
    assert told["loosebox/places/stalls"]["level"] == 0
    assert told["loosebox/kit/fans"]["asked"] is True
    assert {one["time"] for one in told.values()} == {BARN.wall_s}
    assert all(one["time_trusted"] for one in told.values())
    far.close()
    line.close()


def test_the_report_reaches_the_metrics_with_its_age_and_grows_old(tmp_path: Path) -> None:
    standing = Standing(
        name="series", state="ok", why="", pending=5, behind_s=1.0, lanes=2, readings=7, events=1, dead=0
    )
    path = tmp_path / "uplink-report.json"
    write_report(path, at_s=machine_s(), streams=[standing], broker_up=True, queued=3)
    seen = around(tmp_path / "history.db", path)
    assert seen.streams[0].pending == 5 and seen.broker_up is True and seen.queued == 3
    assert seen.uplink_age_s is not None and seen.uplink_age_s < 5
    assert seen.history_bytes is None and seen.steps_late is None  # there is no history yet
    assert seen.disk_free_bytes is not None and seen.disk_size_bytes is not None
    assert path.stat().st_mode & 0o777 == 0o640
    write_report(path, at_s=machine_s() - 3600, streams=[standing], broker_up=True, queued=3)
    old = around(tmp_path / "history.db", path)
    assert old.streams == () and old.broker_up is None and (old.uplink_age_s or 0) > 3599
    write_report(path, at_s=machine_s() + 3600, streams=[standing], broker_up=True, queued=3)  # of an earlier boot
    assert around(tmp_path / "history.db", path).uplink_age_s is None
    path.write_text("{")
    assert around(tmp_path / "history.db", path).streams == ()


def test_a_report_that_cannot_be_written_disturbs_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    write_report(tmp_path / "file" / "report.json", at_s=0.0, streams=[], broker_up=None, queued=0)
