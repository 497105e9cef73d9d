"""Owns: the checks of what leaves the history as a file for people.

Must not know: SQL.
How it works: a short invented history of a site file, exported through the command line's own functions, read back with
Python's csv and compared with what was handed in.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

import pytest

from gateway.cli import main
from gateway.model import Channel, Quality, Quantity, Reading, Stamp
from gateway.store.writer import Writer
from tests.app.history_site import BARN, CHANNELS, site_file

BEGIN_S = 1_780_000_000  # 2026-05-28T20:26:40Z (date -u -d @1780000000)


def write(path: Path, readings: Iterable[Reading], channels: tuple[Channel, ...] = CHANNELS) -> None:
    writer = Writer(path, BARN, channels)
    for reading in readings:
        writer.reading(reading)
    assert writer.close(10)


def reading(channel: int, second: float, value: float | None, *, trusted: bool = True, boot: str = "a") -> Reading:
    wall_s = BEGIN_S + second if trusted else 100.0 + second
    stamp = Stamp(mono_s=second, wall_s=wall_s, boot=boot, trusted=trusted)
    quality = Quality.SILENT if value is None else Quality.GOOD
    return Reading(channel=CHANNELS[channel].name, value=value, quality=quality, stamp=stamp)


def exported(tmp_path: Path, *words: str) -> list[dict[str, str]]:
    out = tmp_path / "out.csv"
    assert main(["export", "--site", str(tmp_path / "barn.toml"), "--out", str(out), *words]) == 0
    with out.open(newline="", encoding="utf-8") as text:
        return list(csv.DictReader(text))


@pytest.fixture
def barn(tmp_path: Path) -> Path:
    site_file(tmp_path)
    write(
        tmp_path / "history.db",
        [
            reading(0, 1.0, 11.5, trusted=False),
            reading(0, 10.0, 21.5), reading(1, 10.0, 60.25), reading(2, 10.5, 3.0),
            reading(0, 20.0, 22.0), reading(1, 20.0, None),
        ],
    )  # fmt: skip
    return tmp_path


def test_each_measurement_is_a_line_and_units_stand_in_the_header(barn: Path) -> None:
    assert exported(barn) == [
        line("20:26:41.000", "corrected", "air-1", temp="11.5"),
        line("20:26:50.000", "synced", "air-1", temp="21.5", rh="60.25"),
        line("20:26:50.500", "synced", "wind-1", wind="3.0"),
        line("20:27:00.000", "synced", "air-1", temp="22.0", quality="temp_c: good; rh_pct: silent"),
    ]


def line(
    clock: str, trust: str, sensor: str, *, temp: str = "", rh: str = "", wind: str = "", quality: str = "good"
) -> dict[str, str]:
    return {
        "time_utc": f"2026-05-28T{clock}Z", "clock": trust, "place": "stalls", "sensor": sensor,
        "temp_c [°C]": temp, "rh_pct [%]": rh, "wind_mps [m/s]": wind, "quality": quality,
    }  # fmt: skip


def test_range_and_channels_are_chosen(barn: Path) -> None:
    # the barn's zone is New York: 16:26:45 there is 20:26:45 UTC in summer
    found = exported(
        barn, "--from", "2026-05-28T16:26:45", "--to", "2026-05-28T20:27:00Z", "--channels", "air-1.temp_c"
    )
    assert [(each["time_utc"], each["temp_c [°C]"]) for each in found] == [("2026-05-28T20:26:50.000Z", "21.5")]
    assert set(found[0]) == {"time_utc", "clock", "place", "sensor", "temp_c [°C]", "quality"}


def test_unknown_channel_is_refused_with_what_there_is(barn: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", "--site", str(barn / "barn.toml"), "--channels", "nothing"]) == 2
    assert "air-1.temp_c" in capsys.readouterr().err


@pytest.mark.parametrize("rolled", [False, True])
def test_coarse_lines_have_least_mean_largest_and_number(tmp_path: Path, rolled: bool) -> None:
    site_file(tmp_path)
    last = [reading(0, 7300.0, 0.0)] if rolled else []
    write(tmp_path / "history.db", [*(reading(0, n * 10.0, float(n)) for n in range(12)), *last])
    found = exported(tmp_path, "--resolution", "minute", "--channels", "air-1.temp_c", "--to", "2026-05-28T20:40:00Z")
    assert [list(each.values()) for each in found] == [
        ["2026-05-28T20:26:40.000Z", "synced", "stalls", "air-1", "0", "2.5", "5", "6"],
        ["2026-05-28T20:27:40.000Z", "synced", "stalls", "air-1", "6", "8.5", "11", "6"],
    ]
    assert list(found[0])[4:] == ["temp_c low [°C]", "temp_c mean [°C]", "temp_c high [°C]", "temp_c count"]


def test_line_protocol_has_a_line_for_each_reading(barn: Path) -> None:
    out = barn / "out.txt"
    assert main(["export", "--site", str(barn / "barn.toml"), "--format", "lines", "--out", str(out)]) == 0
    lines = out.read_text().splitlines()
    assert len(lines) == 6
    assert lines[1].endswith(" temp_c=21.5 1780000010000")
    assert "why=silent" in lines[5]


def test_coarse_line_protocol_is_refused(barn: Path) -> None:
    words = ["export", "--site", str(barn / "barn.toml"), "--format", "lines", "--resolution", "minute"]
    assert main(words) == 2


def test_long_export_gives_every_reading_once(tmp_path: Path) -> None:
    """More than one page of questions, with several readings at the instant on which a page ends."""
    site_file(tmp_path)
    write(tmp_path / "history.db", (reading(n % 2, float(n // 2), float(n)) for n in range(24_001)))
    found = exported(tmp_path)
    values = [float(each[key]) for each in found for key in ("temp_c [°C]", "rh_pct [%]") if each[key]]
    assert values == [float(n) for n in range(24_001)]


def test_missing_history_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site_file(tmp_path)
    assert main(["export", "--site", str(tmp_path / "barn.toml")]) == 1
    assert "history" in capsys.readouterr().err


def test_folder_that_is_not_there_is_said(barn: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", "--site", str(barn / "barn.toml"), "--out", str(barn / "no" / "out.csv")]) == 1
    assert "cannot write" in capsys.readouterr().err


def test_channels_have_the_units_of_their_quantities() -> None:
    assert {channel.quantity for channel in CHANNELS} == {Quantity.TEMP, Quantity.RH, Quantity.WIND}
