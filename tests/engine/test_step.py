"""One step: events, faults and snapshot follow from readings and time alone."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from gateway.control.decide import start_state
from gateway.engine.snapshot import from_json, to_json
from gateway.engine.step import StepInputs, StepResult, StepState, Trouble, step
from gateway.model import Barn, CommandChange, FaultChange, KitSeen, Latest, LevelChange, Quality
from tests.control.barns import air, barn, failed, fan, mister, sensor, stamp


class Walk:
    """A barn stepped by hand."""

    def __init__(self, the_barn: Barn, start_s: float = 0.0) -> None:
        self.barn = the_barn
        self.state = StepState(control=start_state(the_barn, start_s), started_s=start_s)

    def __call__(
        self, now_s: float, latest: Mapping[str, Latest], seen: Mapping[str, KitSeen] | None = None,
        troubles: tuple[Trouble, ...] = (),
    ) -> StepResult:  # fmt: skip
        inputs = StepInputs(latest=latest, seen=seen or {}, stamp=stamp(now_s), troubles=troubles)
        result = step(self.barn, self.state, inputs, now_s)
        self.state = result.state
        return result


def test_first_step_records_levels_and_commands() -> None:
    result = Walk(barn())(0, air(32.0, 60.0, 0))
    level, command = result.events
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
