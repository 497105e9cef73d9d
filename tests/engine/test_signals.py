"""A lamp from the alarm to its contact and back to the snapshot, through the real loop and the real actuation."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from gateway.barn import SignalSpec, Switched
from gateway.control.decide import start_state
from gateway.engine.actuate import Actuation
from gateway.engine.bus import Bus
from gateway.engine.loop import Loop
from gateway.engine.poller import Poller
from gateway.engine.snapshot import SignalView, Snapshot
from gateway.engine.step import StepState
from gateway.model import AlarmChange, AlarmStep, CommandChange, FaultChange, Priority, SignalKind
from tests.control.barns import barn, fan, mister
from tests.engine.fakes import Contact, HandClock, ListRecorder, until

LAMP = SignalSpec(name="lamp", kind=SignalKind.LAMP, relay="block", output=4, least=Priority.SOON)
CHIME = SignalSpec(name="chime", kind=SignalKind.CHIME, relay="block", output=5, least=Priority.SOON)
REFRESH_S = 5.0


class Rig:
    """A core whose history can be broken at will, which is a SOON after a minute."""

    def __init__(self) -> None:
        self.clock, self.recorder, self.bus = HandClock(), ListRecorder(), Bus("line")
        self.barn = barn(kit=(fan(), mister()), signals=(LAMP, CHIME))
        self.actuation, self.published = Actuation(self.clock), list[Snapshot]()
        items: tuple[Switched, ...] = (*self.barn.kit, *self.barn.signals)
        self.contacts = {spec.name: Contact(safe_on=spec.safe_on) for spec in items}
        for spec in items:
            self.actuation.add(spec, self.contacts[spec.name], self.bus, REFRESH_S)
        self.loop = Loop(
            self.barn, StepState(control=start_state(self.barn, 0.0), started_s=0.0), clock=self.clock,
            poller=Poller(self.clock, self.recorder), actuation=self.actuation, buses=(self.bus,),
            recorder=self.recorder, publish=self.published.append, feed=lambda _: None,
        )  # fmt: skip

    def tick(self) -> Snapshot:
        self.loop.tick()
        until(lambda: not any(item.asked for item in self.actuation._items.values()))
        self.clock.at_s += 1.0
        return self.published[-1]

    def run(self, for_s: int) -> Snapshot:
        for _ in range(for_s):
            self.tick()
        return self.published[-1]

    def shines(self, name: str) -> bool:
        return self.contacts[name].on

    def view(self, name: str) -> SignalView:
        return next(view for view in self.published[-1].signals if view.name == name)


@pytest.fixture
def rig() -> Iterator[Rig]:
    made = Rig()
    yield made
    made.bus.close(2.0)


def test_a_lamp_follows_its_alarm_until_somebody_takes_it(rig: Rig) -> None:
    rig.run(3)
    lamp = rig.contacts["lamp"]
    assert lamp.sets == [False], "a start writes the safe state"
    rig.recorder.sick = "not written"
    snapshot = rig.run(70)
    assert rig.shines("lamp") and lamp.safe_on is False
    assert rig.view("lamp") == SignalView(name="lamp", kind="lamp", asked=True, seen=True, trouble="")
    for view in [view for view in snapshot.alarms if view.state == "unacknowledged"]:
        taken = AlarmChange(
            alarm=view.alarm, what=AlarmStep.ACKNOWLEDGED, episode=view.episode, priority=Priority.SOON,
            stamp=rig.clock.stamp(), by="Ana",
        )  # fmt: skip
        rig.loop.file(taken)
    rig.run(2)
    assert not rig.shines("lamp") and not rig.view("lamp").asked


def test_a_signal_is_written_again_and_again_and_is_not_in_the_history_of_commands(rig: Rig) -> None:
    rig.run(21)
    assert rig.contacts["lamp"].sets == [False] * 5, "at once and every 5 s: that feeds the watchdog of its block"
    rig.recorder.sick = "not written"
    rig.run(200)
    assert rig.contacts["chime"].sets.count(True) >= 6
    told = {event.kit for event in rig.recorder.event_list if isinstance(event, CommandChange)}
    assert told == {"fan", "mist"}


def test_signals_go_last_whatever_they_want(rig: Rig) -> None:
    order: list[str] = []
    for name, contact in rig.contacts.items():
        contact.set = lambda on, speed=1.0, n=name: order.append(n)  # type: ignore[method-assign,misc]
    rig.tick()
    assert order == ["mist", "fan", "lamp", "chime"]


def test_a_lamp_that_cannot_be_reached_is_said_and_is_no_cause_for_light(rig: Rig) -> None:
    rig.contacts["lamp"].cut_off = True
    rig.run(20)
    assert rig.view("lamp") == SignalView(
        name="lamp", kind="lamp", asked=False, seen=None, trouble="lamp: no answer from the relay block"
    )
    assert [fault.code for fault in rig.published[-1].faults if fault.subject == "lamp"] == ["signal-unreachable"]
    rig.run(80)
    (view,) = [view for view in rig.published[-1].alarms if view.subject == "lamp"]
    assert (view.rule, view.priority) == ("other", "when-you-can")
    rig.contacts["lamp"].cut_off = False
    rig.run(2)
    assert rig.view("lamp").trouble == ""


def test_a_lamp_that_does_not_follow_is_said(rig: Rig) -> None:
    rig.run(3)
    rig.contacts["lamp"].deaf = True
    rig.recorder.sick = "not written"
    rig.run(80)
    assert rig.view("lamp").seen is False
    assert rig.view("lamp").trouble == "lamp: asked on, its relay shows off"


@pytest.mark.parametrize(("fault", "codes"), [("cut_off", ["signal-unreachable"]), ("deaf", [])])
def test_a_broken_chime_that_calls_is_one_fault_at_most_and_not_one_every_thirty_seconds(
    rig: Rig, fault: str, codes: list[str]
) -> None:
    rig.recorder.sick = "not written"
    rig.run(70)
    setattr(rig.contacts["chime"], fault, True)
    rig.contacts["chime"].on = True  # whatever the fault: it sounds, or has stuck while it did
    rig.run(150)
    told = [event for event in rig.recorder.event_list if isinstance(event, FaultChange) and event.subject == "chime"]
    assert [event.code for event in told] == codes


def test_a_chime_that_does_not_let_go_is_said_once_nobody_is_called(rig: Rig) -> None:
    rig.run(3)
    rig.contacts["chime"].deaf, rig.contacts["chime"].on = True, True
    rig.run(12)
    assert rig.view("chime").trouble == "chime: asked off, its relay shows on"


def test_the_end_leaves_every_signal_off(rig: Rig) -> None:
    rig.recorder.sick = "not written"
    rig.run(70)
    assert rig.shines("lamp")
    rig.actuation.close()
    assert not rig.shines("lamp") and not rig.shines("chime")
