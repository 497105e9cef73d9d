"""Owns: checks of lines with columns and of lines of JSON.

Must not know: ports, but for the contract that every sensor keeps.
How it works: lines of invented devices, written by hand; expected values are what stands in the line. JSON pointers
are checked on their own (RFC 6901) where they live.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.lines_wire import LineSensor, LinesWire
from drivers.text_line import parser
from gateway.errors import BadText, EmptyText, FrameError, ReadError, SiteError
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers.far_end import Pty
from tests.drivers.speakers import Speaker, lines_bus, text_air

AIR = text_air({"column": 2}, {"column": 3}, begins="AIR")
JSON = text_air({"pointer": "/air/temp"}, {"pointer": "/air/rh"})


class TestTextLine(SensorContract):
    @pytest.fixture
    def wire(self, tmp_path: Path) -> Iterator[LinesWire]:
        pty = Pty(tmp_path / "line-b")
        speaker, wire = Speaker(pty, b"AIR,23.4,51.0\r\n"), LinesWire(lines_bus(pty.link))
        yield wire
        wire.close()
        speaker.stop()
        pty.vanish()

    @pytest.fixture
    def sensor(self, wire: LinesWire) -> Sensor:
        return LineSensor(AIR, wire, parser(AIR))

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Sensor:
        return LineSensor(AIR, LinesWire(lines_bus(tmp_path / "nowhere")), parser(AIR))

    def test_the_values_are_those_of_the_line(self, sensor: Sensor) -> None:
        assert [raw.value for raw in sensor.read()] == [23.4, 51.0]

    def test_a_neighbour_that_never_speaks_is_silent(self, wire: LinesWire) -> None:
        spec = text_air({"column": 1}, {"column": 2}, begins="OTHER")
        with pytest.raises(ReadError) as caught:
            LineSensor(spec, wire, parser(spec)).read()
        assert caught.value.quality == "silent"


# --- columns ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("begins", "separator", "columns", "line"),
    [
        ("", ",", (1, 2), b"23.4,51.0"),
        ("", ",", (3, 1), b"51.0,0,23.4,7,8"),
        ("AIR", ",", (2, 3), b"AIR,23.4,51.0"),
        ("AIR,", ",", (1, 2), b"AIR,23.4,51.0"),
        ("T=", ";", (1, 2), b"T=23.4;51.0"),
        ("", "\t", (1, 2), b" 23.4 \t 51.0 "),
        ("", " ", (1, 2), b"  23.4    51.0"),
        ("", ",", (1, 3), b"+23.4,,51."),
        ("", ",", (1, 2), b"2.34e1,5.1E+1"),
        ("", ",", (1, 3), b"23.4,\xb0C\xff,51"),
    ],
)
def test_columns(begins: str, separator: str, columns: tuple[int, int], line: bytes) -> None:
    spec = text_air({"column": columns[0]}, {"column": columns[1]}, begins=begins, separator=separator)
    assert parser(spec)(line) == pytest.approx((23.4, 51.0))


def test_scale_and_offset_are_applied_and_nothing_is_clamped() -> None:
    spec = text_air({"column": 1, "scale": 0.1, "offset": -40.0}, {"column": 2, "scale": 100.0})
    assert parser(spec)(b"9634,5.3") == pytest.approx((923.4, 530.0))


@pytest.mark.parametrize("line", [b"", b"WIND,1,2", b"air,23.4,51.0", b" AIR,23.4,51.0", b"xAIR,23.4,51.0"])
def test_a_line_of_another_device_is_not_ours(line: bytes) -> None:
    assert parser(AIR)(line) is None


@pytest.mark.parametrize("line", [b"AIR", b"AIR,23.4", b"AIR;23.4;51.0"])
def test_too_few_columns_are_noise(line: bytes) -> None:
    with pytest.raises(FrameError, match="3 needed"):
        parser(AIR)(line)


@pytest.mark.parametrize("line", [b"AIR,,51.0", b"AIR,23.4,", b"AIR, ,51.0"])
def test_an_empty_column_is_no_reading_and_never_zero(line: bytes) -> None:
    with pytest.raises(EmptyText, match="column"):
        parser(AIR)(line)


@pytest.mark.parametrize(
    "number",
    ["nan", "NaN", "inf", "-Infinity", "1e999", "9" * 400, "--", "1_0", "0x17", "23.4C", "٢٣", "+", ".", "e5"],
)
def test_what_is_not_a_number_is_said_with_its_column(number: str) -> None:
    with pytest.raises(BadText, match="column 2"):
        parser(AIR)(f"AIR,{number},51.0".encode())


def test_every_line_that_was_cut_short_is_refused_or_lost_digits_of_its_last_column_only() -> None:
    """A line without a checksum cannot do better; that is why it needs its line end to count."""
    line = b"AIR,23.4,51.0"
    for size in range(len(line)):
        try:
            values = parser(AIR)(line[:size])
        except ReadError:
            continue
        assert values is None or (values[0] == 23.4 and size > len(b"AIR,23.4,"))


# --- JSON ---------------------------------------------------------------------------------------------


def test_pointers_into_a_line_of_json() -> None:
    assert parser(JSON)(b'{"node": 3, "air": {"rh": 51.0, "temp": 23.4}}') == (23.4, 51.0)


def test_a_prefix_before_the_json_is_taken_off() -> None:
    spec = text_air({"pointer": "/0"}, {"pointer": "/1"}, begins="J:")
    assert parser(spec)(b"J:[23.4, 51]") == (23.4, 51.0)
    assert parser(spec)(b"[23.4, 51]") is None


def test_the_head_of_the_json_tells_the_device() -> None:
    spec = text_air({"pointer": "/t"}, {"pointer": "/h"}, begins='{"node":3,')
    assert parser(spec)(b'{"node":3,"t":23.4,"h":51}') == (23.4, 51.0)
    assert parser(spec)(b'{"node":4,"t":20.0,"h":40}') is None


@pytest.mark.parametrize("line", [b'{"air": {"temp": 23.4, "rh": 51.0}', b"Ready.", b'"\xff"', b"[" * 1000])
def test_what_is_no_whole_json_is_noise(line: bytes) -> None:
    with pytest.raises(FrameError):
        parser(JSON)(line)


@pytest.mark.parametrize("value", ["NaN", '"23.4"', "true", "[23.4]", "{}", "1e999", "1" * 500])
def test_what_is_no_number_in_json_is_a_read_error(value: str) -> None:
    with pytest.raises((BadText, FrameError)):
        parser(JSON)(f'{{"air": {{"temp": {value}, "rh": 51.0}}}}'.encode())


def test_null_is_no_reading_and_never_zero() -> None:
    with pytest.raises(EmptyText):
        parser(JSON)(b'{"air": {"temp": null, "rh": 51.0}}')


def test_a_pointer_that_leads_nowhere_is_named() -> None:
    with pytest.raises(BadText, match="/air/rh"):
        parser(JSON)(b'{"air": {"temp": 23.4}}')


def test_a_pointer_that_no_text_can_have_stops_the_start() -> None:
    with pytest.raises(SiteError, match="~2"):
        parser(text_air({"pointer": "/~2"}, {"pointer": "/rh"}))


def test_columns_beside_pointers_stop_the_start() -> None:
    with pytest.raises(SiteError, match="columns or is JSON"):
        parser(text_air({"column": 1}, {"pointer": "/rh"}))


# --- anything ------------------------------------------------------------------------------------------

NEAR = st.one_of(
    st.binary(max_size=60),
    st.lists(
        st.sampled_from([b"AIR", b",", b"23.4", b"-", b"nan", b"\xff", b" ", b"e9", b"\0", b"1"]), max_size=12
    ).map(b"".join),
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["air", "temp", "rh"]), inner),
        max_leaves=8,
    ).map(lambda document: json.dumps(document).encode()),
)


@settings(max_examples=3500, deadline=None)
@given(NEAR)
def test_whatever_comes_gives_finite_numbers_or_a_read_error(line: bytes) -> None:
    for parse in (parser(AIR), parser(JSON)):
        values = None
        with suppress(ReadError):
            values = parse(line)
        assert values is None or (len(values) == 2 and all(abs(value) < float("inf") for value in values))


@settings(max_examples=300, deadline=None)
@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_what_is_printed_is_what_is_read(temp_c: float, rh_pct: float) -> None:
    assert parser(AIR)(f"AIR,{temp_c!r},{rh_pct!r}".encode()) == (temp_c, rh_pct)
    assert parser(JSON)(json.dumps({"air": {"temp": temp_c, "rh": rh_pct}}).encode()) == (temp_c, rh_pct)
