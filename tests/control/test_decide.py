"""What the kit is told, and why."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from gateway.control.decide import ControlState, start_state
from gateway.control.inputs import AirInput, Freshness, air_at
from gateway.control.interlocks import INTERLOCKS
from gateway.model import Command, Quality
from tests.control.barns import air, barn, decided, fan, mister, sensor

COOL = AirInput(freshness=Freshness.FRESH, temp_c=20.0, rh_pct=40.0)  # sum 108
HOT = AirInput(freshness=Freshness.FRESH, temp_c=32.0, rh_pct=60.0)  # sum 149.6
LOST = AirInput(freshness=Freshness.LOST, lost_code=Quality.SILENT, lost_text="air: no reading for 20 s")


def _run(
    kit: tuple[object, ...], steps: list[tuple[float, AirInput]]
) -> tuple[list[tuple[Command, ...]], ControlState]:
    the_barn = barn(kit=kit)  # type: ignore[arg-type]
    state = start_state(the_barn, steps[0][0])
    told = []
    for now_s, found in steps:
        decision = decided(state, the_barn, found, now_s)
        state = decision.state
        told.append(decision.commands)
    return told, state


def test_fan_starts_in_its_safe_state_and_is_held_there() -> None:
    told, _ = _run((fan(),), [(0, COOL), (599, COOL), (600, COOL)])
    assert [c[0].on for c in told] == [True, True, False]
    assert [c[0].reasons[0].code for c in told] == ["min-on", "min-on", "level-free"]
    assert [c[0].changed for c in told] == [False, False, True]


def test_fan_follows_the_level() -> None:
    told, _ = _run((fan(),), [(0, COOL), (600, COOL), (900, HOT), (2000, HOT), (2001, COOL), (2301, COOL)])
    assert [c[0].on for c in told] == [True, False, True, True, True, False]
    assert told[2][0].reasons[0].text == "level 1 is at or above 1 (rule 1, air 1)"


def test_minimum_off_time_holds_a_fan_back() -> None:
    told, _ = _run((fan(),), [(0, COOL), (600, COOL), (700, HOT), (900, HOT)])
    assert [c[0].on for c in told] == [True, False, False, True]
    assert told[2][0].reasons[0].code == "min-off"
    assert told[2][0].reasons[1].code == "level-asks"


def test_lost_air_turns_the_fan_on_at_once_even_within_its_minimum_off_time() -> None:
    told, _ = _run((fan(),), [(0, COOL), (600, COOL), (601, LOST)])
    assert told[2][0].on
    assert told[2][0].reasons[0].code == "air-unknown"
    assert "no reading for 20 s" in told[2][0].reasons[0].text


def test_a_fan_that_waits_for_level_two_stays_off_at_level_one() -> None:
    told, _ = _run((fan(on_level=2),), [(0, HOT), (600, HOT)])
    assert not told[1][0].on


def test_a_mister_stays_off_in_heat_and_when_the_air_is_lost() -> None:
    told, _ = _run((mister(),), [(0, HOT), (1000, LOST), (2000, HOT)])
    assert [c[0].on for c in told] == [False, False, False]
    assert told[0][0].reasons[0].code == "mister-not-automatic"
    assert told[1][0].reasons[0].code == "air-unknown"


def test_a_place_comes_back_with_the_level_it_had() -> None:
    the_barn = barn()
    state = decided(start_state(the_barn, 0), the_barn, HOT, 0).state
    lost = decided(state, the_barn, LOST, 100)
    assert lost.levels == {}
    in_band = AirInput(freshness=Freshness.FRESH, temp_c=25.0, rh_pct=51.0)  # sum 128, in the dead band of 130
    assert decided(lost.state, the_barn, in_band, 200).levels["stalls"].rule == 1


def test_every_interlock_has_a_reason_for_people() -> None:
    assert INTERLOCKS
    assert all(len(rule.why) > 20 and rule.code for rule in INTERLOCKS)


def test_same_state_same_inputs_same_answer() -> None:
    the_barn = barn(kit=(fan(), mister()))
    state = start_state(the_barn, 0)
    assert decided(state, the_barn, HOT, 5) == decided(state, the_barn, HOT, 5)


AIRS = st.one_of(
    st.just(LOST),
    st.builds(
        lambda t, h: AirInput(freshness=Freshness.FRESH, temp_c=t, rh_pct=h),
        st.floats(min_value=-20, max_value=55),
        st.floats(min_value=1, max_value=100),
    ),
)


@given(st.lists(st.tuples(st.floats(min_value=0.5, max_value=400), AIRS), min_size=1, max_size=80))
def test_whatever_the_air_does_the_promises_hold(steps: list[tuple[float, AirInput]]) -> None:
    """Kit is safe in every step with lost air; no mister ever runs; minimum times hold; every command has a reason."""
    the_barn = barn(kit=(fan(), mister()))
    state, now_s = start_state(the_barn, 0), 0.0
    changed_s, was_on = 0.0, True
    for pause_s, found in steps:
        now_s += pause_s
        decision = decided(state, the_barn, found, now_s)
        state, (fan_command, mist_command) = decision.state, decision.commands
        assert not mist_command.on
        assert all(c.reasons for c in (fan_command, mist_command))
        if found is LOST:
            assert fan_command.on
        if fan_command.on != was_on:
            least_s = 600 if was_on else 300
            assert now_s - changed_s >= least_s or (found is LOST and fan_command.on)
            changed_s, was_on = now_s, fan_command.on


def test_lost_means_lost_by_age_too() -> None:
    the_barn = barn()
    latest = air(20.0, 40.0, mono_s=0.0)
    state = start_state(the_barn, -700.0)
    first = decided(state, the_barn, air_at([sensor()], latest, 1.0), 1.0)
    assert not first.commands[0].on
    assert decided(first.state, the_barn, air_at([sensor()], latest, 15.1), 15.1).commands[0].on
