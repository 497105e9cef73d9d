"""What sensors tell of kit: whether it runs, where its switch stands, and when that is worth a word."""

from __future__ import annotations

import dataclasses

import pytest

from gateway.barn import KitSpec
from gateway.control.proof import KitTold, disagreement, told
from gateway.control.running import Running
from gateway.control.timers import RunState
from gateway.model import KitSeen, Latest, Quantity, SwitchAt
from tests.control.barns import barn, fan, good, mister, proof, sensor

AMPS = sensor("amps", quantities=(Quantity.CURRENT,))
SWITCH = sensor("hoa", quantities=(Quantity.SWITCH,))
FAN = fan(proof=proof(at_least=1.2), switch="hoa.switch")
BARN = barn(sensors=(sensor(), AMPS, SWITCH), kit=(FAN,))


def _latest(mono_s: float, **values: float) -> dict[str, Latest]:
    return {
        name.replace("__", "."): Latest(last=good(name, value, mono_s), good=good(name, value, mono_s))
        for name, value in values.items()
    }


@pytest.mark.parametrize(("amps", "running"), [(1.2, True), (1.19, False), (0.0, False), (-0.2, False)])
def test_kit_runs_from_its_limit_on(amps: float, running: bool) -> None:
    assert told(FAN, BARN, _latest(0, amps__current_a=amps), 1.0) == KitTold(running=running)


def test_what_is_old_or_not_fitted_is_not_known() -> None:
    latest = _latest(0, amps__current_a=5.0, hoa__switch=2.0)
    assert told(FAN, BARN, latest, 15.0) == KitTold(running=True, switch=SwitchAt.HAND)
    assert told(FAN, BARN, latest, 15.1) == KitTold()
    assert told(FAN, BARN, {}, 0.0) == KitTold()
    assert told(fan(), BARN, latest, 1.0) == KitTold()


@pytest.mark.parametrize("position", SwitchAt)
def test_the_switch_is_told_by_its_position(position: SwitchAt) -> None:
    assert told(FAN, BARN, _latest(0, hoa__switch=float(position)), 1.0).switch is position


def _word(seen: KitTold, *, on: bool, age_s: float, kit: KitSpec = FAN) -> str:
    trouble = disagreement(kit, seen, on=on, since_s=0.0, now_s=age_s)
    return "" if trouble is None else trouble.code


def test_kit_that_does_not_do_what_it_was_told_is_told_after_its_time() -> None:
    assert _word(KitTold(running=False), on=True, age_s=10.0) == ""
    assert _word(KitTold(running=False), on=True, age_s=10.1) == "kit-not-running"
    assert _word(KitTold(running=True), on=False, age_s=10.1) == "kit-runs-unasked"
    assert _word(KitTold(running=True), on=True, age_s=99.0) == ""
    assert _word(KitTold(), on=True, age_s=99.0) == ""
    assert _word(KitTold(running=False), on=True, age_s=99.0, kit=fan()) == ""


def test_a_switch_away_from_auto_explains_it_at_once() -> None:
    for position in (SwitchAt.HAND, SwitchAt.OFF):
        assert _word(KitTold(running=True, switch=position), on=False, age_s=0.0) == "kit-not-in-auto"
    assert _word(KitTold(running=True, switch=SwitchAt.AUTO), on=False, age_s=11.0) == "kit-runs-unasked"


# --- what follows for the step ----------------------------------------------------------------------

ON, OFF = RunState(on=True, since_s=0.0), RunState(on=False, since_s=0.0)


def _running(runs: dict[str, RunState], says: dict[str, KitTold], *kit: KitSpec, now_s: float = 100.0) -> Running:
    the_barn = barn(kit=kit or (FAN,))
    running = Running(the_barn, says, runs, now_s, {})
    for spec in the_barn.kit:
        running.look(spec, mended=False)
    return running


def test_air_of_fans_counts_only_when_one_is_proven_and_by_its_speed() -> None:
    slow = dataclasses.replace(FAN, air_mps=2.0)
    half = dataclasses.replace(ON, speed=0.5)
    assert _running({"fan": half}, {"fan": KitTold(running=True)}, slow).fans_mps("stalls") == 1.0
    assert _running({"fan": ON}, {"fan": KitTold(running=True)}).fans_mps("stalls") == 0.0
    for says in (KitTold(), KitTold(running=False)):
        assert _running({"fan": ON}, {"fan": says}).fans_mps("stalls") is None
    assert _running({"fan": ON}, {"fan": KitTold(running=True)}).fans_mps("arena") is None


def test_a_fan_that_was_just_told_to_stop_counts_no_more_until_it_is_seen_to_run_on() -> None:
    just = dataclasses.replace(OFF, since_s=95.0)
    assert _running({"fan": just}, {"fan": KitTold(running=True)}).fans_mps("stalls") is None
    assert _running({"fan": OFF}, {"fan": KitTold(running=True)}).fans_mps("stalls") == 0.0


def test_a_proof_that_two_share_makes_no_contact_stuck() -> None:
    kit = (fan("a", proof=proof()), fan("b", proof=proof()))
    says = {"a": KitTold(running=True), "b": KitTold(running=True)}
    assert not _running({"a": OFF, "b": ON}, says, *kit).kit["a"].stuck
    assert not _running({"a": OFF, "b": dataclasses.replace(OFF, since_s=92.0)}, says, *kit).kit["a"].stuck
    assert _running({"a": OFF, "b": OFF}, says, *kit).kit["a"].stuck


@pytest.mark.parametrize(
    ("run", "says", "fails"),
    [
        (ON, KitTold(running=True), False),
        (ON, KitTold(running=False), True),
        (dataclasses.replace(ON, since_s=95.0), KitTold(running=False), False),  # still spinning up
        (ON, KitTold(), False),
        (OFF, KitTold(running=False), False),
        (dataclasses.replace(OFF, unproven=1), KitTold(running=False), True),
        (ON, KitTold(running=True, switch=SwitchAt.OFF), True),
        (ON, KitTold(running=True, switch=SwitchAt.HAND), False),
    ],
)
def test_a_fan_fails_when_it_brings_no_air_as_far_as_anybody_can_tell(
    run: RunState, says: KitTold, fails: bool
) -> None:
    assert _running({"fan": run}, {"fan": says}).fails(FAN) is fails


def test_flow_counts_from_when_every_mister_of_the_place_is_off() -> None:
    kit = (mister("one", proof=proof()), mister("two", proof=proof()))
    says = {"one": KitTold(running=True)}
    assert _running({"one": OFF, "two": OFF}, says, *kit).flowing({}) == {"stalls": 100.0}
    assert _running({"one": OFF, "two": OFF}, says, *kit).flowing({"stalls": 70.0}) == {"stalls": 70.0}
    assert _running({"one": OFF, "two": ON}, says, *kit).flowing({"stalls": 70.0}) == {}
    assert _running({"one": OFF, "two": OFF}, {}, *kit).flowing({"stalls": 70.0}) == {}


# --- an output that cannot be reached ---------------------------------------------------------------

CUT = KitSeen(on=None, at_s=0.0, error="no answer")
STANDS, TURNS = KitTold(running=False), KitTold(running=True)


def _looked(run: RunState, says: KitTold, seen: KitSeen | None, *times_s: float) -> RunState:
    """The run state after a look at each of these times; the proof of `FAN` has ten seconds."""
    for now_s in times_s:
        running = Running(BARN, {"fan": says}, {"fan": run}, now_s, {} if seen is None else {"fan": seen})
        running.look(FAN, mended=False)
        run = running.kit["fan"]
    return run


def _trouble(run: RunState, says: KitTold, now_s: float) -> str:
    found = disagreement(FAN, says, on=run.on, since_s=run.proof_from_s, now_s=now_s)
    return "" if found is None else found.code


@pytest.mark.parametrize("seen", [None, KitSeen(on=True, at_s=0.0), KitSeen(on=None, at_s=0.0)])
def test_a_start_that_reached_its_output_is_told_after_its_time_and_not_later(seen: KitSeen | None) -> None:
    early, late = _looked(ON, STANDS, seen, 10.0), _looked(ON, STANDS, seen, 10.0, 10.1)
    assert (early.unproven, _trouble(early, STANDS, 10.0)) == (0, "")
    assert (late.unproven, _trouble(late, STANDS, 10.1)) == (1, "kit-not-running")


def test_a_start_while_the_line_is_cut_is_not_counted_and_its_time_begins_when_it_is_mended() -> None:
    cut = _looked(ON, STANDS, CUT, *range(1, 301))
    assert (cut.unproven, _trouble(cut, STANDS, 300.0)) == (0, "")
    early = _looked(cut, STANDS, KitSeen(on=True, at_s=301.0), 301.0, 310.0)
    assert (early.unproven, _trouble(early, STANDS, 310.0)) == (0, "")
    assert _looked(early, TURNS, KitSeen(on=True, at_s=310.1), 310.1).unproven == 0
    late = _looked(early, STANDS, KitSeen(on=True, at_s=310.1), 310.1)
    assert (late.unproven, _trouble(late, STANDS, 310.1)) == (1, "kit-not-running"), "it is dead in truth"


def test_what_falls_back_to_running_while_its_line_is_cut_is_no_stuck_contact() -> None:
    cut = _looked(OFF, TURNS, CUT, *range(1, 301))
    assert (cut.stuck, _trouble(cut, TURNS, 300.0)) == (False, "")
    mended = _looked(cut, TURNS, KitSeen(on=False, at_s=301.0), 301.0, 310.0)
    assert (mended.stuck, _trouble(mended, TURNS, 310.0)) == (False, ""), "it runs out"
    stuck = _looked(mended, TURNS, KitSeen(on=False, at_s=310.1), 310.1)
    assert (stuck.stuck, _trouble(stuck, TURNS, 310.1)) == (True, "kit-runs-unasked")


def test_a_cut_forgives_nothing_that_was_counted_before_it_but_what_runs_is_seen_to_run() -> None:
    dead = _looked(ON, STANDS, None, 10.1)
    assert _looked(dead, STANDS, CUT, 20.0, 600.0).unproven == 1
    assert _looked(dead, TURNS, CUT, 20.0).unproven == 0


def test_a_fan_that_stands_still_brings_no_air_whether_or_not_it_can_be_reached() -> None:
    for now_s, fails in ((10.0, False), (10.1, True), (300.0, True)):
        running = Running(BARN, {"fan": STANDS}, {"fan": ON}, now_s, {"fan": CUT})
        running.look(FAN, mended=False)
        assert running.fails(FAN) is fails, "the next fan is asked as soon as ever"
