"""Recorded weather through the live step, against counts that pandas makes from the same open data.

Data: typical meteorological year files that the pvlib package carries (public domain, US National Renewable Energy
Laboratory): 12839.tm2, Miami, TMY2 (Marion and Urban 1995); 723170TYA.CSV, Greensboro, TMY3 (Wilcox and Marion 2008).
"""

from __future__ import annotations

import csv
import datetime
from pathlib import Path

import pandas as pd
import pvlib
import pytest

from drivers.bench.weather_rows import read_rows
from gateway.app.replay import plain_barn, replay, summary, write_days
from gateway.barn import DEFAULT_POSTS
from gateway.errors import WeatherError
from gateway.model import Policy
from tests.e2e.barn import loosebox

DATA = Path(pvlib.__file__).parent / "data"
YEARS = {"miami": "12839.tm2", "greensboro": "723170TYA.CSV"}


def _year(city: str) -> pd.DataFrame:
    """Hourly air of a typical year: index with zone, columns temp_c and rh_pct."""
    path = DATA / YEARS[city]
    if path.suffix == ".tm2":
        data, _ = pvlib.iotools.read_tmy2(path)
        frame = pd.DataFrame({"temp_c": data["DryBulb"] / 10.0, "rh_pct": data["RHum"].astype(float)})
    else:
        data, _ = pvlib.iotools.read_tmy3(path, coerce_year=1990, map_variables=True)
        frame = pd.DataFrame({"temp_c": data["temp_air"], "rh_pct": data["relative_humidity"].astype(float)})
    # A typical year is sewn together from months of different years; one year makes its time rise.
    frame.index = pd.date_range("1990-01-01 00:00", periods=len(frame), freq="h", tz="Etc/GMT+5")
    return frame


def _weather_csv(frame: pd.DataFrame, path: Path) -> Path:
    lines = ["time,temp_c,rh_pct"]
    lines += [
        f"{when.isoformat()},{t:.1f},{h:g}" for when, t, h in zip(frame.index, frame.temp_c, frame.rh_pct, strict=True)
    ]
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("city", list(YEARS))
def test_hours_from_each_post_match_an_independent_count(city: str, tmp_path: Path) -> None:
    frame = _year(city)
    assert len(frame) == 8760
    weather = _weather_csv(frame, tmp_path / "weather.csv")
    out = tmp_path / "days.csv"
    run = loosebox("replay", "--weather", str(weather), "--out", str(out), timeout=120)
    assert run.returncode == 0, run.stderr
    days = pd.read_csv(out)
    # The count by pandas, in whole tenths so that no binary rounding sits on a post: °F = 9/5 °C + 32.
    tenths = (frame.temp_c * 10).round().astype(int)
    sum_50ths = tenths * 9 + 1600 + (frame.rh_pct * 50).round().astype(int)
    assert len(days) == 365
    for post in (130, 150, 180):
        assert days[f"hours_sum_from_{post}"].sum() == (sum_50ths >= post * 50).sum(), post
        by_day = (sum_50ths >= post * 50).groupby(pd.DatetimeIndex(frame.index).date).sum()
        assert days[f"hours_sum_from_{post}"].tolist() == by_day.tolist()
    worst = (sum_50ths / 50).groupby(pd.DatetimeIndex(frame.index).date).max()
    assert (days["worst_sum"] - worst.to_numpy()).abs().max() <= 0.05 + 1e-9
    assert days["hours_unknown"].sum() == 0
    levels = days[[f"hours_level_{level}" for level in range(4)]].sum(axis=1)
    assert ((levels - 24).abs() < 0.03).all()  # four numbers with two decimals each


def _rows(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "weather.csv"
    path.write_text("time,temp_c,rh_pct\n" + "\n".join(lines) + "\n")
    return path


def test_fan_hours_and_starts_follow_level_and_minimum_times(tmp_path: Path) -> None:
    # Sums by hand: 20 °C is 68 °F, with 40 % 108; 32 °C is 89.6 °F, with 60 % 149.6.
    path = _rows(
        tmp_path,
        "2026-07-14T08:00:00-04:00,20,40",
        "2026-07-14T09:00:00-04:00,32,60",
        "2026-07-14T10:00:00-04:00,20,40",
        "2026-07-14T11:00:00-04:00,20,40",
    )
    (day,) = replay(plain_barn(DEFAULT_POSTS, Policy.RULE), read_rows(path), lambda _: None)
    # On at the start for its minimum of 10 min; on for the hot hour and until the level has been low for 5 min.
    assert day.fan_hours == pytest.approx(10 / 60 + 1 + 5 / 60)
    assert day.fan_starts == 1
    assert day.hours_at[1] == pytest.approx(1 + 5 / 60)
    assert day.hours_from[130.0] == pytest.approx(1)
    assert day.worst_at == datetime.datetime.fromisoformat("2026-07-14T09:00:00-04:00")


def test_missing_values_and_missing_rows_are_unknown_hours_never_fine_ones(tmp_path: Path) -> None:
    path = _rows(
        tmp_path,
        "2026-07-14T08:00:00-04:00,20,40",
        "2026-07-14T09:00:00-04:00,,",
        "2026-07-14T10:00:00-04:00,20,40",
        "2026-07-14T14:00:00-04:00,20,40",
    )
    (day,) = replay(plain_barn(DEFAULT_POSTS, Policy.RULE), read_rows(path), lambda _: None)
    assert day.hours_unknown == pytest.approx(1 + 3)
    assert sum(day.hours_at.values()) == pytest.approx(3)
    assert day.fan_hours == pytest.approx(10 / 60 + 1)  # its minimum time at the start, and the unknown hour


def test_day_table_has_units_in_its_header_and_one_row_per_day_and_place(tmp_path: Path) -> None:
    site = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"
    path = _rows(tmp_path, "2026-07-14T23:00:00-04:00,32,60", "2026-07-15T00:00:00-04:00,20,40")
    out = tmp_path / "days.csv"
    run = loosebox("replay", "--weather", str(path), "--site", str(site), "--out", str(out))
    assert run.returncode == 0, run.stderr
    table = list(csv.DictReader(out.read_text().splitlines()))
    assert [(r["date"], r["place"]) for r in table] == [
        (day, place) for day in ("2026-07-14", "2026-07-15") for place in ("stalls", "arena", "wash-rack", "outdoors")
    ]
    assert table[0]["hours_level_1"] == "1.00" and table[0]["worst_sum"] == "149.6"
    assert "100%" in run.stderr and "worst sum 149.6 at 2026-07-14T23:00:00-04:00" in run.stdout


def test_summary_and_table_agree(tmp_path: Path) -> None:
    path = _rows(tmp_path, "2026-07-14T08:00:00Z,30,64", "2026-07-14T09:00:00Z,30,63.9")
    tallies = replay(plain_barn(DEFAULT_POSTS, Policy.RULE), read_rows(path), lambda _: None)
    assert "1.0 h with a sum of 150 or more" in summary(tallies, DEFAULT_POSTS)  # 86 + 64 is 150 exactly
    out = tmp_path / "days.csv"
    with out.open("w") as file:
        write_days(tallies, DEFAULT_POSTS, file)
    assert next(csv.DictReader(out.read_text().splitlines()))["hours_sum_from_150"] == "1.00"


def test_one_row_has_no_length(tmp_path: Path) -> None:
    path = _rows(tmp_path, "2026-07-14T08:00:00Z,30,64")
    with pytest.raises(WeatherError, match="two rows"):
        replay(plain_barn(DEFAULT_POSTS, Policy.RULE), read_rows(path), lambda _: None)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("time,temp_c\n", "no column rh_pct"),
        ("time,temp_c,rh_pct\n2026-07-14T08:00:00,30,60\n", "no zone"),
        ("time,temp_c,rh_pct\n2026-07-14T08:00:00Z,86F,60\n", "line 2: temp_c is '86F'"),
        ("time,temp_c,rh_pct\n2026-07-14T08:00:00Z,30,160\n", "allowed are 0 to 100"),
        ("time,temp_c,rh_pct\n2026-07-14T08:00:00Z,30,60\n2026-07-14T08:00:00Z,30,60\n", "sort the file"),
    ],
)
def test_a_wrong_weather_file_is_refused_with_its_line(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(text)
    run = loosebox("replay", "--weather", str(path), "--out", str(tmp_path / "days.csv"))
    assert run.returncode == 2
    assert why in run.stderr and "Traceback" not in run.stderr
