"""Whatever sensors, motors, switches and people do, in any order, for ten thousand steps and more:

- every command has a reason; wished and sent differ only for a timer or an interlock, which is the first reason;
- no mister is on without a fan of its place that is proven to run and was not just told to stop;
- a valve is open only for a mister behind it or by hand;
- a place whose air is stale has its fans on within 5 s of it, and no water, unless a person took the kit by hand or
  there is a fire; fire stops every fan, whoever asked for it;
- minimum on and off times hold (by hand: a short rest only), no hour has more starts than allowed, and no two fans
  start within the stagger time, unless an interlock forces them;
- water runs for a pulse at most, by hand until the end of the hand and never into a pulse after it, not while the
  clock is not set; the litres of a day exceed the budget by one pulse at most;
- what is by hand ends at its time, and is obeyed but for timers and interlocks;
- speed stays between the least speed and full; nothing that is not finite comes in;
- the same state and inputs give the same answer.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from gateway.control.hands import refusal
from gateway.model import HandKind, SwitchAt
from tests.control.any_day import AIR_SENSORS, BARN, KIT, AnyDay

SENSORS = tuple(spec.name for spec in BARN.sensors)
SUBJECTS = (*(spec.name for spec in KIT), *(place.name for place in BARN.places))
FAULTS = ("silent", "torn", "nan", "inf", "-inf", "85", "-127", "119", "0")
LEAST_STEPS = 10_000

temps_c = st.floats(min_value=-10.0, max_value=50.0) | st.floats(min_value=26.0, max_value=36.0)
rhs_pct = st.floats(min_value=1.0, max_value=105.0) | st.floats(min_value=30.0, max_value=64.0)


class AnyOrder(RuleBasedStateMachine):
    """Each rule is one thing that may happen; the checks are those of every tick."""

    ticks = 0

    def __init__(self) -> None:
        super().__init__()
        self.day = AnyDay()

    def _go(self, ticks: int, passed_s: float) -> None:
        for _ in range(ticks):
            self.day.tick(passed_s)
            AnyOrder.ticks += 1

    @rule(ticks=st.integers(1, 12), passed_s=st.sampled_from((0.5, 1.0, 1.0, 3.0)))
    def wait(self, ticks: int, passed_s: float) -> None:
        self._go(ticks, passed_s)

    @rule(ticks=st.integers(5, 25), passed_s=st.sampled_from((5.0, 10.0, 30.0)))
    def wait_long(self, ticks: int, passed_s: float) -> None:
        self._go(ticks, passed_s)

    @rule(name=st.sampled_from(AIR_SENSORS), temp_c=temps_c, rh_pct=rhs_pct, beside=st.floats(-5.0, 45.0))
    def air(self, name: str, temp_c: float, rh_pct: float, beside: float) -> None:
        also = {"a": (max(0.0, beside),), "b": (), "c": (temp_c + beside,)}[name]
        self.day.values[name] = (temp_c, rh_pct, *also)
        self._go(1, 1.0)

    @rule(times=st.integers(2, 4))
    def weather_turns(self, times: int) -> None:
        for temp_c in (15.0, 34.0) * times:
            for name in AIR_SENSORS:
                self.day.values[name] = (temp_c, 50.0, *self.day.values[name][2:])
            self._go(11, 10.0)

    @rule(name=st.sampled_from(SENSORS), how=st.sampled_from(FAULTS))
    def break_sensor(self, name: str, how: str) -> None:
        self.day.broken[name] = how
        self._go(2, 1.0)

    @rule(place=st.sampled_from(("stalls", "rack")))
    def lose_the_air(self, place: str) -> None:
        names = [spec.name for spec in BARN.sensors if spec.place == place and spec.tells_air]
        for name in names:
            self.day.values[name] = (15.0, 50.0, *self.day.values[name][2:])
        self._go(11, 10.0)  # its fans have stopped, unless something keeps them
        for name in names:
            self.day.broken[name] = "silent"
        self._go(22, 1.0)

    @rule()
    def mend_everything(self) -> None:
        self.day.broken.clear()
        self.day.behaves.clear()
        self._go(3, 1.0)

    @rule(name=st.sampled_from([spec.name for spec in KIT]), how=st.sampled_from(("", "dead", "stuck")))
    def kit_behaves(self, name: str, how: str) -> None:
        self.day.behaves[name] = how
        self._go(8, 1.0)

    @rule(position=st.sampled_from(SwitchAt))
    def turn_the_switch(self, position: SwitchAt) -> None:
        self.day.values["hoa"] = (float(position),)
        self._go(1, 1.0)

    @rule(name=st.sampled_from(("smoke", "flap")), closed=st.booleans())
    def contact(self, name: str, closed: bool) -> None:
        self.day.values[name] = (float(closed),)
        self._go(2, 1.0)

    @rule(known=st.booleans(), hours=st.sampled_from((0.0, 0.0, 5.0, 24.0)))
    def clock(self, known: bool, hours: float) -> None:
        self.day.clock_set = known
        self.day.day_s += 3600.0 * hours
        self._go(1, 1.0)

    @rule(
        subject=st.sampled_from(SUBJECTS),
        kind=st.sampled_from(HandKind),
        lasts_s=st.sampled_from((60.0, 90.0, 600.0, 3600.0)),
    )
    def ask(self, subject: str, kind: HandKind, lasts_s: float) -> None:
        if not refusal(BARN, subject, kind, lasts_s):
            self.day.ask(subject, kind, lasts_s)
        self._go(1, 1.0)

    @rule(name=st.sampled_from(("mist", "rack-mist")))
    def flush(self, name: str) -> None:
        """And the pulses that follow, where everything else allows them."""
        self.day.ask(name, HandKind.ON, 60.0)
        self._go(20, 3.0)
        self._go(30, 10.0)

    @rule()
    def restart(self) -> None:
        self.day.restart()
        self._go(1, 1.0)


@pytest.mark.timeout(400)  # 30 s of one core that has nothing else to do
def test_nothing_that_may_happen_breaks_a_promise() -> None:
    run_state_machine_as_test(
        AnyOrder,
        settings=settings(
            max_examples=48, stateful_step_count=40, deadline=None, derandomize=True,
            phases=(Phase.generate,), suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip
    assert AnyOrder.ticks >= LEAST_STEPS
