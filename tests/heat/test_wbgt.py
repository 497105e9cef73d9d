"""WBGT from parts, simple, and under a roof.

Sources: [ISO] worked values in the documentation of pythermalcomfort 4.8 (MIT licence), after ISO 7243;
[EA] national federation, 4 February 2019: 32 °C with 60 % and 40 °C with 25 % are above 33; [TF] thermofeel 2.3;
[BERN] indoor form after Bernard, as in Lemke and Kjellström 2012, Ind Health 50:267 (from memory):
0.67 Tpwb + 0.33 Ta - 0.048 log10(v) (Ta - Tpwb) for 0.3 to 3 m/s.
"""

from __future__ import annotations

from collections.abc import Callable
from math import log10, nan

import numpy as np
import psychrolib
import pytest
import thermofeel
from thermofeel import liljegren as library

from gateway.errors import RangeError
from gateway.heat.wbgt import wbgt_no_sun_c, wbgt_simple_c, wbgt_sun_c, wbgt_under_roof

psychrolib.SetUnitSystem(psychrolib.SI)
SEA_PA = 101_325.0


def test_the_standard_weights() -> None:
    assert wbgt_no_sun_c(natural_wet_bulb_c=25.0, globe_c=32.0) == pytest.approx(27.1, abs=0.05)  # [ISO]
    assert wbgt_sun_c(natural_wet_bulb_c=25.0, globe_c=32.0, temp_c=20.0) == pytest.approx(25.9, abs=0.05)  # [ISO]


@pytest.mark.parametrize("wick_c", [10.0, 22.5, 30.0])
@pytest.mark.parametrize("globe_c", [12.0, 40.0, 55.0])
def test_the_weights_agree_with_the_library(wick_c: float, globe_c: float) -> None:
    """thermofeel 2.3 solves globe and wick itself, and weighs them in the sun."""
    temp_c = 31.0
    columns = [np.array([value]) for value in (temp_c + 273.15, 50.0, 1013.25, 1.0, 600.0, 0.5, 0.8)]
    temp, rh, hpa, wind, sun, beam, cos = columns
    whole = float(library.wbgt(temp, rh, hpa, wind, sun, beam, cos)[0]) - 273.15
    globe = float(library.solve_globe(temp, rh / 100.0, hpa, wind, sun, beam, cos)[0])
    wick = float(library.solve_wetbulb(temp, rh / 100.0, hpa, wind, sun, beam, cos, 1.0)[0])
    assert wbgt_sun_c(natural_wet_bulb_c=wick, globe_c=globe, temp_c=temp_c) == pytest.approx(whole, abs=1e-6)
    # without sun the air's tenth goes to the globe (ISO 7243)
    shade = wbgt_no_sun_c(natural_wet_bulb_c=wick_c, globe_c=globe_c)
    lit = wbgt_sun_c(natural_wet_bulb_c=wick_c, globe_c=globe_c, temp_c=temp_c)
    assert shade - lit == pytest.approx(0.1 * (globe_c - temp_c), abs=1e-9)


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(32.0, 60.0), (40.0, 25.0)])
def test_the_simple_estimate_is_above_33_where_the_federation_says_so(temp_c: float, rh_pct: float) -> None:
    assert wbgt_simple_c(temp_c=temp_c, rh_pct=rh_pct) > 33.0  # [EA]


def test_the_simple_estimate_agrees_with_the_library_over_a_grid() -> None:
    for temp_c in range(0, 50, 3):
        for rh_pct in range(0, 101, 10):
            theirs = thermofeel.calculate_wbgt_simple(np.array([temp_c + 273.15]), np.array([float(rh_pct)]))
            # the library uses the same vapour formula; its Kelvin offset rounds at 1e-3
            assert wbgt_simple_c(temp_c=temp_c, rh_pct=rh_pct) == pytest.approx(float(theirs[0]) - 273.15, abs=0.005)


@pytest.mark.parametrize("temp_c", [24.0, 28.0, 32.0, 36.0])
@pytest.mark.parametrize("rh_pct", [40.0, 60.0, 80.0, 95.0])
@pytest.mark.parametrize("air_mps", [0.3, 1.0, 3.0])
def test_under_a_roof_it_lies_near_the_indoor_form(temp_c: float, rh_pct: float, air_mps: float) -> None:
    ours = wbgt_under_roof(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=SEA_PA, air_mps=air_mps)
    wet_c = psychrolib.GetTWetBulbFromRelHum(temp_c, rh_pct / 100.0, SEA_PA)
    indoor = 0.67 * wet_c + 0.33 * temp_c - 0.048 * log10(air_mps) * (temp_c - wet_c)  # [BERN]
    assert ours.wbgt_c == pytest.approx(indoor, abs=0.5)  # two rules of thumb; half a kelvin is a quarter of a band


def test_independent_reproduction_of_barn_air_under_a_roof() -> None:
    """Computed by others: 32 °C, 60 %, in shade, is 27.3 to 27.5."""
    ours = wbgt_under_roof(temp_c=32.0, rh_pct=60.0, pressure_pa=SEA_PA, air_mps=1.0)
    assert 27.3 <= ours.wbgt_c <= 27.7


def test_a_hot_roof_counts_through_the_globe() -> None:
    cool = wbgt_under_roof(temp_c=32.0, rh_pct=60.0, pressure_pa=SEA_PA, air_mps=0.5)
    hot = wbgt_under_roof(temp_c=32.0, rh_pct=60.0, pressure_pa=SEA_PA, air_mps=0.5, globe_c=42.0)
    assert cool.globe_c == 32.0
    assert hot.wbgt_c - cool.wbgt_c == pytest.approx(0.3 * 10.0)  # ISO 7243 weight of the globe


def test_moving_air_lowers_the_wick_by_no_more_than_three_tenths() -> None:
    wicks = [
        wbgt_under_roof(temp_c=30.0, rh_pct=50.0, pressure_pa=SEA_PA, air_mps=v).natural_wet_bulb_c
        for v in (0.0, 0.13, 0.5, 1.0, 5.0)
    ]
    assert wicks == sorted(wicks, reverse=True)
    assert wicks[0] - wicks[-1] == pytest.approx(0.3)
    assert wicks[-1] - psychrolib.GetTWetBulbFromRelHum(30.0, 0.5, SEA_PA) == pytest.approx(0.2, abs=0.002)


@pytest.mark.parametrize("bad", [-40.1, 130.0, nan])
def test_readings_out_of_range_are_refused(bad: float) -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: wbgt_no_sun_c(natural_wet_bulb_c=bad, globe_c=30.0),
        lambda: wbgt_no_sun_c(natural_wet_bulb_c=25.0, globe_c=bad),
        lambda: wbgt_sun_c(natural_wet_bulb_c=bad, globe_c=30.0, temp_c=30.0),
        lambda: wbgt_sun_c(natural_wet_bulb_c=25.0, globe_c=bad, temp_c=30.0),
        lambda: wbgt_sun_c(natural_wet_bulb_c=25.0, globe_c=30.0, temp_c=bad),
        lambda: wbgt_simple_c(temp_c=bad, rh_pct=50.0),
        lambda: wbgt_under_roof(temp_c=bad, rh_pct=50.0, pressure_pa=SEA_PA, air_mps=1.0),
        lambda: wbgt_under_roof(temp_c=30.0, rh_pct=50.0, pressure_pa=SEA_PA, air_mps=1.0, globe_c=bad),
        lambda: wbgt_under_roof(temp_c=30.0, rh_pct=50.0, pressure_pa=SEA_PA, air_mps=bad),
        lambda: wbgt_under_roof(temp_c=30.0, rh_pct=50.0, pressure_pa=bad, air_mps=1.0),
    )
    for call in calls:
        with pytest.raises(RangeError, match=r"\[.*\] is "):
            call()


@pytest.mark.parametrize(("air_mps", "above_k"), [(0.0, 0.5), (0.13, 0.5), (0.3475, 0.425), (0.565, 0.35), (1.0, 0.2)])
def test_the_wick_goes_from_calm_to_moving_by_proportion(air_mps: float, above_k: float) -> None:
    # by hand: a quarter and a half of the way from 0.13 to 1 m/s take a quarter and a half of 0.3 K
    ours = wbgt_under_roof(temp_c=30.0, rh_pct=50.0, pressure_pa=SEA_PA, air_mps=air_mps)
    wet_c = psychrolib.GetTWetBulbFromRelHum(30.0, 0.5, SEA_PA)  # stops within 0.001 K
    assert ours.natural_wet_bulb_c - wet_c == pytest.approx(above_k, abs=0.002)
