"""The threads that call: a way that hangs delays no other, a sender that breaks is a failed try, a restart goes on."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gateway.engine.snapshot import AlarmView, Snapshot
from gateway.site_alarms import Way
from gateway.uplink import call_ways, heart_beats
from gateway.uplink.call_ways import ways_of
from gateway.uplink.caller import Caller
from gateway.uplink.calls_ledger import CallsReader
from gateway.uplink.heart_beats import FRESH_S, HeartBeats, Pace
from gateway.uplink.kept_calls import KeptCalls
from gateway.uplink.message import Message, Sender
from gateway.uplink.tries import TryAt
from gateway.uplink.verdict import Verdict
from tests.engine.fakes import HandClock
from tests.engine.fakes import until as until_within
from tests.uplink.call_scenes import ANA, AWAY, DELIVERED, LUIS, office, snapshot, view


def until(condition: Callable[[], bool]) -> None:
    """Of a machine that many share, with patience."""
    until_within(condition, limit_s=40)


class Said:
    """A sender of the test. While `gate` is closed a try hangs; `breaks` raises what no sender should."""

    def __init__(self, name: str) -> None:
        self.name, self.sent, self.verdict = name, list[Message](), DELIVERED
        self.gate = threading.Event()
        self.gate.set()
        self.breaks = self.closed = False

    def reaches(self, way: Way) -> bool:
        return bool(way.webhook if self.name == "webhook" else getattr(way, self.name))

    def send(self, message: Message, way: Way) -> Verdict:
        self.sent.append(message)
        self.gate.wait(60)
        if self.breaks:
            raise KeyError("a defect")
        return self.verdict

    def close(self) -> None:
        self.closed = True


class Scene:
    """A caller whose turns the test takes, with real threads for the ways."""

    def __init__(self, path: Path) -> None:
        self.path, self.clock, self.alarms = path, HandClock(), list[AlarmView]()
        self.mail, self.webhook, self.mqtt = Said("mail"), Said("webhook"), Said("mqtt")
        self.senders: list[Sender] = [self.mail, self.webhook, self.mqtt]
        self.caller = self.begin()

    def begin(self) -> Caller:
        kept = KeptCalls(self.path, stamp=self.clock.stamp, clock=self.clock.now_s)
        return Caller(
            office(), kept, self.senders, newest=self.core, stamp=self.clock.stamp, clock=self.clock.now_s
        )  # fmt: skip

    def core(self) -> Snapshot:
        return snapshot(self.clock.now_s(), *self.alarms)

    def turns(self, count: int) -> None:
        for _ in range(count):
            self.clock.at_s += 1.0
            self.caller.one_turn()

    def settle(self, count: int) -> None:
        """Turns until so many messages by way have arrived."""

        def is_so() -> bool:
            self.caller.one_turn()
            return self.caller.told.delivered >= count

        until(is_so)


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    made = Scene(tmp_path / "uplink-calls.db")
    yield made
    for sender in (made.mail, made.webhook, made.mqtt):
        sender.gate.set()
    made.caller.close()


def test_a_way_that_hangs_delays_no_other(scene: Scene) -> None:
    scene.mail.gate.clear()
    scene.alarms = [view()]
    scene.turns(10)
    until(lambda: len(scene.mqtt.sent) == 1 and len(scene.mail.sent) == 1)
    scene.alarms.append(view("fire:barn"))
    scene.turns(60)
    until(lambda: len(scene.mqtt.sent) == 2)
    scene.settle(2)
    assert len(scene.mail.sent) == 1, "one message in the air at a time"
    assert scene.caller.told.pending == 2 and scene.caller.told.lost == ""
    scene.mail.gate.set()
    scene.settle(4)
    assert [message.id for message in scene.mail.sent] == [message.id for message in scene.mqtt.sent]


def test_nothing_is_handed_over_before_it_is_on_the_disk(scene: Scene) -> None:
    found: list[bool] = []

    def send(message: Message, way: Way) -> Verdict:
        found.append(message.id in {row.notice.id for row in CallsReader(scene.path).latest(99)})
        return DELIVERED

    scene.mqtt.send = scene.mail.send = send  # type: ignore[method-assign]
    scene.alarms = [view()]
    scene.turns(10)
    scene.settle(2)
    assert found == [True, True]


def test_what_is_urgent_overtakes_what_waits_behind_a_slow_way(scene: Scene) -> None:
    scene.mail.gate.clear()
    scene.alarms = [view("disk-low:a", priority="soon")]
    scene.turns(62)
    until(lambda: len(scene.mail.sent) == 1)
    for number in range(2):
        scene.alarms.append(view(f"disk-low:{number}", priority="soon"))
        scene.turns(61)
    scene.alarms.append(view("fire:barn"))
    scene.turns(31)
    scene.mail.gate.set()
    scene.settle(8)
    assert [m.data["alarms"][0]["alarm"] for m in scene.mail.sent[:2]] == ["disk-low:a", "fire:barn"]


def test_a_sender_that_breaks_is_a_failed_try_and_is_said(scene: Scene) -> None:
    scene.mail.breaks = scene.mqtt.breaks = True
    scene.alarms = [view()]
    scene.turns(10)

    def is_lost() -> bool:
        scene.caller.one_turn()
        return "Ana by mail: a defect: KeyError; Ana by mqtt: a defect: KeyError" in scene.caller.told.lost

    until(is_lost)
    scene.mqtt.breaks = False
    scene.turns(20)
    scene.settle(1)
    assert scene.caller.told.lost == "", "one way is enough"
    mqtt = scene.mqtt.sent
    assert len(mqtt) >= 2 and len({message.id for message in mqtt}) == 1


def test_a_restart_in_the_middle_of_a_try_sends_the_same_message_again(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(call_ways, "END_S", 0.1)
    scene.mail.gate.clear()
    scene.alarms = [view()]
    scene.turns(10)
    until(lambda: bool(scene.mail.sent))
    scene.settle(1)
    scene.caller.close()
    hung, scene.mail = scene.mail, Said("mail")
    scene.senders[0] = scene.mail
    scene.caller = scene.begin()
    scene.turns(3)
    scene.settle(1)
    hung.gate.set()
    assert scene.mail.sent == hung.sent[:1] and len(scene.mqtt.sent) == 1
    assert CallsReader(scene.path).counts() == {TryAt.PENDING: 0, TryAt.DELIVERED: 2, TryAt.GIVEN_UP: 0}


def test_a_full_disk_stops_no_call_and_is_said(scene: Scene) -> None:
    ledger = scene.caller._kept._ledger
    assert ledger is not None
    ledger._connection.execute("PRAGMA max_page_count = 1")
    ledger._connection.execute("PRAGMA query_only = ON")  # as a card that has turned read-only
    scene.alarms = [view()]
    scene.turns(10)
    scene.settle(2)
    assert "not kept" in scene.caller.told.unkept and scene.caller.told.lost == ""
    assert CallsReader(scene.path).latest(9) == []
    ledger._connection.execute("PRAGMA query_only = OFF")
    ledger._connection.execute("PRAGMA max_page_count = 100000")
    scene.turns(31)
    assert scene.caller.told.unkept == ""
    assert [str(row.state) for row in CallsReader(scene.path).latest(9)] == ["delivered", "delivered"]


def test_the_thread_of_its_own_calls_by_itself_and_ends(scene: Scene) -> None:
    scene.alarms = [view()]
    assert scene.caller.hung_s() == float("inf"), "not begun"
    scene.caller.start()

    def ticked() -> bool:
        scene.clock.at_s += 1.0
        return len(scene.mqtt.sent) == 1 and len(scene.mail.sent) == 1

    until(ticked)
    assert scene.caller.hung_s() == 0.0
    scene.caller.close()
    assert scene.mail.closed and scene.webhook.closed and scene.mqtt.closed
    assert CallsReader(scene.path).counts()[TryAt.PENDING] == 0, "answers that had come were kept at the end"


def test_a_way_that_hangs_for_too_long_shows(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(call_ways, "HUNG_S", 0.0)
    way = scene.caller._ways["mail"]
    assert way.hung_s() == 0.0
    scene.mail.gate.clear()
    scene.alarms = [view()]
    scene.turns(10)
    until(lambda: way.hung_s() > 0)
    scene.mail.gate.set()
    until(lambda: way.hung_s() == 0.0)


def test_a_contact_is_reached_by_what_reaches_him() -> None:
    senders: list[Sender] = [Said("mail"), Said("webhook"), Said("mqtt")]
    plan = office(ANA, LUIS).plan
    assert ways_of(senders, plan.ways) == {"Ana": ("mail", "mqtt"), "Luis": ("webhook", "mqtt")}
    assert ways_of(senders[:1], plan.ways) == {"Ana": ("mail",), "Luis": ()}


# --- the sign of life -------------------------------------------------------------------------------


def test_it_is_core_s_steps_that_prove_its_life() -> None:
    pace = Pace()
    assert not pace.is_fresh(None, 0.0)
    assert not pace.is_fresh(snapshot(1.0), 1.0), "the first may have lain there for hours"
    assert pace.is_fresh(snapshot(2.0), 2.0)
    assert pace.is_fresh(snapshot(2.0), 2.0 + FRESH_S - 0.1)
    assert not pace.is_fresh(snapshot(2.0), 2.0 + FRESH_S)
    assert not pace.is_fresh(None, 90.0)
    assert pace.is_fresh(snapshot(91.0), 91.0)
    assert pace.is_fresh(snapshot(1.0, boot="boot-2"), 200.0), "a core that was started anew"


def test_it_beats_while_core_moves_and_is_silent_when_it_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heart_beats, "LOOK_EVERY_S", 0.01)
    monkeypatch.setattr(heart_beats, "FRESH_S", 0.2)
    beats, moving, step = [0], threading.Event(), [0]
    moving.set()

    class Count:
        def beat(self, now_s: float) -> None:
            beats[0] += 1

    def newest() -> Snapshot:
        step[0] += moving.is_set()
        return snapshot(float(step[0]))

    heart = HeartBeats(Count(), newest)
    heart.start()
    until(lambda: beats[0] > 3)
    assert heart.hung_s() == 0.0
    moving.clear()

    def is_silent() -> bool:
        before = beats[0]
        threading.Event().wait(0.1)
        return beats[0] == before

    until(is_silent)
    moving.set()
    before = beats[0]
    until(lambda: beats[0] > before)
    heart.close()
    assert heart.hung_s() == float("inf")


def test_away_is_no_defect(scene: Scene) -> None:
    scene.mail.verdict = scene.mqtt.verdict = AWAY
    scene.alarms = [view()]
    scene.turns(10)
    until(lambda: bool(scene.mail.sent and scene.mqtt.sent))
    scene.turns(2)
    assert scene.caller.told.pending == 2 and scene.caller.told.given_up == 0


def test_one_contact_who_is_cut_off_alone_is_told_after_an_hour(tmp_path: Path, scene: Scene) -> None:
    scene.webhook.verdict = AWAY
    scene.mqtt.reaches = lambda way: way.contact == "Ana"  # type: ignore[method-assign]
    scene.caller.close()
    scene.caller = Caller(
        dataclasses.replace(office(), ways=ways_of(scene.senders, office().plan.ways)),
        KeptCalls(tmp_path / "other.db", stamp=scene.clock.stamp, clock=scene.clock.now_s),
        scene.senders, newest=scene.core, stamp=scene.clock.stamp, clock=scene.clock.now_s,
    )  # fmt: skip
    scene.alarms = [view()]
    scene.turns(310)
    scene.settle(2)

    def is_told() -> bool:
        scene.turns(10)
        return "Luis by webhook: nobody answers" in scene.caller.told.cut_off

    until(lambda: bool(scene.webhook.sent))
    assert not is_told(), "a try that failed a moment ago is no contact cut off"
    scene.clock.at_s += 3600
    until(is_told)
    assert scene.caller.told.lost == ""
