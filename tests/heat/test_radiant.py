from __future__ import annotations

from math import log10, nan

import numpy as np
import pytest
import thermofeel

from gateway.errors import RangeError
from gateway.heat.radiant import mean_radiant_c


@pytest.mark.parametrize("globe_c", [20.0, 35.0, 50.0])
@pytest.mark.parametrize("temp_c", [18.0, 32.0])
@pytest.mark.parametrize("air_mps", [0.5, 1.5, 4.0])
def test_it_agrees_with_the_library_in_moving_air(globe_c: float, temp_c: float, air_mps: float) -> None:
    # thermofeel 2.3 has the forced form only and wants the wind at 10 m: logarithmic profile from 1.1 m, z0 0.01 m
    at_ten_m = air_mps * log10(10.0 / 0.01) / log10(1.1 / 0.01)
    theirs = thermofeel.calculate_mrt_from_bgt(
        np.array([temp_c + 273.15]), np.array([globe_c + 273.15]), np.array([at_ten_m])
    )
    ours = mean_radiant_c(globe_c=globe_c, temp_c=temp_c, air_mps=air_mps)
    assert ours == pytest.approx(float(theirs[0]) - 273.15, abs=0.01)


def test_a_globe_at_air_temperature_sees_air_temperature() -> None:
    assert mean_radiant_c(globe_c=30.0, temp_c=30.0, air_mps=1.0) == pytest.approx(30.0, abs=1e-9)


def test_still_air_has_its_own_film() -> None:
    # ISO 7726 annex B, natural convection, by hand (from memory): 0.25e8/0.95 (5/0.15)^(1/4) = 6.3233e7,
    # 313.15^4 + 6.3233e7 * 5 = 9.9326e9, fourth root 315.69 K
    assert mean_radiant_c(globe_c=40.0, temp_c=35.0, air_mps=0.0) == pytest.approx(42.54, abs=0.02)


def test_a_globe_colder_than_the_air_sees_something_colder_still() -> None:
    assert mean_radiant_c(globe_c=28.0, temp_c=30.0, air_mps=0.2) < 28.0


@pytest.mark.parametrize(
    ("globe_c", "temp_c", "air_mps", "globe_m"),
    [
        (121.0, 30.0, 1.0, 0.15),
        (40.0, nan, 1.0, 0.15),
        (40.0, 30.0, -1.0, 0.15),
        (40.0, 30.0, 1.0, 0.3),
        (-40.0, 80.0, 60.0, 0.15),
    ],
)
def test_impossible_readings_are_refused(globe_c: float, temp_c: float, air_mps: float, globe_m: float) -> None:
    with pytest.raises(RangeError):
        mean_radiant_c(globe_c=globe_c, temp_c=temp_c, air_mps=air_mps, globe_m=globe_m)


@pytest.mark.parametrize(("temp_c", "air_mps"), [(30.0, 0.0), (30.0, 0.7), (22.0, 2.0)])
@pytest.mark.parametrize("globe_m", [0.05, 0.15])
def test_the_globe_settles_where_the_standard_says(temp_c: float, air_mps: float, globe_m: float) -> None:
    """ISO 7726 annex B written the other way (from memory): what the surroundings radiate is what the globe loses."""
    globe_c = 37.0
    radiant_c = mean_radiant_c(globe_c=globe_c, temp_c=temp_c, air_mps=air_mps, globe_m=globe_m)
    apart = np.float64(globe_c - temp_c)
    film = max(0.25e8 * np.power(apart / globe_m, 0.25), 1.1e8 * np.power(air_mps, 0.6) * np.power(globe_m, -0.4))
    gained = np.power(radiant_c + 273.15, 4) - np.power(globe_c + 273.15, 4)
    assert gained * 0.95 == pytest.approx(film * apart, rel=1e-9)
