"""Ours beside two large libraries, whose values were computed once and stored with their provenance.

They are not installed with the tests: one brings a compiler of its own that changes how PsychroLib runs, the other
fifteen packages. Each file says which functions made its columns. Tolerances are those of the formulas, stated below.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from gateway.heat.indices import human_heat_index_c, humidex, thi_nrc
from gateway.heat.psychro import dew_point_c, humidity_ratio, vapour_pressure_pa, wet_bulb_c
from gateway.heat.radiant import mean_radiant_c
from gateway.heat.wbgt import wbgt_no_sun_c, wbgt_sun_c

DATA = Path(__file__).parent / "data"


def _rows(name: str) -> list[dict[str, float]]:
    lines = [line for line in (DATA / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines)]


METPY, COMFORT = _rows("metpy.csv"), _rows("pythermalcomfort.csv")
WARM = [row for row in METPY if row["temp_c"] > 0]


def test_both_grids_are_large_enough() -> None:
    assert len(METPY) >= 2000 and len(COMFORT) >= 2000
    assert len(WARM) >= 2000


def test_vapour_pressure_agrees_with_another_saturation_curve() -> None:
    # MetPy uses another curve than Hyland and Wexler 1983; curves in print differ by up to some tenths of a per cent.
    for row in METPY:
        ours = vapour_pressure_pa(temp_c=row["temp_c"], rh_pct=row["rh_pct"])
        assert ours == pytest.approx(row["vapour_pa"], rel=7e-3, abs=0.06), row


def test_dew_point_above_freezing_agrees_with_another_curve() -> None:
    # 0.7 % of vapour pressure is up to 0.15 K of dew point in hot air. Below 0 °C theirs is over water, ours over ice.
    rows = [row for row in WARM if row["dew_point_c"] > 0]
    assert len(rows) > 1000
    for row in rows:
        ours = dew_point_c(vapour_pressure_pa(temp_c=row["temp_c"], rh_pct=row["rh_pct"]))
        assert ours == pytest.approx(row["dew_point_c"], abs=0.2), row


def test_humidity_ratio_agrees() -> None:
    # The same half per cent; some more where vapour is a large part of the air.
    for row in WARM:
        vapour_pa = vapour_pressure_pa(temp_c=row["temp_c"], rh_pct=row["rh_pct"])
        ours = humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=row["pressure_pa"])
        assert ours == pytest.approx(row["ratio"], rel=8e-3, abs=1e-6), row


def test_wet_bulb_lies_a_little_above_the_pseudo_adiabatic_one() -> None:
    # Another quantity by construction: cooled by rising to saturation and sinking back. They meet in saturated air; in
    # dry air the pseudo-adiabatic one lies lower, by up to about 1 K in hot air (published comparisons say so too).
    rows = [row for row in WARM if row["wet_bulb_c"] > 0]  # below, theirs stays over water and ours goes over to ice
    assert len(rows) > 2000
    for row in rows:
        above_k = wet_bulb_c(temp_c=row["temp_c"], rh_pct=row["rh_pct"], pressure_pa=row["pressure_pa"])
        above_k -= row["wet_bulb_c"]
        assert -0.001 <= above_k <= 1.2, row
        if row["rh_pct"] == 100:
            assert above_k <= row["temp_c"] - row["dew_point_c"], row  # their dew point of saturated air


def test_thi_humidex_and_both_wbgt_agree() -> None:
    for row in COMFORT:
        assert thi_nrc(temp_c=row["temp_c"], rh_pct=row["rh_pct"]) == pytest.approx(row["thi"], abs=0.0006), row
        in_shade = wbgt_no_sun_c(natural_wet_bulb_c=row["wick_c"], globe_c=row["globe_c"])
        in_sun = wbgt_sun_c(natural_wet_bulb_c=row["wick_c"], globe_c=row["globe_c"], temp_c=row["temp_c"])
        assert in_shade == pytest.approx(row["wbgt_shade_c"], abs=0.0006), row
        assert in_sun == pytest.approx(row["wbgt_sun_c"], abs=0.0006), row


def test_humidex_agrees_where_dew_point_is_over_water() -> None:
    # Its vapour pressure is another curve, from the dew point: 0.5555 per hPa, so some tenths in hot damp air.
    for row in COMFORT:
        vapour_pa = vapour_pressure_pa(temp_c=row["temp_c"], rh_pct=row["rh_pct"])
        dew_c = dew_point_c(vapour_pa)
        if dew_c > 0:
            ours = humidex(temp_c=row["temp_c"], dew_point_c=dew_c)
            assert ours == pytest.approx(row["humidex"], rel=0.01, abs=0.2), row


def test_human_heat_index_agrees_in_the_range_of_its_regression() -> None:
    # Theirs is the bare regression written in °C; the weather service corrects it in dry and in damp air.
    rows = [row for row in COMFORT if _regression_stands_alone(row["temp_c"], row["rh_pct"])]
    assert len(rows) > 2000
    for row in rows:
        ours = human_heat_index_c(temp_c=row["temp_c"], rh_pct=row["rh_pct"])
        assert ours == pytest.approx(row["heat_index_c"], abs=0.002), row


def _simple_f(temp_f: float, rh_pct: float) -> float:
    """The weather service's first form, once more from its page."""
    return 0.5 * (temp_f + 61.0 + (temp_f - 68.0) * 1.2 + rh_pct * 0.094)


def _regression_stands_alone(temp_c: float, rh_pct: float) -> bool:
    """As the weather service words it: average of simple form and air at 80 °F or more, and no correction."""
    temp_f = 32.0 + 1.8 * temp_c
    dry, damp = rh_pct < 13 and 80 <= temp_f <= 112, rh_pct > 85 and 80 <= temp_f <= 87
    return (_simple_f(temp_f, rh_pct) + temp_f) / 2.0 >= 80.0 and not dry and not damp


def test_human_heat_index_agrees_in_every_form() -> None:
    # Theirs gives the air itself up to 40 °F, and leaves the simple form when it is 79 °F; the service leaves it when
    # its average with the air is 80 °F. Between these two lines the forms differ by up to 1.2 K.
    compared = 0
    for row in METPY:
        temp_f = 32.0 + 1.8 * row["temp_c"]
        simple_f = _simple_f(temp_f, row["rh_pct"])
        if temp_f > 40.0 and not (simple_f >= 79.0 and (simple_f + temp_f) / 2.0 < 80.0):
            compared += 1
            ours = human_heat_index_c(temp_c=row["temp_c"], rh_pct=row["rh_pct"])
            assert ours == pytest.approx(row["heat_index_c"], abs=0.002), row
    assert compared > 2000


def test_mean_radiant_temperature_agrees() -> None:
    # Theirs has the films of the same standard, 1.4 and 6.3 W/(m2 K), over the radiation constant 5.67e-8: 1.2 %
    # less and 1.0 % more than the printed 0.25e8 and 1.1e8 that we use. Only what the globe adds can differ by it.
    assert len(COMFORT) > 2000
    for row in COMFORT:
        ours = mean_radiant_c(globe_c=row["globe_c"], temp_c=row["temp_c"], air_mps=row["air_mps"])
        assert abs(ours - row["radiant_c"]) <= 0.002 + 0.0135 * abs(row["radiant_c"] - row["globe_c"]), row
