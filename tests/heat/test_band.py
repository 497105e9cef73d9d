from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.heat.balance import Surroundings, carry
from gateway.heat.band import DRY_COAT, carry_band, effects
from gateway.heat.horse import Convection, Horse, Pace

AIR = st.builds(Surroundings, temp_c=st.floats(10.0, 42.0), rh_pct=st.floats(5.0, 95.0), air_mps=st.floats(0.0, 5.0))
PACES = st.sampled_from(list(Pace))


@given(AIR, PACES)
def test_the_band_is_as_wide_as_the_stated_assumptions(around: Surroundings, pace: Pace) -> None:
    band = carry_band(around, pace, Horse())
    assert band.low <= band.carry <= band.high
    seen = []
    # area formulas in print: 15 % either way; both convection forms; wet between 70 and 100 %
    for area in (0.85, 0.93, 1.0, 1.07, 1.15):
        for form in Convection:
            for wetness in (0.7, 0.85, 1.0):
                seen.append(carry(around, pace, Horse(area_factor=area, convection=form, wetness=wetness)))
    assert (min(seen), max(seen)) == pytest.approx((band.low, band.high), abs=1e-9)


def test_independent_reproduction_of_the_gap_between_the_forms() -> None:
    """Computed by others: from 0.5 to 2 m/s the human form lies 68 to 27 % above the livestock form."""
    for air_mps, low, high in ((0.5, 1.4, 1.75), (2.0, 1.2, 1.3)):
        around = Surroundings(temp_c=35.0, rh_pct=50.0, air_mps=air_mps)  # no convection at skin temperature
        human = carry(around, Pace.STAND, Horse(standing_oxygen=15.0))
        livestock = carry(around, Pace.STAND, Horse(standing_oxygen=15.0, convection=Convection.LIVESTOCK))
        assert low < human / livestock < high


def test_the_band_of_another_horse_is_around_that_horse() -> None:
    """A big half-wet horse: its own area and wettedness move by the same shares."""
    around = Surroundings(temp_c=33.0, rh_pct=60.0, air_mps=1.0)
    band = carry_band(around, Pace.WALK, Horse(area_factor=1.1, wetness=0.5))
    low = carry(around, Pace.WALK, Horse(area_factor=0.935, wetness=0.35, convection=Convection.LIVESTOCK))
    high = carry(around, Pace.WALK, Horse(area_factor=1.265, wetness=0.5))
    assert (band.low, band.high) == pytest.approx((low, high))


def test_a_parameter_at_the_end_of_its_range_still_has_a_band() -> None:
    band = carry_band(Surroundings(temp_c=32.0, rh_pct=60.0), Pace.TROT, Horse(area_factor=1.35, wetness=0.0))
    assert band.low == band.carry == band.high == 0.0


def test_independent_reproduction_of_what_a_fan_does_for_a_wet_horse() -> None:
    """Computed by others at 32 °C and 60 %: required wettedness 1.68 in still air, 0.28 at 3 m/s."""
    stall = Surroundings(temp_c=32.0, rh_pct=60.0, air_mps=0.2)
    seen = effects(stall, Pace.STAND, Horse(standing_oxygen=9.0), fan_mps=3.0)
    assert 1.0 / seen.now == pytest.approx(1.68, abs=0.01)
    assert 1.0 / seen.with_fan == pytest.approx(0.28, abs=0.005)
    assert seen.wetted == seen.now
    assert seen.wetted_with_fan == seen.with_fan
    assert seen.dry_coat == pytest.approx(DRY_COAT * seen.now)


@given(AIR, PACES, st.floats(0.1, 1.0), st.floats(0.0, 6.0))
def test_water_wind_and_shade_never_lower_carry(
    around: Surroundings, pace: Pace, wetness: float, fan_mps: float
) -> None:
    sunny = replace(around, sun_w_m2=600.0)
    seen = effects(sunny, pace, Horse(wetness=wetness), fan_mps=fan_mps)
    assert seen.with_fan >= seen.now - 1e-12
    assert seen.wetted >= seen.now
    assert seen.wetted_with_fan >= seen.wetted - 1e-12
    assert seen.without_sun >= seen.now


def test_a_weak_fan_does_not_slow_the_wind() -> None:
    windy = Surroundings(temp_c=32.0, rh_pct=60.0, air_mps=4.0)
    seen = effects(windy, Pace.STAND, Horse(standing_oxygen=9.0), fan_mps=1.0)
    assert seen.with_fan == seen.now


def test_without_sun_is_the_balance_in_the_shade() -> None:
    sunny = Surroundings(temp_c=33.0, rh_pct=60.0, air_mps=1.0, sun_w_m2=700.0, radiant_c=50.0)
    shade = Surroundings(temp_c=33.0, rh_pct=60.0, air_mps=1.0)
    assert effects(sunny, Pace.TROT, Horse(), fan_mps=2.0).without_sun == carry(shade, Pace.TROT, Horse())
