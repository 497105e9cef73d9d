"""Alarms inside the step: from readings and kit to a call, to what people see, and over a restart."""

from __future__ import annotations

import dataclasses

import pytest

from gateway.alarms.advance import AlarmState
from gateway.alarms.book import restored
from gateway.barn import Barn
from gateway.control.decide import start_state
from gateway.engine.snapshot import AlarmView, from_json, to_json
from gateway.engine.step import StepInputs, StepResult, StepState
from gateway.engine.step import step as one_step
from gateway.engine.troubles import Trouble
from gateway.model import AlarmChange, AlarmStep, KitSeen, Latest, Priority, Quantity, Stamp
from tests.control.barns import air, barn, fan, good, proof, sensor, stamp

BARN = barn(sensors=(sensor(),), kit=(fan(),))


class Run:
    """A barn stepped every five seconds, with all that the alarms wrote."""

    def __init__(self, the_barn: Barn = BARN) -> None:
        self.barn, self.now_s = the_barn, 0.0
        self.state = StepState(control=start_state(the_barn, 0.0), started_s=0.0)
        self.journal: list[AlarmChange] = []
        self.result: StepResult

    def run(
        self, temp_c: float, rh_pct: float, for_s: float, *, silent: bool = False,
        filed: tuple[AlarmChange, ...] = (), troubles: tuple[Trouble, ...] = (),
    ) -> dict[str, AlarmView]:  # fmt: skip
        """The alarms that people see after a while of this air."""
        heard_s = self.now_s
        for _ in range(round(for_s / 5.0)):
            self.now_s += 5.0
            heard_s = heard_s if silent else self.now_s
            latest = air(temp_c, rh_pct, heard_s)
            self.result = self.step(latest, stamp(self.now_s), filed, troubles)
            filed = ()
        return {view.alarm: view for view in self.result.snapshot.alarms}

    def step(
        self, latest: dict[str, Latest], now: Stamp, filed: tuple[AlarmChange, ...], troubles: tuple[Trouble, ...]
    ) -> StepResult:
        asked = {kit.name: self.state.control.kit[kit.name].on for kit in self.barn.kit}
        seen = {name: KitSeen(on=on, at_s=now.mono_s) for name, on in asked.items()}
        inputs = StepInputs(latest=latest, seen=seen, stamp=now, filed=filed, troubles=troubles, minute=720, day=1)
        result = one_step(self.barn, self.state, inputs, now.mono_s)
        self.state = result.state
        self.journal += filed
        self.journal += [event for event in result.events if isinstance(event, AlarmChange)]
        return result


def test_heat_becomes_an_alarm_that_says_what_to_do() -> None:
    # 36 °C is 96.8 °F by the definition of the scale; with 85 % that is 181.8, over the post of 180.
    run = Run()
    assert "level-stop:stalls" not in run.run(36.0, 85.0, 30.0)
    views = run.run(36.0, 85.0, 60.0)
    # The only fan runs: it is told as that, once.
    assert views["saturated:stalls"].state == "unacknowledged"
    assert views["saturated:stalls"].priority == "now"
    assert views["saturated:stalls"].do["es"].startswith("Agua sobre los caballos")
    assert views.get("level-stop:stalls") is None or views["level-stop:stalls"].state == "suppressed"
    assert run.result.snapshot.alarms[0].alarm == "saturated:stalls", "the worst that calls comes first"


def test_a_level_that_nobody_knows_any_more_does_not_end_its_alarm() -> None:
    run = Run()
    run.run(36.0, 85.0, 120.0)
    views = run.run(36.0, 85.0, 7200.0, silent=True)
    assert views["saturated:stalls"].standing
    assert views["place-blind:stalls"].priority == "now"
    assert views["sensor-lost:air"].state == "suppressed" and views["sensor-lost:air"].cause == "place-blind:stalls"


def test_a_fan_that_stands_still_in_heat_is_a_now_within_half_a_minute() -> None:
    with_proof = barn(
        sensors=(sensor(), sensor("amps", quantities=(Quantity.CURRENT,), lost_after_s=60.0)),
        kit=(fan(proof=proof("amps.current_a")), fan("other")),
    )
    run = Run(with_proof)
    called_s = None
    for second in range(1, 60):
        now_s = float(second)
        latest = {
            **air(33.0, 70.0, now_s),
            "amps.current_a": Latest(last=good("amps.current_a", 0.0, now_s), good=good("amps.current_a", 0.0, now_s)),
        }
        result = run.step(latest, stamp(now_s), (), ())
        views = {view.alarm: view for view in result.snapshot.alarms}
        if called_s is None and "kit-not-running:fan" in views:
            called_s = now_s
            assert views["kit-not-running:fan"].priority == "now"
    # Ten seconds of its proof of run, ten of the rule.
    assert called_s is not None and called_s <= 30.0


def test_what_a_person_filed_takes_the_alarm_and_shows_the_name() -> None:
    run = Run()
    view = run.run(36.0, 85.0, 120.0)["saturated:stalls"]
    taken = AlarmChange(
        alarm=view.alarm, what=AlarmStep.ACKNOWLEDGED, episode=view.episode, priority=Priority.NOW,
        stamp=stamp(run.now_s), by="Ana",
    )  # fmt: skip
    after = run.run(36.0, 85.0, 10.0, filed=(taken,))["saturated:stalls"]
    assert (after.state, after.taken_by) == ("acknowledged", "Ana")
    assert [mark.what for mark in after.marks] == ["raised", "acknowledged"]


def test_a_weekly_test_on_record_ends_its_reminder() -> None:
    run = Run()
    assert run.run(20.0, 50.0, 3700.0)["test-due:barn"].state == "unacknowledged"
    done = AlarmChange(
        alarm="test-due:barn", what=AlarmStep.TESTED, episode=0, priority=Priority.WHEN_YOU_CAN,
        stamp=stamp(run.now_s), by="Ana", why="reached Ana, Luis; fail-safe tried",
    )  # fmt: skip
    views = run.run(20.0, 50.0, 700.0, filed=(done,))
    assert views["test-due:barn"].state == "normal"
    assert run.result.snapshot.tested_by == "Ana"


def test_troubles_of_the_engine_become_alarms() -> None:
    sick = Trouble(subject="history", code="history-unwritten", text="the disk is full")
    view = Run().run(20.0, 50.0, 120.0, troubles=(sick,))["history-lost:history"]
    assert (view.state, view.detail) == ("unacknowledged", "the disk is full")


def test_a_restart_goes_on_where_the_journal_ends() -> None:
    run = Run()
    run.run(36.0, 85.0, 120.0)
    book = restored(run.journal, stamp(run.now_s))
    assert book == run.state.alarms.book
    again = Run()
    again.now_s = run.now_s
    again.state = dataclasses.replace(
        StepState(control=start_state(BARN, run.now_s), started_s=run.now_s), alarms=AlarmState(book=book)
    )
    views = again.run(36.0, 85.0, 60.0)
    assert views["saturated:stalls"].episode == 1
    assert not [line for line in again.journal if line.alarm == "saturated:stalls"]


def test_alarms_travel_in_the_snapshot_as_they_are() -> None:
    run = Run()
    run.run(36.0, 85.0, 120.0)
    assert run.result.snapshot.alarms
    assert from_json(to_json(run.result.snapshot)) == run.result.snapshot


@pytest.mark.parametrize("seed", [1, 2])
def test_the_same_inputs_ring_the_same_bell(seed: int) -> None:
    runs = [Run(), Run()]
    for run in runs:
        run.run(36.0, 80.0 + seed, 300.0)
        run.run(20.0, 50.0, 3600.0)
    assert runs[0].journal == runs[1].journal and runs[0].journal
