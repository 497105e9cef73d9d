"""Which readings count. The values that must be refused are those of data sheets and of real faults."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.barn import SensorSpec
from gateway.control.inputs import PLAUSIBLE, UNITS, Freshness, air_at, channel_lost, fresh_value, gate
from gateway.control.quality import Doubt
from gateway.model import AIR, Latest, Quality, Quantity, Reading
from tests.control.barns import air, failed, good, sensor, stamp


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


def test_every_quantity_has_its_limits_and_its_unit() -> None:
    assert set(PLAUSIBLE) == set(UNITS) == set(Quantity)
    assert all(low < high for low, high in PLAUSIBLE.values())


def test_a_place_without_a_sensor_of_air_is_lost_and_says_so() -> None:
    """A site file forbids it; should it come to pass all the same, its fans run."""
    found = air_at([sensor(quantities=(Quantity.WIND,))], {}, 1.0)
    assert (found.freshness, found.lost_text) == (Freshness.LOST, "no sensor tells the air here")


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(66.0, 50.0), (-41.0, 50.0), (30.0, 0.5), (30.0, -3.0), (30.0, 106.0)])
def test_a_correction_that_moves_a_number_to_where_no_air_is_loses_the_sensor(temp_c: float, rh_pct: float) -> None:
    found = air_at([sensor()], air(temp_c, rh_pct, 1.0), 2.0)
    assert (found.freshness, found.lost_code) == (Freshness.LOST, Quality.OUT_OF_RANGE)
    assert found.lost_text.endswith("after its correction")


# --- wind, globe and other single channels ----------------------------------------------------------


def _values(mono_s: float, **values: float) -> dict[str, Latest]:
    named = {name.replace("__", "."): value for name, value in values.items()}
    return {
        name: Latest(last=good(name, value, mono_s), good=good(name, value, mono_s)) for name, value in named.items()
    }


WIND, GLOBE = sensor("vane", quantities=(Quantity.WIND,)), sensor("ball", quantities=(Quantity.GLOBE,))
ALL = sensor("all", quantities=(*AIR, Quantity.WIND, Quantity.GLOBE))


def test_wind_and_globe_are_taken_beside_the_air_on_the_careful_side() -> None:
    latest = air(30.0, 50.0, 100.0, name="all") | _values(
        100.0, all__wind_mps=2.0, all__globe_c=36.0, vane__wind_mps=0.4, ball__globe_c=41.0
    )
    found = air_at([ALL, WIND, GLOBE], latest, 101.0)
    assert (found.air_mps, found.globe_c) == (0.4, 41.0)
    alone = air_at([ALL], latest, 101.0)
    assert (alone.air_mps, alone.globe_c) == (2.0, 36.0)


def test_old_or_impossible_wind_and_globe_are_left_out() -> None:
    latest = air(30.0, 50.0, 100.0) | _values(80.0, vane__wind_mps=2.0) | _values(100.0, ball__globe_c=95.0)
    found = air_at([sensor(), WIND, GLOBE], latest, 101.0)
    assert (found.temp_c, found.air_mps, found.globe_c) == (30.0, None, None)


def test_a_value_is_fresh_until_its_own_sensor_counts_as_lost() -> None:
    slow = sensor("vane", quantities=(Quantity.WIND,), lost_after_s=60.0)
    latest = _values(0.0, vane__wind_mps=2.0)
    assert fresh_value("vane.wind_mps", [sensor(), slow], latest, 60.0) == 2.0
    assert fresh_value("vane.wind_mps", [sensor(), slow], latest, 60.1) is None
    assert fresh_value("nobody.wind_mps", [slow], latest, 0.0) is None


def test_a_sensor_of_other_things_is_lost_by_its_first_channel_that_is() -> None:
    latest = _values(0.0, vane__wind_mps=2.0)
    assert channel_lost(WIND, latest, 15.0) == ""
    assert channel_lost(WIND, latest, 16.0) == "vane: no wind for 16 s"
    assert channel_lost(WIND, {}, 0.0) == "vane: no reading yet"


# --- doubts -----------------------------------------------------------------------------------------

OUT = Doubt(code="stuck-beside", text="a: stands still", counts=False, no_mist=True)
DRY = Doubt(code="wet", text="b: wet", no_mist=True)
PAIR: list[SensorSpec] = [sensor("a"), sensor("b")]
BOTH = air(33.0, 60.0, 100.0, name="a") | air(27.0, 50.0, 100.0, name="b")


def test_a_doubted_sensor_does_not_count_and_the_other_takes_over() -> None:
    assert air_at(PAIR, BOTH, 101.0).sensor == "a"
    found = air_at(PAIR, BOTH, 101.0, {"a": (OUT,)})
    assert (found.sensor, found.no_mist) == ("b", "a: stands still")


def test_when_every_sensor_is_doubted_nobody_knows_the_air() -> None:
    found = air_at(PAIR, BOTH, 101.0, {"a": (OUT,), "b": (OUT,)})
    assert (found.freshness, found.temp_c, found.lost_text) == (Freshness.LOST, None, "a: stands still")


def test_a_doubt_that_counts_only_forbids_water() -> None:
    found = air_at(PAIR, BOTH, 101.0, {"b": (DRY,)})
    assert (found.sensor, found.freshness, found.no_mist) == ("a", Freshness.FRESH, "b: wet")
    assert air_at(PAIR, BOTH, 101.0).no_mist == ""


def test_why_a_sensor_is_silent_goes_before_a_doubt_of_it() -> None:
    assert air_at([sensor("a")], BOTH, 200.0, {"a": (OUT,)}).lost_text == "a: no reading for 100 s"
