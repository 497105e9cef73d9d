"""The invented day and weather from a file. The numbers of the day are the bench's promise, not a measurement."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.bench.air import Air
from drivers.bench.weather import HotDay
from drivers.bench.weather_file import read_weather
from gateway.errors import WeatherError
from tests.bench_barn.rig import patient

ZONE_H = -4.0
DAY = HotDay(zone_offset_h=ZONE_H)

psychrolib.SetUnitSystem(psychrolib.SI)


def at(day: int, hour: float) -> Air:
    midnight_s = datetime.fromisoformat(f"2026-07-{day:02}T00:00-04:00").timestamp()
    return DAY.at(midnight_s + 3600 * hour)


@pytest.mark.parametrize("day", range(1, 29))
def test_night_is_humid_and_afternoon_hot_on_every_day(day: int) -> None:
    night, afternoon = at(day, 6), at(day, 15)
    assert night.temp_c == pytest.approx(24, abs=1)
    assert night.rh_pct == pytest.approx(90, abs=4)
    assert afternoon.temp_c == pytest.approx(34, abs=1)
    assert night.ghi_wm2 == 0 < 500 < at(day, 13).ghi_wm2 < 1100


@given(hours=st.floats(0, 24 * 30))
@patient
def test_air_of_the_day_is_physical_everywhere(hours: float) -> None:
    air = at(1, hours)
    dew_c = psychrolib.GetTDewPointFromRelHum(air.temp_c, air.rh_pct / 100)
    # 14 to 25 °C: mT-air of a warm coast; 35 °C is the highest dew point ever reported. From memory.
    assert 14 < dew_c < 25
    assert dew_c < air.temp_c
    assert 0 < air.wind_mps < 5


@given(hours=st.floats(0, 24 * 30))
@patient
def test_day_never_jumps(hours: float) -> None:
    before, after = at(1, hours), at(1, hours + 1 / 60)
    assert after.temp_c == pytest.approx(before.temp_c, abs=0.1)
    assert after.rh_pct == pytest.approx(before.rh_pct, abs=0.6)


def test_days_differ() -> None:
    assert len({round(at(day, 15).temp_c, 3) for day in range(1, 29)}) > 10


def test_offset_moves_the_hour_of_the_barn() -> None:
    utc_noon_s = datetime.fromisoformat("2026-07-15T12:00+00:00").timestamp()
    assert HotDay(zone_offset_h=0).at(utc_noon_s).ghi_wm2 > 800
    assert HotDay(zone_offset_h=12).at(utc_noon_s).ghi_wm2 == 0


# --- weather from a file ----------------------------------------------------------------------------


def written(folder: Path, *lines: str) -> Path:
    path = folder / "weather.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def moment_s(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


TWO_DAYS = (
    "time,temp_c,rh_pct,wind_mps,ghi_wm2",
    "2025-06-01T00:00:00-04:00,20,90,1,0",
    "2025-06-01T12:00:00-04:00,30,50,3,900",
    "2025-06-02T12:00:00-04:00,34,40,5,800",
    "2025-06-02T23:00:00-04:00,22,80,1,0",
)


def test_rows_are_joined_by_straight_lines(tmp_path: Path) -> None:
    weather = read_weather(written(tmp_path, *TWO_DAYS))
    assert weather.at(moment_s("2025-06-01T12:00-04:00")) == Air(temp_c=30, rh_pct=50, wind_mps=3, ghi_wm2=900)
    # by hand: a quarter of the way from 20 to 30 and from 90 to 50
    assert weather.at(moment_s("2025-06-01T03:00-04:00")) == Air(temp_c=22.5, rh_pct=80, wind_mps=1.5, ghi_wm2=225)
    # by hand: half of the hour between the last row and the first of the next turn
    assert weather.at(moment_s("2025-06-02T23:30-04:00")).temp_c == pytest.approx(21)


@pytest.mark.parametrize("days", [-2, 2, 4, 400])
def test_file_repeats_by_whole_days_so_that_noon_stays_noon(tmp_path: Path, days: int) -> None:
    weather = read_weather(written(tmp_path, *TWO_DAYS))
    assert weather.at(moment_s("2025-06-01T12:00-04:00") + days * 86400).temp_c == 30
    assert weather.at(moment_s("2025-06-02T12:00-04:00") + days * 86400).temp_c == 34


def test_short_columns_are_enough_and_the_sun_then_follows_the_hour(tmp_path: Path) -> None:
    path = written(tmp_path, "time,temp_c,rh_pct", "2025-06-01T00:00-04:00,20,90", "2025-06-01T13:00-04:00,30,50")
    weather = read_weather(path)
    assert weather.at(moment_s("2025-06-01T13:00-04:00")).ghi_wm2 > 800
    assert weather.at(moment_s("2025-06-01T00:00-04:00")).ghi_wm2 == 0


def test_globe_stands_for_the_sun_where_nobody_measured_it(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "time,temp_c,rh_pct,globe_c",
        "2025-06-01T12:00-04:00,30,50,45",
        "2025-06-01T13:00-04:00,30,50,29",
    )
    weather = read_weather(path)
    assert weather.at(moment_s("2025-06-01T12:00-04:00")).ghi_wm2 == pytest.approx(900)  # 15 K, full sun
    assert weather.at(moment_s("2025-06-01T13:00-04:00")).ghi_wm2 == 0


GOOD_ROW = "2025-06-01T12:00-04:00,30,50"


@pytest.mark.parametrize(
    ("lines", "tells"),
    [
        (("time,temp_c", "2025-06-01T12:00-04:00,30"), "line 1: no column rh_pct"),
        (("time,temp_c,rh_pct,dew_c", GOOD_ROW + ",1"), "line 1: unknown column dew_c"),
        (("time,temp_c,rh_pct",), "line 2: no row"),
        (("time,temp_c,rh_pct", GOOD_ROW, "2025-06-01 noon,30,50"), "line 3: '2025-06-01 noon'"),
        (("time,temp_c,rh_pct", "2025-06-01T12:00,30,50"), "line 2: '2025-06-01T12:00' has no zone"),
        (("time,temp_c,rh_pct", GOOD_ROW, "2025-06-01T13:00-04:00,warm,50"), "line 3: temp_c is 'warm'"),
        (("time,temp_c,rh_pct", "2025-06-01T12:00-04:00,nan,50"), "line 2: temp_c is nan"),
        (("time,temp_c,rh_pct", "2025-06-01T12:00-04:00,86,50"), "line 2: temp_c is 86, allowed are -60 to 60"),
        (("time,temp_c,rh_pct", GOOD_ROW + ",7"), "line 2: not as many"),
        (("time,temp_c,rh_pct", "2025-06-01T12:00-04:00,30"), "line 2: not as many"),
        (("time,temp_c,rh_pct", GOOD_ROW, GOOD_ROW), "row 2 is not later"),
    ],
)
def test_wrong_file_is_refused_with_its_name_and_line(tmp_path: Path, lines: tuple[str, ...], tells: str) -> None:
    path = written(tmp_path, *lines)
    with pytest.raises(WeatherError) as caught:
        read_weather(path)
    assert str(path) in str(caught.value)
    assert tells in str(caught.value)


def test_missing_file_and_a_picture_are_refused(tmp_path: Path) -> None:
    with pytest.raises(WeatherError, match="cannot be read"):
        read_weather(tmp_path / "none.csv")
    picture = tmp_path / "picture.csv"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe\x00")
    with pytest.raises(WeatherError):
        read_weather(picture)


def test_row_without_air_is_bridged_and_a_file_without_any_is_refused(tmp_path: Path) -> None:
    gap = "2025-06-01T13:00-04:00,,50"
    weather = read_weather(written(tmp_path, "time,temp_c,rh_pct", GOOD_ROW, gap, "2025-06-01T14:00-04:00,34,40"))
    assert weather.at(moment_s("2025-06-01T13:00-04:00")).temp_c == pytest.approx(32)  # by hand: half of the way
    with pytest.raises(WeatherError, match="no row has both"):
        read_weather(written(tmp_path, "time,temp_c,rh_pct", gap))
