"""Owns: checks of the air over saturated salts and of the advice.

Must not know: how a correction is written down.
How it works: published tables, with the agreement that their own sources claim; the bounds of the advice from both
sides.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import RangeError
from gateway.heat.salts import SALT_PCT, SALTS, Advice, ice_advice, rh_advice, salt_rh_pct

BY_NAME = {salt.name: salt for salt in SALTS}

# L. Greenspan, Humidity Fixed Points of Binary Saturated Aqueous Solutions, J Res NBS 81A:89-96 (1977), table 2;
# temperature [°C], relative humidity [%], its uncertainty [%]. From memory.
GREENSPAN = [
    ("LiCl", 20, 11.31, 0.31),
    ("LiCl", 25, 11.30, 0.27),
    ("LiCl", 30, 11.28, 0.24),
    ("MgCl2", 10, 33.47, 0.24),
    ("MgCl2", 20, 33.07, 0.18),
    ("MgCl2", 25, 32.78, 0.16),
    ("MgCl2", 30, 32.44, 0.14),
    ("Mg(NO3)2", 20, 54.38, 0.23),
    ("Mg(NO3)2", 25, 52.89, 0.22),
    ("Mg(NO3)2", 30, 51.40, 0.24),
    ("NaBr", 20, 59.14, 0.44),
    ("NaBr", 25, 57.57, 0.40),
    ("NaBr", 30, 56.03, 0.38),
    ("NaCl", 10, 75.67, 0.22),
    ("NaCl", 20, 75.47, 0.14),
    ("NaCl", 25, 75.29, 0.12),
    ("NaCl", 30, 75.09, 0.11),
    ("NaCl", 40, 74.68, 0.13),
    ("KCl", 20, 85.11, 0.29),
    ("KCl", 25, 84.34, 0.26),
    ("K2SO4", 20, 97.59, 0.53),
    ("K2SO4", 25, 97.30, 0.45),
    ("K2SO4", 30, 97.00, 0.40),
]


@pytest.mark.parametrize(("name", "temp_c", "rh_pct", "unsure_pct"), GREENSPAN)
def test_the_fit_agrees_with_the_evaluated_measurements(
    name: str, temp_c: float, rh_pct: float, unsure_pct: float
) -> None:
    found = salt_rh_pct(BY_NAME[name], temp_c=temp_c)
    assert found == pytest.approx(rh_pct, abs=0.9), "closer than the 2 % that the fit claims"
    assert abs(found - rh_pct) <= SALT_PCT + unsure_pct


# CRC Handbook of Chemistry and Physics, Constant Humidity Solutions: the printed column RH(25 °C), and the range.
@pytest.mark.parametrize(
    ("name", "rh_pct", "low_c", "high_c"),
    [
        ("LiCl", 11, 20, 65),
        ("MgCl2", 33, 5, 45),
        ("Mg(NO3)2", 53, 5, 35),
        ("NaBr", 58, 0, 35),
        ("NaCl", 75, 10, 40),
        ("KCl", 84, 5, 25),
        ("K2SO4", 97, 10, 50),
    ],
)
def test_the_handbooks_own_column_comes_out_and_its_range_is_kept(
    name: str, rh_pct: float, low_c: float, high_c: float
) -> None:
    salt = BY_NAME[name]
    assert round(salt_rh_pct(salt, temp_c=25)) == rh_pct
    for outside_c in (low_c - 0.1, high_c + 0.1, float("nan")):
        with pytest.raises(RangeError, match=r"temp_c \[°C\]"):
            salt_rh_pct(salt, temp_c=outside_c)
    assert salt_rh_pct(salt, temp_c=low_c) > 0 < salt_rh_pct(salt, temp_c=high_c)


def test_salt_of_the_kitchen_is_nearly_flat() -> None:
    """A. Wexler and S. Hasegawa, J Res NBS 53:19 (1954): at most 75.6 % between 0 and 50 °C, and at least 74.7 %."""
    found = [salt_rh_pct(BY_NAME["NaCl"], temp_c=temp_c) for temp_c in range(10, 41)]
    assert 74.7 - SALT_PCT < min(found) <= max(found) < 75.6 + SALT_PCT
    assert max(found) - min(found) < 1


# Common practice, no published source: above 3 % at every point correct, differing by more than 5 % replace.
@pytest.mark.parametrize(
    ("errors_pct", "advice"),
    [
        ((3.0, 3.0), Advice.KEEP),
        ((3.1, 2.9), Advice.KEEP),
        ((3.1, 3.1), Advice.CORRECT),
        ((-3.1, -8.0), Advice.CORRECT),
        ((4.0, 9.1), Advice.REPLACE),
        ((-2.6, 2.6), Advice.REPLACE),
        ((-4.0, 4.0), Advice.REPLACE),
        ((0.0, 5.0), Advice.KEEP),
        ((4.0, 4.0, 0.5), Advice.KEEP),
        ((4.0, 4.0, -1.5), Advice.REPLACE),
    ],
)
def test_advice_for_humidity_keeps_its_bounds(errors_pct: tuple[float, ...], advice: Advice) -> None:
    assert rh_advice(errors_pct) is advice


def test_one_point_gives_no_advice() -> None:
    with pytest.raises(ValueError, match="one point"):
        rh_advice([9.0])


@given(st.lists(st.floats(-50, 50), min_size=2, max_size=5))
def test_a_correction_is_only_advised_for_errors_of_one_sign(errors_pct: list[float]) -> None:
    if rh_advice(errors_pct) is Advice.CORRECT:
        assert all(error > 0 for error in errors_pct) or all(error < 0 for error in errors_pct)


@pytest.mark.parametrize(
    ("error_k", "advice"),
    [
        (0.0, Advice.KEEP),
        (-0.2, Advice.KEEP),
        (0.21, Advice.CORRECT),
        (-2.0, Advice.CORRECT),
        (2.01, Advice.REPLACE),
        (-40.0, Advice.REPLACE),
    ],
)
def test_advice_for_ice_keeps_its_bounds(error_k: float, advice: Advice) -> None:
    assert ice_advice(error_k) is advice
