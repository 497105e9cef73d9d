"""The history published at a real broker: the cursor moves when the broker has acknowledged, and not before."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers import senml
from gateway.engine.clock import machine_s
from gateway.model import CommandChange, HandChange, HandKind, Quality, Quantity, Reading, Reason
from gateway.store.outbox import Outbox
from gateway.uplink.backoff import Patience
from gateway.uplink.encode import MOST_RECORDS, UNITS, Packer, letters
from gateway.uplink.ledger import Ledger
from gateway.uplink.mailbag import Letter, Mailbag
from gateway.uplink.mqtt import BrokerLine, Parcel
from gateway.uplink.session import Answer
from gateway.uplink.stream import Stream
from gateway.uplink.to_broker import ToBroker
from gateway.uplink.verdict import Outcome
from tests.conservation import Rows, conserved
from tests.engine.fakes import until
from tests.uplink.rig import Far, Mosquitto
from tests.uplink.store_rig import Hist, stamp

FAST = Patience(first_s=0.1, longest_s=0.5, hold_s=0.5, keepalive_s=2)
TOPICS = "loosebox/readings/#"


class Rig:
    """A history, a broker, a line to it and a stream."""

    def __init__(self, folder: Path, **broker: Any) -> None:
        self.folder = folder
        self.broker = Mosquitto(folder / "broker")
        self.broker.start()
        self.hist = Hist(folder / "history.db", 4)
        self.hist.open()
        self.line = BrokerLine(
            self.broker.broker(**broker),
            take=lambda message: None,
            changed=lambda up, why: None,
            state=lambda here: b"{}",
            patience=FAST,
        )
        self.line.start()
        until(lambda: self.line.up, limit_s=10)
        self.start()

    def start(self) -> None:
        outbox = Outbox(self.hist.path)
        self.ledger = Ledger(self.folder / "cursors.json", ["mqtt"], history=outbox.identity(), clock=machine_s)
        to = ToBroker(self.line, "loosebox")
        self.stream = Stream(outbox, self.ledger, to, clock=machine_s, mono_s=machine_s, patience=FAST)

    def run(self, done: Callable[[], bool] | None = None) -> None:
        for _ in range(2000):
            if (done or self.level)():
                return
            time.sleep(min(self.stream.turn(), 0.1))
        raise AssertionError(self.stream.standing())

    def level(self) -> bool:
        standing = self.stream.standing()
        return standing.readings + standing.dead == self.hist.acknowledged and standing.lanes == 1

    def law(self) -> None:
        conserved(self.hist.path, self.ledger.course("mqtt"), rows=Rows(readings=self.hist.acknowledged))

    def close(self) -> None:
        self.stream.close()
        self.line.close()
        self.broker.kill()
        self.hist.close()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.close()


def values(far: Far) -> set[tuple[str, str, float, float]]:
    """(topic, name, time, value) of every record heard, resolved by the receiving side's own decoder."""
    found = set()
    for topic, payload, retained in far.heard:
        assert not retained
        for record in senml.decode(payload):
            found.add((topic, record.name, round(record.time_s, 3), record.value))
    return found  # type: ignore[return-value]


def expected(hist: Hist) -> set[tuple[str, str, float, float]]:
    """The same of the history, by plain SQL."""
    return {
        (f"loosebox/readings/{place}/{sensor}", f"loosebox/{place}/{sensor}/{name.split('_')[2]}", ms / 1000, value)
        for name, place, sensor, _, ms, value in hist.points()
    }


def test_every_reading_arrives_in_packs_of_its_sensor(rig: Rig) -> None:
    far = Far(rig.broker, TOPICS)
    rig.hist.add(0, 300)
    rig.run()
    until(lambda: values(far) == expected(rig.hist), limit_s=10)
    first = json.loads(far.heard[0][1])
    assert first[0]["bn"] == "loosebox/stalls/air-0/"
    assert {record["u"] for record in first} == {"Cel", "%RH"}
    assert len(first) <= MOST_RECORDS
    far.close()


def test_a_killed_broker_loses_nothing_that_somebody_listened_to(rig: Rig) -> None:
    far = Far(rig.broker, TOPICS)
    rig.hist.add(0, 200)
    for n in range(1, 4):
        rig.run(lambda n=n: rig.stream.standing().readings > 100 * n)  # type: ignore[misc]
        rig.broker.kill()
        before = rig.stream.standing().readings
        rig.hist.add(200 * n, 200 * n + 200)
        for _ in range(3):
            time.sleep(min(rig.stream.turn(), 0.1))
        assert rig.stream.standing().readings == before  # no acknowledgement, no step forward
        rig.law()
        rig.broker.start()
        until(lambda: rig.line.up, limit_s=10)
        until(lambda: far._client.is_connected(), limit_s=10)
        time.sleep(0.3)  # the listener's own subscription, which the broker has forgotten
    rig.run()
    until(lambda: values(far) == expected(rig.hist), limit_s=10)
    rig.law()
    far.close()


def test_a_broker_that_says_nothing_any_more_moves_no_cursor(rig: Rig) -> None:
    rig.hist.add(0, 20)
    rig.run()
    rig.broker.freeze()
    rig.hist.add(20, 40)
    began_s = machine_s()
    rig.stream.turn()
    assert machine_s() - began_s < 10
    assert rig.stream.standing().readings == 80
    rig.law()
    rig.broker.thaw()
    rig.run()
    rig.law()


def test_a_topic_that_the_broker_does_not_let_us_write_holds_the_stream_and_says_so(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.line.close()
    (rig.broker.folder / "acl").write_text("user gateway\ntopic write loosebox/state\n")
    rig.broker.kill()
    rig.broker.start()
    rig.line = BrokerLine(
        rig.broker.broker(), take=lambda m: None, changed=lambda u, w: None, state=lambda h: b"{}", patience=FAST
    )
    rig.line.start()
    until(lambda: rig.line.up, limit_s=10)
    rig.start()
    rig.hist.add(0, 20)
    rig.run(lambda: rig.stream.standing().state == "refused")
    assert "Not authorized" in rig.stream.standing().why
    assert rig.stream.standing().readings == 0
    rig.law()
    rig.close()


def test_commands_overtake_a_long_post(rig: Rig) -> None:
    far = Far(rig.broker, "barn/#", "loosebox/readings/#")
    post = rig.line.post(Letter(topic="loosebox/readings/x", payload=b"x" * 500) for _ in range(2000))
    assert rig.line.publish(Parcel(topic="barn/kit/ask", payload=b"on", by_s=machine_s() + 5))
    assert post.verdict(30).outcome is Outcome.DELIVERED
    until(lambda: len(far.heard) == 2001, limit_s=10)
    assert [topic for topic, _, _ in far.heard].index("barn/kit/ask") < 200
    far.close()


def test_events_are_told_one_by_one_without_names_of_persons(rig: Rig) -> None:
    far = Far(rig.broker, "loosebox/events")
    why = Reason(code="c", text="t")
    hand = HandChange(
        subject="fans", kind=HandKind.OFF, until_mono_s=9.0, until_wall_s=99.0, by="Ann", why="noise", stamp=stamp(2)
    )
    rig.hist.add(0, 1, events=[CommandChange(kit="fans", on=True, reasons=(why,), stamp=stamp(1)), hand])
    rig.run()
    until(lambda: len(far.heard) == 2)
    first, second = (json.loads(payload) for _, payload, _ in far.heard)
    assert first == {
        "kind": "kit",
        "kit": "fans",
        "on": True,
        "reasons": ["t"],
        "time": stamp(1).wall_s,
        "time_trusted": True,
    }
    told = {"kind": "hand", "subject": "fans", "hand": "off", "until": 99.0}
    assert second == {**told, "time": stamp(2).wall_s, "time_trusted": True}
    far.close()


def test_what_has_no_value_or_no_sure_time_is_told_as_such() -> None:
    packer, channel = Packer("loosebox"), ("a.temp_c", "a", "stalls", "temp_c")
    lost = packer.reading((1, 5, 1_780_000_000_500, None, "silent", 1, 1), channel)
    assert lost.records == ({"n": "temp/lost", "vs": "silent", "t": 1_780_000_000.5},)
    unsure = packer.reading((1, 5, 1_780_000_000_500, 31.25, "good", 0, 1), channel)
    assert [record["n"] for record in unsure.records] == ["temp", "temp/unsure"]
    contact = packer.reading((1, 5, 1_780_000_000_500, 1.0, "good", 1, 1), ("d.contact", "d", "stalls", "contact"))
    assert contact.records[0] == {"n": "contact", "vb": True, "t": 1_780_000_000.5}


def test_every_quantity_has_a_unit_that_the_receiving_side_turns_back() -> None:
    for quantity in Quantity:
        if quantity in (Quantity.CONTACT, Quantity.SWITCH):
            continue
        unit, factor = UNITS[quantity]
        back, offset = senml.UNITS[quantity][unit]
        assert 12.5 * factor * back + offset == pytest.approx(12.5)
    # RFC 8428, table of section 12.1: these four spelt as there
    assert [UNITS[q][0] for q in (Quantity.TEMP, Quantity.RH, Quantity.WIND, Quantity.SUN)] == [
        "Cel",
        "%RH",
        "m/s",
        "W/m2",
    ]


def test_packs_are_small_and_keep_the_order_of_a_sensor() -> None:
    packer, channel = Packer("yard/é"), ("a.temp_c", "a", "stalls", "temp_c")
    rows = [(1, n, 1_780_000_000_000 + n, float(n), "good", 1, 1) for n in range(100)]
    sent = list(letters([packer.reading(row, channel) for row in rows]))
    assert [len(json.loads(one.payload)) for one in sent] == [40, 40, 20]
    assert [record.value for one in sent for record in senml.decode(one.payload)] == [row[3] for row in rows]


@pytest.mark.parametrize(
    ("code", "outcome"),
    [(0x87, Outcome.REFUSED), (0x95, Outcome.BAD), (0x99, Outcome.BAD), (0x90, Outcome.BAD), (0x97, Outcome.AWAY)],
)
def test_one_letter_that_is_not_taken_decides_for_its_post_alone(code: int, outcome: Outcome) -> None:
    bag = Mailbag()
    first, second = (bag.put([Letter(topic="t", payload=b""), Letter(topic="t", payload=b"")]) for _ in range(2))
    for number in range(4):
        assert bag.next() is not None
        bag.sent(number)
    for number, answer in ((0, 0), (1, code), (2, 0), (3, 0), (77, code)):
        bag.answered(Answer(number=number, code=answer, why="x" if answer else ""))
    assert first.verdict(0).outcome is outcome
    assert second.verdict(0).outcome is Outcome.DELIVERED
    assert bag.flying == 0


def test_letters_of_a_post_that_has_failed_are_not_sent() -> None:
    bag = Mailbag()
    post = bag.put(Letter(topic="t", payload=b"") for _ in range(3))
    assert post.verdict(0.0).outcome is Outcome.AWAY
    assert bag.next() is None
    late = bag.put([Letter(topic="t", payload=b"")])
    bag.lose("gone")
    assert late.verdict(0).why == "gone"


def test_a_reading_of_a_sensor_with_odd_names_is_still_a_pack(rig: Rig) -> None:
    rig.hist.reading(Reading(channel="not listed", value=1.5, quality=Quality.GOOD, stamp=stamp(1)))
    far = Far(rig.broker, TOPICS)
    rig.run()
    until(lambda: len(far.heard) == 1)
    [(topic, payload, _)] = far.heard
    assert topic == "loosebox/readings/no-place/not listed"
    assert senml.decode(payload)[0].name == "loosebox/no-place/not-listed/value"
    far.close()
