"""The tick: everything in order, nothing waits, the watchdog last."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from gateway.control.decide import start_state
from gateway.engine import bus as bus_module
from gateway.engine import loop as loop_module
from gateway.engine.actuate import Actuation
from gateway.engine.bus import Bus
from gateway.engine.loop import Loop
from gateway.engine.poller import Poller
from gateway.engine.snapshot import Snapshot
from gateway.engine.step import StepState
from gateway.errors import BusTimeout
from tests.control.barns import barn, fan, mister, sensor
from tests.engine.fakes import Contact, HandClock, ListRecorder, TalkingSensor, until


class Rig:
    """A whole core without devices: hand clock, talking sensor, contacts."""

    def __init__(self) -> None:
        self.clock, self.recorder, self.bus = HandClock(), ListRecorder(), Bus("line")
        self.air: tuple[float, float] | None = (32.0, 60.0)
        self.published: list[Snapshot] = []
        self.fed: list[str] = []
        self.barn = barn(sensors=(sensor(),), kit=(fan(), mister()))
        poller, actuation = Poller(self.clock, self.recorder), Actuation(self.clock)
        poller.add(sensor(), TalkingSensor("air", self._say), self.bus)
        self.contacts = {k.name: Contact(safe_on=k.safe_on) for k in self.barn.kit}
        for kit in self.barn.kit:
            actuation.add(kit, self.contacts[kit.name], self.bus, 5.0)
        self.poller, self.actuation = poller, actuation
        self.loop = Loop(
            self.barn, StepState(control=start_state(self.barn, 0.0), started_s=0.0), clock=self.clock,
            poller=poller, actuation=actuation, buses=(self.bus,), recorder=self.recorder,
            publish=self.published.append, feed=self.fed.append,
        )  # fmt: skip

    def _say(self) -> tuple[float, float]:
        if self.air is None:
            raise BusTimeout("unit 1", 0.3)
        return self.air

    def fan_runs(self) -> bool:
        return self.contacts["fan"].on

    def tick(self, now_s: float) -> Snapshot:
        self.clock.at_s = now_s
        self.loop.tick()
        until(lambda: not self.poller._entries[0].asked)
        until(lambda: not any(i.asked for i in self.actuation._items.values()))
        return self.published[-1]


@pytest.fixture
def rig() -> Iterator[Rig]:
    made = Rig()
    yield made
    made.bus.close(2.0)


def test_from_a_reading_to_the_contact(rig: Rig) -> None:
    rig.air = (20.0, 40.0)
    for now_s in range(603):
        rig.tick(now_s)
    assert not rig.fan_runs()  # cool, and its minimum on time is over
    rig.air = (32.0, 60.0)
    for now_s in range(603, 905):
        snapshot = rig.tick(now_s)
    assert rig.fan_runs()
    assert snapshot.places[0].level == 1
    assert not rig.contacts["mist"].on


def test_a_pulled_wire_turns_the_fan_on_within_five_seconds_of_going_stale(rig: Rig) -> None:
    rig.air = (20.0, 40.0)
    for now_s in range(701):
        rig.tick(now_s)
    assert not rig.fan_runs()
    rig.air = None
    for now_s in range(701, 701 + 15 + 5):
        rig.tick(now_s)
    assert rig.fan_runs()
    rig.air = (20.0, 40.0)
    for now_s in range(721, 1400):
        snapshot = rig.tick(now_s)
    assert not rig.fan_runs()
    assert snapshot.faults == ()


def test_events_are_given_to_the_history_and_the_log(rig: Rig, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    rig.tick(0)
    rig.tick(1)
    assert len(rig.recorder.event_list) == 4  # fan and mister, put into their safe state; the start; the level
    assert "stalls: level None -> 1 (sum 149.6, roof trot, carry " in caplog.text
    assert "mist: off" in caplog.text


def test_beats_count_the_steps(rig: Rig) -> None:
    for now_s in range(25):
        rig.tick(now_s)
    assert rig.recorder.beats == [(1, 0), (11, 0), (21, 0)]


def test_the_watchdog_is_fed_after_each_whole_tick_only(rig: Rig) -> None:
    rig.tick(0)
    assert rig.fed == ["step 1, 0 faults"]

    def torn(_: Snapshot) -> None:
        raise RuntimeError("defect")

    rig.loop._publish = torn
    with pytest.raises(RuntimeError):
        rig.loop.tick()
    assert len(rig.fed) == 1


def test_a_bus_that_hangs_for_minutes_starves_the_watchdog(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus_module, "STUCK_AFTER_S", 0.0)
    monkeypatch.setattr(loop_module, "RESTART_WHEN_STUCK_S", 0.0)
    begun, go = threading.Event(), threading.Event()

    def hang() -> None:
        begun.set()
        go.wait(10)

    rig.bus.submit(hang, lambda _: None, begin_within_s=5)
    assert begun.wait(5)
    rig.loop.tick()
    assert rig.fed == []
    assert [f.code for f in rig.published[-1].faults] == ["bus-stuck"]
    go.set()


def test_an_unwritten_history_is_a_fault_and_control_goes_on(rig: Rig) -> None:
    rig.recorder.sick = "the history is not being written: no space"
    snapshot = rig.tick(0)
    assert [f.code for f in snapshot.faults] == ["history-unwritten"]
    assert rig.contacts["fan"].sets == [True]


def test_how_long_the_step_took_is_told_by_the_machines_own_clock(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    times = iter((1000.0, 1000.25))
    monkeypatch.setattr(loop_module, "machine_s", lambda: next(times))
    assert rig.tick(0).step_s == 0.25


def test_missed_ticks_are_counted_and_not_made_up_for(rig: Rig) -> None:
    class Jump(HandClock):
        """Each look at this clock moves it: as if the process had been stopped for a while between ticks."""

        def now_s(self) -> float:
            self.at_s += 2.5
            return self.at_s

    stop = threading.Event()

    def keep(snapshot: Snapshot) -> None:
        rig.published.append(snapshot)
        if len(rig.published) == 4:
            stop.set()

    rig.loop._clock = clock = Jump()
    rig.loop._publish = keep
    rig.loop.run(stop)
    assert len(rig.published) == 4
    assert rig.loop._late >= 4
    assert clock.at_s > 10
