"""Owns: what a good site file becomes, and what is said of a file that is no site file at all.

Must not know: how problems are worded inside tables.
How it works: the example is loaded from its own folder; the small file below leaves everything out that has a
default; broken files are real files in a temporary folder.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable
from pathlib import Path

import psychrolib
import pytest

from gateway.errors import SiteError
from gateway.model import KitKind, PlaceKind
from gateway.site import Site, describe, load

Write = Callable[[str | bytes], Path]
Problems = Callable[[str | bytes], list[str]]

BENCH = Path(__file__).parents[2] / "drivers" / "bench"

SMALL = """\
barn = { name = "Small", zone = "UTC", altitude_m = 1000 }
history.file = "/data/h.db"
link.socket = "run/link"
[[places]]
name = "stalls"
kind = "standing"
[[buses]]
name = "line"
kind = "serial"
port = "../tty"
baud = 9600
parity = "even"
[[sensors]]
name = "air"
place = "stalls"
bus = "line"
kind = "modbus-registers"
unit = 1
function = 3
base = 0
temp = { register = 0, type = "int16" }
rh = { register = 1, type = "int16" }
current = { register = 2, type = "int16" }
[[relays]]
name = "block"
bus = "line"
kind = "modbus-coils"
unit = 2
base = 0
[[kit]]
name = "fan"
place = "stalls"
kind = "fan"
relay = "block"
coil = 0
contact = "normally-closed"
proof = { sensor = "air", quantity = "current" }
[[kit]]
name = "mist"
place = "stalls"
kind = "mister"
relay = "block"
coil = 1
contact = "normally-open"
"""


@pytest.fixture(scope="module")
def bench() -> Site:
    return load(BENCH / "barn.toml")


def test_the_example_becomes_the_barn_it_describes(bench: Site) -> None:
    barn = bench.barn
    assert (barn.name, barn.zone, barn.languages) == ("Cedar Bend", "America/New_York", ("en", "es"))
    assert [place.name for place in barn.places] == ["stalls", "arena", "wash-rack", "outdoors"]
    assert [place.kind for place in barn.places] == [PlaceKind.STANDING, PlaceKind.RIDING] * 2
    assert barn.places[0].label == {"en": "Stalls", "es": "Cuadras"}
    assert [post.at for post in barn.posts] == [130, 150, 180]
    assert [sensor.kind for sensor in barn.sensors][:5] == ["modbus-registers"] * 3 + ["iio", "hwmon"]
    assert [item.output for item in barn.kit][:4] == [0, 1, 2, 3]
    assert [item.safe_on for item in barn.kit][:4] == [True, True, True, False]
    assert [item.min_on_s for item in barn.kit[:3]] == [30, 30, 30]


def test_relative_paths_start_at_the_folder_of_the_file(bench: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(BENCH.parent)
    for site in (bench, load(Path("bench/barn.toml"))):
        assert site.history_file == BENCH / "history.db"
        assert site.link_socket == BENCH / "link.sock"
        assert site.path == BENCH / "barn.toml"
        assert site.barn.buses[0].options["port"] == str(BENCH / "line-a")
        assert site.barn.buses[1].options == {"root": str(BENCH / "sys")}


def test_options_are_plain_and_complete(bench: Site) -> None:
    sensors = bench.barn.sensors
    assert sensors[2].options == {
        "unit": 3,
        "function": 4,
        "base": 0,
        "word_order": "low-first",
        "temp": {"register": 0, "type": "float32", "scale": 1.0, "offset": 0.0, "good": 0},
        "rh": {"register": 2, "type": "float32", "scale": 1.0, "offset": 0.0, "good": 0},
    }
    assert sensors[3].options == {
        "device": "si7020",
        "temp": "in_temp",
        "rh": "in_humidityrelative",
        "rh_unit": "milli-percent",
    }
    assert sensors[4].options == {"device": "sht4x", "temp": "temp1", "rh": "humidity1"}
    assert all(type(options) is dict for options in (sensors[2].options, sensors[2].options["temp"]))
    relay = bench.barn.relays[0].options
    assert (relay["unit"], relay["base"]) == (10, 0)
    assert relay["watchdog"] == {"register": 8, "seconds": 30.0, "per_second": 1.0}


def test_what_is_left_out_has_its_default(write: Write) -> None:
    site = load(write(SMALL))
    barn, folder = site.barn, site.path.parent
    assert [post.at for post in barn.posts] == [130, 150, 180]
    assert (barn.dead_band, barn.hold_s, barn.languages) == (3, 300, ("en", "es"))
    assert barn.places[0].label == {"en": "stalls", "es": "stalls"}
    assert barn.buses[0].options == {
        "port": str(folder / "../tty"),
        "baud": 9600,
        "parity": "even",
        "stop_bits": 1,
        "answer_within_s": 0.3,
    }
    sensor, (fan, mister) = barn.sensors[0], barn.kit
    assert (sensor.every_s, sensor.late_after_s, sensor.lost_after_s, sensor.stuck_after_s) == (10, 20, 30, 7200)
    assert sensor.options["word_order"] == "high-first"
    assert barn.relays[0].options == {"unit": 2, "base": 0}, "what is left out and has no default is not there"
    assert (fan.on_level, fan.min_on_s, fan.min_off_s) == (1, 600, 300)
    assert (mister.kind, mister.on_level) == (KitKind.MISTER, 3)
    assert (site.web_listen, site.web_port) == ("127.0.0.1", 8460)
    assert (site.history_file, site.link_socket) == (Path("/data/h.db"), folder / "run/link")


def test_late_and_lost_can_be_set_for_one_sensor(write: Write) -> None:
    sensor = load(write(SMALL.replace("unit = 1\n", "unit = 1\nlate_after_s = 30\nlost_after_s = 30\n"))).barn.sensors[
        0
    ]
    assert (sensor.late_after_s, sensor.lost_after_s) == (30, 30)


def test_only_the_published_posts_carry_the_published_source(write: Write) -> None:
    sources = [post.source for post in load(write(SMALL + "[posts]\nwatch = 140\n")).barn.posts]
    assert sources[0] == "set in the site file; no published source"
    assert all("federation" in source for source in sources[1:])
    assert all("\n" not in source for source in sources)
    moved = [post.source for post in load(write(SMALL + "[posts]\nwatch = 150\nplan = 160\n")).barn.posts]
    assert moved[:2] == [sources[0]] * 2, "150 is published for another level"


# Standard atmosphere, ICAO Doc 7488 and ASHRAE Handbook Fundamentals chapter 1 table 1 [kPa]; from memory.
@pytest.mark.parametrize(
    ("altitude_m", "expected_kpa"),
    [(-400, 106.22), (0, 101.325), (500, 95.461), (1000, 89.875), (3000, 70.108), (5000, 54.020)],
)
def test_pressure_is_that_of_the_standard_atmosphere(write: Write, altitude_m: float, expected_kpa: float) -> None:
    pressure_pa = load(write(SMALL.replace("altitude_m = 1000", f"altitude_m = {altitude_m}"))).barn.pressure_pa
    assert pressure_pa == pytest.approx(expected_kpa * 1000, rel=2e-4)
    psychrolib.SetUnitSystem(psychrolib.SI)  # an independent library
    assert pressure_pa == pytest.approx(psychrolib.GetStandardAtmPressure(altitude_m), rel=1e-9)


def test_the_parameters_cannot_be_changed(bench: Site) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        bench.web_port = 1  # type: ignore[misc]


def test_all_mistakes_are_told_at_once_in_the_order_of_lines(problems_of: Problems) -> None:
    text = (
        SMALL.replace('"UTC"', '"Utopia/City"')
        .replace("baud = 9600", "baud = 9")
        .replace('name = "air"\nplace', 'name = "air"\nevry_s = 5\nplace')
        .replace("coil = 1", "coil = 0")
        .replace('name = "mist"\nplace = "stalls"', 'name = "mist"\nplace = "stable"')
    )
    starts = [
        "1: barn key",
        '11: buses[0] "line" key',
        '15: sensors[0] "air" key "evry_s"',
        '41: kit[1] "mist" key "place"',
    ]
    starts += ['44: kit[1] "mist" key "coil"']
    found = problems_of(text)
    assert len(found) == len(starts), found
    for line, start in zip(found, starts, strict=True):
        assert line.startswith(f"barn.toml line {start}")


def test_an_empty_file_is_told_every_table_that_it_needs(problems_of: Problems) -> None:
    assert problems_of("") == [
        'barn.toml line 1: key "barn": missing; allowed: a table [barn]',
        'barn.toml line 1: key "places": missing; allowed: one or more tables [[places]]',
        'barn.toml line 1: key "buses": missing; allowed: one or more tables [[buses]]',
        'barn.toml line 1: key "sensors": missing; allowed: one or more tables [[sensors]]',
        'barn.toml line 1: key "history": missing; allowed: a table [history]',
        'barn.toml line 1: key "link": missing; allowed: a table [link]',
    ]


@pytest.mark.parametrize("value", ["1", "[1]", "[[]]", '"x"', "{ name = 1 }"])
@pytest.mark.parametrize("section", ["places", "buses", "sensors", "relays", "kit", "barn", "posts", "link", "web"])
def test_a_table_of_another_form_is_told_and_nothing_breaks(problems_of: Problems, section: str, value: str) -> None:
    found = problems_of(f"\n{section} = {value}\n")
    assert any(line.startswith("barn.toml line 2: ") and "allowed: " in line for line in found)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("a = 1\nb = = 2\n", "barn.toml line 2: not TOML at column 5: Invalid value"),
        ("a = 1\n\na = 2\n", "barn.toml line 3: not TOML at column 6: Cannot overwrite a value"),
        ('a = 1\nb = """x\n', "barn.toml line 3: not TOML: "),
        (b"a = 1\r\nb = '\xff'\r\n", "barn.toml line 2: not UTF-8 text; save the file as UTF-8"),
        ("a = " + "[" * 3000, "barn.toml: lists or tables stand too deeply inside one another"),
        ("a = " + "9" * 5000, "barn.toml: a number has too many digits"),
        (
            "[barn]\naltitude_m = 9223372036854775808\n",
            'barn.toml line 2: barn key "altitude_m": found a whole number of more than 64 bits',
        ),
    ],
)
def test_a_file_that_is_not_toml_is_told_with_its_line(problems_of: Problems, content: str | bytes, said: str) -> None:
    found = problems_of(content)
    assert len(found) == 1
    assert found[0].startswith(said)


def test_windows_line_ends_and_a_byte_order_mark_are_read(write: Write, problems_of: Problems) -> None:
    assert load(write(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())).barn.name == "Small"
    assert "line 11:" in problems_of(SMALL.replace("9600", "9601").replace("\n", "\r\n"))[0]


def refused(path: Path) -> str:
    with pytest.raises(SiteError) as caught:
        load(path)
    (problem,) = caught.value.problems
    return problem


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    missing, loop, pipe, large = (tmp_path / name for name in ("missing.toml", "loop", "pipe", "large.toml"))
    loop.symlink_to(loop)
    os.mkfifo(pipe)
    large.write_bytes(b"#" * 1_000_001)
    assert refused(missing) == f"{missing}: there is no such file"
    assert refused(tmp_path) == f"{tmp_path}: not a file"
    assert refused(pipe) == f"{pipe}: not a file"
    assert refused(loop).startswith(f"{loop}: cannot be read: ")
    assert refused(large) == f"{large}: larger than 1000000 bytes, which no site file needs"


def test_a_socket_path_too_long_for_the_system_is_refused(tmp_path: Path) -> None:
    room = 100 - len(str(tmp_path / "x").encode()) + 1
    path = tmp_path / "barn.toml"
    for extra, is_refused in ((0, False), (1, True)):
        path.write_text(SMALL.replace("run/link", "é" * (room // 2) + "s" * (room % 2 + extra)), encoding="utf-8")
        if is_refused:
            assert refused(path).startswith('barn.toml line 3: link key "socket": found a path of 101 bytes')
        else:
            assert len(str(load(path).link_socket).encode()) == 100


def test_the_description_names_everything_and_what_a_dead_board_means(bench: Site) -> None:
    lines = describe(bench).split("\n")
    text = "\n".join(lines)
    barn = bench.barn
    named = [spec.name for specs in (barn.places, barn.sensors, barn.relays, barn.kit) for spec in specs]
    assert len(named) >= 14
    assert all(f" {name}: " in text for name in named)
    fan = next(line for line in lines if "stall-fans" in line)
    mister = next(line for line in lines if "stall-mist" in line)
    assert "normally-closed, coil 0 of block-1" in fan
    assert fan.endswith("board dead: RUNS")
    assert "normally-open, coil 3 of block-1" in mister
    assert mister.endswith("board dead: STAYS OFF")
    assert "watchdog" in text


@pytest.mark.parametrize(
    ("listen", "said"),
    [("127.0.0.1", "this board only"), ("::1", "this board only"), ("0.0.0.0", "others on the network")],
)
def test_the_description_says_who_can_see_the_pages(write: Write, listen: str, said: str) -> None:
    assert said in describe(load(write(SMALL + f'[web]\nlisten = "{listen}"\n')))
