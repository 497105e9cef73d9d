from __future__ import annotations

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import RangeError
from gateway.heat.indices import heat_sum
from gateway.heat.mist import mist

psychrolib.SetUnitSystem(psychrolib.SI)
SEA_PA = 101_325.0


# PsychroLib 2.5: the humidity that air at the lower temperature must have to keep the same wet bulb
@pytest.mark.parametrize(("temp_c", "rh_pct"), [(32.0, 60.0), (38.0, 20.0), (30.0, 30.0), (25.0, 90.0)])
@pytest.mark.parametrize("efficiency", [0.0, 0.3, 0.8, 1.0])
@pytest.mark.parametrize("pressure_pa", [84_000.0, SEA_PA])
def test_misting_keeps_the_wet_bulb(temp_c: float, rh_pct: float, efficiency: float, pressure_pa: float) -> None:
    after = mist(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa, efficiency=efficiency)
    wet_c = psychrolib.GetTWetBulbFromRelHum(temp_c, rh_pct / 100.0, pressure_pa)
    expected_c = temp_c - efficiency * (temp_c - wet_c)
    assert after.temp_c == pytest.approx(expected_c, abs=0.002)
    expected_pct = 100.0 * psychrolib.GetRelHumFromTWetBulb(expected_c, min(wet_c, expected_c), pressure_pa)
    assert after.rh_pct == pytest.approx(expected_pct, abs=0.02)
    before = psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, pressure_pa)
    then = psychrolib.GetHumRatioFromTWetBulb(expected_c, min(wet_c, expected_c), pressure_pa)
    assert after.water_kg_kg == pytest.approx(then - before, abs=2e-6)
    assert after.depression_k == pytest.approx((1.0 - efficiency) * (temp_c - wet_c), abs=0.002)


# Independent reproduction (computed by others, not published): 32 °C and 60 %, misted down to T -> RH, sum
@pytest.mark.parametrize(("to_c", "rh_pct", "total"), [(30.0, 70.3, 156.3), (28.0, 82.4, 164.8), (27.0, 89.2, 169.8)])
def test_independent_reproduction_of_the_misting_table(to_c: float, rh_pct: float, total: float) -> None:
    after = mist(temp_c=32.0, rh_pct=60.0, pressure_pa=SEA_PA, efficiency=(32.0 - to_c) / (32.0 - 25.5548))
    assert after.temp_c == pytest.approx(to_c, abs=0.001)
    assert after.rh_pct == pytest.approx(rh_pct, abs=0.2)
    assert heat_sum(temp_c=after.temp_c, rh_pct=after.rh_pct) == pytest.approx(total, abs=0.2)


def test_independent_reproduction_of_the_water_taken_up() -> None:
    # computed by others: 35 °C and 30 % to 75 % RH is 24.8 °C, 4.25 g of water for each kg of dry air, Tw 21.5 °C
    after = mist(temp_c=35.0, rh_pct=30.0, pressure_pa=SEA_PA, efficiency=(35.0 - 24.8) / (35.0 - 21.5))
    assert after.rh_pct == pytest.approx(75.0, abs=0.7)
    assert after.water_kg_kg == pytest.approx(0.00425, abs=5e-5)


@given(st.floats(20.0, 42.0), st.floats(25.0, 95.0), st.floats(0.05, 0.95))
def test_the_sum_rises_while_the_air_gets_cooler(temp_c: float, rh_pct: float, efficiency: float) -> None:
    """Why the sum must never steer a mister. In desert air below about 20 % it first falls a little."""
    after = mist(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=SEA_PA, efficiency=efficiency)
    assert after.temp_c < temp_c
    assert heat_sum(temp_c=after.temp_c, rh_pct=after.rh_pct) > heat_sum(temp_c=temp_c, rh_pct=rh_pct)


def test_saturated_air_takes_no_water() -> None:
    after = mist(temp_c=25.0, rh_pct=100.0, pressure_pa=SEA_PA, efficiency=0.7)
    assert after.temp_c == pytest.approx(25.0, abs=1e-6)
    assert after.water_kg_kg == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "efficiency", "word"),
    [
        (4.9, 50.0, 0.5, "temp_c"),
        (20.0, 50.0, 1.01, "efficiency"),
        (20.0, 50.0, -0.01, "efficiency"),
        (8.0, 5.0, 0.5, "wet bulb"),
    ],
)
def test_misting_refuses_what_it_cannot_say(temp_c: float, rh_pct: float, efficiency: float, word: str) -> None:
    with pytest.raises(RangeError, match=word):
        mist(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=SEA_PA, efficiency=efficiency)


def test_misting_far_below_twice_the_wet_bulb() -> None:
    """Dry hot air, whose dry bulb is more than twice its wet bulb, judged by PsychroLib 2.5."""
    after = mist(temp_c=45.0, rh_pct=10.0, pressure_pa=SEA_PA, efficiency=0.4)
    wet_c = psychrolib.GetTWetBulbFromRelHum(45.0, 0.10, SEA_PA)
    assert 2.0 * wet_c < 45.0
    assert after.temp_c == pytest.approx(45.0 - 0.4 * (45.0 - wet_c), abs=0.002)
    before = mist(temp_c=45.0, rh_pct=10.0, pressure_pa=SEA_PA, efficiency=0.0)
    assert before.depression_k == pytest.approx(45.0 - wet_c, abs=0.002)


@given(st.floats(6.0, 80.0), st.floats(60_000.0, 110_000.0), st.floats(0.0, 1.0))
def test_saturated_air_stays_at_a_hundred_per_cent(temp_c: float, pressure_pa: float, efficiency: float) -> None:
    after = mist(temp_c=temp_c, rh_pct=100.0, pressure_pa=pressure_pa, efficiency=efficiency)
    assert 99.999 < after.rh_pct <= 100.0
    assert 0.0 <= after.water_kg_kg < 1e-9
