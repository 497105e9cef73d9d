"""First order against drawing lots (JCGM 101:2008, the supplement to the guide on uncertainty)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import psychrolib
import pytest
from scipy.differentiate import derivative

from gateway.errors import RangeError
from gateway.heat.balance import Surroundings, carry
from gateway.heat.horse import Horse, Pace
from gateway.heat.indices import heat_sum
from gateway.heat.psychro import wet_bulb_c
from gateway.heat.uncertainty import Accuracy, carry_error, sum_error, wet_bulb_error_k

psychrolib.SetUnitSystem(psychrolib.SI)

DRAWS = 4000  # the standard deviation of a standard deviation is then 1.1 %
CLOSE = 0.05
SEA_PA = 101_325.0
ACCURACY = Accuracy(temp_k=0.3, rh_pct=2.0, air_mps=0.1)


def _drawn(function: Callable[[float, float, float], float], temp_c: float, rh_pct: float, air_mps: float) -> float:
    lots = np.random.default_rng(20240715)
    temps = lots.normal(temp_c, 0.3, DRAWS)
    humidities = np.clip(lots.normal(rh_pct, 2.0, DRAWS), 0.0, 100.0)
    speeds = np.clip(lots.normal(air_mps, 0.1, DRAWS), 0.0, 60.0)
    results = [function(float(t), float(rh), float(v)) for t, rh, v in zip(temps, humidities, speeds, strict=True)]
    return float(np.std(results))


@pytest.mark.parametrize(("temp_k", "rh_pct", "error"), [(0.3, 2.0, 2.07), (0.3, 3.0, 3.05), (0.0, 2.0, 2.0)])
def test_the_error_of_the_sum_is_a_root_of_squares(temp_k: float, rh_pct: float, error: float) -> None:
    # by hand: sqrt((1.8 * 0.3)^2 + 2^2) = 2.072
    assert sum_error(Accuracy(temp_k=temp_k, rh_pct=rh_pct)) == pytest.approx(error, abs=0.005)


def test_the_error_of_the_sum_is_found_by_lots() -> None:
    drawn = _drawn(lambda t, rh, v: heat_sum(temp_c=t, rh_pct=rh), 32.0, 60.0, 0.2)
    assert sum_error(ACCURACY) == pytest.approx(drawn, rel=CLOSE)


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(32.0, 60.0), (25.0, 30.0), (38.0, 20.0), (28.0, 85.0)])
def test_the_error_of_the_wet_bulb_is_found_by_lots(temp_c: float, rh_pct: float) -> None:
    ours = wet_bulb_error_k(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=SEA_PA, accuracy=ACCURACY)
    drawn = _drawn(lambda t, rh, v: wet_bulb_c(temp_c=t, rh_pct=rh, pressure_pa=SEA_PA), temp_c, rh_pct, 0.2)
    assert ours == pytest.approx(drawn, rel=CLOSE)


def test_independent_reproduction_of_the_error_of_the_wet_bulb() -> None:
    """Computed by others at 32 °C and 60 %: slopes 0.87 K/K and 0.18 K/%, together about 0.45 K."""
    ours = wet_bulb_error_k(temp_c=32.0, rh_pct=60.0, pressure_pa=SEA_PA, accuracy=ACCURACY)
    assert ours == pytest.approx(0.45, abs=0.01)
    alone = Accuracy(temp_k=1.0, rh_pct=0.0)
    slope = wet_bulb_error_k(temp_c=32.0, rh_pct=60.0, pressure_pa=SEA_PA, accuracy=alone)
    assert slope == pytest.approx(0.87, abs=0.01)


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "air_mps", "pace"),
    [
        (32.0, 60.0, 1.0, Pace.STAND),
        (32.0, 60.0, 0.8, Pace.TROT),
        (35.0, 50.0, 2.0, Pace.CANTER),
        (30.0, 80.0, 1.0, Pace.WALK),
    ],
)
def test_the_error_of_carry_is_found_by_lots(temp_c: float, rh_pct: float, air_mps: float, pace: Pace) -> None:
    horse = Horse(standing_oxygen=9.0)
    around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air_mps)
    drawn = _drawn(
        lambda t, rh, v: carry(Surroundings(temp_c=t, rh_pct=rh, air_mps=v), pace, horse), temp_c, rh_pct, air_mps
    )
    # 10 %: carry bends, which the first order leaves out
    assert carry_error(around, pace, horse, ACCURACY) == pytest.approx(drawn, rel=2 * CLOSE)


def test_a_perfect_sensor_makes_no_error() -> None:
    perfect = Accuracy(temp_k=0.0, rh_pct=0.0)
    assert sum_error(perfect) == 0.0
    assert wet_bulb_error_k(temp_c=30.0, rh_pct=50.0, pressure_pa=SEA_PA, accuracy=perfect) == 0.0
    assert carry_error(Surroundings(temp_c=30.0, rh_pct=50.0), Pace.WALK, Horse(), perfect) == 0.0


def test_the_ends_of_the_range_have_an_error_too() -> None:
    # PsychroLib 2.5: fall of the wet bulb from 100 to 98 %, and one kelvin of saturated air is one of wet bulb
    fall_k = 30.0 - psychrolib.GetTWetBulbFromRelHum(30.0, 0.98, SEA_PA)
    ours = wet_bulb_error_k(temp_c=30.0, rh_pct=100.0, pressure_pa=SEA_PA, accuracy=ACCURACY)
    assert ours == pytest.approx(float(np.hypot(0.3, fall_k)), rel=0.03)


@pytest.mark.parametrize(
    ("temp_k", "rh_pct", "air_mps", "word"),
    [(-0.1, 2.0, 0.0, "temp_k"), (0.3, 31.0, 0.0, "rh_pct"), (0.3, 2.0, 11.0, "air")],
)
def test_impossible_accuracies_are_refused(temp_k: float, rh_pct: float, air_mps: float, word: str) -> None:
    with pytest.raises(RangeError, match=word):
        Accuracy(temp_k=temp_k, rh_pct=rh_pct, air_mps=air_mps)


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(32.0, 60.0), (15.0, 30.0), (38.0, 20.0)])
def test_the_slopes_are_those_of_scipy(temp_c: float, rh_pct: float) -> None:
    """scipy 1.17 differentiates the same function in its own way: this judges the differences only."""
    wide = Accuracy(temp_k=4.0, rh_pct=0.0), Accuracy(temp_k=0.0, rh_pct=9.0)
    by_temp = derivative(np.vectorize(lambda t: wet_bulb_c(temp_c=t, rh_pct=rh_pct, pressure_pa=SEA_PA)), temp_c)
    by_rh = derivative(np.vectorize(lambda rh: wet_bulb_c(temp_c=temp_c, rh_pct=rh, pressure_pa=SEA_PA)), rh_pct)
    for accuracy, expected in zip(wide, (4.0 * float(by_temp.df), 9.0 * float(by_rh.df)), strict=True):
        ours = wet_bulb_error_k(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=SEA_PA, accuracy=accuracy)
        assert ours == pytest.approx(expected, rel=2e-3)
