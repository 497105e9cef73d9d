"""Reading in rhythm; failures become readings without value."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import pytest

from gateway.barn import Correction
from gateway.engine.bus import Bus
from gateway.engine.poller import Poller
from gateway.errors import BusTimeout, ChecksumError, DeviceFault, GatewayError, NoNews, PortGone
from gateway.model import Quality
from tests.control.barns import sensor
from tests.engine.fakes import HandClock, ListRecorder, TalkingSensor, until


class Rig:
    """A poller with one sensor that says what the test puts into `answer`."""

    def __init__(self, corrections: tuple[Correction, ...] = ()) -> None:
        self.clock, self.recorder, self.bus = HandClock(), ListRecorder(), Bus("line")
        self.answer: tuple[float, float] | GatewayError = (30.0, 60.0)
        self.sensor = TalkingSensor("air", self._say)
        self.poller = Poller(self.clock, self.recorder, corrections)
        self.poller.add(sensor(), self.sensor, self.bus)

    def _say(self) -> tuple[float, float]:
        if isinstance(self.answer, GatewayError):
            raise self.answer
        return self.answer

    def poll(self, now_s: float) -> None:
        """Move the clock and wait until the read, if one was due, is in the table."""
        self.clock.at_s = now_s
        before = self.sensor.reads
        self.poller.due(now_s)
        until(lambda: not self.poller._entries[0].asked)
        assert self.sensor.reads in (before, before + 1)


@pytest.fixture
def rig() -> Iterator[Rig]:
    made = Rig()
    yield made
    made.bus.close(2.0)


def test_a_sensor_is_read_at_once_and_then_in_its_own_rhythm(rig: Rig) -> None:
    reads = []
    for now_s in range(12):
        rig.poll(now_s)
        reads.append(rig.sensor.reads)
    assert reads == [1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 3, 3]


def test_both_channels_carry_the_same_stamp(rig: Rig) -> None:
    rig.poll(7.0)
    temp, rh = rig.recorder.readings
    assert temp.stamp == rh.stamp and temp.stamp.mono_s == 7.0
    assert (temp.value, rh.value) == (30.0, 60.0)


@pytest.mark.parametrize(
    ("error", "quality"),
    [
        (BusTimeout("unit 1", 0.3), Quality.SILENT),
        (BusTimeout("unit 1", 0.3, b"\x01\x04"), Quality.TORN),
        (ChecksumError(1, 2, b"\x01"), Quality.TORN),
        (DeviceFault("temp1_fault is 1"), Quality.DEVICE_FAULT),
    ],
)
def test_a_failure_is_a_reading_without_value_and_keeps_the_last_good(
    rig: Rig, error: GatewayError, quality: Quality
) -> None:
    rig.poll(0.0)
    rig.answer = error
    rig.poll(5.0)
    entry = rig.poller.latest()["air.temp_c"]
    assert (entry.last.value, entry.last.quality, entry.last.detail) == (None, quality, str(error))
    assert entry.good is not None and entry.good.value == 30.0
    assert [r.quality for r in rig.recorder.readings[2:]] == [quality, quality]


def test_a_value_that_is_no_number_never_reaches_the_table_as_a_value(rig: Rig) -> None:
    rig.answer = (math.nan, 119.0)
    rig.poll(0.0)
    latest = rig.poller.latest()
    assert latest["air.temp_c"].last.quality is Quality.NOT_A_NUMBER
    assert latest["air.rh_pct"].last.quality is Quality.OUT_OF_RANGE
    assert latest["air.temp_c"].good is None and latest["air.rh_pct"].good is None


def test_same_since_moves_only_when_the_value_does(rig: Rig) -> None:
    rig.poll(0.0)
    rig.poll(5.0)
    assert rig.poller.latest()["air.temp_c"].same_since_s == 0.0
    rig.answer = (30.1, 60.0)
    rig.poll(10.0)
    latest = rig.poller.latest()
    assert (latest["air.temp_c"].same_since_s, latest["air.rh_pct"].same_since_s) == (10.0, 0.0)


def test_a_dead_sensor_is_asked_less_often_but_never_given_up(rig: Rig) -> None:
    rig.answer = BusTimeout("unit 1", 0.3)
    asked_at = []
    for now_s in range(300):
        before = rig.sensor.reads
        rig.poll(now_s)
        if rig.sensor.reads != before:
            asked_at.append(now_s)
    gaps = [b - a for a, b in itertools.pairwise(asked_at)]
    assert gaps[:3] == [5, 5, 5]
    assert max(gaps) == 30
    rig.answer = (30.0, 60.0)
    rig.poll(330.0)
    assert rig.poller.latest()["air.temp_c"].last.value == 30.0
    reads = rig.sensor.reads
    rig.poll(335.0)
    assert rig.sensor.reads == reads + 1  # back in its own rhythm at once


def test_one_line_in_the_log_when_it_fails_and_one_when_it_is_back(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    rig.poll(0.0)
    rig.answer = BusTimeout("unit 1", 0.3)
    rig.poll(5.0)
    rig.poll(10.0)
    rig.answer = (30.0, 60.0)
    rig.poll(15.0)
    assert [r.getMessage() for r in caplog.records] == [
        "air gives no reading (silent): unit 1: no answer within 0.30 s",
        "air reads well again",
    ]


def test_a_vanished_port_is_looked_for_every_second_and_recorded_in_the_rhythm_of_its_sensor(rig: Rig) -> None:
    rig.answer = PortGone("unplugged")
    for now_s in range(200):
        rig.poll(now_s)
    assert rig.sensor.reads == 200
    assert len(rig.recorder.readings) == 2 * 40
    rig.answer = (30.0, 60.0)
    rig.poll(200.0)
    assert rig.poller.latest()["air.temp_c"].last.value == 30.0
    reads = rig.sensor.reads
    for now_s in range(201, 206):
        rig.poll(now_s)
    assert rig.sensor.reads == reads + 1  # in its own rhythm again


def test_a_device_that_speaks_unasked_may_be_silent_while_its_last_word_is_young(rig: Rig) -> None:
    rig.poll(0.0)
    rig.answer = NoNews("node", 1.0)
    rig.poll(5.0)
    rig.poll(10.0)
    assert [r.quality for r in rig.recorder.readings] == [Quality.GOOD] * 2
    rig.poll(15.0)  # the last word is 15 s old, late after 10 s
    assert [r.quality for r in rig.recorder.readings[2:]] == [Quality.SILENT] * 2


def test_silence_before_the_first_word_is_a_failure(rig: Rig) -> None:
    rig.answer = NoNews("node", 1.0)
    rig.poll(0.0)
    assert [r.quality for r in rig.recorder.readings] == [Quality.SILENT] * 2


def _correction(offset: float) -> Correction:
    return Correction(channel="air.rh_pct", offset=offset, on="2026-05-02", by="A. Groom", reference="salts")


def test_a_correction_is_added_and_the_raw_number_kept() -> None:
    rig = Rig((_correction(-2.5),))
    rig.poll(0.0)
    temp, rh = rig.recorder.readings
    assert (rh.value, rh.raw) == (57.5, 60.0)
    assert (temp.value, temp.raw) == (30.0, None)
    rig.bus.close(2.0)


def test_a_correction_cannot_hide_a_broken_sensor() -> None:
    rig = Rig((_correction(+5.0),))
    rig.answer = (30.0, 0.0)
    rig.poll(0.0)
    assert rig.recorder.readings[1].quality is Quality.OUT_OF_RANGE
    rig.bus.close(2.0)
