"""The bench's own air, against psychrolib (ASHRAE Handbook formulas), which shares no code with it."""

from __future__ import annotations

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.bench import air
from tests.bench_barn.rig import patient

PRESSURE_PA = 101325.0

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(("temp_c", "pascal"), [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)])
def test_saturation_is_that_of_the_handbook_within_half_a_percent(temp_c: float, pascal: float) -> None:
    # ASHRAE Handbook Fundamentals 2017, chapter 1, table 3. The Magnus form is another fit: 0.3 % away at 50 °C.
    assert air.saturation_pa(temp_c) == pytest.approx(pascal, rel=0.005)


@given(temp_c=st.floats(0, 45), rh_pct=st.floats(1, 100))
@patient
def test_mixing_ratio_is_that_of_psychrolib_within_half_a_percent(temp_c: float, rh_pct: float) -> None:
    expected = psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100, PRESSURE_PA)
    assert air.ratio_from_rh(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=PRESSURE_PA) == pytest.approx(
        expected, rel=0.005
    )


@given(temp_c=st.floats(0, 45), rh_pct=st.floats(5, 100))
@patient
def test_humidity_from_dew_point_is_that_of_psychrolib(temp_c: float, rh_pct: float) -> None:
    dew_c = psychrolib.GetTDewPointFromRelHum(temp_c, rh_pct / 100)
    # psychrolib takes vapour pressure over ice below 0.01 °C, the bench over water at any temperature
    if dew_c > 0.01:
        assert air.rh_from_dew_pct(temp_c=temp_c, dew_c=dew_c) == pytest.approx(rh_pct, rel=0.005)


@given(temp_c=st.floats(-40, 60), rh_pct=st.floats(0, 100), pressure_pa=st.floats(60e3, 105e3))
@patient
def test_ratio_and_humidity_are_inverse(temp_c: float, rh_pct: float, pressure_pa: float) -> None:
    ratio = air.ratio_from_rh(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa)
    back_pct = air.rh_from_ratio_pct(temp_c=temp_c, ratio=ratio, pressure_pa=pressure_pa)
    assert back_pct == pytest.approx(rh_pct, rel=1e-9, abs=1e-9)
