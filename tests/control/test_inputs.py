"""Which readings count. The values that must be refused are those of data sheets and of real faults."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.control.inputs import PLAUSIBLE, Freshness, air_at, gate
from gateway.model import Quality, Quantity
from tests.control.barns import air, failed, sensor


@pytest.mark.parametrize(
    ("quantity", "value", "quality"),
    [
        (Quantity.TEMP, math.nan, Quality.NOT_A_NUMBER),
        (Quantity.RH, math.inf, Quality.NOT_A_NUMBER),
        (Quantity.TEMP, 85.0, Quality.POWER_ON),  # DS18B20 data sheet: power-on reset value +85 °C
        (Quantity.TEMP, 127.94, Quality.OUT_OF_RANGE),
        (Quantity.TEMP, -127.0, Quality.OUT_OF_RANGE),
        (Quantity.RH, 119.0, Quality.OUT_OF_RANGE),  # SHT4x data sheet: raw 0xFFFF is 119 %
        (Quantity.RH, -6.0, Quality.OUT_OF_RANGE),  # SHT4x data sheet: raw 0x0000 is -6 %
        (Quantity.RH, 0.0, Quality.OUT_OF_RANGE),
        (Quantity.TEMP, -40.0, Quality.GOOD),
        (Quantity.RH, 104.0, Quality.GOOD),
    ],
)
def test_gate_names_what_is_wrong(quantity: Quantity, value: float, quality: Quality) -> None:
    kept, found, why = gate(quantity, value)
    assert found is quality
    assert kept == (value if quality is Quality.GOOD else None)
    assert bool(why) == (quality is not Quality.GOOD)


@given(st.sampled_from(list(Quantity)), st.floats())
def test_nothing_that_is_not_finite_or_not_plausible_passes_the_gate(quantity: Quantity, value: float) -> None:
    kept, quality, _ = gate(quantity, value)
    low, high = PLAUSIBLE[quantity]
    if kept is None:
        assert quality is not Quality.GOOD
    else:
        assert math.isfinite(kept)
        assert low <= kept <= high


def test_air_ages_from_fresh_to_late_to_lost() -> None:
    latest = air(30.0, 60.0, mono_s=100.0)
    ages = [(110.0, Freshness.FRESH), (110.1, Freshness.LATE), (115.0, Freshness.LATE), (115.1, Freshness.LOST)]
    for now_s, expected in ages:
        assert air_at([sensor()], latest, now_s).freshness is expected, now_s


def test_lost_air_has_no_numbers_and_says_why() -> None:
    latest = failed(air(30.0, 60.0, mono_s=100.0), Quality.SILENT, "no answer within 0.30 s", 115.0)
    found = air_at([sensor()], latest, 120.0)
    assert (found.temp_c, found.rh_pct, found.sum_f_pct) == (None, None, None)
    assert found.lost_code is Quality.SILENT
    assert found.lost_text == "air: no reading for 20 s, no answer within 0.30 s"
    assert found.good_wall_s == 1_780_000_100.0


def test_one_failed_poll_keeps_the_last_good_reading() -> None:
    latest = failed(air(30.0, 60.0, mono_s=100.0), Quality.TORN, "checksum", 105.0)
    found = air_at([sensor()], latest, 106.0)
    assert (found.freshness, found.temp_c) == (Freshness.FRESH, 30.0)


def test_never_read_is_lost_and_says_so() -> None:
    found = air_at([sensor()], {}, 1.0)
    assert (found.freshness, found.lost_code, found.lost_text) == (
        Freshness.LOST,
        Quality.NEVER,
        "air: no reading yet",
    )


def test_first_reading_bad_is_lost_with_its_own_quality() -> None:
    from gateway.model import Latest, Reading
    from tests.control.barns import stamp

    bad = Latest(
        last=Reading(channel="air.rh_pct", value=None, quality=Quality.OUT_OF_RANGE, stamp=stamp(1), detail="119 %")
    )
    found = air_at([sensor()], {"air.rh_pct": bad, "air.temp_c": bad}, 2.0)
    assert found.lost_code is Quality.OUT_OF_RANGE


def test_a_stuck_pair_is_lost_although_it_is_young() -> None:
    latest = air(30.0, 60.0, mono_s=8000.0, same_since_s=100.0)
    found = air_at([sensor()], latest, 8001.0)
    assert (found.freshness, found.lost_code, found.temp_c) == (Freshness.LOST, Quality.STUCK, None)


def test_one_moving_channel_is_enough_not_to_be_stuck() -> None:
    latest = air(30.0, 60.0, mono_s=8000.0, same_since_s=100.0) | {
        "air.rh_pct": air(30.0, 60.0, mono_s=8000.0)["air.rh_pct"]
    }
    assert air_at([sensor()], latest, 8001.0).freshness is Freshness.FRESH


def test_of_two_fresh_sensors_the_hotter_pair_counts_and_is_never_mixed() -> None:
    latest = air(30.0, 60.0, 100.0, name="a") | air(27.0, 90.0, 100.0, name="b")
    found = air_at([sensor("a"), sensor("b")], latest, 101.0)
    # 27 °C is 80.6 °F, with 90 % makes 170.6; 30 °C is 86 °F, with 60 % makes 146.
    assert (found.sensor, found.temp_c, found.rh_pct) == ("b", 27.0, 90.0)
    assert found.sum_f_pct == pytest.approx(170.6)


def test_the_other_sensor_takes_over_when_one_is_lost() -> None:
    latest = air(33.0, 60.0, 10.0, name="a") | air(27.0, 50.0, 100.0, name="b")
    assert air_at([sensor("a"), sensor("b")], latest, 101.0).sensor == "b"


def test_a_fresh_cool_sensor_goes_before_a_late_hot_one() -> None:
    latest = air(40.0, 60.0, 89.0, name="a") | air(27.0, 50.0, 100.0, name="b")
    assert air_at([sensor("a"), sensor("b")], latest, 101.0).sensor == "b"


def test_a_wet_sensor_counts_as_saturated_air() -> None:
    assert air_at([sensor()], air(20.0, 103.0, 1.0), 2.0).rh_pct == 100.0
