"""Owns: checks of the NMEA 0183 codec.

Must not know: ports, but for the contract that every sensor keeps.
How it works: sentences that others printed, with their source beside each, and the value that stands in them; those
without a source are sealed here by a second writing of the checksum. Each is fed whole, with junk before and behind,
cut short, and with each single bit flipped.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.lines_wire import LineSensor, LineSplitter, LinesWire
from drivers.nmea import fields_of, parser
from gateway.barn import SensorSpec
from gateway.errors import BadText, BusTimeout, ChecksumError, EmptyText, FrameError, ReadError
from gateway.model import Quantity
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers.far_end import Pty
from tests.drivers.speakers import Speaker, lines_bus, nmea

TEMP, RH, WIND = Quantity.TEMP, Quantity.RH, Quantity.WIND
DIRECTION, PRESSURE = Quantity.DIRECTION, Quantity.PRESSURE

MWV = nmea("MWV", WIND, DIRECTION)
XDR = nmea("XDR", TEMP, RH, PRESSURE)

# Each: who printed the sentence, the sensor, the sentence, the values in the order of the sensor's quantities.
# 1 knot is 1852 m in an hour, 1 bar 100000 Pa: exact by definition.
SENTENCES = [
    ("Vaisala M210822EN, MWV", MWV, b"$WIMWV,39,R,1.3,M,A*06", (1.3, 39.0)),
    ("docs of the crate nmea, parse_mwv", MWV, b"$WIMWV,041.1,R,01.0,N,A*16", (1852 / 3600, 41.1)),
    (
        "test strings of a public XDR parser",
        XDR,
        b"$WIXDR,C,+023.0,C,TEMP,P,1.0199,B,PRESS,H,039.6,P,RH*33",
        (23.0, 39.6, 101990.0),
    ),
    ("log file in rgleason/watchdog_pi", nmea("MDA", PRESSURE), b"$WIMDA,,,1.01699,B,,,,,,,,,,,,,,,*10", (101699.0,)),
    (
        "fields after the crate nmea, parse_mda; sealed by hand",
        nmea("MDA", TEMP, RH, WIND, DIRECTION, PRESSURE),
        b"$WIMDA,29.94,I,1.0139,B,31.2,C,,,64.5,,23.7,C,41.1,T,,,1.0,N,0.5,M*37",
        (31.2, 64.5, 0.5, 41.1, 101390.0),
    ),
]
PRINTED = [(spec, line) for _, spec, line, _ in SENTENCES]


def sealed(body: str) -> bytes:
    seal = 0
    for letter in body:
        seal ^= ord(letter)
    return f"${body}*{seal:02X}".encode()


def read(spec: SensorSpec, line: bytes) -> tuple[float, ...] | None:
    return parser(spec)(line)


def is_refused(spec: SensorSpec, line: bytes) -> bool:
    """As damaged, or as no sentence of ours at all."""
    try:
        return read(spec, line) is None
    except FrameError:
        return True


class TestNmea(SensorContract):
    @pytest.fixture
    def wire(self, tmp_path: Path) -> Iterator[LinesWire]:
        pty = Pty(tmp_path / "line-b")
        spoken = b"\r\n".join([*(line for _, line in PRINTED), b""])
        speaker, wire = Speaker(pty, spoken), LinesWire(lines_bus(pty.link))
        yield wire
        wire.close()
        speaker.stop()
        pty.vanish()

    @pytest.fixture
    def sensor(self, wire: LinesWire) -> Sensor:
        return LineSensor(XDR, wire, parser(XDR))

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Sensor:
        return LineSensor(XDR, LinesWire(lines_bus(tmp_path / "nowhere")), parser(XDR))

    def test_several_sensors_share_what_one_instrument_says(self, wire: LinesWire) -> None:
        mda = nmea("MDA", PRESSURE)
        sensors = [LineSensor(spec, wire, parser(spec)) for spec in (MWV, XDR, mda)]
        for _ in range(3):
            wind, air, pressure = [[raw.value for raw in sensor.read()] for sensor in sensors]
            assert wind in ([1.3, 39.0], pytest.approx([1852 / 3600, 41.1]))
            assert air == pytest.approx([23.0, 39.6, 101990.0])
            assert pressure in ([pytest.approx(101699.0)], [pytest.approx(101390.0)])

    def test_a_damaged_sentence_is_no_reading(self, tmp_path: Path) -> None:
        pty = Pty(tmp_path / "damaged")
        speaker, wire = Speaker(pty, b"$WIMWV,39,R,1.9,M,A*06\r\n"), LinesWire(lines_bus(pty.link))
        with pytest.raises(ChecksumError):
            LineSensor(MWV, wire, parser(MWV)).read()
        wire.close()
        speaker.stop()
        pty.vanish()


# --- published sentences ------------------------------------------------------------------------------


@pytest.mark.parametrize(("source", "spec", "line", "values"), SENTENCES)
def test_a_printed_sentence_gives_its_values(
    source: str, spec: SensorSpec, line: bytes, values: tuple[float, ...]
) -> None:
    assert read(spec, line) == pytest.approx(values)


@pytest.mark.parametrize(("spec", "line"), PRINTED)
def test_a_sentence_is_found_behind_junk_and_behind_a_sentence_that_broke_off(spec: SensorSpec, line: bytes) -> None:
    assert read(spec, b"\0\xffx1," + line) == read(spec, line)
    assert read(spec, line[: len(line) // 2] + line) == read(spec, line)


@pytest.mark.parametrize(("spec", "line"), PRINTED)
def test_a_sentence_with_junk_behind_it_is_refused(spec: SensorSpec, line: bytes) -> None:
    for junk in (b"0", b" ", b"\0", b",1", b"*00"):
        with pytest.raises(FrameError):
            read(spec, line + junk)


@pytest.mark.parametrize(("spec", "line"), PRINTED)
def test_a_sentence_that_was_cut_short_gives_nothing(spec: SensorSpec, line: bytes) -> None:
    for size in range(len(line)):
        assert is_refused(spec, line[:size])


@pytest.mark.parametrize(("spec", "line"), PRINTED)
def test_every_flipped_bit_is_refused(spec: SensorSpec, line: bytes) -> None:
    for at in range(8 * len(line)):
        bent = bytearray(line)
        bent[at // 8] ^= 1 << at % 8
        assert is_refused(spec, bytes(bent))


@pytest.mark.parametrize(("spec", "line"), PRINTED)
def test_a_sentence_comes_byte_by_byte_through_the_splitter(spec: SensorSpec, line: bytes) -> None:
    splitter = LineSplitter()
    lines = [found for byte in b"\n" + line + b"\r\n" for found in splitter.feed(bytes((byte,)))]
    assert [read(spec, found) for found in lines] == [read(spec, line)]


# --- the frame ----------------------------------------------------------------------------------------


def test_a_sentence_without_a_checksum_is_refused() -> None:
    for line in (b"$WIMWV,39,R,1.3,M,A", b"$WIMWV,39,R,1.3,M,A*", b"$WIMWV,39,R,1.3,M,A*6"):
        with pytest.raises(FrameError, match="no checksum"):
            read(MWV, line)


def test_a_wrong_checksum_is_told_with_both_numbers() -> None:
    with pytest.raises(ChecksumError) as caught:
        read(MWV, b"$WIMWV,39,R,1.3,M,A*07")
    assert (caught.value.received, caught.value.expected) == (7, 6)


def test_82_letters_with_their_line_end_are_the_most() -> None:
    # NMEA 0183: at most 82 characters from $ to the line feed.
    for size, sound in ((80, True), (81, False)):
        body = "WIMWV,39,R,1.3,M,A,"
        line = sealed(body + "x" * (size - len(sealed(body))))
        assert len(line) == size
        if sound:
            assert read(MWV, line) == (1.3, 39.0)
        else:
            with pytest.raises(FrameError, match="longer"):
                read(MWV, line)


@pytest.mark.parametrize("line", [b"", b"$", b"$WIMTA,21.40,C*2C", b"WIMWV,39,R,1.3,M,A*06", b"$PMWV,39,R,1.3,M,A*20"])
def test_other_sentences_are_not_ours(line: bytes) -> None:
    assert read(MWV, line) is None


def test_a_talker_that_is_named_is_the_only_one_heard() -> None:
    named = nmea("MWV", WIND, talker="II")
    assert read(named, b"$WIMWV,39,R,1.3,M,A*06") is None
    assert read(named, sealed("IIMWV,39,R,1.3,M,A")) == (1.3,)


def test_the_log_sentence_of_another_kind_has_the_checksum_that_was_printed() -> None:
    # $WIMTA,21.40,C*2C from the log file in rgleason/watchdog_pi.
    assert fields_of(b"$WIMTA,21.40,C*2C", formatter="MTA") == ["21.40", "C"]


# --- MWV ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "mps"), [("M", 36.0), ("K", 10.0), ("N", 36 * 1852 / 3600)])
def test_wind_in_each_unit(unit: str, mps: float) -> None:
    # 36 km/h are 10 m/s; a knot is 1852 m in an hour.
    assert read(nmea("MWV", WIND), sealed(f"WIMWV,39,R,36.0,{unit},A")) == pytest.approx((mps,))


def test_relative_and_true_wind_are_told_apart() -> None:
    relative, true = sealed("WIMWV,39,R,1.3,M,A"), sealed("WIMWV,51,T,2.6,M,A")
    wants_true = nmea("MWV", WIND, DIRECTION, reference="true")
    assert (read(MWV, relative), read(MWV, true)) == ((1.3, 39.0), None)
    assert (read(wants_true, relative), read(wants_true, true)) == (None, (2.6, 51.0))


@pytest.mark.parametrize("body", ["WIMWV,39,R,1.3,M,V", "WIMWV,,R,,M,V", "WIMWV,,,,,V", "WIMWV,39,R,1.3,M,"])
def test_a_status_that_is_not_a_is_no_value(body: str) -> None:
    with pytest.raises(EmptyText, match="status"):
        read(MWV, sealed(body))


def test_an_empty_speed_is_no_value_and_an_empty_angle_does_not_matter_to_a_sensor_of_speed() -> None:
    with pytest.raises(EmptyText, match="speed"):
        read(MWV, sealed("WIMWV,39,R,,M,A"))
    assert read(nmea("MWV", WIND), sealed("WIMWV,,R,0.0,M,A")) == (0.0,)
    with pytest.raises(EmptyText, match="angle"):
        read(MWV, sealed("WIMWV,,R,0.0,M,A"))


@pytest.mark.parametrize(
    "body", ["WIMWV,39,R,1.3,S,A", "WIMWV,39,R,1.3,,A", "WIMWV,39,R,fast,M,A", "WIMWV,39,,1.3,M,A"]
)
def test_an_unknown_unit_or_a_word_for_a_number_is_told(body: str) -> None:
    with pytest.raises(BadText):
        read(MWV, sealed(body))


def test_too_few_fields_are_refused() -> None:
    with pytest.raises(FrameError, match="5 needed"):
        read(MWV, sealed("WIMWV,39,R,1.3,M"))


@pytest.mark.parametrize("magic", ["999.9", "999.90", "99.9", "+99.90"])
def test_numbers_that_mean_an_error_are_no_value(magic: str) -> None:
    spec = nmea("MWV", WIND, errors=[99.9, 999.9])
    with pytest.raises(EmptyText, match="no value"):
        read(spec, sealed(f"WIMWV,39,R,{magic},N,A"))
    assert read(spec, sealed("WIMWV,39,R,9.99,M,A")) == (9.99,)


# --- XDR ----------------------------------------------------------------------------------------------


def test_transducers_without_names() -> None:
    assert read(XDR, sealed("WIXDR,C,-5.2,C,,H,88,P,,P,99000,P,")) == (-5.2, 88.0, 99000.0)


def test_two_transducers_of_a_kind_need_a_name() -> None:
    line = sealed("WIXDR,C,31.0,C,AIR,C,44.0,C,HEATER,H,50,P,")
    with pytest.raises(BadText, match="'AIR', 'HEATER'"):
        read(nmea("XDR", TEMP, RH), line)
    assert read(nmea("XDR", TEMP, RH, transducers={"temp": "AIR"}), line) == (31.0, 50.0)
    assert read(nmea("XDR", TEMP, RH, transducers={"temp": "HEATER"}), line) == (44.0, 50.0)


def test_a_sentence_with_other_transducers_only_is_not_ours() -> None:
    assert read(nmea("XDR", TEMP, RH), sealed("WIXDR,A,38,D,PTCH,U,12.1,V,SUPPLY")) is None
    assert read(nmea("XDR", TEMP, transducers={"temp": "AIR"}), sealed("WIXDR,C,44.0,C,HEATER")) is None


def test_a_sentence_with_a_part_of_what_is_wanted_is_no_reading() -> None:
    with pytest.raises(EmptyText, match="rh"):
        read(nmea("XDR", TEMP, RH), sealed("WIXDR,C,31.0,C,AIR"))


@pytest.mark.parametrize("body", ["WIXDR,C,31.0,C", "WIXDR,C,31.0,C,A,H"])
def test_broken_groups_are_refused(body: str) -> None:
    with pytest.raises(FrameError, match="groups"):
        read(nmea("XDR", TEMP), sealed(body))


@pytest.mark.parametrize("body", ["WIXDR,C,88.0,F,AIR", "WIXDR,C,31.0,,AIR", "WIXDR,C,hot,C,AIR"])
def test_a_transducer_in_another_unit_is_told(body: str) -> None:
    with pytest.raises(BadText):
        read(nmea("XDR", TEMP), sealed(body))


# --- MDA ----------------------------------------------------------------------------------------------


def test_empty_fields_of_a_weather_sentence_are_no_value() -> None:
    line = b"$WIMDA,,,1.01699,B,,,,,,,,,,,,,,,*10"
    for quantity in (TEMP, RH, WIND, DIRECTION):
        with pytest.raises(EmptyText, match=quantity.key):
            read(nmea("MDA", quantity), line)


def test_a_weather_sentence_falls_back_on_knots_and_inches() -> None:
    line = sealed("WIMDA,29.92,I,,,,,,,,,,,,,,,10.0,N,,")
    # 29.92 inHg is the standard atmosphere, 101325 Pa, to the digits that are printed.
    assert read(nmea("MDA", WIND, PRESSURE), line) == pytest.approx((10 * 1852 / 3600, 101325.0), rel=1e-4)


def test_a_weather_sentence_in_another_unit_is_told() -> None:
    with pytest.raises(BadText, match="unit 'F'"):
        read(nmea("MDA", TEMP), sealed("WIMDA,,,,,88.0,F,,,,,,,,,,,,,,"))


# --- anything -----------------------------------------------------------------------------------------

BODIES = st.lists(
    st.sampled_from(
        ["WIMWV", "WIXDR", "WIMDA", ",", "R", "M", "A", "V", "C", "P", "B", "39", "1.3", "-", "x", "e9", "$"]
    ),
    max_size=30,
).map("".join)


@settings(max_examples=5000, deadline=None)
@given(st.one_of(st.binary(max_size=90), BODIES.map(sealed)))
def test_whatever_comes_gives_finite_numbers_or_a_read_error(line: bytes) -> None:
    for spec in (MWV, XDR, nmea("MDA", TEMP, WIND), nmea("MWV", WIND, talker="WI", errors=[39.0])):
        values = None
        with suppress(ReadError):
            values = parser(spec)(line)
        assert values is None or all(abs(value) < float("inf") for value in values)


@settings(max_examples=300, deadline=None)
@given(st.floats(0, 60).map(lambda speed: round(speed, 2)), st.integers(0, 359))
def test_what_an_instrument_prints_is_what_is_read(mps: float, angle_deg: int) -> None:
    assert read(MWV, sealed(f"WIMWV,{angle_deg},R,{mps:.2f},M,A")) == (mps, angle_deg)


def test_nothing_said_is_silence(tmp_path: Path) -> None:
    pty = Pty(tmp_path / "quiet")
    wire = LinesWire(lines_bus(pty.link))
    sensor = LineSensor(MWV, wire, parser(MWV))
    os.write(pty.far, b"$WIMTA,21.40,C*2C\r\n")
    with pytest.raises(BusTimeout):
        sensor.read()
    wire.close()
    pty.vanish()
