"""One step: events, faults and snapshot follow from readings and time alone."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from gateway.barn import Barn, Safety, SensorSpec
from gateway.control.decide import start_state
from gateway.engine.snapshot import from_json, to_json
from gateway.engine.step import StepInputs, StepResult, StepState, step
from gateway.engine.troubles import Trouble
from gateway.model import (
    AIR,
    CommandChange,
    FaultChange,
    HandKind,
    KitSeen,
    Latest,
    LevelChange,
    Policy,
    Quality,
    Quantity,
)
from tests.control.barns import air, barn, by_hand, failed, fan, good, mister, proof, sensor, stamp, valve


class Walk:
    """A barn stepped by hand."""

    def __init__(self, the_barn: Barn, start_s: float = 0.0) -> None:
        self.barn = the_barn
        self.state = StepState(control=start_state(the_barn, start_s), started_s=start_s)

    def __call__(
        self, now_s: float, latest: Mapping[str, Latest], seen: Mapping[str, KitSeen] | None = None,
        **also: Any,
    ) -> StepResult:  # fmt: skip
        inputs = StepInputs(latest=latest, seen=seen or {}, stamp=stamp(now_s), **also)
        result = step(self.barn, self.state, inputs, now_s)
        self.state = result.state
        return result


def test_first_step_records_levels_and_commands() -> None:
    result = Walk(barn())(0, air(32.0, 60.0, 0))
    level, command, _restarted = result.events
    assert isinstance(level, LevelChange) and (level.before, level.after) == (None, 1)
    assert isinstance(command, CommandChange) and command.on
    assert result.snapshot.steps == 1


def test_quiet_steps_record_nothing() -> None:
    walk = Walk(barn())
    walk(0, air(32.0, 60.0, 0))
    assert walk(1, air(32.0, 60.0, 1)).events == ()


def test_snapshot_shows_published_values_of_the_air() -> None:
    # ASHRAE Handbook Fundamentals 2017, chapter 1, example 1: 40 °C, wet bulb 20 °C, RH 14 %, dew point 7 °C.
    place = Walk(barn())(0, air(40.0, 14.0, 0)).snapshot.places[0]
    assert place.wet_bulb_c is not None and abs(place.wet_bulb_c - 20.0) < 0.2
    assert place.dew_point_c is not None and abs(place.dew_point_c - 7.0) < 0.6
    assert place.sum_f_pct == 104.0 + 14.0


def test_a_lost_place_has_no_level_keeps_its_last_one_and_a_fault_names_the_sensor() -> None:
    walk = Walk(barn())
    latest = air(32.0, 60.0, 0)
    walk(0, latest)
    result = walk(20, failed(latest, Quality.SILENT, "no answer", 18))
    place = result.snapshot.places[0]
    assert (place.level, place.last_level, place.sum_f_pct, place.freshness) == (None, 1, None, "lost")
    assert place.kit[0].asked and place.kit[0].reason_codes == ("air-unknown",)
    fault = next(e for e in result.events if isinstance(e, FaultChange))
    assert (fault.subject, fault.code, fault.active) == ("air", "sensor-lost", True)


def test_a_fault_begins_once_keeps_its_beginning_and_ends_once() -> None:
    walk = Walk(barn())
    latest = air(32.0, 60.0, 0)
    walk(0, latest)
    begun = walk(20, latest).snapshot.faults[0]
    later = walk(30, latest)
    assert later.snapshot.faults[0].since_wall_s == begun.since_wall_s
    assert not [e for e in later.events if isinstance(e, FaultChange)]
    healed = walk(31, air(32.0, 60.0, 31))
    assert [e.active for e in healed.events if isinstance(e, FaultChange)] == [False]
    assert healed.snapshot.faults == ()


def test_at_start_a_sensor_gets_its_time_to_speak_but_the_fan_does_not_wait() -> None:
    walk = Walk(barn())
    first = walk(0, {})
    assert first.commands[0].on and first.commands[0].reasons[0].code == "air-unknown"
    assert not first.snapshot.faults
    assert walk(16, {}).snapshot.faults[0].code == "sensor-lost"


def test_asked_but_not_seen_is_a_fault_after_five_seconds() -> None:
    walk = Walk(barn())
    codes = []
    for now_s in (0, 5, 6):
        seen = {"fan": KitSeen(on=False, at_s=now_s)}
        codes.append([f.code for f in walk(now_s, air(32.0, 60.0, now_s), seen).snapshot.faults])
    assert codes == [[], [], ["kit-not-following"]]
    kit = walk(7, air(32.0, 60.0, 7), {"fan": KitSeen(on=False, at_s=7)}).snapshot.places[0].kit[0]
    assert (kit.asked, kit.seen, kit.trouble) == (True, False, "fan: asked on, its relay shows off")


def test_an_unreachable_relay_is_a_fault_and_what_is_seen_unknown() -> None:
    walk = Walk(barn())
    walk(0, air(32.0, 60.0, 0))
    result = walk(6, air(32.0, 60.0, 6), {"fan": KitSeen(on=None, at_s=6, error="no answer")})
    assert [f.code for f in result.snapshot.faults] == ["kit-unreachable"]
    assert result.snapshot.places[0].kit[0].seen is None


def test_troubles_of_the_engine_become_faults() -> None:
    trouble = Trouble(subject="line-a", code="bus-stuck", text="bus line-a has been hanging since 12 s")
    result = Walk(barn())(0, air(32.0, 60.0, 0), troubles=(trouble,))
    assert result.snapshot.faults[0].text == trouble.text


def test_steps_are_the_same_bit_for_bit() -> None:
    the_barn = barn(
        sensors=(sensor("a"), sensor("b", place="arena")), kit=(fan(), mister()), places=("stalls", "arena")
    )
    runs = []
    for _ in range(2):
        walk = Walk(the_barn)
        runs.append([walk(t, air(25 + t / 3, 61.7, t, name="a") | air(31.1, 70.3, t, name="b")) for t in range(40)])
    assert runs[0] == runs[1]


def test_snapshot_round_trips_through_json() -> None:
    snapshot = Walk(barn(kit=(fan(), mister())))(0, air(32.1, 60.3, 0)).snapshot
    assert from_json(to_json(snapshot)) == snapshot
    assert dataclasses.asdict(snapshot)["places"][0]["kit"][1]["kind"] == "mister"


# --- what else the sensors tell ---------------------------------------------------------------------


def _one(name: str, quantity: Quantity) -> SensorSpec:
    return sensor(name, quantities=(quantity,))


def _also(mono_s: float, **values: float) -> dict[str, Latest]:
    named = {name.replace("__", "."): value for name, value in values.items()}
    return {
        name: Latest(last=good(name, value, mono_s), good=good(name, value, mono_s)) for name, value in named.items()
    }


WATCHED = barn(
    sensors=(
        sensor(quantities=(*AIR, Quantity.WIND, Quantity.GLOBE)),
        _one("amps", Quantity.CURRENT), _one("flow", Quantity.FLOW), _one("hoa", Quantity.SWITCH),
        _one("smoke", Quantity.CONTACT), _one("mains", Quantity.SUPPLY),
    ),
    kit=(fan(proof=proof(), switch="hoa.switch"), mister(proof=proof("flow.flow_lpm")), valve()),
    safety=Safety(fire="smoke.contact", supply="mains.supply_v", supply_low_v=200.0),
)  # fmt: skip
WELL = {
    "air__wind_mps": 0.1, "air__globe_c": 33.0, "amps__current_a": 5.0, "flow__flow_lpm": 0.0, "hoa__switch": 1.0,
    "smoke__contact": 0.0, "mains__supply_v": 230.0,
}  # fmt: skip


def _tick(walk: Walk, now_s: float, air_now: tuple[float, float] = (32.0, 60.0), **values: float) -> StepResult:
    return walk(now_s, air(*air_now, now_s) | _also(now_s, **(WELL | values)))


def _faults(result: StepResult) -> list[tuple[str, str]]:
    return [(fault.subject, fault.code) for fault in result.snapshot.faults]


def test_the_snapshot_tells_what_is_wanted_sent_seen_and_running_and_where_the_switch_stands() -> None:
    result = _tick(Walk(WATCHED), 0)
    kit = result.snapshot.places[0].kit[0]
    assert (kit.wanted, kit.asked, kit.seen, kit.running, kit.switch) == (True, True, None, True, "auto")
    place = result.snapshot.places[0]
    assert (place.wind_mps, place.globe_c) == (0.1, 33.0)
    assert _faults(result) == []


def test_fire_stops_the_fan_at_once_and_is_told() -> None:
    walk = Walk(WATCHED)
    _tick(walk, 0)
    result = _tick(walk, 1, smoke__contact=1.0)
    assert not result.commands[0].on
    assert ("barn", "fire") in _faults(result)
    assert [e.reasons[0].code for e in result.events if isinstance(e, CommandChange)] == ["fire"]


def test_a_lost_fire_contact_stops_nothing_and_is_told_as_a_lost_sensor() -> None:
    walk = Walk(WATCHED)
    _tick(walk, 0, smoke__contact=0.0)
    latest = _also(0, smoke__contact=0.0)
    result = walk(20, {**air(32.0, 60.0, 20), **_also(20, **WELL), **latest})
    assert result.commands[0].on
    assert ("smoke", "sensor-lost") in _faults(result)


def test_weak_supply_is_told_because_fans_may_turn_too_slowly() -> None:
    assert _faults(_tick(Walk(WATCHED), 0, mains__supply_v=199.0)) == [("barn", "supply-low")]
    assert _faults(_tick(Walk(WATCHED), 0, mains__supply_v=200.0)) == []


def test_a_fan_that_does_not_run_and_a_switch_away_from_auto_have_their_own_names() -> None:
    walk = Walk(WATCHED)
    for now_s in (0, 11, 311, 322):  # not confirmed, rested, started again, not confirmed again
        result = _tick(walk, now_s, amps__current_a=0.2)
    assert _faults(result) == [("fan", "kit-not-running")]
    assert result.snapshot.places[0].kit[0].reason_codes == ("not-running",)
    assert _faults(_tick(walk, 323, amps__current_a=0.2, hoa__switch=0.0)) == [("fan", "kit-not-in-auto")]


def test_a_start_over_a_cut_line_is_told_as_the_line_and_not_as_a_fan_that_does_not_run() -> None:
    walk = Walk(WATCHED)
    cut, mended = KitSeen(on=None, at_s=0, error="no answer"), KitSeen(on=True, at_s=0)

    def told(now_s: float, seen: KitSeen, amps: float) -> list[tuple[str, str]]:
        latest = air(32.0, 60.0, now_s) | _also(now_s, **(WELL | {"amps__current_a": amps}))
        return _faults(walk(now_s, latest, {"fan": seen}))

    assert [told(now_s, cut, 0.0) for now_s in (10, 11, 300)] == [[("fan", "kit-unreachable")]] * 3
    assert told(301, mended, 0.0) == told(310, mended, 0.0) == [], "the motor has its time from here on"
    result = told(311, mended, 5.0)
    assert result == [] and walk.state.control.kit["fan"].unproven == 0
    walk.state = dataclasses.replace(walk.state, control=start_state(WATCHED, 400.0))
    assert [told(now_s, mended, 0.0) for now_s in (410, 411)] == [[], [("fan", "kit-not-running")]]


def test_water_that_flows_unasked_is_told_for_its_place() -> None:
    walk = Walk(WATCHED)
    for now_s in range(22):
        result = _tick(walk, now_s, flow__flow_lpm=4.0)
    assert ("stalls", "water-stuck") in _faults(result)
    assert [command.reasons[0].code for command in result.commands[1:]] == ["water-stuck", "water-stuck"]


def test_a_place_that_is_too_hot_with_everything_on_calls_people() -> None:
    walk = Walk(dataclasses.replace(WATCHED, places=tuple(_by_air(WATCHED))))
    assert ("stalls", "kit-at-its-end") in _faults(_tick(walk, 0, (38.0, 65.0)))
    assert ("stalls", "kit-at-its-end") not in _faults(_tick(Walk(WATCHED), 0))


def _by_air(the_barn: Barn) -> list[Any]:
    return [dataclasses.replace(place, policy=Policy.AIR) for place in the_barn.places]


def test_measured_wind_counts_only_where_no_fan_can_have_made_it() -> None:
    """Else a level that sank because a fan runs would switch that fan off."""
    no_fan = dataclasses.replace(WATCHED, kit=())
    still, blown = (
        [_tick(Walk(each), 0, air__wind_mps=mps).snapshot.places[0].carry for mps in (0.1, 3.0)]
        for each in (WATCHED, no_fan)
    )
    assert still[0] == still[1]
    assert blown[0] is not None and blown[1] is not None and blown[1] > 2 * blown[0]


def test_a_hot_globe_lowers_carry_and_one_that_cannot_be_is_left_out() -> None:
    shade, sun, absurd = (
        _tick(Walk(WATCHED), 0, air__globe_c=globe_c).snapshot.places[0].carry for globe_c in (32.0, 45.0, -40.0)
    )
    plain = Walk(barn())(0, air(32.0, 60.0, 0)).snapshot.places[0].carry
    assert shade is not None and sun is not None and sun < shade
    assert absurd == plain


def test_a_request_by_hand_shows_with_its_name_and_end_and_goes_at_its_time() -> None:
    walk = Walk(barn())
    asked = (by_hand("fan", HandKind.OFF, 100.0), by_hand("stalls", HandKind.COOL_OUT, 200.0))
    place = walk(0, air(32.0, 60.0, 0), asked=asked).snapshot.places[0]
    assert (place.kit[0].hand, place.kit[0].hand_by) == ("off", "Ana")
    assert place.kit[0].hand_until_wall_s == 1_780_000_100.0
    assert (place.cooled_by, place.cooled_until_wall_s) == ("Ana", 1_780_000_200.0)
    later = walk(100, air(32.0, 60.0, 100)).snapshot.places[0]
    assert (later.kit[0].hand, later.cooled_by) == ("", "Ana")
    assert walk(200, air(32.0, 60.0, 200)).snapshot.places[0].cooled_by == ""


def test_a_doubted_sensor_is_a_fault_of_its_own_name() -> None:
    the_barn = barn(sensors=(sensor("a"), sensor("b")))
    walk = Walk(the_barn)
    for now_s in range(0, 1000, 5):
        still = {name: dataclasses.replace(each, same_since_s=0.0) for name, each in air(30, 60, now_s, "a").items()}
        result = walk(now_s, still | air(30 + now_s / 400, 60, now_s, name="b"))
    assert _faults(result) == [("a", "sensor-stuck-beside")]
    assert result.snapshot.places[0].freshness == "fresh"
