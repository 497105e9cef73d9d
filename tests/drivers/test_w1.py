"""Owns: checks of 1-Wire thermometers: what their nine bytes mean, and the file in which the kernel prints them.

Must not know: any number of our own making.
How it works: scratchpads of data sheets and of published captures; the files stand in a temporary folder, laid out as
Linux Documentation/w1/slaves/w1_therm.rst describes it.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.crc import crc8_one_wire
from drivers.sysfs_files import SysfsRoot
from drivers.w1 import W1
from drivers.w1_scratchpad import HeldLow, NotConverted, temp_c
from gateway.errors import BadText, ChecksumError, EmptyText, FrameError, PortGone, ReadError, SiteError
from gateway.model import Quantity
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers.specs import sensor as spec_of
from tests.drivers.specs import sysfs_tree

DEVICE = "28-0316a2794f2b"
GOOD = "91 01 4b 46 7f ff 0f 10 25"
POWER_ON = "50 05 4b 46 7f ff 0c 10 1c"  # data sheet DS18B20, memory map: the value after power-on


def printed(scratchpad: str, *, verdict: str = "YES", crc: str = "", milli: int = 0) -> str:
    return f"{scratchpad} : crc={crc or scratchpad[-2:]} {verdict}\n{scratchpad} t={milli}"


def sealed(eight: bytes) -> str:
    return (eight + bytes((crc8_one_wire(eight),))).hex(" ")


def scratchpad(low: int, high: int, config: int = 0x7F, six: int = 0x10) -> str:
    return sealed(bytes((low, high, 0x4B, 0x46, config, 0xFF, six, 0x10)))


def parsed(text: str, *, family: str = "28", last_c: float | None = None) -> float:
    return temp_c(text, family=family, last_c=last_c)


def slave(root: Path, device: str = DEVICE) -> Path:
    folder = root / "bus/w1/devices" / device
    folder.mkdir(parents=True, exist_ok=True)
    return folder / "w1_slave"


def w1(root: Path, device: str = DEVICE, quantity: Quantity = Quantity.GLOBE) -> W1:
    spec = spec_of("w1", {"device": device, "measures": quantity.key}, bus="kernel", quantities=(quantity,))
    return W1(spec, SysfsRoot(sysfs_tree(root)))


class TestW1(SensorContract):
    @pytest.fixture
    def sensor(self, tmp_path: Path) -> Sensor:
        slave(tmp_path).write_text(printed(GOOD, milli=25062) + "\n")
        return w1(tmp_path)

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Sensor:
        return w1(tmp_path)


# --- checksum -----------------------------------------------------------------------------------------


def test_checksum_of_published_bytes() -> None:
    # Maxim application note 27, figure 4: number 02 1C B8 01 00 00 00 has A2 (from memory).
    assert crc8_one_wire(bytes.fromhex("02 1c b8 01 00 00 00")) == 0xA2
    # A DS18S20 as somebody's tool printed it: github cpetrich/counterfeit_DS18B20, thread 3.
    assert crc8_one_wire(bytes.fromhex("aa 00 b4 b9 ff ff 0c 10")) == 0x18
    # CRC-8/MAXIM-DOW, check value for the nine digits in the catalogues (from memory).
    assert crc8_one_wire(b"123456789") == 0xA1


# --- temperatures -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "value_c"),
    [
        # Data sheet DS18B20, table 1, temperature/data relationship.
        (0xD0, 0x07, 125.0),
        (0x91, 0x01, 25.0625),
        (0xA2, 0x00, 10.125),
        (0x08, 0x00, 0.5),
        (0x00, 0x00, 0.0),
        (0xF8, 0xFF, -0.5),
        (0x5E, 0xFF, -10.125),
        (0x6F, 0xFE, -25.0625),
        (0x90, 0xFC, -55.0),
    ],
)
@pytest.mark.parametrize("family", ["22", "28", "3b", "42"])
def test_temperatures_of_the_data_sheet(family: str, low: int, high: int, value_c: float) -> None:
    assert parsed(printed(scratchpad(low, high)), family=family) == value_c


@pytest.mark.parametrize(("config", "value_c"), [(0x1F, 25.0), (0x3F, 25.0), (0x5F, 25.0), (0x7F, 25.0625)])
def test_bits_that_a_resolution_leaves_undefined_do_not_count(config: int, value_c: float) -> None:
    # Data sheet DS18B20, figure 4: bit 0 is undefined at 11 bits, 1 and 0 at 10, 2 to 0 at 9.
    assert parsed(printed(scratchpad(0x91, 0x01, config))) == value_c
    assert parsed(printed(scratchpad(0x97, 0x01, 0x1F))) == 25.0


@pytest.mark.parametrize(
    ("low", "high", "remain", "value_c"),
    [
        # Data sheet DS18S20, "temperature register": read - 0.25 + (16 - remain) / 16, read without its half degree.
        (0x32, 0x00, 0x0C, 25.0),
        (0x33, 0x00, 0x0C, 25.0),
        (0x32, 0x00, 0x04, 25.5),
        (0xCE, 0xFF, 0x0C, -25.0),
        (0x01, 0x00, 0x06, 0.375),
        (0xFF, 0xFF, 0x0C, -1.0),
    ],
)
def test_half_degrees_with_a_counter(low: int, high: int, remain: int, value_c: float) -> None:
    pad = sealed(bytes((low, high, 0x4B, 0x46, 0xFF, 0xFF, remain, 0x10)))
    assert parsed(printed(pad), family="10") == value_c


def test_the_printed_temperature_is_not_believed() -> None:
    # drivers/w1/slaves/w1_therm.c may compute it from other bytes than those of a right checksum.
    assert parsed(printed(GOOD, milli=-1)) == 25.0625


# --- traps --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("last_c", [None, 20.0, 84.9])
def test_the_power_on_value_is_none_when_the_scratchpad_says_so(last_c: float | None) -> None:
    # Linux Documentation/w1/slaves/w1_therm.rst: 85.00 with byte 6 = 0C was never converted.
    with pytest.raises(NotConverted, match="power-on") as caught:
        parsed(printed(POWER_ON, milli=85000), last_c=last_c)
    assert caught.value.quality == "power-on-value"


@pytest.mark.parametrize(
    ("last_c", "counts"), [(None, False), (20.0, False), (79.9, False), (80.1, True), (90.0, True)]
)
def test_another_85_degrees_counts_only_near_the_last_temperature(last_c: float | None, counts: bool) -> None:
    text = printed(scratchpad(0x50, 0x05))
    if counts:
        assert parsed(text, last_c=last_c) == 85.0
    else:
        with pytest.raises(NotConverted):
            parsed(text, last_c=last_c)


def test_its_neighbours_are_temperatures() -> None:
    assert parsed(printed(scratchpad(0x4F, 0x05, six=0x0C))) == 84.9375
    assert parsed(printed(scratchpad(0x51, 0x05, six=0x0C))) == 85.0625


def test_the_power_on_value_of_the_older_part() -> None:
    # github cpetrich/counterfeit_DS18B20, thread 3: a DS18S20 before its first conversion.
    with pytest.raises(NotConverted):
        parsed(printed("aa 00 b4 b9 ff ff 0c 10 18", milli=85000), family="10")


def test_too_little_power_is_no_temperature() -> None:
    # Linux Documentation/w1/slaves/w1_therm.rst: 127.94, insufficient power.
    with pytest.raises(NotConverted, match="power to measure"):
        parsed(printed("ff 07 4b 46 7f ff 0c 10 a6", milli=127937))


def test_a_line_that_is_held_low_is_not_0_degrees() -> None:
    with pytest.raises(HeldLow) as caught:
        parsed(printed("00 " * 8 + "00", milli=0))
    assert caught.value.quality == "bus-stuck"


def test_a_line_on_which_nobody_answers() -> None:
    with pytest.raises(ReadError, match="nobody answers") as caught:
        parsed(printed("ff " * 8 + "ff", verdict="NO", crc="c9", milli=-62))
    assert caught.value.quality == "silent"


def test_an_empty_file_is_no_reading() -> None:
    # drivers/w1/slaves/w1_therm.c gives an empty file, not an error, when the device does not answer.
    with pytest.raises(EmptyText):
        parsed("")


def test_a_bad_checksum_is_no_reading_whatever_is_printed() -> None:
    bad = "92" + GOOD[2:]
    for text in (
        printed(bad, verdict="NO", crc="e1"),
        printed(bad, verdict="YES"),
        printed(bad, verdict="YES", crc="e1"),
    ):
        with pytest.raises(ChecksumError):
            parsed(text)


def test_a_no_of_the_kernel_counts_although_the_bytes_are_right() -> None:
    for text in (printed(GOOD, verdict="NO"), printed(GOOD, crc="26")):
        with pytest.raises(FrameError, match="kernel says"):
            parsed(text)


@pytest.mark.parametrize(
    ("family", "place", "value"),
    [
        ("28", 4, 0x00),
        ("28", 4, 0xFF),
        ("28", 4, 0x6F),
        ("28", 5, 0x00),
        ("28", 7, 0x00),
        ("3b", 4, 0xF0),
        ("3b", 4, 0x60),
        ("10", 4, 0x7F),
        ("10", 5, 0x00),
        ("10", 7, 0x00),
    ],
)
def test_bytes_that_never_change_must_be_theirs(family: str, place: int, value: int) -> None:
    # Data sheets DS18B20, DS1825, DS18S20, memory maps: reserved bytes and fixed bits of the configuration.
    pad = bytearray.fromhex("91 01 4b 46 7f ff 0f 10" if family != "10" else "32 00 4b 46 ff ff 0c 10")
    parsed(printed(sealed(bytes(pad))), family=family)
    pad[place] = value
    with pytest.raises(FrameError, match="never change"):
        parsed(printed(sealed(bytes(pad))), family=family)


def test_pins_of_a_placed_part_do_not_matter() -> None:
    # Data sheet DS1825: the low four bits of its configuration are its address pins.
    for pins in range(16):
        assert parsed(printed(scratchpad(0x91, 0x01, 0x70 | pins)), family="3b") == 25.0625


# --- text ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [printed(GOOD), printed(POWER_ON)], ids=["good", "power-on"])
def test_every_flipped_bit_of_the_bytes_is_refused(text: str) -> None:
    first = bytes.fromhex(text[:26])
    for bit in range(72):
        torn = bytearray(first)
        torn[bit // 8] ^= 1 << bit % 8
        with pytest.raises(ReadError):
            parsed(torn.hex(" ") + text[26:], last_c=85.0)


def test_every_cut_text_is_no_reading() -> None:
    text = printed(GOOD, milli=25062)
    for length in range(len(text) - 5):  # a shorter printed temperature changes nothing: it is not used
        with pytest.raises((BadText, EmptyText)):
            parsed(text[:length])


@pytest.mark.parametrize("junk", ["x{}", "{}x", "00 {}", "{} 00", "{}\n{}", "\n{}"])
def test_junk_around_it_is_no_reading(junk: str) -> None:
    with pytest.raises(BadText):
        parsed(junk.replace("{}", printed(GOOD, milli=25062)))


@settings(max_examples=8_000)
@given(st.one_of(st.text(max_size=40), st.binary(min_size=8, max_size=8).map(lambda eight: printed(sealed(eight)))))
def test_fuzz_gives_a_temperature_or_a_read_error(text: str) -> None:
    for family in ("10", "28", "3b"):
        with suppress(ReadError):
            parsed(text, family=family)


# --- driver -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("quantity", [Quantity.TEMP, Quantity.GLOBE, Quantity.SKIN])
def test_it_measures_what_the_site_file_says(tmp_path: Path, quantity: Quantity) -> None:
    slave(tmp_path).write_text(printed(GOOD, milli=25062) + "\n")
    (raw,) = w1(tmp_path, quantity=quantity).read()
    assert (raw.channel, raw.value) == (f"stalls-air.{quantity}", 25.0625)


def test_another_device_is_not_taken_for_it(tmp_path: Path) -> None:
    slave(tmp_path, "28-0316a2794f2c").write_text(printed(GOOD))
    with pytest.raises(PortGone, match=DEVICE):
        w1(tmp_path).read()


def test_the_last_temperature_is_remembered_through_a_failure(tmp_path: Path) -> None:
    sensor, file = w1(tmp_path), slave(tmp_path)
    hot, at_85 = printed(scratchpad(0x20, 0x05)), printed(scratchpad(0x50, 0x05))
    file.write_text(at_85)
    with pytest.raises(NotConverted):
        sensor.read()
    file.write_text(hot)  # 82 °C
    sensor.read()
    file.write_text("")
    with pytest.raises(EmptyText):
        sensor.read()
    file.write_text(at_85)
    assert sensor.read()[0].value == 85.0


@pytest.mark.parametrize("device", ["29-0316a2794f2b", "01-0316a2794f2b"])
def test_a_part_that_is_no_thermometer_is_a_mistake_of_the_site_file(tmp_path: Path, device: str) -> None:
    with pytest.raises(SiteError, match="allowed: 10, 22, 28, 3b, 42"):
        w1(tmp_path, device)
