"""Owns: checks of the SHT3x and SHT4x: their codec by published words, their driver on faked chips.

Must not know: how the bus is brought back (that is the wire's test).
How it works: expected values come from the formulas of the data sheets, worked by hand.
"""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.crc import crc8_sht
from drivers.i2c_wire import I2cWire
from drivers.sht import Dryer, Drying, Sht
from drivers.sht_frame import SHT3X, SHT4X, Chip, air_of
from gateway.barn import BusSpec, SensorSpec
from gateway.errors import ChecksumError, FrameError, PortGone, ReadError
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers.fake_i2c import FakeBus, FakeSht3x, FakeSht4x, Hand
from tests.drivers.specs import sensor as spec_of

CHIPS = pytest.mark.parametrize("chip", [SHT3X, SHT4X], ids=["sht3x", "sht4x"])
AT = 0x44
ANSWER = bytes.fromhex("66 66 93 99 99 be")  # checksums by the long division of the fake
EVERY_S = 10.0


def spec(kind: str, *, heat_when_wet: bool = True) -> SensorSpec:
    return spec_of(kind, {"address": AT, "heat_when_wet": heat_when_wet}, bus="i2c")


def bus_spec() -> BusSpec:
    return BusSpec(name="i2c", kind="i2c", options={"device": "i2c-1"})


class Rig:
    """A bus with one chip, and the sensor on it."""

    def __init__(self, kind: str, *, heat_when_wet: bool = True) -> None:
        self.clock = Hand()
        self.chip: FakeSht3x | FakeSht4x = FakeSht3x(self.clock) if kind == "sht3x" else FakeSht4x(self.clock)
        self.bus = FakeBus(self.clock, chips={AT: self.chip})
        self.wire = I2cWire(bus_spec(), now_s=self.clock, sleep=self.clock.sleep, open_adapter=self.bus.open)
        self.sensor = Sht(spec(kind, heat_when_wet=heat_when_wet), self.wire, now_s=self.clock)

    def read(self) -> list[float]:
        return [raw.value for raw in self.sensor.read()]

    def pass_s(self, seconds: float) -> list[list[float] | None]:
        """Poll for so long; None stands for a read without numbers."""
        got: list[list[float] | None] = []
        for _ in range(int(seconds / EVERY_S)):
            self.clock.sleep(EVERY_S)
            try:
                got.append(self.read())
            except Drying:
                got.append(None)
        return got


def heats(rig: Rig) -> bool:
    return isinstance(rig.chip, FakeSht3x) and rig.chip.heater


class TestSht3x(SensorContract):
    @pytest.fixture
    def sensor(self) -> Sensor:
        return Rig("sht3x").sensor

    @pytest.fixture
    def lost_sensor(self) -> Sensor:
        rig = Rig("sht3x")
        rig.bus.chips.clear()
        return rig.sensor


class TestSht4x(SensorContract):
    @pytest.fixture
    def sensor(self) -> Sensor:
        return Rig("sht4x").sensor

    @pytest.fixture
    def lost_sensor(self) -> Sensor:
        rig = Rig("sht4x")
        rig.bus.chips.clear()
        return rig.sensor


# --- checksum and codec -------------------------------------------------------------------------------


@pytest.mark.parametrize(("data", "crc"), [("be ef", 0x92), ("ab ab", 0x72)])
def test_checksum_of_published_words(data: str, crc: int) -> None:
    # BEEF: data sheet SHT3x-DIS version 5 (2018), table 20. ABAB: TI SNAU265C, HDC302x guide (same algorithm).
    assert crc8_sht(bytes.fromhex(data)) == crc


@CHIPS
@pytest.mark.parametrize(("word", "temp_c"), [(0x0000, -45.0), (0x6666, 25.0), (0xFFFF, 130.0)])
def test_temperature_by_the_data_sheet(chip: Chip, word: int, temp_c: float) -> None:
    # -45 + 175 * S / 65535, data sheet SHT3x-DIS 4.13; 6666h is 0.4 of full scale.
    assert air_of(chip, sealed(word, 0)).temp_c == pytest.approx(temp_c)


@pytest.mark.parametrize(
    ("chip", "word", "rh_pct"),
    [
        (SHT3X, 0x0000, 0.0),
        (SHT3X, 0x9999, 60.0),  # 100 * S / 65535, data sheet SHT3x-DIS 4.13
        (SHT3X, 0xFFFF, 100.0),
        (SHT4X, 0x0000, -6.0),
        (SHT4X, 0x6666, 44.0),  # -6 + 125 * S / 65535, data sheet SHT4x 4.6
        (SHT4X, 0xFFFF, 119.0),  # not clamped
    ],
)
def test_humidity_by_the_data_sheet(chip: Chip, word: int, rh_pct: float) -> None:
    assert air_of(chip, sealed(0, word)).rh_pct == pytest.approx(rh_pct)


def sealed(temp: int, rh: int) -> bytes:
    return b"".join(word + bytes((crc8_sht(word),)) for word in (temp.to_bytes(2, "big"), rh.to_bytes(2, "big")))


@CHIPS
def test_every_flipped_bit_is_refused(chip: Chip) -> None:
    air_of(chip, ANSWER)
    for bit in range(8 * len(ANSWER)):
        torn = bytearray(ANSWER)
        torn[bit // 8] ^= 1 << bit % 8
        with pytest.raises(ChecksumError):
            air_of(chip, bytes(torn))


@CHIPS
@pytest.mark.parametrize("length", [0, 1, 2, 3, 4, 5, 7, 12])
def test_every_other_length_is_refused(chip: Chip, length: int) -> None:
    with pytest.raises(FrameError):
        air_of(chip, (ANSWER * 2)[:length])


@CHIPS
def test_junk_before_or_behind_is_refused(chip: Chip) -> None:
    for junk in (b"\x00" + ANSWER, ANSWER + b"\xff", b"\xff" + ANSWER[:-1], ANSWER[1:] + b"\xff"):
        with pytest.raises(FrameError):
            air_of(chip, junk)


@CHIPS
@pytest.mark.parametrize("answer", [bytes(6), b"\xff" * 6])
def test_a_line_that_only_rests_is_no_answer(chip: Chip, answer: bytes) -> None:
    # CRC-8 of 0000h is 81h, of FFFFh it is ACh (computed by hand division, as the fake does).
    with pytest.raises(ChecksumError):
        air_of(chip, answer)


@settings(max_examples=20_000)
@given(st.binary(max_size=12))
def test_fuzz_gives_a_number_or_a_frame_error(answer: bytes) -> None:
    for chip in (SHT3X, SHT4X):
        with suppress(FrameError):
            air = air_of(chip, answer)
            assert -45.0 <= air.temp_c <= 130.0
            assert -6.0 <= air.rh_pct <= 119.0


# --- driver -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "rh_pct"), [("sht3x", 60.0), ("sht4x", 44.0)])
def test_one_measurement_gives_both_values(kind: str, rh_pct: float) -> None:
    assert Rig(kind).read() == pytest.approx([25.0, rh_pct])


def test_the_bus_sees_commands_without_clock_stretching() -> None:
    for kind, seen in (
        ("sht3x", ["44 w 30 a2", "44 w 24 00", "44 r6", "44 w 24 00", "44 r6"]),
        ("sht4x", ["44 w 94", "44 w fd", "44 r6", "44 w fd", "44 r6"]),
    ):
        rig = Rig(kind)
        rig.read()
        rig.read()
        assert rig.bus.log == seen


@pytest.mark.parametrize("kind", ["sht3x", "sht4x"])
def test_a_spoilt_answer_is_asked_for_again(kind: str) -> None:
    rig = Rig(kind)
    before = rig.read()
    spoils = [b"\x01", b"\x80"]

    def spoilt(answer: bytes) -> bytes:
        return bytes((answer[0] ^ spoils.pop()[0],)) + answer[1:] if spoils else answer

    rig.bus.answer = spoilt
    assert rig.read() == before
    assert not spoils


def test_a_chip_that_comes_back_begins_with_its_reset() -> None:
    rig = Rig("sht3x")
    rig.read()
    rig.bus.chips.clear()
    with pytest.raises(ReadError):
        rig.read()
    rig.bus.chips[AT] = FakeSht3x(rig.clock, heater=True)
    rig.bus.log.clear()
    rig.read()
    assert rig.bus.log[0] == "44 w 30 a2"


def test_a_heater_that_an_earlier_process_left_on_is_off_before_the_first_number() -> None:
    rig = Rig("sht3x")
    assert isinstance(rig.chip, FakeSht3x)
    rig.chip.heater = True
    rig.read()
    assert not rig.chip.heater


# --- drying -------------------------------------------------------------------------------------------


def test_a_wet_sht4x_is_heated_once_after_half_an_hour_and_its_warm_numbers_do_not_count() -> None:
    rig = Rig("sht4x")
    assert isinstance(rig.chip, FakeSht4x)
    rig.chip.rh_word = 0xFFFF
    got = rig.pass_s(1790)
    assert None not in got
    assert rig.chip.heated_s == []
    got = rig.pass_s(200)
    # 30 min after the first wet reading: one pulse of 1.1 s, then 60 s without numbers.
    assert len(rig.chip.heated_s) == 1
    assert rig.chip.heated_s[0] - 1010.0 == pytest.approx(1810, abs=12)
    assert 6 <= got.count(None) <= 7
    assert got[-1] is not None
    rig.chip.rh_word = 0x6666
    assert None not in rig.pass_s(4000)
    assert len(rig.chip.heated_s) == 1


def test_a_wet_sht3x_is_heated_for_half_a_minute_and_switched_off() -> None:
    rig = Rig("sht3x")
    assert isinstance(rig.chip, FakeSht3x)
    rig.chip.rh_word = 0xFFFF
    rig.pass_s(1820)
    assert heats(rig)
    with pytest.raises(Drying, match="its heater"):
        rig.read()
    rig.pass_s(10)
    assert heats(rig)
    got = rig.pass_s(20)
    assert not heats(rig)
    assert set(map(type, got)) == {type(None)}
    assert rig.pass_s(130)[-1] is not None
    assert rig.chip.commands.count("306d") == rig.chip.commands.count("3066") == 1


@pytest.mark.parametrize("kind", ["sht3x", "sht4x"])
def test_drying_is_told_in_a_sentence_and_not_as_a_number(kind: str) -> None:
    rig = Rig(kind)
    rig.chip.rh_word = 0xFFFF
    rig.pass_s(1820)
    with pytest.raises(Drying, match="wet for 30 min, dries by its heater"):
        rig.read()


@pytest.mark.parametrize("kind", ["sht3x", "sht4x"])
def test_without_leave_nothing_is_heated(kind: str) -> None:
    rig = Rig(kind, heat_when_wet=False)
    rig.chip.rh_word = 0xFFFF
    assert None not in rig.pass_s(7200)
    assert not {"39", "306d"} & set(rig.chip.commands)


@pytest.mark.parametrize(("rh_word", "heats"), [(0xFEB7, False), (0xFEB9, True)])
def test_wet_begins_at_99_5_percent(rh_word: int, heats: bool) -> None:
    # 99.5 % of an SHT3x is 0.995 * 65535 = 65207.3 = FEB7.5h.
    rig = Rig("sht3x")
    rig.chip.rh_word = rh_word
    rig.pass_s(1900)
    assert ("306d" in rig.chip.commands) is heats


def test_one_dry_reading_starts_the_half_hour_anew() -> None:
    rig = Rig("sht4x")
    assert isinstance(rig.chip, FakeSht4x)
    for _ in range(4):
        rig.chip.rh_word = 0xFFFF
        rig.pass_s(1700)
        rig.chip.rh_word = 0x6666
        rig.pass_s(10)
    assert rig.chip.heated_s == []


def test_close_switches_the_heater_off() -> None:
    rig = Rig("sht3x")
    assert isinstance(rig.chip, FakeSht3x)
    rig.chip.rh_word = 0xFFFF
    rig.pass_s(1820)
    assert heats(rig)
    rig.sensor.close()
    assert not heats(rig)
    rig.sensor.close()


def test_a_heater_that_cannot_be_switched_off_gives_no_numbers_and_is_tried_again() -> None:
    rig = Rig("sht3x")
    assert isinstance(rig.chip, FakeSht3x)
    chip = rig.chip
    chip.rh_word = 0xFFFF
    rig.pass_s(1820)
    rig.bus.chips.clear()
    rig.clock.sleep(200)
    for _ in range(2):
        with pytest.raises(ReadError, match="nobody answers"):
            rig.read()
    rig.bus.chips[AT] = chip
    with pytest.raises(Drying):
        rig.read()
    assert not chip.heater
    rig.clock.sleep(121)
    rig.read()


def test_heating_that_nobody_confirmed_counts_as_done() -> None:
    rig = Rig("sht4x")
    rig.chip.rh_word = 0xFFFF
    rig.pass_s(1800)
    rig.clock.sleep(EVERY_S)
    rig.bus.failing = [0, 0, *[121] * 5]  # the measurement passes, every try to heat fails
    assert rig.read()[1] == pytest.approx(119.0)
    with pytest.raises(Drying):
        rig.read()


def test_a_lost_bus_at_close_is_no_error() -> None:
    rig = Rig("sht3x")
    rig.chip.rh_word = 0xFFFF
    rig.pass_s(1820)
    rig.bus.unplugged = True
    rig.clock.sleep(40)
    with pytest.raises(PortGone):
        rig.read()
    rig.clock.sleep(40)
    rig.sensor.close()
    assert rig.bus.open_now == 0


@settings(max_examples=2_000)
@given(st.lists(st.tuples(st.sampled_from([50.0, 99.5, 100.0]), st.floats(1.0, 1200.0)), max_size=40))
def test_heat_comes_only_after_half_an_hour_of_wetness_and_never_twice_in_one(steps: list[tuple[float, float]]) -> None:
    dryer, now_s, wet_s, heated_s = Dryer(heat_s=30.0, settle_s=120.0), 0.0, None, float("-inf")
    for rh_pct, pause_s in steps:
        now_s += pause_s
        if dryer.left_s(now_s) > 0:
            assert now_s < heated_s + 150.0
            continue
        assert now_s >= heated_s + 150.0
        if rh_pct < 99.5:
            wet_s = None
        elif wet_s is None:
            wet_s = now_s
        wants = dryer.wants_heat(rh_pct, now_s)
        assert wants == (wet_s is not None and now_s - wet_s > 1800.0)
        if wants:
            dryer.heated(now_s)
            heated_s, wet_s = now_s, None
