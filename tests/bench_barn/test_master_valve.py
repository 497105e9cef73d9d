"""A mister behind a master valve: water flows only when both are open, whatever sticks."""

from __future__ import annotations

import itertools

import pytest

from drivers.bench.kit import Motion, motion, with_master_valves
from gateway.barn import KitSpec
from gateway.model import KitKind, SwitchAt


def kit(name: str, kind: KitKind, place: str = "stalls") -> KitSpec:
    return KitSpec(
        name=name,
        place=place,
        kind=kind,
        relay="block",
        output=0,
        contact="normally-open",
        on_level=3,
        min_on_s=0,
        min_off_s=0,
    )


MIST, VALVE = kit("mist", KitKind.MISTER), kit("valve", KitKind.VALVE)
FAR = kit("far-mist", KitKind.MISTER, place="ponies")


@pytest.mark.parametrize(("mist", "valve"), list(itertools.product((0.0, 1.0), repeat=2)))
def test_water_needs_both(mist: float, valve: float) -> None:
    found = with_master_valves((MIST, VALVE), {"mist": Motion(draws=mist, moves=mist), "valve": Motion(moves=valve)})
    assert found["mist"] == Motion(draws=mist, moves=min(mist, valve))


def test_a_stuck_mister_is_stopped_by_its_master_valve_and_not_by_that_of_another_place() -> None:
    stuck = motion(0.0, switch=SwitchAt.AUTO, fault="valve-stuck")
    shut = motion(0.0, switch=SwitchAt.AUTO, fault="")
    found = with_master_valves((MIST, VALVE, FAR), {"mist": stuck, "valve": shut, "far-mist": stuck})
    assert (found["mist"].moves, found["far-mist"].moves) == (0.0, 1.0)


def test_a_master_valve_that_sticks_open_lets_a_stuck_mister_run() -> None:
    stuck = motion(0.0, switch=SwitchAt.AUTO, fault="valve-stuck")
    assert with_master_valves((MIST, VALVE), {"mist": stuck, "valve": stuck})["mist"].moves == 1.0
