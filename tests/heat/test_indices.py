"""The indices against published worked numbers and independent libraries.

Sources: [US] practitioner's article with the examples 70 °F + 50 %, 85 + 90, 95 + 90 (Hickman); [FARM] rider's page
with 77 °F + 65 % = 142; [HEIMER] county agent 2009, 79 °F + 58 % - 4.6 mi/h = 132.4; [CLUB] riding club page,
97 °F + 80 % - 10 mi/h = 167; [PTC] values in the published tests of pythermalcomfort 4.8 (MIT licence);
[TF] thermofeel 2.3 (Apache-2.0) called here; [NWS] weather service table as quoted in the tests of MetPy 1.6;
[HDX] humidex examples on had2know.com and digplanet.com; [AMS] lesson page, Thom 82 °F, 75 °F -> 78.
"""

from __future__ import annotations

from collections.abc import Callable
from math import nan

import numpy as np
import pytest
import thermofeel
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import RangeError
from gateway.heat import indices
from gateway.heat.psychro import dew_point_c, vapour_pressure_pa
from gateway.heat.units import celsius, fahrenheit, mps


@pytest.mark.parametrize(
    ("temp_f", "rh_pct", "total"),
    [(77.0, 65.0, 142.0), (70.0, 50.0, 120.0), (85.0, 90.0, 175.0), (95.0, 90.0, 185.0)],  # [FARM], [US]
)
def test_the_sum_meets_the_printed_examples_exactly(temp_f: float, rh_pct: float, total: float) -> None:
    assert indices.heat_sum(temp_c=celsius(temp_f), rh_pct=rh_pct) == total


def test_the_sum_just_below_a_boundary_stays_below_it() -> None:
    assert indices.heat_sum(temp_c=32.0, rh_pct=60.0) == 149.6  # 32 °C is 89.6 °F


@given(st.integers(-400, 1760), st.integers(0, 1000))
def test_the_sum_of_tenths_is_free_of_binary_noise(tenths_f: int, tenths_pct: int) -> None:
    """Integer arithmetic is the outside check: a boundary such as 150 must not be missed by the sixteenth digit."""
    total = indices.heat_sum(temp_c=celsius(tenths_f / 10.0), rh_pct=tenths_pct / 10.0)
    assert total == (tenths_f + tenths_pct) / 10.0


@pytest.mark.parametrize(
    ("temp_f", "rh_pct", "wind_mph", "total"),
    [(79.0, 58.0, 4.6, 132.4), (97.0, 80.0, 10.0, 167.0)],  # [HEIMER], [CLUB]
)
def test_the_sum_less_wind_meets_the_printed_examples(
    temp_f: float, rh_pct: float, wind_mph: float, total: float
) -> None:
    ours = indices.heat_sum_minus_wind(temp_c=celsius(temp_f), rh_pct=rh_pct, wind_mps=mps(wind_mph))
    assert ours == pytest.approx(total, abs=1e-9)


# [PTC] published test values, rounded by the source to 0.1
@pytest.mark.parametrize(("temp_c", "rh_pct", "thi"), [(30.0, 70.0, 81.4), (20.0, 50.0, 65.2)])
def test_thi_meets_published_values(temp_c: float, rh_pct: float, thi: float) -> None:
    assert indices.thi_nrc(temp_c=temp_c, rh_pct=rh_pct) == pytest.approx(thi, abs=0.05)


# Independent reproduction (computed by others, not published)
@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "thi"),
    [(22.0, 100.0, 71.60), (25.0, 50.0, 71.78), (28.0, 20.0, 71.66), (32.0, 60.0, 82.65), (35.0, 70.0, 88.89)],
)
def test_independent_reproduction_of_thi(temp_c: float, rh_pct: float, thi: float) -> None:
    assert indices.thi_nrc(temp_c=temp_c, rh_pct=rh_pct) == pytest.approx(thi, abs=0.006)


def test_the_cattle_variants_agree_with_one_another_where_they_were_fitted() -> None:
    """Independent reproduction at 32 °C and 60 % (Tw 25.55, Td 23.26), computed by others, not published."""
    assert indices.thi_nrc(temp_c=32.0, rh_pct=60.0) == pytest.approx(82.65, abs=0.01)
    assert indices.thi_mader(temp_c=32.0, rh_pct=60.0) == pytest.approx(82.56, abs=0.01)
    assert indices.thi_wet_bulb(temp_c=32.0, wet_bulb_c=25.555) == pytest.approx(82.04, abs=0.01)
    assert indices.thi_yousef(temp_c=32.0, dew_point_c=23.26) == pytest.approx(81.57, abs=0.01)
    assert indices.thi_bianca(temp_c=32.0, wet_bulb_c=25.555) == pytest.approx(82.06, abs=0.06)


def test_thom_meets_the_published_example() -> None:
    ours = indices.thi_thom(temp_c=celsius(82.0), wet_bulb_c=celsius(75.0))
    assert ours == pytest.approx(78.0, abs=0.5)  # [AMS] printed as a whole number


@pytest.mark.parametrize(
    ("temp_f", "rh_pct", "index_f"),
    [(80.0, 40.0, 80.0), (88.0, 100.0, 121.0), (92.0, 70.0, 112.0), (86.0, 88.0, 104.0), (100.0, 55.0, 124.0)],  # [NWS]
)
def test_the_human_heat_index_meets_the_weather_service_table(temp_f: float, rh_pct: float, index_f: float) -> None:
    ours = fahrenheit(indices.human_heat_index_c(temp_c=celsius(temp_f), rh_pct=rh_pct))
    assert ours == pytest.approx(index_f, abs=0.5)  # the table is in whole degrees


def test_the_human_heat_index_agrees_with_the_library_over_a_grid() -> None:
    """Every branch: simple, regression, dry and damp. The library takes a dew point: we take the RH it makes of it."""
    temps_c = np.repeat(np.arange(6.0, 50.0, 1.0), 49)
    rh_pct = np.tile(np.arange(4.0, 101.0, 2.0), 44)
    dew_k = thermofeel.calculate_dew_point_from_relative_humidity(rh_pct, temps_c + 273.15)
    seen_pct = np.clip(thermofeel.calculate_relative_humidity_percent(temps_c + 273.15, dew_k), 0.0, 100.0)
    theirs = thermofeel.calculate_heat_index_adjusted(temps_c + 273.15, dew_k) - 273.15
    assert len(temps_c) > 2000
    for temp_c, rh, expected in zip(temps_c, seen_pct, theirs, strict=True):
        ours = indices.human_heat_index_c(temp_c=float(temp_c), rh_pct=float(rh))
        assert ours == pytest.approx(float(expected), abs=0.001)


# [HDX] whole numbers in the sources except the last
@pytest.mark.parametrize(
    ("temp_c", "dew_c", "value", "close"), [(30.0, 15.0, 34.0, 0.5), (30.0, 25.0, 42.0, 0.5), (30.0, 21.0, 38.4, 0.2)]
)
def test_humidex_meets_published_examples(temp_c: float, dew_c: float, value: float, close: float) -> None:
    assert indices.humidex(temp_c=temp_c, dew_point_c=dew_c) == pytest.approx(value, abs=close)


# [PTC] in terms of relative humidity
@pytest.mark.parametrize(("temp_c", "rh_pct", "theirs"), [(25.0, 50.0, 28.2), (30.0, 80.0, 43.3), (31.6, 57.1, 40.8)])
def test_humidex_meets_published_values_from_humidity(temp_c: float, rh_pct: float, theirs: float) -> None:
    dew_c = dew_point_c(vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct))
    # Masterton's vapour formula holds the latent heat constant: 2 % too high at 34 hPa, which is 0.4
    assert indices.humidex(temp_c=temp_c, dew_point_c=dew_c) == pytest.approx(theirs, abs=0.5)


def test_humidex_agrees_with_the_library_over_a_grid() -> None:
    for temp_c in range(10, 45):
        for dew_c in range(-10, min(temp_c, 30) + 1):
            theirs = thermofeel.calculate_humidex(np.array([temp_c + 273.15]), np.array([dew_c + 273.15]))
            # the library has 273.15 where Masterton has 273.16: 0.02 at a dew point of 30 °C
            ours = indices.humidex(temp_c=float(temp_c), dew_point_c=float(dew_c))
            assert ours == pytest.approx(float(theirs[0]) - 273.15, abs=0.025)


@pytest.mark.parametrize("bad", [-40.1, 80.1, nan])
def test_temperatures_out_of_range_are_refused(bad: float) -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: indices.heat_sum(temp_c=bad, rh_pct=50.0),
        lambda: indices.heat_sum_minus_wind(temp_c=bad, rh_pct=50.0, wind_mps=1.0),
        lambda: indices.thi_nrc(temp_c=bad, rh_pct=50.0),
        lambda: indices.thi_mader(temp_c=bad, rh_pct=50.0),
        lambda: indices.thi_wet_bulb(temp_c=bad, wet_bulb_c=-41.0),
        lambda: indices.thi_yousef(temp_c=bad, dew_point_c=-41.0),
        lambda: indices.thi_bianca(temp_c=bad, wet_bulb_c=-41.0),
        lambda: indices.thi_thom(temp_c=bad, wet_bulb_c=-41.0),
        lambda: indices.human_heat_index_c(temp_c=bad, rh_pct=50.0),
        lambda: indices.humidex(temp_c=bad, dew_point_c=-41.0),
    )
    for call in calls:
        with pytest.raises(RangeError, match=r"temp_c \[°C\]"):
            call()


def test_other_arguments_out_of_range_are_refused() -> None:
    with pytest.raises(RangeError, match=r"rh_pct \[%\]"):
        indices.heat_sum(temp_c=20.0, rh_pct=100.1)
    with pytest.raises(RangeError, match=r"wind_mps \[m/s\]"):
        indices.heat_sum_minus_wind(temp_c=20.0, rh_pct=50.0, wind_mps=-0.1)
    for call in (indices.thi_wet_bulb, indices.thi_bianca, indices.thi_thom):
        with pytest.raises(RangeError, match=r"wet_bulb_c \[°C\]"):
            call(temp_c=20.0, wet_bulb_c=20.1)
    for dewy in (indices.thi_yousef, indices.humidex):
        with pytest.raises(RangeError, match=r"dew_point_c \[°C\]"):
            dewy(temp_c=20.0, dew_point_c=20.1)


def test_the_damp_correction_agrees_with_the_library_between_the_whole_degrees() -> None:
    """The corner where the weather service adds: 80 to 87 °F and above 85 %, and the edges on either side."""
    temps_f = np.repeat(np.arange(79.5, 87.6, 0.25), 61)
    rh_pct = np.tile(np.arange(85.0, 100.01, 0.25), 33)
    temps_k = (temps_f - 32.0) / 1.8 + 273.15
    dew_k = thermofeel.calculate_dew_point_from_relative_humidity(rh_pct, temps_k)
    seen_pct = np.clip(thermofeel.calculate_relative_humidity_percent(temps_k, dew_k), 0.0, 100.0)
    theirs = thermofeel.calculate_heat_index_adjusted(temps_k, dew_k) - 273.15
    assert len(theirs) > 2000
    for temp_k, rh, expected in zip(temps_k, seen_pct, theirs, strict=True):
        ours = indices.human_heat_index_c(temp_c=float(temp_k) - 273.15, rh_pct=float(rh))
        assert ours == pytest.approx(float(expected), abs=0.001)


def test_the_sum_is_rounded_to_nine_decimals() -> None:
    # by hand: 32 + 1.8 x 0 + 50.0000000014 is 82.000000001 to nine decimals
    assert indices.heat_sum(temp_c=0.0, rh_pct=50.0000000014) == 82.000000001
