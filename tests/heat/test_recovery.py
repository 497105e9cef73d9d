"""A hot horse's rate, and the treadmill studies.

[R18] Equine Vet J Suppl 30:404 (1999), abstract: six cells of air and run time = 90.9 - 1.39 T - 0.236 RH minutes to
41.5 °C in blood (six mares, 54 % explained). [R19] Geor and others 1995, abstract: 37, 28 and 16.5 min in 20/50, 33/50
and 33/82. Nothing is tuned here to the times; the deviations stand in gateway/heat/README.md. The rates of the
standing horse were computed by others with the same equations: independent reproduction.
"""

from __future__ import annotations

from math import nan

import pytest

from gateway.errors import RangeError
from gateway.heat.balance import Surroundings, balance
from gateway.heat.horse import Horse, Pace
from gateway.heat.indices import heat_sum
from gateway.heat.recovery import recovery

RECOVERING = Horse(standing_oxygen=9.0)
TREADMILL = Horse(mass_kg=450.0, standing_oxygen=70.0, efficiency=0.2)  # half of peak, uphill
BELT_MPS = 2.113  # film of 13 W/(m2 K), as in the reproduction
CELLS = {
    "LL": (20.2, 53.6),
    "LH": (19.7, 86.7),
    "ML": (24.6, 58.7),
    "MH": (24.7, 87.5),
    "HL": (31.1, 41.6),
    "HH": (30.6, 84.4),
}


def _minutes_to_the_stop(temp_c: float, rh_pct: float) -> float:
    around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=BELT_MPS)
    core_c, minutes = 38.0, 0.0
    while core_c < 41.5 and minutes < 200.0:
        core_c += 0.1 * recovery(around, Pace.STAND, TREADMILL, core_c=core_c).body_k_min
        minutes += 0.1
    return minutes


def _published_minutes(temp_c: float, rh_pct: float) -> float:
    return 90.9 - 1.39 * temp_c - 0.236 * rh_pct  # [R18]


def test_the_six_cells_come_in_the_published_order() -> None:
    ours = sorted(CELLS, key=lambda cell: _minutes_to_the_stop(*CELLS[cell]))
    assert ours == sorted(CELLS, key=lambda cell: _published_minutes(*CELLS[cell]))


def test_the_sum_swaps_the_cool_damp_and_the_hot_dry_cell() -> None:
    by_sum = sorted(CELLS, key=lambda cell: -heat_sum(temp_c=CELLS[cell][0], rh_pct=CELLS[cell][1]))
    by_study = sorted(CELLS, key=lambda cell: _published_minutes(*CELLS[cell]))
    assert by_sum.index("LH") < by_sum.index("HL")  # the sum says that cool-damp is worse
    assert by_study.index("HL") < by_study.index("LH")  # the horses said the opposite


def test_the_second_study_comes_in_order_and_the_hot_cells_within_a_quarter() -> None:
    cool, dry, damp = (_minutes_to_the_stop(*cell) for cell in ((20.0, 50.0), (33.0, 50.0), (33.0, 82.0)))
    assert cool > dry > damp
    assert dry == pytest.approx(28.0, rel=0.25)  # [R19]
    assert damp == pytest.approx(16.5, rel=0.25)  # [R19]


# Independent reproduction: T, RH, v -> °C/min at a core of 40 °C
@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "air_mps", "rate"),
    [
        (32.0, 60.0, 0.2, 0.003),
        (32.0, 60.0, 3.0, -0.090),
        (32.0, 90.0, 0.2, 0.016),
        (32.0, 90.0, 3.0, -0.049),
        (38.0, 20.0, 0.2, -0.004),
        (38.0, 20.0, 3.0, -0.121),
        (26.0, 60.0, 0.2, -0.013),
        (26.0, 60.0, 3.0, -0.128),
    ],
)
def test_independent_reproduction_of_the_rate(temp_c: float, rh_pct: float, air_mps: float, rate: float) -> None:
    around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air_mps)
    assert recovery(around, Pace.STAND, RECOVERING, core_c=40.0).body_k_min == pytest.approx(rate, abs=0.0006)


def test_independent_reproduction_of_the_dry_coat() -> None:
    dry = Horse(standing_oxygen=9.0, wetness=0.15)
    for air_mps, rate in ((0.2, 0.031), (3.0, -0.002)):
        around = Surroundings(temp_c=32.0, rh_pct=60.0, air_mps=air_mps)
        assert recovery(around, Pace.STAND, dry, core_c=40.0).body_k_min == pytest.approx(rate, abs=0.0006)


@pytest.mark.parametrize("core_c", [38.0, 40.0, 41.0])
@pytest.mark.parametrize("air_mps", [0.2, 3.0])
def test_the_skin_lies_where_heat_in_is_heat_out(core_c: float, air_mps: float) -> None:
    """First law at the skin, with the other balance as the judge: a horse whose fixed skin is the found one."""
    around = Surroundings(temp_c=32.0, rh_pct=60.0, air_mps=air_mps)
    found = recovery(around, Pace.STAND, RECOVERING, core_c=core_c)
    judge = balance(around, Pace.STAND, Horse(standing_oxygen=9.0, skin_c=found.skin_c))
    assert found.to_skin_w == pytest.approx(judge.convective_w + judge.radiant_w + judge.maximal_w, abs=0.01)
    assert found.needs == pytest.approx(judge.required_wettedness, abs=1e-6)


@pytest.mark.parametrize("bad", [35.9, 44.1, nan])
def test_a_core_that_no_horse_has_is_refused(bad: float) -> None:
    with pytest.raises(RangeError, match="core_c"):
        recovery(Surroundings(temp_c=30.0, rh_pct=50.0), Pace.STAND, Horse(), core_c=bad)


def test_a_horse_that_evaporation_cannot_help_has_the_highest_need() -> None:
    # saturated air at 45 °C holds 9594 Pa (ASHRAE table 3), more than any skin that this core could have
    soaked = recovery(Surroundings(temp_c=45.0, rh_pct=100.0, air_mps=3.0), Pace.STAND, RECOVERING, core_c=39.0)
    assert soaked.needs == 100.0
    assert soaked.to_skin_w < 0.0  # such air heats the horse
    cold = recovery(Surroundings(temp_c=0.0, rh_pct=50.0, air_mps=5.0), Pace.STAND, RECOVERING, core_c=38.0)
    assert cold.needs == 0.0


def test_a_cold_skin_still_takes_the_heat_of_the_difference() -> None:
    # by hand: 150 W/(m2 K) x 5.09 m2 x (core - skin)
    found = recovery(Surroundings(temp_c=-30.0, rh_pct=50.0, air_mps=20.0), Pace.STAND, Horse(), core_c=38.0)
    assert found.skin_c < 19.0
    assert found.to_skin_w == pytest.approx(150.0 * 5.09 * (38.0 - found.skin_c), rel=1e-9)
    judge = balance(Surroundings(temp_c=30.0, rh_pct=50.0), Pace.STAND, Horse())
    assert judge.heat_w == pytest.approx(500.0 * 4.5 * 20.1 / 60.0)  # by hand, 753.75 W
