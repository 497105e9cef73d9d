"""Which fans a place asks for: by carry with and without them, in stages, for whoever is there."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from gateway.barn import Barn, KitSpec, Place
from gateway.control.demand import Wish, fan_wishes, staged, standing_carry
from gateway.control.hysteresis import Switch
from gateway.control.levels import CARRY_DEAD_BAND, LevelState, levels_of, next_levels
from gateway.control.situation import Now, in_spans, is_hot, is_occupied
from gateway.model import Policy
from tests.control.barns import barn, fan, load

NOON, NIGHT = Now(mono_s=0.0, minute=720, day=0), Now(mono_s=0.0, minute=180, day=0)
UNSET = Now(mono_s=0.0)


def _barn(*kit: KitSpec, policy: Policy = Policy.AIR, **place: Any) -> Barn:
    made = barn(kit=kit, policy=policy)
    return dataclasses.replace(made, places=(dataclasses.replace(made.places[0], **place),))


def _wishes(
    the_barn: Barn, temp_c: float, rh_pct: float, now: Now = NOON, *, cool_out: bool = False,
    failing: tuple[str, ...] = (), switches: dict[str, Switch] | None = None,
) -> dict[str, Wish]:  # fmt: skip
    place, made = the_barn.places[0], load(the_barn, temp_c, rh_pct)
    levels = levels_of(next_levels(LevelState(), made, place, the_barn, 0.0), place.policy)
    found, _ = fan_wishes(place, the_barn, made, levels, switches or {}, now, cool_out=cool_out, failing=failing)
    return found


def _asked(the_barn: Barn, temp_c: float, rh_pct: float, now: Now = NOON, **also: Any) -> dict[str, str]:
    """The code of each wish, in capitals when it is on."""
    found = _wishes(the_barn, temp_c, rh_pct, now, **also)
    return {name: wish.reason.code.upper() if wish.on else wish.reason.code for name, wish in found.items()}


# Required wettedness of a hosed horse just after work (500 kg, 5.09 m2, 9 mL/(kg min), skin 35 °C) by a balance worked
# out apart from this program with the same published terms: rows are air at 0.2 and 3 m/s. Carry is its inverse.
WORKED = [(32.0, 60.0, 1.68, 0.28), (32.0, 90.0, 3.63, 0.61), (38.0, 20.0, 1.26, 0.28), (26.0, 60.0, 0.99, 0.07)]


@pytest.mark.parametrize(("temp_c", "rh_pct", "still", "blown"), WORKED)
def test_carry_with_and_without_a_fan_is_that_of_a_balance_worked_out_elsewhere(
    temp_c: float, rh_pct: float, still: float, blown: float
) -> None:
    the_barn = _barn(fan(air_mps=3.0))
    made = load(the_barn, temp_c, rh_pct)
    assert standing_carry(made, the_barn, air_mps=0.0, hot=True) == pytest.approx(1 / still, rel=0.02)
    assert standing_carry(made, the_barn, air_mps=3.0, hot=True) == pytest.approx(min(10.0, 1 / blown), rel=0.05)


def test_a_fan_is_wanted_when_carry_without_it_is_too_low_although_it_is_fine_with_it() -> None:
    the_barn = _barn(fan(air_mps=3.0))
    wish = _wishes(the_barn, 32.0, 60.0)["fan"]
    assert (wish.on, wish.reason.code) == (True, "carry-low")
    assert wish.reason.text == "carry of a standing horse 1.32 without it, 10.00 with it; wanted are 2"
    assert _asked(the_barn, 24.0, 60.0) == {"fan": "level-free"}


def test_the_sum_asks_for_nothing_under_the_policy_of_the_air() -> None:
    """24 °C and 95 % is a sum of 170, and a standing horse is comfortable."""
    assert _asked(_barn(fan(air_mps=2.0)), 24.0, 95.0) == {"fan": "level-free"}
    assert _asked(_barn(fan(air_mps=2.0), policy=Policy.RULE), 24.0, 95.0) == {"fan": "LEVEL-ASKS"}
    assert _asked(_barn(fan(air_mps=2.0), policy=Policy.STRICTER), 24.0, 95.0) == {"fan": "LEVEL-ASKS"}


def test_the_rule_asks_for_stages_up_to_its_level() -> None:
    kit = (fan("one"), fan("two", on_level=2), fan("three", on_level=3))
    found = _asked(_barn(*kit, policy=Policy.STRICTER), 24.0, 95.0)  # rule level 2
    assert found == {"one": "LEVEL-ASKS", "two": "LEVEL-ASKS", "three": "level-free"}


def test_a_fan_stays_until_carry_has_been_above_by_the_dead_band_for_the_hold_time() -> None:
    the_barn = _barn(fan(air_mps=3.0))
    place, switches = the_barn.places[0], {"fan": Switch(on=True)}
    ons = []
    for now_s, temp_c in ((0, 30.0), (500, 30.0), (501, 25.0), (800, 25.0), (801, 25.0)):
        made = load(the_barn, temp_c, 50.0)
        levels = levels_of(next_levels(LevelState(), made, place, the_barn, 0.0), place.policy)
        found, switches = fan_wishes(
            place, the_barn, made, levels, switches, dataclasses.replace(NOON, mono_s=now_s), cool_out=False
        )
        ons.append(found["fan"].on)
    inside = standing_carry(load(the_barn, 30.0, 50.0), the_barn, air_mps=0.0, hot=False)
    assert 2.0 < inside < 2.0 + CARRY_DEAD_BAND  # 30 °C, 50 % lies in the dead band
    assert ons == [True, True, True, True, False]


# --- stages -----------------------------------------------------------------------------------------


def test_a_later_stage_joins_only_when_the_earlier_do_not_bring_enough() -> None:
    enough = _barn(fan("one", air_mps=2.0), fan("two", on_level=2, air_mps=3.0))
    weak = _barn(fan("one", air_mps=0.3), fan("two", on_level=2, air_mps=3.0))
    assert _asked(enough, 32.0, 60.0) == {"one": "CARRY-LOW", "two": "level-free"}
    assert _asked(weak, 32.0, 60.0) == {"one": "CARRY-LOW", "two": "CARRY-LOW"}


def test_fans_of_one_stage_serve_different_horses_and_do_not_replace_one_another() -> None:
    found = _asked(_barn(fan("one", air_mps=2.0), fan("other", air_mps=2.0)), 32.0, 60.0)
    assert found == {"one": "CARRY-LOW", "other": "CARRY-LOW"}


def test_where_nobody_has_measured_the_air_a_stage_is_the_level_of_the_air() -> None:
    kit = (fan("one"), fan("two", on_level=2), fan("three", on_level=3))
    # Standing carry 1.87, 1.15 and 0.86: levels 1, 2 and 3 of the air.
    assert _asked(_barn(*kit), 30.0, 55.0) == {"one": "CARRY-LOW", "two": "level-free", "three": "level-free"}
    assert _asked(_barn(*kit), 33.0, 60.0) == {"one": "CARRY-LOW", "two": "CARRY-LOW", "three": "level-free"}
    assert _asked(_barn(*kit), 35.0, 60.0) == {"one": "CARRY-LOW", "two": "CARRY-LOW", "three": "CARRY-LOW"}


def test_level_three_wants_every_fan_however_much_the_first_brings() -> None:
    kit = (fan("one", air_mps=3.0), fan("two", on_level=2, air_mps=3.0), fan("three", on_level=3))
    assert all(wish.on for wish in _wishes(_barn(*kit), 36.0, 65.0).values())


def test_a_fan_that_brings_no_air_is_still_asked_and_the_next_takes_its_stage() -> None:
    measured = _barn(fan("one", air_mps=2.0), fan("two", on_level=2, air_mps=3.0))
    plain = _barn(fan("one"), fan("two", on_level=2))
    for the_barn in (measured, plain):
        found = _asked(the_barn, 30.0, 55.0, failing=("one",))
        assert found == {"one": "CARRY-LOW", "two": "CARRY-LOW"}


def test_the_lead_moves_on_by_one_fan_a_day_and_comes_round() -> None:
    kit = (fan("a"), fan("b", on_level=2), fan("c", on_level=3))
    the_barn = _barn(*kit, rotates=True)
    leads = [
        [spec.name for _, spec in staged(the_barn.places[0], the_barn, Now(mono_s=0.0, day=day))] for day in range(4)
    ]
    assert sorted(order[0] for order in leads[:3]) == ["a", "b", "c"]
    assert leads[3] == leads[0] == ["a", "b", "c"]
    assert [stage for stage, _ in staged(the_barn.places[0], the_barn, Now(mono_s=0.0, day=1))] == [1, 2, 3]


def test_nothing_rotates_where_it_is_not_wished_or_the_day_is_not_known() -> None:
    kit = (fan("a"), fan("b", on_level=2))
    for the_barn, now in ((_barn(*kit), Now(mono_s=0.0, day=1)), (_barn(*kit, rotates=True), UNSET)):
        assert [spec.name for _, spec in staged(the_barn.places[0], the_barn, now)] == ["a", "b"]


# --- speed ------------------------------------------------------------------------------------------

DRIVE = fan(air_mps=2.0, least_speed=0.2, contact="full-on-loss")


def test_a_drive_runs_as_slowly_as_carry_allows_in_steps() -> None:
    the_barn = _barn(DRIVE)
    speed = _wishes(the_barn, 32.5, 60.0)["fan"].speed
    made = load(the_barn, 32.5, 60.0)
    carries = {
        share / 10: standing_carry(made, the_barn, air_mps=share / 10 * 2.0, hot=False) for share in range(2, 11)
    }
    assert speed == pytest.approx(min(share for share, carry in carries.items() if carry >= 2.0 + CARRY_DEAD_BAND))
    assert 0.2 < speed < 1.0


def test_a_drive_runs_full_from_level_two_and_where_its_air_was_not_measured() -> None:
    assert _wishes(_barn(DRIVE), 33.0, 60.0)["fan"].speed == 1.0
    assert _wishes(_barn(dataclasses.replace(DRIVE, air_mps=0.0)), 30.0, 55.0)["fan"].speed == 1.0
    assert _wishes(_barn(dataclasses.replace(DRIVE, least_speed=1.0)), 30.0, 55.0)["fan"].speed == 1.0


def test_a_drive_that_cannot_bring_enough_runs_full() -> None:
    weak = dataclasses.replace(DRIVE, air_mps=0.3)
    assert _wishes(_barn(weak), 31.5, 60.0)["fan"].speed == 1.0


# --- who is there -----------------------------------------------------------------------------------


def test_a_horse_just_in_from_work_needs_air_that_a_resting_one_does_not() -> None:
    the_barn = _barn(fan(air_mps=3.0), hot=((700, 760),))
    assert _asked(the_barn, 24.0, 60.0) == {"fan": "CARRY-LOW"}
    assert "a horse just in from work" in _wishes(the_barn, 24.0, 60.0)["fan"].reason.text
    assert _asked(the_barn, 24.0, 60.0, NIGHT) == {"fan": "level-free"}


def test_nobody_here_means_no_fan_whatever_the_air() -> None:
    the_barn = _barn(fan(), policy=Policy.STRICTER, occupied=((600, 800),))
    assert _asked(the_barn, 36.0, 65.0, NIGHT) == {"fan": "nobody-here"}
    assert _asked(the_barn, 36.0, 65.0) == {"fan": "CARRY-LOW"}
    assert _asked(the_barn, 36.0, 65.0, UNSET) == {"fan": "CARRY-LOW"}


def test_a_horse_that_is_being_cooled_gets_every_fan_at_full_speed_at_any_hour() -> None:
    the_barn = _barn(DRIVE, fan("late", on_level=3), occupied=((600, 800),))
    found = _wishes(the_barn, 10.0, 95.0, NIGHT, cool_out=True)
    assert {(wish.on, wish.reason.code, wish.speed) for wish in found.values()} == {(True, "cool-out", 1.0)}


def test_spans_of_the_day_may_run_over_midnight_and_end_before_their_last_minute() -> None:
    assert [in_spans(minute, ((1320, 360),)) for minute in (1319, 1320, 0, 359, 360)] == [
        False,
        True,
        True,
        True,
        False,
    ]
    assert [in_spans(minute, ((480, 540),)) for minute in (479, 480, 539, 540)] == [False, True, True, False]


def test_an_empty_table_of_hours_means_always_here_and_never_hot() -> None:
    place: Place = barn().places[0]
    assert is_occupied(place, NIGHT) and not is_hot(place, NOON) and not is_hot(place, UNSET)
    hot = dataclasses.replace(place, hot=((0, 60),))
    assert is_hot(hot, UNSET)


# --- no gain ----------------------------------------------------------------------------------------


def test_in_hot_dry_air_a_fan_still_gains_since_sweat_evaporates() -> None:
    """The worked rows at 38 °C, 20 %: required wettedness falls from 1.26 to 0.28 although the air is above skin."""
    assert _asked(_barn(fan(air_mps=3.0)), 38.0, 20.0) == {"fan": "CARRY-LOW"}


def test_air_whose_dew_point_is_above_the_skin_gains_nothing_from_a_fan() -> None:
    """At 45 °C, 59 % vapour has 5.66 kPa (ASHRAE 2017, table 3: 9.594 kPa at 45 °C), more than wet skin at 35 °C
    (5.629 kPa): nothing evaporates, and the air heats. Level 3 by the air would want every fan all the same."""
    the_barn = _barn(fan(air_mps=3.0), policy=Policy.RULE)
    assert _asked(the_barn, 45.0, 59.0) == {"fan": "no-gain"}
    assert _asked(_barn(fan(air_mps=3.0)), 45.0, 59.0)["fan"].isupper()


def test_in_cool_fog_the_rule_asks_for_air_that_would_change_nothing() -> None:
    the_barn = _barn(fan(air_mps=3.0), policy=Policy.RULE)
    assert _asked(the_barn, 10.0, 100.0) == {"fan": "no-gain"}  # a sum of 150
    assert _asked(_barn(fan(), policy=Policy.RULE), 10.0, 100.0) == {"fan": "LEVEL-ASKS"}  # nobody knows its air


def test_a_fan_in_its_hold_time_is_not_stopped_for_want_of_gain() -> None:
    found = _asked(_barn(fan(air_mps=3.0)), 15.0, 50.0, switches={"fan": Switch(on=True)})
    assert found == {"fan": "CARRY-LOW"}
