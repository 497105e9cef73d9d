"""Outdoor WBGT against two independent implementations of the paper.

[TF] thermofeel 2.3 (Apache-2.0, from the paper's code); [LW] lwbgt 1.2 (the paper's C code, Apache-2.0 and
UChicago-Argonne notice). Both stop within 0.02 K of their last step, so they end up to 0.02 K from the true root.
"""

from __future__ import annotations

from math import nan

import lwbgt
import numpy as np
import pytest
from thermofeel import liljegren as library

from gateway.errors import RangeError
from gateway.heat.liljegren import outdoor_wbgt
from gateway.heat.wbgt import Wbgt

STOP_K = 0.021
SKIES = ((0.0, -0.5, 0.0), (60.0, 0.05, 0.0), (400.0, 0.5, 0.5), (900.0, 0.95, 0.8), (1100.0, 0.99, 0.9))


def _ours(temp_c: float, rh_pct: float, wind: float, sun: float, hpa: float, cos: float, beam: float) -> Wbgt:
    return outdoor_wbgt(
        temp_c=temp_c,
        rh_pct=rh_pct,
        pressure_pa=100.0 * hpa,
        wind_mps=wind,
        sun_w_m2=sun,
        beam_share=beam,
        sun_cos=cos,
    )


def test_globe_and_wick_agree_with_the_first_implementation_over_a_grid() -> None:
    states = [
        (float(temp_c), float(rh_pct), wind, sun, hpa, cos, beam)
        for temp_c in range(-5, 51, 5)
        for rh_pct in (5, 20, 40, 60, 80, 100)
        for wind in (0.13, 0.5, 1.0, 3.0, 8.0)
        for hpa in (800.0, 1013.25)
        for sun, cos, beam in SKIES
    ]
    assert len(states) > 2000
    columns = [np.array(column) for column in zip(*states, strict=True)]
    temp, rh, wind, sun, hpa, cos, beam = columns
    globes = library.solve_globe(temp + 273.15, rh / 100.0, hpa, wind, sun, beam, cos)
    wicks = library.solve_wetbulb(temp + 273.15, rh / 100.0, hpa, wind, sun, beam, cos, 1.0)
    unsettled = np.isnan(globes) | np.isnan(wicks)  # the library's own iteration gave up there
    assert unsettled.mean() < 0.02
    for state, globe_c, wick_c in zip(states, globes, wicks, strict=True):
        if np.isnan(globe_c) or np.isnan(wick_c):
            continue
        ours = _ours(*state)
        assert ours.globe_c == pytest.approx(float(globe_c), abs=STOP_K), state
        assert ours.natural_wet_bulb_c == pytest.approx(float(wick_c), abs=STOP_K), state
        parts = 0.7 * ours.natural_wet_bulb_c + 0.2 * ours.globe_c + 0.1 * state[0]  # ISO 7243
        assert ours.wbgt_c == pytest.approx(parts, abs=1e-9)


@pytest.mark.parametrize("temp_c", [10.0, 22.0, 32.0, 42.0])
@pytest.mark.parametrize("rh_pct", [10.0, 50.0, 90.0])
@pytest.mark.parametrize("wind", [0.3, 1.0, 4.0])
def test_nights_agree_with_the_second_implementation(temp_c: float, rh_pct: float, wind: float) -> None:
    """At night its own solar position plays no part."""
    record = lwbgt.Input(2024, 7, 15, 1, 0, 0, 0, 0, 28.6, 0.0, 0.0, 1013.25, temp_c, rh_pct, wind, 2.0, 0.0)
    theirs = lwbgt.calculate(record)
    ours = _ours(temp_c, rh_pct, wind, 0.0, 1013.25, -0.62, 0.0)
    assert ours.wbgt_c == pytest.approx(theirs.wbgt_c, abs=STOP_K)
    assert ours.globe_c == pytest.approx(theirs.globe_temperature_c, abs=STOP_K)
    assert ours.natural_wet_bulb_c == pytest.approx(theirs.natural_wet_bulb_c, abs=STOP_K)


# Independent reproduction (four packages agreed to 0.001 K; last column their exact root; not published):
# T, RH, v, sun, hPa, cos, beam -> packages, root
CASES = (
    ((32.0, 60.0, 1.0, 0.0, 1013.25, -0.621565, 0.0), 27.332, 27.326),
    ((32.0, 60.0, 1.0, 900.0, 1013.25, 0.991442, 0.722901), 33.323, 33.313),
    ((40.0, 15.0, 2.0, 950.0, 970.0, 0.977248, 0.794191), 30.487, 30.478),
    ((28.0, 85.0, 0.5, 300.0, 1013.25, 0.991442, 0.010866), 30.406, 30.396),
    ((22.0, 55.0, 2.0, 700.0, 1000.0, 0.885307, 0.565348), 22.243, 22.233),
)


@pytest.mark.parametrize(("state", "packages_c", "root_c"), CASES)
def test_independent_reproduction_of_the_five_cases(
    state: tuple[float, float, float, float, float, float, float], packages_c: float, root_c: float
) -> None:
    assert _ours(*state).wbgt_c == pytest.approx(packages_c, abs=0.03)
    assert _ours(*state).wbgt_c == pytest.approx(root_c, abs=0.001)


def test_noon_agrees_with_the_second_implementation() -> None:
    """Its own sun at 28.6 N on 15 July, noon: cosine 0.991442, beam share 0.722901 at 900 W/m2."""
    record = lwbgt.Input(2024, 7, 15, 12, 0, 0, 0, 0, 28.6, 0.0, 900.0, 1013.25, 32.0, 60.0, 1.0, 2.0, 0.0)
    assert _ours(*CASES[1][0]).wbgt_c == pytest.approx(lwbgt.calculate(record).wbgt_c, abs=STOP_K)


def test_a_globe_at_night_is_colder_than_the_air() -> None:
    assert _ours(32.0, 60.0, 1.0, 0.0, 1013.25, -0.6, 0.0).globe_c < 32.0  # clear sky, as the paper's model says


def test_more_sun_never_cools() -> None:
    last = -100.0
    for sun in range(0, 1401, 50):
        now = _ours(30.0, 50.0, 0.5, float(sun), 1013.25, 0.7, 0.6).wbgt_c
        assert now > last
        last = now


def test_there_is_no_beam_with_the_sun_below_the_horizon() -> None:
    assert _ours(30.0, 50.0, 1.0, 20.0, 1013.25, 0.008, 0.9) == _ours(30.0, 50.0, 1.0, 20.0, 1013.25, 0.008, 0.0)


GOOD = {
    "temp_c": 30.0,
    "rh_pct": 50.0,
    "pressure_pa": 101_325.0,
    "wind_mps": 1.0,
    "sun_w_m2": 500.0,
    "beam_share": 0.5,
    "sun_cos": 0.7,
}


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        ("temp_c", 60.1),
        ("temp_c", nan),
        ("rh_pct", 0.5),
        ("pressure_pa", 5e4),
        ("wind_mps", -0.1),
        ("sun_w_m2", 1401.0),
        ("beam_share", 1.1),
        ("sun_cos", -1.1),
    ],
)
def test_arguments_out_of_range_are_refused(name: str, bad: float) -> None:
    with pytest.raises(RangeError, match=name):
        outdoor_wbgt(**{**GOOD, name: bad})


def test_light_without_beam_agrees_with_the_first_implementation() -> None:
    """With the sun below the horizon all light comes from the sky; above it the beam is at most 0.9."""
    for cos, beam, theirs_beam, sun in ((-0.2, 0.6, 0.0, 60.0), (0.6, 1.0, 0.9, 800.0), (0.3, 0.95, 0.9, 400.0)):
        columns = [
            np.array([value]) for value in (30.0 + 273.15, 0.5, 1013.25, 1.0, sun, theirs_beam, max(cos, 0.00873))
        ]
        temp, rh, hpa, wind, light, share, high = columns
        ours = _ours(30.0, 50.0, 1.0, sun, 1013.25, cos, beam)
        globe = float(library.solve_globe(temp, rh, hpa, wind, light, share, high)[0])
        wick = float(library.solve_wetbulb(temp, rh, hpa, wind, light, share, high, 1.0)[0])
        assert ours.globe_c == pytest.approx(globe, abs=STOP_K)
        assert ours.natural_wet_bulb_c == pytest.approx(wick, abs=STOP_K)


def test_wind_below_the_starting_speed_of_a_cup_counts_as_that_speed() -> None:
    # 0.13 m/s in the paper's code
    assert _ours(30.0, 50.0, 0.0, 500.0, 1013.25, 0.7, 0.6) == _ours(30.0, 50.0, 0.13, 500.0, 1013.25, 0.7, 0.6)
