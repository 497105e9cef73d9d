"""Owns: checks of current loops and voltages behind a converter.

Must not know: any converter.
How it works: a converter's files in a temporary folder, a clock that the test moves. Values by hand, limits by NAMUR
NE 43 (read in summaries).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.analog import Analog, iio_loop, iio_volts
from drivers.sysfs_files import SysfsRoot
from gateway.barn import SensorSpec
from gateway.errors import DeviceFault, GatewayError, Implausible, PortGone, ReadError, SiteError
from gateway.model import Quantity
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers.fake_i2c import Hand
from tests.drivers.specs import sensor as spec_of
from tests.drivers.specs import sysfs_tree

SHUNT_OHM = 120.0
TEMP = {"channel": "in_voltage0", "low": -40, "high": 60}
RH = {"channel": "in_voltage1", "low": 0, "high": 100}
VOLTS = {"channel": "in_voltage0", "low_v": 2.0, "high_v": 10.0, "low": -40.0, "high": 60.0, "slack_v": 0.1}


def spec(kind: str, options: dict[str, Any]) -> SensorSpec:
    quantities = tuple(each for each in Quantity if each.key in options)
    return spec_of(kind, {"device": "mcp3424"} | options, bus="kernel", quantities=quantities)


class Rig:
    """A converter that shows millivolts, and a sensor on it."""

    def __init__(self, root: Path, kind: str = "iio-loop", **options: Any) -> None:
        self.clock = Hand()
        self._folder = root / "bus/iio/devices/iio:device0"
        common = {"shunt_ohm": SHUNT_OHM} if kind == "iio-loop" else {"divider": 4.0}
        make = iio_loop if kind == "iio-loop" else iio_volts
        sysfs = SysfsRoot(sysfs_tree(root))
        self.sensor: Analog = make(spec(kind, common | (options or {"temp": TEMP})), sysfs, now_s=self.clock)

    def show_mv(self, *millivolts: float) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        (self._folder / "name").write_text("mcp3424\n")
        (self._folder / "in_voltage_scale").write_text("0.0625\n")
        for number, mv in enumerate(millivolts):
            (self._folder / f"in_voltage{number}_raw").write_text(f"{round(mv / 0.0625)}\n")

    def show_ma(self, *milliamps: float) -> None:
        self.show_mv(*(ma * SHUNT_OHM for ma in milliamps))

    def read(self) -> list[float]:
        return [raw.value for raw in self.sensor.read()]

    def said(self) -> type[GatewayError] | None:
        try:
            self.read()
        except GatewayError as error:
            return type(error)
        return None


class TestIioLoop(SensorContract):
    @pytest.fixture
    def sensor(self, tmp_path: Path) -> Sensor:
        rig = Rig(tmp_path, temp=TEMP, rh=RH)
        rig.show_ma(12.0, 8.0)
        return rig.sensor

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Sensor:
        return Rig(tmp_path, temp=TEMP, rh=RH).sensor


class TestIioVolts(SensorContract):
    @pytest.fixture
    def sensor(self, tmp_path: Path) -> Sensor:
        rig = Rig(tmp_path, "iio-volts", temp=VOLTS)
        rig.show_mv(1500.0)
        return rig.sensor

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Sensor:
        return Rig(tmp_path, "iio-volts", temp=VOLTS).sensor


# --- loops --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("milliamps", "value_c"),
    [(4.0, -40.0), (12.0, 10.0), (20.0, 60.0), (3.85, -40.9375), (20.45, 62.8125)],
)
def test_a_loop_is_a_straight_line_and_is_not_clamped(tmp_path: Path, milliamps: float, value_c: float) -> None:
    # -40 + (mA - 4) / 16 * 100, by hand.
    rig = Rig(tmp_path)
    rig.show_ma(milliamps)
    assert rig.read() == pytest.approx([value_c], abs=0.005)


def test_two_loops_of_one_transmitter_come_together(tmp_path: Path) -> None:
    rig = Rig(tmp_path, temp=TEMP, rh=RH)
    rig.show_ma(12.0, 8.0)
    assert rig.read() == pytest.approx([10.0, 25.0], abs=0.005)


def test_a_line_may_fall(tmp_path: Path) -> None:
    rig = Rig(tmp_path, temp={"channel": "in_voltage0", "low": 50, "high": -50})
    rig.show_ma(8.0)
    assert rig.read() == pytest.approx([25.0], abs=0.005)


@pytest.mark.parametrize(
    ("milliamps", "is_read"),
    [(3.81, True), (20.49, True), (3.79, False), (20.51, False), (3.61, False), (20.99, False)],
)
def test_outside_3_8_to_20_5_milliamps_the_transmitter_is_at_its_end(
    tmp_path: Path, milliamps: float, is_read: bool
) -> None:
    rig = Rig(tmp_path)
    rig.show_ma(milliamps)
    for _ in range(3):
        assert rig.said() is (None if is_read else Implausible)
        rig.clock.sleep(60.0)


@pytest.mark.parametrize("milliamps", [3.59, 0.0, -0.5, 21.01, 30.0])
def test_a_signal_beyond_is_a_fault_of_the_device_when_it_lasts_4_seconds(tmp_path: Path, milliamps: float) -> None:
    rig = Rig(tmp_path)
    rig.show_ma(milliamps)
    for wait_s, said in ((2.0, Implausible), (1.9, Implausible), (0.2, Implausible), (5.0, DeviceFault)):
        assert rig.said() is said
        rig.clock.sleep(wait_s)


def test_a_short_fault_leaves_no_trace(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    for _ in range(5):
        rig.show_ma(0.0)
        assert rig.said() is Implausible
        rig.clock.sleep(3.9)
        rig.show_ma(12.0)
        assert rig.said() is None
        rig.clock.sleep(3.9)


def test_a_repaired_wire_reads_again_at_once(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.show_ma(0.0)
    rig.said()
    rig.clock.sleep(10.0)
    assert rig.said() is DeviceFault
    rig.show_ma(12.0)
    assert rig.said() is None


def test_one_broken_loop_of_two_is_told_and_neither_is_read(tmp_path: Path) -> None:
    rig = Rig(tmp_path, temp=TEMP, rh=RH)
    rig.show_ma(12.0, 0.0)
    with pytest.raises(Implausible, match=r"in_voltage1: 0\.000 mA.*a fault if it lasts"):
        rig.read()
    rig.clock.sleep(4.0)
    with pytest.raises(DeviceFault, match=r"in_voltage1: .* broken wire"):
        rig.read()


# --- voltages -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_converter_mv", "value_c"),
    [(500.0, -40.0), (1500.0, 10.0), (2500.0, 60.0), (480.0, -41.0), (2520.0, 61.0)],
)
def test_a_voltage_is_a_straight_line_behind_its_divider(
    tmp_path: Path, at_converter_mv: float, value_c: float
) -> None:
    # 4 V at the terminal for 1 V at the converter: 2 to 10 V are 500 to 2500 mV there; 12.5 °C for each volt.
    rig = Rig(tmp_path, "iio-volts", temp=VOLTS)
    rig.show_mv(at_converter_mv)
    assert rig.read() == pytest.approx([value_c], abs=0.01)


@pytest.mark.parametrize("at_converter_mv", [0.0, 470.0, 2530.0, 5000.0])
def test_a_voltage_outside_by_more_than_its_slack_is_a_broken_wire(tmp_path: Path, at_converter_mv: float) -> None:
    rig = Rig(tmp_path, "iio-volts", temp=VOLTS)
    rig.show_mv(at_converter_mv)
    assert rig.said() is Implausible
    rig.clock.sleep(4.0)
    assert rig.said() is DeviceFault


def test_a_voltage_may_fall_while_the_value_rises(tmp_path: Path) -> None:
    rig = Rig(tmp_path, "iio-volts", temp=VOLTS | {"low_v": 10.0, "high_v": 2.0})
    rig.show_mv(500.0)
    assert rig.read() == pytest.approx([60.0], abs=0.01)


def test_where_the_lowest_value_is_at_0_volts_a_broken_wire_cannot_be_known(tmp_path: Path) -> None:
    """A limit of the hardware, said in the driver: such a transmitter should have 2 to 10 V."""
    rig = Rig(tmp_path, "iio-volts", temp=VOLTS | {"low_v": 0.0})
    rig.show_mv(0.0)
    assert rig.read() == pytest.approx([-40.0])


# --- both ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["iio-loop", "iio-volts"])
def test_only_a_voltage_channel_will_do(tmp_path: Path, kind: str) -> None:
    option = TEMP if kind == "iio-loop" else VOLTS
    with pytest.raises(SiteError, match="in_voltage"):
        Rig(tmp_path, kind, temp=option | {"channel": "in_temp"})


def test_a_lost_converter_is_no_fault_of_the_wire(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    with pytest.raises(PortGone):
        rig.read()


@settings(max_examples=150)
@given(st.lists(st.tuples(st.floats(0.0, 25.0), st.floats(0.1, 10.0)), max_size=20))
def test_a_device_fault_comes_only_after_4_seconds_without_a_sound_signal(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[float, float]]
) -> None:
    rig = Rig(tmp_path_factory.mktemp("adc"))
    bad_since_s: float | None = None
    for milliamps, wait_s in steps:
        rig.show_ma(milliamps)
        shown_ma = round(milliamps * SHUNT_OHM / 0.0625) * 0.0625 / SHUNT_OHM
        if 3.6 <= shown_ma <= 21.0:
            bad_since_s = None
        elif bad_since_s is None:
            bad_since_s = rig.clock()
        held_s = 0.0 if bad_since_s is None else rig.clock() - bad_since_s
        said = rig.said()
        assert (said is DeviceFault) == (held_s >= 4.0)
        assert (said is None) == (3.8 <= shown_ma <= 20.5)
        assert said is None or issubclass(said, (ReadError, DeviceFault))
        rig.clock.sleep(wait_s)
