from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.heat.units import celsius, fahrenheit, kelvin, mph, mps

# Fixed points that need no formula: freezing and boiling of water (NIST SP 811, B.8) and where the scales cross.
FIXED_POINTS = ((0.0, 32.0), (100.0, 212.0), (-40.0, -40.0), (37.0, 98.6))


@pytest.mark.parametrize(("temp_c", "temp_f"), FIXED_POINTS)
def test_the_scales_agree_at_fixed_points(temp_c: float, temp_f: float) -> None:
    assert fahrenheit(temp_c) == pytest.approx(temp_f, abs=1e-12)
    assert celsius(temp_f) == pytest.approx(temp_c, abs=1e-12)


def test_kelvin_starts_at_absolute_zero() -> None:
    # BIPM SI brochure, 9th edition, 2.3.1
    assert kelvin(-273.15) == 0.0
    assert kelvin(0.01) == pytest.approx(273.16, abs=1e-12)  # triple point of water


def test_miles_per_hour_are_exact() -> None:
    # NIST SP 811, B.8: 1 mi/h = 0.44704 m/s, hence 1 m/s = 2.236936 mi/h
    assert mps(1.0) == 0.44704
    assert mph(1.0) == pytest.approx(2.236936, abs=1e-6)


@given(st.floats(-100.0, 200.0))
def test_conversions_turn_back(value: float) -> None:
    assert celsius(fahrenheit(value)) == pytest.approx(value, abs=1e-9)
    assert mph(mps(value)) == pytest.approx(value, abs=1e-9)
