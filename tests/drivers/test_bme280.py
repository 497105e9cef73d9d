"""Owns: checks of the BME280: its formulas by the data sheet's example and by its other formulas, its driver on a fake.

Must not know: how the bus is brought back (that is the wire's test).
How it works: the data sheet gives each formula twice, in whole numbers and in floating point. The code has the first;
the second stands here, and both must agree for every plausible chip and measurement.
"""

from __future__ import annotations

import struct
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.bme280 import Bme280
from drivers.bme280_frame import Calibration, air_of, calibration_of, expect_bme280, fine_temperature
from drivers.i2c_wire import I2cWire
from gateway.barn import BusSpec
from gateway.errors import DeviceFault, FrameError, ReadError
from gateway.model import AIR, Quantity
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers.fake_i2c import FakeBme280, FakeBus, Hand
from tests.drivers.specs import sensor as spec_of

AT = 0x76

# The worked example of the data sheets BMP280 (DS001, 3.12) and BME280 for T and P (from memory); H is invented.
T = (27504, 26435, -1000)
P = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
H = (75, 360, 0, 321, 50, 30)
EXAMPLE = Calibration(t=T, p=P, h=H)


def burnt(t: tuple[int, ...] = T, p: tuple[int, ...] = P, h: tuple[int, ...] = H) -> tuple[bytes, bytes]:
    """Calibration as it stands in the registers, data sheet BME280, table 16."""
    main = struct.pack("<Hhh", *t) + struct.pack("<Hhhhhhhhh", *p) + b"\x00" + bytes((h[0],))
    h4, h5 = h[3] & 0xFFF, h[4] & 0xFFF
    humidity = struct.pack("<hB", h[1], h[2]) + bytes((h4 >> 4, (h5 & 0xF) << 4 | h4 & 0xF, h5 >> 4, h[5] & 0xFF))
    return main, humidity


def result(
    temp: int = 519888, pressure: int = 415148, humidity: int = 30281, head: bytes = b"\x01\x00\x24\x00"
) -> bytes:
    return head + b"\x00" + (pressure << 4).to_bytes(3) + (temp << 4).to_bytes(3) + humidity.to_bytes(2)


def published_double(c: Calibration, temp: int, pressure: int, humidity: int) -> tuple[float, float, float]:
    """Data sheet BME280 DS002, 8.1: the formulas in double precision, without their clamps (from memory)."""
    t1, t2, t3 = c.t
    p1, p2, p3, p4, p5, p6, p7, p8, p9 = c.p
    h1, h2, h3, h4, h5, h6 = c.h
    fine = (temp / 16384.0 - t1 / 1024.0) * t2 + (temp / 131072.0 - t1 / 8192.0) ** 2 * t3
    v1 = fine / 2.0 - 64000.0
    v2 = (v1 * v1 * p6 / 32768.0 + v1 * p5 * 2.0) / 4.0 + p4 * 65536.0
    v1 = (1.0 + (p3 * v1 * v1 / 524288.0 + p2 * v1) / 524288.0 / 32768.0) * p1
    p = (1048576.0 - pressure - v2 / 4096.0) * 6250.0 / v1
    p += (p9 * p * p / 2147483648.0 + p * p8 / 32768.0 + p7) / 16.0
    h = fine - 76800.0
    h = (humidity - (h4 * 64.0 + h5 / 16384.0 * h)) * (
        h2 / 65536.0 * (1.0 + h6 / 67108864.0 * h * (1.0 + h3 / 67108864.0 * h))
    )
    return fine / 5120.0, h * (1.0 - h1 * h / 524288.0), p


class Rig:
    """A bus with one chip, and the sensor on it."""

    def __init__(self, **chip: Any) -> None:
        self.clock = Hand()
        main, humidity = burnt()
        self.chip = FakeBme280(self.clock, **({"calibration": main, "humidity_calibration": humidity} | chip))
        self.bus = FakeBus(self.clock, chips={AT: self.chip})
        self.wire = I2cWire(
            BusSpec(name="i2c", kind="i2c", options={"device": "i2c-1"}),
            now_s=self.clock,
            sleep=self.clock.sleep,
            open_adapter=self.bus.open,
        )
        quantities = (*AIR, Quantity.PRESSURE)
        self.sensor = Bme280(spec_of("bme280", {"address": AT}, bus="i2c", quantities=quantities), self.wire)

    def read(self) -> list[float]:
        return [raw.value for raw in self.sensor.read()]


class TestBme280(SensorContract):
    @pytest.fixture
    def sensor(self) -> Sensor:
        return Rig().sensor

    @pytest.fixture
    def lost_sensor(self) -> Sensor:
        rig = Rig()
        rig.bus.chips.clear()
        return rig.sensor


# --- formulas -----------------------------------------------------------------------------------------


def test_the_worked_example_of_the_data_sheet() -> None:
    # BST-BMP280-DS001, 3.12 (from memory): t_fine 128422, 25.08 °C, 25767233/256 Pa by 64-bit whole numbers.
    assert fine_temperature(EXAMPLE, 519888) == 128422
    air = air_of(EXAMPLE, result())
    assert air.temp_c == pytest.approx(25.08)
    assert air.pressure_pa == pytest.approx(25767233 / 256, abs=0.005)


def test_calibration_is_read_from_where_it_stands() -> None:
    assert calibration_of(*burnt()) == EXAMPLE
    negative = (75, -360, 255, -2048, 2047, -128)
    assert calibration_of(*burnt(h=negative)).h == negative
    other = (0, 1, 0, 2047, -2048, 127)
    assert calibration_of(*burnt(h=other)).h == other


# Spans around the calibration of sold chips (BMP280, BME280 breakouts, from memory).
CHIPS = st.builds(
    Calibration,
    t=st.tuples(st.integers(26000, 29500), st.integers(25000, 27500), st.integers(-1100, 60)),
    p=st.tuples(
        st.integers(34000, 39500),
        st.integers(-11000, -10200),
        st.just(3024),
        st.integers(2000, 9500),
        st.integers(-300, 300),
        st.just(-7),
        st.sampled_from([9900, 15500]),
        st.sampled_from([-10230, -14600]),
        st.sampled_from([4285, 6000]),
    ),
    h=st.tuples(st.just(75), st.integers(340, 390), st.just(0), st.integers(280, 360), st.integers(0, 60), st.just(30)),
)


@settings(max_examples=1_500)
@given(
    CHIPS,
    st.integers(480_000, 560_000).filter(lambda raw: raw != 0x80000),
    st.integers(260_000, 480_000),
    st.integers(22_000, 42_000).filter(lambda raw: raw != 0x8000),
)
def test_whole_numbers_agree_with_the_data_sheets_floating_point(
    chip: Calibration, temp: int, pressure: int, humidity: int
) -> None:
    air = air_of(chip, result(temp, pressure, humidity))
    temp_c, rh_pct, pressure_pa = published_double(chip, temp, pressure, humidity)
    assert air.temp_c == pytest.approx(temp_c, abs=0.011)  # steps of 0.01 °C
    assert air.rh_pct == pytest.approx(min(max(rh_pct, 0.0), 100.0), abs=0.06)  # 0.008 % is the chip's resolution
    assert air.pressure_pa == pytest.approx(pressure_pa, abs=1.5)


# --- what is no measurement ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "raw",
    [
        result(temp=0x80000),
        result(pressure=0x80000),
        result(humidity=0x8000),
    ],
    ids=["temperature", "pressure", "humidity"],
)
def test_a_skipped_measurement_is_none(raw: bytes) -> None:
    # Data sheet BME280 DS002, 5.4.7 to 5.4.9: the value of a measurement that was switched off.
    with pytest.raises(FrameError, match="skipped"):
        air_of(EXAMPLE, raw)


@pytest.mark.parametrize("state", [0x08, 0x01, 0x09])
def test_a_busy_chip_gives_no_numbers(state: int) -> None:
    with pytest.raises(ReadError, match="busy"):
        air_of(EXAMPLE, result(head=bytes((0x01, state, 0x24, 0x00))))


@pytest.mark.parametrize("head", ["00 00 24 00", "01 00 25 00", "01 00 00 00", "01 00 24 10", "01 00 27 a0"])
def test_settings_that_were_not_kept_are_an_error(head: str) -> None:
    with pytest.raises(FrameError, match="settings"):
        air_of(EXAMPLE, result(head=bytes.fromhex(head)))


@pytest.mark.parametrize("raw", [bytes(13), b"\xff" * 13])
def test_a_line_that_only_rests_is_no_answer(raw: bytes) -> None:
    with pytest.raises(FrameError):
        air_of(EXAMPLE, raw)


@pytest.mark.parametrize("byte", [b"\x00", b"\xff"])
def test_a_line_that_only_rests_is_no_calibration(byte: bytes) -> None:
    main, humidity = burnt()
    for blocks in ((byte * 26, humidity), (main, byte * 7), (byte * 26, byte * 7)):
        with pytest.raises(FrameError, match="calibration"):
            calibration_of(*blocks)


def test_calibration_with_a_zero_that_cannot_be_is_refused() -> None:
    for blocks in (
        burnt(t=(0, 26435, -1000)),
        burnt(t=(27504, 0, -1000)),
        burnt(p=(0, *P[1:])),
        burnt(h=(75, 0, 0, 321, 50, 30)),
    ):
        with pytest.raises(FrameError, match="never 0"):
            calibration_of(*blocks)


def test_numbers_that_would_divide_by_nothing_give_no_pressure() -> None:
    # 2^47 + (t * P2 << 12) is below 0 for P2 = -32768 and t above 2^20: about 230 °C, by hand.
    broken = Calibration(t=(27504, 32767, 0), p=(36477, -32768, 0, *P[3:]), h=H)
    with pytest.raises(ReadError, match="give no pressure"):
        air_of(broken, result(temp=1048575))


@pytest.mark.parametrize(("number", "word"), [(0x58, "BMP280"), (0x61, "BME680"), (0x55, "no BME280")])
def test_another_chip_at_this_address_is_a_fault_of_its_own(number: int, word: str) -> None:
    with pytest.raises(DeviceFault, match=word):
        Rig(number=number).read()


@pytest.mark.parametrize("number", [b"\x00", b"\xff"])
def test_no_number_is_no_chip(number: bytes) -> None:
    with pytest.raises(FrameError):
        expect_bme280(number)


@settings(max_examples=6_000)
@given(st.binary(min_size=26, max_size=26), st.binary(min_size=7, max_size=7), st.binary(min_size=8, max_size=8))
def test_fuzz_gives_numbers_or_a_read_error(main: bytes, humidity: bytes, data: bytes) -> None:
    with suppress(ReadError):
        air = air_of(calibration_of(main, humidity), b"\x01\x00\x24\x00\x00" + data)
        assert 0.0 <= air.rh_pct <= 100.0


# --- driver -------------------------------------------------------------------------------------------


def test_one_measurement_gives_all_three_values() -> None:
    rig = Rig()
    temp_c, rh_pct, pressure_pa = published_double(EXAMPLE, 519888, 415148, 30281)
    assert rig.read() == [
        pytest.approx(temp_c, abs=0.011),
        pytest.approx(rh_pct, abs=0.06),
        pytest.approx(pressure_pa, abs=1.5),
    ]


def test_calibration_is_read_once_and_anew_after_trouble() -> None:
    rig = Rig()
    rig.read()
    assert sum("r26" in line for line in rig.bus.log) == 2  # each block twice
    rig.read()
    assert sum("r26" in line for line in rig.bus.log) == 2
    del rig.bus.chips[AT]
    with pytest.raises(ReadError):
        rig.read()
    main, humidity = burnt(t=(28000, 26435, -1000))  # another chip was put in
    rig.bus.chips[AT] = FakeBme280(rig.clock, calibration=main, humidity_calibration=humidity)
    other = Calibration(t=(28000, 26435, -1000), p=P, h=H)
    assert rig.read()[0] == pytest.approx(published_double(other, 519888, 415148, 30281)[0], abs=0.011)


def test_a_measurement_is_fresh_each_time() -> None:
    rig = Rig()
    before = rig.read()
    rig.chip.temp += 4000
    after = rig.read()
    assert after[0] > before[0] + 1.0


def test_a_chip_that_lost_its_settings_is_reset_and_read() -> None:
    rig = Rig()
    before = rig.read()
    rig.chip.cells[0xF5] = 0xA0
    assert rig.read() == before


def test_a_chip_that_keeps_no_settings_gives_no_numbers() -> None:
    rig = Rig(ignores_settings=True)
    with pytest.raises(FrameError, match="settings"):
        rig.read()


def test_each_bit_that_flips_on_the_way_is_noticed_without_a_checksum() -> None:
    """The second reading differs. The bit is at another place each time, through the whole answer."""
    rig = Rig()
    before = rig.read()
    for bit in range(8 * 13):
        answers = 0

        def flipped(answer: bytes, bit: int = bit) -> bytes:
            nonlocal answers
            answers += 1
            spoilt = bytearray(answer)
            if answers == 1:
                spoilt[bit // 8] ^= 1 << bit % 8
            return bytes(spoilt)

        rig.bus.answer = flipped
        assert rig.read() == before
        assert answers == 4  # two that differ, two that agree
