"""What the kit is told, and why: the order of demand, hands, timers and interlocks."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from gateway.barn import KitSpec, MistRules
from gateway.control.decide import start_state
from gateway.control.inputs import AirInput, air_at
from gateway.control.proof import KitTold
from gateway.control.timers import REST_S
from gateway.model import Command, HandKind, Policy, SwitchAt
from tests.control.barns import (
    COOL,
    HOT,
    LOST,
    Days,
    air,
    barn,
    by_hand,
    codes,
    decided,
    fan,
    fresh,
    mister,
    proof,
    sensor,
    valve,
)

RUNS, STANDS = KitTold(running=True), KitTold(running=False)
NOON = 12 * 60


def _run(kit: tuple[KitSpec, ...], steps: list[tuple[float, AirInput]]) -> list[tuple[Command, ...]]:
    days = Days(barn(kit=kit), steps[0][0])
    return [tuple(days(found, now_s).values()) for now_s, found in steps]


def test_fan_starts_in_its_safe_state_and_is_held_there() -> None:
    told = _run((fan(),), [(0, COOL), (599, COOL), (600, COOL)])
    assert [c[0].on for c in told] == [True, True, False]
    assert [codes(c[0])[0] for c in told] == ["min-on", "min-on", "level-free"]
    assert [c[0].changed for c in told] == [False, False, True]


def test_fan_follows_the_air() -> None:
    told = _run((fan(),), [(0, COOL), (600, COOL), (900, HOT), (2000, HOT), (2001, COOL), (2301, COOL)])
    assert [c[0].on for c in told] == [True, False, True, True, True, False]
    assert told[2][0].reasons[0].text == "carry of a standing horse 1.32 without it; wanted are 2"


def test_minimum_off_time_holds_a_fan_back() -> None:
    told = _run((fan(),), [(0, COOL), (600, COOL), (700, HOT), (900, HOT)])
    assert [c[0].on for c in told] == [True, False, False, True]
    assert codes(told[2][0]) == ["min-off", "carry-low"]
    assert (told[2][0].wanted, told[2][0].wait_s) == (True, 200)


def test_lost_air_turns_the_fan_on_at_once_even_within_its_minimum_off_time() -> None:
    told = _run((fan(),), [(0, COOL), (600, COOL), (601, LOST)])
    assert told[2][0].on
    assert codes(told[2][0]) == ["air-unknown"]
    assert "no reading for 20 s" in told[2][0].reasons[0].text


def test_a_fan_that_waits_for_level_two_stays_off_at_level_one() -> None:
    told = _run((fan(on_level=2),), [(0, HOT), (600, HOT)])
    assert not told[1][0].on


def test_a_mister_without_fan_stays_off_in_heat_and_when_the_air_is_lost() -> None:
    told = _run((mister(),), [(0, HOT), (1000, LOST), (2000, HOT)])
    assert [c[0].on for c in told] == [False, False, False]
    assert codes(told[1][0]) == ["air-unknown"]


def test_a_place_comes_back_with_the_level_it_had() -> None:
    the_barn = barn()
    state = decided(start_state(the_barn, 0), the_barn, HOT, 0).state
    lost = decided(state, the_barn, LOST, 100)
    assert lost.levels == {}
    in_band = fresh(25.0, 51.0)  # sum 128, in the dead band of 130
    assert decided(lost.state, the_barn, in_band, 200).levels["stalls"].rule == 1


def test_a_drive_that_is_held_on_keeps_its_speed() -> None:
    drive = fan(least_speed=0.3, air_mps=2.0, contact="full-on-loss")
    days = Days(barn(kit=(drive,), policy=Policy.AIR))
    warm = fresh(31.0, 50.0)  # standing carry 1.8
    assert [days(warm, now_s)["fan"].speed for now_s in (0, 299, 300)] == [1.0, 1.0, 0.3]
    days(COOL, 301)
    held = days(COOL, 599)["fan"]
    assert (held.on, codes(held)[0], held.speed) == (True, "carry-low", 0.3)
    days = Days(days.barn, 590.0)
    days(COOL, 590)
    days(COOL, 1190)
    assert days(warm, 1500)["fan"].speed == 0.3
    days(COOL, 1501)
    held = days(COOL, 1801)["fan"]
    assert (held.on, codes(held)[0], held.speed) == (True, "min-on", 0.3)


# --- order of starts --------------------------------------------------------------------------------


def test_two_fans_never_start_together_unless_they_are_forced() -> None:
    days = Days(barn(kit=(fan("a"), fan("b")), policy=Policy.AIR))
    days(COOL, 0)
    days(COOL, 600)
    assert [c.on for c in days(HOT, 900).values()] == [True, False]
    waiting = days(HOT, 901)["b"]
    assert (codes(waiting), waiting.wait_s) == (["stagger", "carry-low"], 6)
    assert days(HOT, 907)["b"].on
    for now_s in (908, 1600, 1900):
        days(COOL, now_s)
    assert [c.on for c in days(LOST, 1901).values()] == [True, True]


def test_after_a_forced_start_the_next_wished_one_waits_its_turn() -> None:
    days = Days(barn(kit=(fan("a"), fan("b")), policy=Policy.AIR))
    days(COOL, 0)
    days(COOL, 600)
    days(LOST, 700)
    assert days.state.started_s == 700


# --- proof of run -----------------------------------------------------------------------------------


def _proofs(**running: bool | None) -> dict[str, KitTold]:
    return {name: KitTold(running=value) for name, value in running.items()}


def test_a_start_that_fails_is_tried_once_more_then_left_on_and_the_next_fan_is_asked() -> None:
    """Fan a never runs; b is of a later stage and not needed while a brings air."""
    kit = (fan("a", air_mps=2.0, proof=proof("a.current_a")), fan("b", on_level=2, air_mps=2.0))
    days = Days(barn(kit=kit, policy=Policy.AIR))
    days(COOL, 0, told=_proofs(a=True))
    days(COOL, 600, told=_proofs(a=True))
    story = []
    for now_s in range(1000, 1650):
        found = days(HOT, now_s, told=_proofs(a=False))
        story.append((now_s, found["a"].on, codes(found["a"])[0], found["b"].on))
    changes = [after for before, after in pairwise(story) if before[1:] != after[1:]]
    assert story[0] == (1000, True, "carry-low", False)
    assert changes == [
        (1011, False, "retry-start", True),  # not confirmed within 10 s; b steps in
        (1012, False, "min-off", True),
        (1311, True, "carry-low", True),  # 300 s of rest are over
        (1322, True, "not-running", True),
    ]
    assert codes(days(HOT, 1700, told=_proofs(a=True))["a"]) == ["carry-low"]
    assert days(HOT, 1999, told=_proofs(a=True))["b"].on
    assert not days(HOT, 2000, told=_proofs(a=True))["b"].on  # a has brought enough for the hold time


def test_a_fan_that_stops_by_itself_is_missed_too() -> None:
    kit = (fan("a", air_mps=2.0, proof=proof()), fan("b", on_level=2, air_mps=2.0))
    days = Days(barn(kit=kit, policy=Policy.AIR))
    days(HOT, 0, told=_proofs(a=True))
    days(HOT, 601, told=_proofs(a=True))
    assert not days(HOT, 1000, told=_proofs(a=True))["b"].on
    assert days(HOT, 1001, told=_proofs(a=False))["b"].on


def test_a_person_who_asks_for_a_dead_fan_tries_it_again() -> None:
    days = Days(barn(kit=(fan(proof=proof()),)))
    days(HOT, 0, told=_proofs(fan=False))
    days(HOT, 11, told=_proofs(fan=False))
    days(HOT, 400, told=_proofs(fan=False))
    assert codes(days(HOT, 411, told=_proofs(fan=False))["fan"]) == ["not-running"]
    asked = (by_hand("fan", HandKind.ON, 1000.0),)
    assert codes(days(HOT, 500, told=_proofs(fan=False), asked=asked)["fan"]) == ["by-hand"]
    assert not days.state.kit["fan"].dead


def test_a_switch_away_from_auto_is_no_failed_start_and_no_stuck_contact() -> None:
    days = Days(barn(kit=(fan(proof=proof()),)))
    off = {"fan": KitTold(running=False, switch=SwitchAt.OFF)}
    auto = {"fan": KitTold(running=False, switch=SwitchAt.AUTO)}
    for now_s in range(0, 60, 5):
        assert codes(days(HOT, now_s, told=off)["fan"]) == ["carry-low"]
    assert codes(days(HOT, 60, told=auto)["fan"]) == ["carry-low"]  # the switch came back; it may spin up
    assert codes(days(HOT, 66, told=auto)["fan"]) == ["retry-start"]  # 11 s after the last sight of it elsewhere


def test_the_next_fan_is_asked_while_one_is_switched_off_at_the_wall_or_by_hand() -> None:
    kit = (fan("a", air_mps=2.0), fan("b", on_level=2, air_mps=2.0))
    for told, asked in (
        ({"a": KitTold(switch=SwitchAt.OFF)}, ()),
        ({}, (by_hand("a", HandKind.OFF, 5000.0),)),
    ):
        days = Days(barn(kit=kit, policy=Policy.AIR))
        days(COOL, 0)
        days(COOL, 600)
        assert not days(HOT, 900)["b"].on
        days(HOT, 901, told=told, asked=asked)
        assert days(HOT, 908, told=told)["b"].on


def test_a_fan_that_must_rest_for_its_starts_of_the_hour_is_replaced_by_the_next() -> None:
    kit = (fan("a", air_mps=2.0, starts_per_h=1, min_off_s=60.0), fan("b", on_level=2, air_mps=2.0))
    days = Days(barn(kit=kit, policy=Policy.AIR))
    days(COOL, 0)
    days(COOL, 600)
    days(HOT, 1000)
    found = days(HOT, 1007)
    assert codes(found["a"])[0] == "starts-per-hour"  # its start at 0 s may have been one
    assert found["b"].on


# --- water ------------------------------------------------------------------------------------------

QUICK = MistRules(pulse_s=20.0, every_s=60.0, flush_s=30.0)
WET_BARN = barn(
    kit=(valve(), mister(), fan(air_mps=2.0, proof=proof())),  # the site file's order is not the order of deciding
    policy=Policy.AIR,
    mist=QUICK,
)
DAY = {"minute": NOON, "day": 7}


def _flushed(told: dict[str, KitTold]) -> Days:
    """A barn whose line was flushed by hand just before 100 s."""
    days = Days(WET_BARN)
    days(HOT, 0, told=told, **DAY)
    days(HOT, 1, told=told, asked=(by_hand("mist", HandKind.ON, 41.0),), **DAY)
    for now_s in range(2, 100):
        days(HOT, now_s, told=told, **DAY)
    return days


def test_fan_first_then_mister_then_its_valve_in_one_step() -> None:
    days = _flushed({"fan": RUNS})
    found = days(HOT, 100, told={"fan": RUNS}, **DAY)
    # by hand until 41 s, then a pause of 40 s, a pulse from 81 s to 101 s
    assert [(name, c.on) for name, c in found.items()] == [("valve", True), ("mist", True), ("fan", True)]
    assert [c.on for c in days(HOT, 101, told={"fan": RUNS}, **DAY).values()] == [False, False, True]


def test_water_stops_in_the_step_in_which_its_fan_is_no_longer_proven() -> None:
    days = _flushed({"fan": RUNS})
    for told in (STANDS, KitTold()):
        assert not days(HOT, 100, told={"fan": told}, **DAY)["mist"].on


def test_water_stops_in_the_step_in_which_its_fan_is_told_to_stop() -> None:
    days = _flushed({"fan": RUNS})
    asked = (by_hand("fan", HandKind.OFF, 900.0),)
    found = days(HOT, 100, told={"fan": RUNS}, asked=asked, **DAY)  # its proof still shows it running
    assert (found["fan"].on, found["mist"].on, found["valve"].on) == (False, False, False)
    # It runs out. What still runs after its time does move air, whoever keeps it going.
    assert not days(HOT, 110, told={"fan": RUNS}, **DAY)["mist"].on
    assert days(HOT, 141, told={"fan": RUNS}, **DAY)["mist"].on


def test_water_by_hand_runs_without_the_rules_but_not_without_a_fan() -> None:
    days = Days(WET_BARN)
    asked = (by_hand("mist", HandKind.ON, 300.0),)
    assert codes(days(COOL, 0, told={"fan": STANDS}, asked=asked)["mist"]) == ["no-proven-fan"]
    assert days(COOL, 1, told={"fan": RUNS})["mist"].on


def test_water_by_hand_at_a_place_whose_air_is_lost_opens_its_valve_too() -> None:
    days = Days(WET_BARN)
    found = days(LOST, 0, told={"fan": RUNS}, asked=(by_hand("mist", HandKind.ON, 300.0),))
    assert (found["mist"].on, found["valve"].on) == (True, True)


def test_water_by_hand_ends_with_the_hand_and_a_pause_follows() -> None:
    days = Days(WET_BARN)
    days(HOT, 0, told={"fan": RUNS}, asked=(by_hand("mist", HandKind.ON, 120.0),), **DAY)
    ons = [days(HOT, now_s, told={"fan": RUNS}, **DAY)["mist"].on for now_s in range(1, 181)]
    assert ons[:119] == [True] * 119
    assert ons[119:159] == [False] * 40  # every_s - pulse_s
    assert ons[159:179] == [True] * 20
    assert not ons[179]


def test_a_pulse_that_a_hand_began_goes_on_as_a_pulse() -> None:
    days = _flushed({"fan": RUNS})
    for now_s in range(100, 140):
        days(HOT, now_s, told={"fan": RUNS}, **DAY)
    days(HOT, 140, told={"fan": RUNS}, asked=(by_hand("mist", HandKind.ON, 150.0),), **DAY)
    ons = [days(HOT, now_s, told={"fan": RUNS}, **DAY)["mist"].on for now_s in range(141, 165)]
    assert ons == [True] * 19 + [False] * 5


def test_water_needs_the_outside_air_where_somebody_watches_it() -> None:
    place = dataclasses.replace(WET_BARN.places[0], vents="flap.contact")
    for vents, shut in ((True, False), (False, True), (None, True)):
        days = Days(dataclasses.replace(WET_BARN, places=(place,)))
        days.state = dataclasses.replace(days.state, water=_flushed({"fan": RUNS}).state.water)
        code = codes(days(HOT, 100, told={"fan": RUNS}, vents={"stalls": vents}, **DAY)["mist"])
        assert (code == ["mist-shut"]) == shut, vents


def test_a_horse_that_is_being_cooled_counts_as_here_and_hot_for_water_too() -> None:
    place = dataclasses.replace(WET_BARN.places[0], occupied=((0, 60),))
    days = Days(dataclasses.replace(WET_BARN, places=(place,)))
    assert codes(days(HOT, 0, told={"fan": RUNS}, **DAY)["mist"]) == ["mist-nobody"]
    asked = (by_hand("stalls", HandKind.COOL_OUT, 900.0),)
    assert codes(days(HOT, 1, told={"fan": RUNS}, asked=asked, **DAY)["mist"]) == ["mist-stagnant"]


def test_a_stuck_valve_shuts_the_master_valve_until_the_flow_ends() -> None:
    days = Days(WET_BARN)
    told = {"fan": RUNS, "mist": RUNS}
    for now_s in range(40):
        found = days(HOT, now_s, told=told, **DAY)
    assert (codes(found["mist"]), codes(found["valve"])) == (["water-stuck"], ["water-stuck"])
    asked = (by_hand("mist", HandKind.ON, 300.0), by_hand("valve", HandKind.ON, 300.0))
    found = days(HOT, 40, told=told, asked=asked, **DAY)
    assert (found["mist"].on, found["valve"].on) == (False, False)
    assert days(HOT, 41, told={"fan": RUNS, "mist": STANDS}, **DAY)["mist"].on


# --- by hand ----------------------------------------------------------------------------------------


def test_by_hand_replaces_demand_and_the_minimum_on_time_but_not_the_rest_of_a_motor() -> None:
    days = Days(barn())
    days(HOT, 0)
    off = days(HOT, 1, asked=(by_hand("fan", HandKind.OFF, 2000.0),))["fan"]
    assert (off.on, codes(off)) == (False, ["by-hand"])
    on = days(HOT, 2, asked=(by_hand("fan", HandKind.ON, 2000.0),))["fan"]
    assert (on.on, codes(on), on.wait_s) == (False, ["min-off", "by-hand"], REST_S - 1)
    assert days(HOT, 1 + REST_S)["fan"].on


def test_handing_back_is_bumpless() -> None:
    """Fan on by hand in the cool, given back in the heat: it never stops in between, and its timer goes on."""
    days = Days(barn(policy=Policy.AIR))
    days(COOL, 0)
    days(COOL, 600)
    days(COOL, 1000, asked=(by_hand("fan", HandKind.ON, 1300.0),))
    assert all(days(HOT, now_s)["fan"].on for now_s in range(1001, 1400))
    assert days.state.kit["fan"].since_s == 1000
    days(HOT, 1400, asked=(by_hand("fan", HandKind.AUTO, 0.0),))
    assert days(COOL, 1401)["fan"].on


def test_handing_back_in_the_cool_lets_the_fan_run_out_its_minimum() -> None:
    days = Days(barn(policy=Policy.AIR))
    days(COOL, 0)
    days(COOL, 600)
    days(COOL, 1000, asked=(by_hand("fan", HandKind.ON, 1100.0),))
    assert codes(days(COOL, 1100)["fan"])[0] == "min-on"
    assert codes(days(COOL, 1600)["fan"]) == ["level-free"]


def test_the_minutes_that_are_left_are_never_told_as_none() -> None:
    days = Days(barn())
    days(HOT, 0, asked=(by_hand("fan", HandKind.OFF, 100.0),))
    assert days(HOT, 99)["fan"].reasons[0].text == "Ana by hand, 1 min more"


def test_a_horse_that_is_cooled_at_a_place_of_the_same_name_takes_no_kit_by_hand() -> None:
    days = Days(barn(kit=(fan("stalls"),), policy=Policy.AIR))
    days(COOL, 0)
    days(COOL, 600)
    asked = (by_hand("stalls", HandKind.COOL_OUT, 3000.0),)
    found = days(COOL, 900, asked=asked)["stalls"]
    assert (found.on, codes(found)) == (True, ["cool-out"])


# --- whatever happens -------------------------------------------------------------------------------


def test_same_state_same_inputs_same_answer() -> None:
    the_barn = barn(kit=(fan(), mister()))
    state = start_state(the_barn, 0)
    assert decided(state, the_barn, HOT, 5) == decided(state, the_barn, HOT, 5)


AIRS = st.one_of(
    st.just(LOST),
    st.builds(fresh, st.floats(min_value=-20, max_value=55), st.floats(min_value=1, max_value=100)),
)


@given(st.lists(st.tuples(st.floats(min_value=0.5, max_value=400), AIRS), min_size=1, max_size=80))
def test_whatever_the_air_does_the_promises_hold(steps: list[tuple[float, AirInput]]) -> None:
    """Kit is safe in every step with lost air; no mister ever runs; minimum times hold; every command has a reason."""
    days, now_s = Days(barn(kit=(fan(), mister()))), 0.0
    changed_s, was_on = 0.0, True
    for pause_s, found in steps:
        now_s += pause_s
        told = days(found, now_s)
        assert not told["mist"].on
        assert all(c.reasons for c in told.values())
        if found is LOST:
            assert told["fan"].on
        if told["fan"].on != was_on:
            least_s = 600 if was_on else 300
            assert now_s - changed_s >= least_s or (found is LOST and told["fan"].on)
            changed_s, was_on = now_s, told["fan"].on


def test_lost_means_lost_by_age_too() -> None:
    the_barn = barn()
    latest = air(20.0, 40.0, mono_s=0.0)
    state = start_state(the_barn, -700.0)
    first = decided(state, the_barn, air_at([sensor()], latest, 1.0), 1.0)
    assert not first.commands[0].on
    assert decided(first.state, the_barn, air_at([sensor()], latest, 15.1), 15.1).commands[0].on


def test_with_the_clock_not_set_horses_count_as_here_and_as_hot_and_no_water_runs() -> None:
    place = dataclasses.replace(barn().places[0], occupied=((480, 540),), hot=((480, 540),), policy=Policy.AIR)
    the_barn = dataclasses.replace(WET_BARN, places=(place,))
    days = Days(the_barn)
    found = days(HOT, 0, told={"fan": RUNS})
    assert found["fan"].on and "a horse just in from work" in found["fan"].reasons[0].text
    assert codes(found["mist"]) == ["mist-hours"]
