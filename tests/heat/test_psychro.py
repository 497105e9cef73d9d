"""Moist air against the handbook's numbers and against an independent library.

Sources: [H] ASHRAE Handbook Fundamentals 2017, chapter 1, tables and example 1, as quoted with their tolerances in the
test suite of PsychroLib 2.5 (MIT licence); [P] PsychroLib 2.5 called here; [S] Stull 2011, J Appl Meteor Climatol
50:2267, its example and its stated error.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, log, nan

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import RangeError
from gateway.heat import psychro

psychrolib.SetUnitSystem(psychrolib.SI)

SEA_PA = 101_325.0
RELATIVE = 3e-4  # [H]: the tolerance that the source states for its table values
TEMPS_C = tuple(range(-40, 81, 4))
HUMIDITIES_PCT = (0.5, 2.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 75.0, 90.0, 100.0)
PRESSURES_PA = (60_000.0, 70_000.0, 84_000.0, 95_461.0, 101_325.0, 108_000.0)
GRID = tuple((t, rh, p) for t in TEMPS_C for rh in HUMIDITIES_PCT for p in PRESSURES_PA)


# [H] table 3, thermodynamic properties of water at saturation (the two below freezing from memory)
@pytest.mark.parametrize(
    ("temp_c", "pressure_pa"), [(-20.0, 103.24), (-5.0, 401.74), (5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)]
)
def test_saturation_meets_the_handbook_table(temp_c: float, pressure_pa: float) -> None:
    assert psychro.saturation_pressure_pa(temp_c) == pytest.approx(pressure_pa, rel=RELATIVE)


def test_saturation_is_the_same_curve_as_the_library() -> None:
    for tenth in range(-400, 801):
        expected = psychrolib.GetSatVapPres(tenth / 10.0)  # [P]
        assert psychro.saturation_pressure_pa(tenth / 10.0) == pytest.approx(expected, rel=1e-12)


def test_ice_and_water_meet_at_the_triple_point() -> None:
    # 611.657 Pa is the triple-point pressure of water (Guildner, Johnson and Jones 1976; from memory)
    assert psychro.saturation_pressure_pa(0.01) == pytest.approx(611.657, abs=0.01)
    above = psychro.saturation_pressure_pa(0.010001)
    assert above == pytest.approx(psychro.saturation_pressure_pa(0.01), abs=0.01)
    assert above > psychro.saturation_pressure_pa(0.01)


@pytest.mark.parametrize("temp_c", [-80.0, -30.0, -1.0, 0.5, 20.0, 50.0, 79.0])
def test_the_slope_that_the_inverses_walk_along_is_the_slope_of_the_curve(temp_c: float) -> None:
    step_k = 1e-3
    above, below = psychrolib.GetSatVapPres(temp_c + step_k), psychrolib.GetSatVapPres(temp_c - step_k)  # [P]
    assert psychro._log_saturation(temp_c)[1] == pytest.approx(log(above / below) / (2.0 * step_k), rel=1e-7)


def test_the_grid_is_large_enough_to_mean_something() -> None:
    assert len(GRID) >= 2000


def test_the_state_agrees_with_the_library_over_the_grid() -> None:
    for temp_c, rh_pct, pressure_pa in GRID:
        vapour_pa = psychro.vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct)
        assert vapour_pa == pytest.approx(psychrolib.GetVapPresFromRelHum(temp_c, rh_pct / 100.0), rel=1e-12)
        deficit_pa = psychro.vapour_deficit_pa(temp_c=temp_c, rh_pct=rh_pct)
        ratio = psychro.humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=pressure_pa)
        assert ratio == pytest.approx(psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, pressure_pa), rel=1e-12)
        assert deficit_pa == pytest.approx(
            psychrolib.GetVaporPressureDeficit(temp_c, ratio, pressure_pa), rel=1e-9, abs=1e-9
        )
        assert psychro.enthalpy_j_kg(temp_c=temp_c, humidity_ratio=ratio) == pytest.approx(
            psychrolib.GetMoistAirEnthalpy(temp_c, ratio), rel=1e-12, abs=1e-6
        )
        density = psychro.density_kg_m3(temp_c=temp_c, humidity_ratio=ratio, pressure_pa=pressure_pa)
        assert density == pytest.approx(psychrolib.GetMoistAirDensity(temp_c, ratio, pressure_pa), rel=1e-12)
        back_pa = psychro.vapour_from_ratio_pa(humidity_ratio=ratio, pressure_pa=pressure_pa)
        assert back_pa == pytest.approx(psychrolib.GetVapPresFromHumRatio(ratio, pressure_pa), rel=1e-12)
        assert psychro.rh_pct_from_vapour(temp_c=temp_c, vapour_pressure_pa=vapour_pa) == pytest.approx(rh_pct)
        # the library stops its search at 0.001 K
        assert psychro.dew_point_c(vapour_pa) == pytest.approx(
            psychrolib.GetTDewPointFromVapPres(temp_c, vapour_pa), abs=0.0011
        )


def test_the_wet_bulb_agrees_with_the_library_except_where_a_wick_may_be_ice_or_water() -> None:
    """Near freezing both wicks have a solution: the library's bisection takes either, we take water if it can be."""
    two_answers = 0
    for temp_c, rh_pct, pressure_pa in GRID:
        ours = psychro.wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa)
        theirs = psychrolib.GetTWetBulbFromRelHum(temp_c, rh_pct / 100.0, pressure_pa)
        if ours >= 0.01 and theirs < 0.0:
            two_answers += 1
            wanted = psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, pressure_pa)
            assert psychrolib.GetHumRatioFromTWetBulb(temp_c, ours, pressure_pa) == pytest.approx(wanted, abs=1e-9)
            assert theirs > -1.0
        else:
            assert ours == pytest.approx(theirs, abs=0.0011)  # the library stops its search at 0.001 K
    assert two_answers < 30


def test_example_one_of_the_handbook() -> None:
    # [H] moist air at 40 °C, wet bulb 20 °C, 101.325 kPa: W 0.0065, h 56.7 kJ/kg, Td 7 °C, v 0.896 m3/kg, RH 14 %
    ratio = psychro.ratio_at_wet_bulb(temp_c=40.0, wet_bulb_c=20.0, pressure_pa=SEA_PA)
    vapour_pa = psychro.vapour_from_ratio_pa(humidity_ratio=ratio, pressure_pa=SEA_PA)
    density = psychro.density_kg_m3(temp_c=40.0, humidity_ratio=ratio, pressure_pa=SEA_PA)
    assert ratio == pytest.approx(0.0065, abs=1e-4)
    assert psychro.enthalpy_j_kg(temp_c=40.0, humidity_ratio=ratio) == pytest.approx(56_700.0, abs=100.0)
    assert psychro.dew_point_c(vapour_pa) == pytest.approx(7.0, abs=0.5)
    assert (1.0 + ratio) / density == pytest.approx(0.896, rel=0.01)
    assert psychro.rh_pct_from_vapour(temp_c=40.0, vapour_pressure_pa=vapour_pa) == pytest.approx(14.0, abs=1.0)


def test_single_published_values() -> None:
    # [H] all four with the tolerance stated by the source
    assert psychro.enthalpy_j_kg(temp_c=30.0, humidity_ratio=0.02) == pytest.approx(81_316.0, rel=RELATIVE)
    ratio = psychro.ratio_at_wet_bulb(temp_c=30.0, wet_bulb_c=25.0, pressure_pa=95_461.0)
    assert ratio == pytest.approx(0.0192281, rel=RELATIVE)
    assert psychro.pressure_at_altitude_pa(500.0) == pytest.approx(95_461.0, abs=1.0)
    assert psychro.pressure_at_altitude_pa(1000.0) == pytest.approx(89_875.0, abs=1.0)
    saturated_pa = psychro.vapour_pressure_pa(temp_c=25.0, rh_pct=100.0)
    # [H] table 2: saturation humidity ratio at 25 °C
    assert psychro.humidity_ratio(vapour_pressure_pa=saturated_pa, pressure_pa=SEA_PA) == pytest.approx(
        0.020173, rel=0.005
    )


def test_the_wet_bulb_lies_within_the_stated_error_of_the_rough_formula() -> None:
    # [S] example 20 °C, 50 % -> 13.7 °C; stated error -1.0 to +0.65 K, mean below 0.3 K
    assert psychro.wet_bulb_c(temp_c=20.0, rh_pct=50.0, pressure_pa=SEA_PA) == pytest.approx(13.7, abs=0.3)


# Independent reproduction (computed by others with PsychroLib; not published): T, RH, Td, Tw, VPD
@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "dew_c", "wet_c", "deficit_pa"),
    [
        (20.0, 50.0, 9.27, 13.783, 1169.4),
        (28.0, 85.0, 25.24, 25.932, 567.3),
        (32.0, 60.0, 23.26, 25.555, 1903.4),
        (35.0, 70.0, 28.70, 30.059, 1688.3),
        (40.0, 15.0, 8.47, 20.356, 6275.9),
    ],
)
def test_independent_reproduction_of_barn_air(
    temp_c: float, rh_pct: float, dew_c: float, wet_c: float, deficit_pa: float
) -> None:
    assert psychro.wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=SEA_PA) == pytest.approx(wet_c, abs=0.002)
    vapour_pa = psychro.vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct)
    assert psychro.dew_point_c(vapour_pa) == pytest.approx(dew_c, abs=0.006)
    assert psychro.vapour_deficit_pa(temp_c=temp_c, rh_pct=rh_pct) == pytest.approx(deficit_pa, abs=0.06)


@given(st.floats(-40.0, 80.0))
def test_the_dew_point_turns_saturation_back(temp_c: float) -> None:
    assert psychro.dew_point_c(psychro.saturation_pressure_pa(temp_c)) == pytest.approx(temp_c, abs=1e-8)


def test_very_dry_air_has_a_frost_point_far_below_the_range_of_the_air() -> None:
    for frost_c in (-99.9, -80.0, -60.0, -41.0):
        assert psychro.dew_point_c(psychrolib.GetSatVapPres(frost_c)) == pytest.approx(frost_c, abs=1e-6)
    with pytest.raises(RangeError, match="vapour_pressure_pa"):
        psychro.dew_point_c(0.99 * psychrolib.GetSatVapPres(-100.0))


def test_the_dew_point_is_found_in_the_gap_between_the_two_printed_curves() -> None:
    # the ice curve ends 4 mPa below the start of the water curve
    assert psychro.dew_point_c(611.6575) == pytest.approx(0.01, abs=1e-4)


@given(st.floats(-40.0, 80.0), st.floats(0.0, 100.0), st.floats(60_000.0, 110_000.0))
def test_the_wet_bulb_turns_back_and_lies_below_the_dry_one(temp_c: float, rh_pct: float, pressure_pa: float) -> None:
    wet_c = psychro.wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa)
    assert wet_c <= temp_c
    vapour_pa = psychro.vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct)
    ratio = psychro.humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=pressure_pa)
    # the inverse in the library's own words [P]; it lifts ratios below 1e-7
    back = psychrolib.GetHumRatioFromTWetBulb(temp_c, wet_c, pressure_pa)
    if not 0.0 <= wet_c <= 0.01:  # the library changes from ice to water at 0, we at the triple point
        assert back == pytest.approx(max(ratio, 1e-7), rel=1e-7, abs=1e-9)


@given(st.floats(5.0, 78.9), st.floats(20.0, 98.9), st.floats(0.1, 1.0))
def test_wetter_or_warmer_air_has_the_higher_wet_bulb(temp_c: float, rh_pct: float, more: float) -> None:
    here = psychro.wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=SEA_PA)
    assert psychro.wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct + more, pressure_pa=SEA_PA) > here
    assert psychro.wet_bulb_c(temp_c=temp_c + more, rh_pct=rh_pct, pressure_pa=SEA_PA) > here


def test_saturated_air_has_one_temperature() -> None:
    for temp_c in (-40.0, -3.0, 0.005, 0.02, 25.0, 80.0):
        vapour_pa = psychro.vapour_pressure_pa(temp_c=temp_c, rh_pct=100.0)
        assert psychro.wet_bulb_c(temp_c=temp_c, rh_pct=100.0, pressure_pa=SEA_PA) == pytest.approx(temp_c, abs=1e-6)
        assert psychro.dew_point_c(vapour_pa) == pytest.approx(temp_c, abs=1e-6)


def test_dry_air_has_a_wet_bulb_but_no_dew_point() -> None:
    # adiabatic saturation temperature of dry air at 20 °C is 5.8 °C [P]
    ours = psychro.wet_bulb_c(temp_c=20.0, rh_pct=0.0, pressure_pa=SEA_PA)
    assert ours == pytest.approx(psychrolib.GetTWetBulbFromHumRatio(20.0, 0.0, SEA_PA), abs=0.002)
    with pytest.raises(RangeError, match=r"vapour_pressure_pa \[Pa\]"):
        psychro.dew_point_c(0.0)


@pytest.mark.parametrize("bad", [-40.001, 80.001, nan, inf, -inf])
def test_temperatures_out_of_range_are_refused_by_name_and_unit(bad: float) -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: psychro.saturation_pressure_pa(bad),
        lambda: psychro.vapour_pressure_pa(temp_c=bad, rh_pct=50.0),
        lambda: psychro.vapour_deficit_pa(temp_c=bad, rh_pct=50.0),
        lambda: psychro.wet_bulb_c(temp_c=bad, rh_pct=50.0, pressure_pa=SEA_PA),
        lambda: psychro.rh_pct_from_vapour(temp_c=bad, vapour_pressure_pa=1000.0),
        lambda: psychro.enthalpy_j_kg(temp_c=bad, humidity_ratio=0.01),
        lambda: psychro.density_kg_m3(temp_c=bad, humidity_ratio=0.01, pressure_pa=SEA_PA),
        lambda: psychro.ratio_at_wet_bulb(temp_c=bad, wet_bulb_c=-41.0, pressure_pa=SEA_PA),
    )
    for call in calls:
        with pytest.raises(RangeError, match=r"temp_c \[°C\] is .*-40 to 80"):
            call()


@pytest.mark.parametrize("bad", [-0.001, 100.001, nan])
def test_humidities_out_of_range_are_refused(bad: float) -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: psychro.vapour_pressure_pa(temp_c=20.0, rh_pct=bad),
        lambda: psychro.vapour_deficit_pa(temp_c=20.0, rh_pct=bad),
        lambda: psychro.wet_bulb_c(temp_c=20.0, rh_pct=bad, pressure_pa=SEA_PA),
    )
    for call in calls:
        with pytest.raises(RangeError, match=r"rh_pct \[%\] is .*0 to 100"):
            call()


@pytest.mark.parametrize("bad", [59_999.0, 110_001.0, nan])
def test_pressures_out_of_range_are_refused(bad: float) -> None:
    calls: tuple[Callable[[], object], ...] = (
        lambda: psychro.wet_bulb_c(temp_c=20.0, rh_pct=50.0, pressure_pa=bad),
        lambda: psychro.humidity_ratio(vapour_pressure_pa=1000.0, pressure_pa=bad),
        lambda: psychro.vapour_from_ratio_pa(humidity_ratio=0.01, pressure_pa=bad),
        lambda: psychro.density_kg_m3(temp_c=20.0, humidity_ratio=0.01, pressure_pa=bad),
        lambda: psychro.ratio_at_wet_bulb(temp_c=20.0, wet_bulb_c=10.0, pressure_pa=bad),
    )
    for call in calls:
        with pytest.raises(RangeError, match=r"pressure_pa \[Pa\]"):
            call()


def test_other_arguments_out_of_range_are_refused() -> None:
    with pytest.raises(RangeError, match=r"altitude_m \[m\]"):
        psychro.pressure_at_altitude_pa(4200.1)
    with pytest.raises(RangeError, match=r"humidity_ratio"):
        psychro.enthalpy_j_kg(temp_c=20.0, humidity_ratio=-1e-9)
    with pytest.raises(RangeError, match=r"humidity_ratio"):
        psychro.vapour_from_ratio_pa(humidity_ratio=3.1, pressure_pa=SEA_PA)
    with pytest.raises(RangeError, match=r"vapour_pressure_pa"):
        psychro.humidity_ratio(vapour_pressure_pa=0.81 * SEA_PA, pressure_pa=SEA_PA)
    with pytest.raises(RangeError, match=r"vapour_pressure_pa"):
        psychro.rh_pct_from_vapour(temp_c=20.0, vapour_pressure_pa=-1.0)
    with pytest.raises(RangeError, match=r"wet_bulb_c"):
        psychro.ratio_at_wet_bulb(temp_c=20.0, wet_bulb_c=20.1, pressure_pa=SEA_PA)


@pytest.mark.parametrize(
    ("temp_c", "wet_c"),
    [(-20.0, -20.3), (-2.0, -4.0), (5.0, -0.5), (5.0, 3.0), (30.0, 15.0), (30.0, 29.0), (60.0, 28.0), (60.0, 52.0)],
)
@pytest.mark.parametrize("pressure_pa", [70_000.0, SEA_PA])
def test_the_slope_that_the_wet_bulb_walks_along_is_the_slope_of_the_library(
    temp_c: float, wet_c: float, pressure_pa: float
) -> None:
    step_k = 1e-4
    above, below = (
        psychrolib.GetHumRatioFromTWetBulb(temp_c, wet_c + k, pressure_pa) for k in (step_k, -step_k)
    )  # [P]
    assert below > 1e-7  # the library lifts what is lower
    ratio, slope = psychro._wick(wet_c, temp_c, pressure_pa, wet_c < 0.01)
    assert ratio == pytest.approx((above + below) / 2.0, rel=1e-6)
    assert slope == pytest.approx((above - below) / (2.0 * step_k), rel=1e-6)


def test_the_standard_pressure_is_the_standard_atmosphere() -> None:
    assert psychro.STANDARD_PRESSURE_PA == 101_325.0  # BIPM, 10th CGPM 1954


def test_the_dew_point_ends_where_the_page_says() -> None:
    # [P] saturation at 80 °C and at -100 °C; dry air has no vapour and so no dew point
    assert psychro.dew_point_c(psychrolib.GetSatVapPres(80.0)) == pytest.approx(80.0, abs=1e-6)
    assert psychro.dew_point_c(1.000001 * psychrolib.GetSatVapPres(-100.0)) == pytest.approx(-100.0, abs=1e-3)
    dry_pa = psychro.vapour_pressure_pa(temp_c=20.0, rh_pct=0.0)
    for bad_pa in (dry_pa, 0.9999 * psychrolib.GetSatVapPres(-100.0), 1.0001 * psychrolib.GetSatVapPres(80.0), nan):
        with pytest.raises(RangeError, match="vapour_pressure_pa"):
            psychro.dew_point_c(bad_pa)
