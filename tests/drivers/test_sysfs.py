"""Owns: checks of the sensors that the kernel reads.

Must not know: any chip beyond its published conversion.
How it works: a tree in a temporary folder, laid out as Linux Documentation/ABI/testing/sysfs-bus-iio and
Documentation/hwmon/sysfs-interface.rst describe it.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.sysfs import Hwmon, Iio, SysfsRoot
from gateway.errors import BadText, DeviceFault, EmptyText, Implausible, PortGone, ReadError, SiteError
from gateway.model import Quantity
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers.specs import hwmon_air, iio_air, sysfs_tree
from tests.drivers.specs import sensor as spec_of

# Conversion of the Si7020 driver, drivers/iio/humidity/si7020.c: (raw + offset) * scale.
SI7020 = {
    "name": "si7020",
    "in_temp_raw": "7256",
    "in_temp_offset": "-4368",
    "in_temp_scale": "10.725097656",
    "in_humidityrelative_raw": "9240",
    "in_humidityrelative_offset": "-786",
    "in_humidityrelative_scale": "7.629394531",
}
SHT4X = {"name": "sht4x", "temp1_input": "-5250", "humidity1_input": "64500", "update_interval": "2000"}


def put(folder: Path, files: dict[str, str]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text + "\n" if text else "")
    return folder


def iio_folder(root: Path, number: int = 0) -> Path:
    return root / f"bus/iio/devices/iio:device{number}"


def hwmon_folder(root: Path, number: int = 0) -> Path:
    return root / f"class/hwmon/hwmon{number}"


def iio(root: Path, **changed: str) -> Iio:
    return Iio(iio_air(**changed), SysfsRoot(sysfs_tree(root)))


def hwmon(root: Path, **changed: str) -> Hwmon:
    return Hwmon(hwmon_air(**changed), SysfsRoot(sysfs_tree(root)))


def mapped(kind: str, root: Path, device: str, **names: str) -> Iio | Hwmon:
    """A sensor with the quantities that `names` has, in the order of the model."""
    quantities = tuple(each for each in Quantity if each.key in names)
    options = {"device": device, "rh_unit": "milli-percent"} | names
    spec = spec_of(kind, options, bus="kernel", quantities=quantities)
    sysfs = SysfsRoot(sysfs_tree(root))
    return Iio(spec, sysfs) if kind == "iio" else Hwmon(spec, sysfs)


def values(sensor: Sensor) -> list[float]:
    return [raw.value for raw in sensor.read()]


class TestIio(SensorContract):
    @pytest.fixture
    def sensor(self, tmp_path: Path) -> Sensor:
        put(iio_folder(tmp_path), SI7020)
        return iio(tmp_path)

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Sensor:
        return iio(tmp_path)


class TestHwmon(SensorContract):
    @pytest.fixture
    def sensor(self, tmp_path: Path) -> Sensor:
        put(hwmon_folder(tmp_path), SHT4X)
        return hwmon(tmp_path)

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Sensor:
        return hwmon(tmp_path)


# --- iio ----------------------------------------------------------------------------------------------


def test_iio_adds_the_offset_before_it_scales(tmp_path: Path) -> None:
    put(iio_folder(tmp_path), SI7020)
    # (7256 - 4368) * 10.725097656 = 30974.08 m°C, (9240 - 786) * 7.629394531 = 64498.9 m%: by hand.
    assert values(iio(tmp_path)) == pytest.approx([30.97408, 64.4989], abs=1e-4)


def test_iio_shares_offset_and_scale_between_the_channels_of_a_type(tmp_path: Path) -> None:
    put(
        iio_folder(tmp_path),
        {
            "name": "mlx90614",
            "in_temp_object_raw": "15425",
            "in_temp_offset": "-13657.5",
            "in_temp_scale": "20",
            "in_humidityrelative_input": "50000",
        },
    )
    # drivers/iio/temperature/mlx90614.c: counts of 0.02 K; 15425 * 0.02 K - 273.15 K = 35.35 °C.
    assert values(iio(tmp_path, device="mlx90614", temp="in_temp_object"))[0] == pytest.approx(35.35)


def test_iio_shares_them_between_numbered_channels_too(tmp_path: Path) -> None:
    files = {"in_temp2_raw": "100", "in_temp_scale": "250", "in_humidityrelative_input": "50000"}
    put(iio_folder(tmp_path), {"name": "si7020"} | files)
    assert values(iio(tmp_path, temp="in_temp2"))[0] == pytest.approx(25.0)  # no offset file: it is 0


def test_iio_prefers_the_processed_file(tmp_path: Path) -> None:
    put(iio_folder(tmp_path), SI7020 | {"in_temp_input": "21500", "in_humidityrelative_input": "46333"})
    assert values(iio(tmp_path)) == pytest.approx([21.5, 46.333])


def test_iio_percent_is_refused_unless_it_was_ordered(tmp_path: Path) -> None:
    # A pressure and humidity driver gave percent until commit 13399ff25f17 (2018): 46.333 for 46.3 %.
    put(iio_folder(tmp_path), SI7020 | {"in_humidityrelative_input": "46.333"})
    with pytest.raises(Implausible, match="rh_unit"):
        iio(tmp_path).read()
    assert values(iio(tmp_path, rh_unit="percent"))[1] == pytest.approx(46.333)


@pytest.mark.parametrize(("text", "rh_pct"), [("0", 0.0), ("111", 0.111), ("-6000", -6.0), ("118998", 118.998)])
def test_iio_takes_every_other_milli_percent_as_it_is(tmp_path: Path, text: str, rh_pct: float) -> None:
    put(iio_folder(tmp_path), SI7020 | {"in_humidityrelative_input": text})
    assert values(iio(tmp_path))[1] == pytest.approx(rh_pct)


def test_iio_without_a_scale_is_not_guessed(tmp_path: Path) -> None:
    put(iio_folder(tmp_path), {name: text for name, text in SI7020.items() if name != "in_temp_scale"})
    with pytest.raises(PortGone, match="in_temp_scale"):
        iio(tmp_path).read()


def test_iio_pressure_is_in_kilopascal(tmp_path: Path) -> None:
    # Documentation/ABI/testing/sysfs-bus-iio: in_pressure_input in kilopascal, in_temp_input in milli-°C.
    put(iio_folder(tmp_path), {"name": "bmp280", "in_temp_input": "21500", "in_pressure_input": "101.325"})
    sensor = mapped("iio", tmp_path, "bmp280", temp="in_temp", pressure="in_pressure")
    assert values(sensor) == pytest.approx([21.5, 101_325.0])


def test_iio_skin_and_globe_are_temperatures(tmp_path: Path) -> None:
    put(
        iio_folder(tmp_path),
        {
            "name": "mlx90614",
            "in_temp_ambient_raw": "15000",
            "in_temp_object_raw": "15425",
            "in_temp_offset": "-13657.5",
            "in_temp_scale": "20",
        },
    )
    # drivers/iio/temperature/mlx90614.c: counts of 0.02 K; 15425 and 15000 of them are 35.35 and 26.85 °C.
    sensor = mapped("iio", tmp_path, "mlx90614", skin="in_temp_object", globe="in_temp_ambient")
    assert values(sensor) == pytest.approx([26.85, 35.35])


def test_iio_current_and_supply_are_in_thousandths(tmp_path: Path) -> None:
    # Documentation/ABI/testing/sysfs-bus-iio: milliamps, millivolts.
    put(
        iio_folder(tmp_path),
        {"name": "ina226", "in_current3_raw": "500", "in_current3_scale": "2.5", "in_voltage1_input": "11900"},
    )
    sensor = mapped("iio", tmp_path, "ina226", current="in_current3", supply="in_voltage1")
    assert values(sensor) == pytest.approx([1.25, 11.9])


@pytest.mark.parametrize(
    ("names", "word"),
    [
        ({"wind": "in_velocity"}, "iio has no wind; allowed: temp, globe, skin, rh, pressure"),
        ({"speed": "in_rot"}, "iio has no speed"),
        ({"temp": "in_voltage0"}, "allowed: a channel in_temp"),
        ({"rh": "in_temp"}, "allowed: a channel in_humidityrelative"),
        ({"temp": "in_temperature"}, "allowed: a channel in_temp"),
    ],
)
def test_iio_channel_of_another_type_is_a_mistake_of_the_site_file(
    tmp_path: Path, names: dict[str, str], word: str
) -> None:
    with pytest.raises(SiteError, match=word):
        mapped("iio", tmp_path, "x", **names)


# --- hwmon --------------------------------------------------------------------------------------------


def test_hwmon_gives_thousandths(tmp_path: Path) -> None:
    put(hwmon_folder(tmp_path), SHT4X)
    # Documentation/hwmon/sysfs-interface.rst: millidegree Celsius and milli-percent.
    assert values(hwmon(tmp_path)) == pytest.approx([-5.25, 64.5])


def test_hwmon_amps_volts_and_revolutions(tmp_path: Path) -> None:
    # Documentation/hwmon/sysfs-interface.rst: curr in mA, in in mV, fan in RPM.
    put(hwmon_folder(tmp_path), {"name": "x", "curr1_input": "4200", "in0_input": "11900", "fan2_input": "1450"})
    sensor = mapped("hwmon", tmp_path, "x", current="curr1", supply="in0", speed="fan2")
    assert values(sensor) == pytest.approx([4.2, 1450.0, 11.9])


@pytest.mark.parametrize("names", [{"pressure": "pressure1"}, {"temp": "in0"}, {"supply": "intrusion0"}])
def test_hwmon_channel_of_another_type_is_a_mistake_of_the_site_file(tmp_path: Path, names: dict[str, str]) -> None:
    with pytest.raises(SiteError, match="allowed"):
        mapped("hwmon", tmp_path, "x", **names)


def test_hwmon_does_not_clamp(tmp_path: Path) -> None:
    # drivers/hwmon/sht4x.c: -6 + 125 * S / 65535 %, not clamped: 118998 m% for S = FFFFh.
    put(hwmon_folder(tmp_path), SHT4X | {"humidity1_input": "118998"})
    assert values(hwmon(tmp_path))[1] == pytest.approx(118.998)


def test_hwmon_fault_takes_the_device_out(tmp_path: Path) -> None:
    put(hwmon_folder(tmp_path), SHT4X | {"temp1_fault": "1"})
    with pytest.raises(DeviceFault, match="temp1_fault"):
        hwmon(tmp_path).read()


def test_hwmon_fault_of_another_channel_does_not_matter(tmp_path: Path) -> None:
    put(hwmon_folder(tmp_path), SHT4X | {"temp1_fault": "0", "temp2_fault": "1"})
    assert values(hwmon(tmp_path)) == pytest.approx([-5.25, 64.5])


# --- finding the device -------------------------------------------------------------------------------


def test_a_device_is_found_by_name_whatever_its_number(tmp_path: Path) -> None:
    put(hwmon_folder(tmp_path, 0), {"name": "cpu_thermal", "temp1_input": "60000"})
    put(hwmon_folder(tmp_path, 7), SHT4X)
    assert values(hwmon(tmp_path)) == pytest.approx([-5.25, 64.5])


def test_a_label_tells_two_chips_of_one_name_apart(tmp_path: Path) -> None:
    put(iio_folder(tmp_path, 0), SI7020 | {"label": "aisle", "in_temp_input": "11000"})
    put(iio_folder(tmp_path, 1), SI7020 | {"label": "yard", "in_temp_input": "22000"})
    assert values(iio(tmp_path, device="yard"))[0] == pytest.approx(22.0)
    assert values(iio(tmp_path, device="aisle"))[0] == pytest.approx(11.0)


def test_a_label_counts_more_than_a_name(tmp_path: Path) -> None:
    put(iio_folder(tmp_path, 0), SI7020 | {"label": "sht4x", "in_temp_input": "11000"})
    put(iio_folder(tmp_path, 1), SI7020 | {"name": "sht4x", "in_temp_input": "22000"})
    assert values(iio(tmp_path, device="sht4x"))[0] == pytest.approx(11.0)


def test_two_chips_of_one_name_are_never_chosen_by_number(tmp_path: Path) -> None:
    put(iio_folder(tmp_path, 0), SI7020)
    put(iio_folder(tmp_path, 1), SI7020)
    with pytest.raises(PortGone, match="iio:device0, iio:device1"):
        iio(tmp_path).read()


def test_a_device_that_comes_back_under_another_number_is_found_again(tmp_path: Path) -> None:
    put(iio_folder(tmp_path, 0), SI7020)
    sensor = iio(tmp_path)
    before = values(sensor)
    iio_folder(tmp_path, 0).rename(tmp_path / "unplugged")
    with pytest.raises(PortGone):
        sensor.read()
    (tmp_path / "unplugged").rename(iio_folder(tmp_path, 4))
    assert values(sensor) == before


def test_another_device_under_the_old_number_is_not_taken_for_ours(tmp_path: Path) -> None:
    put(hwmon_folder(tmp_path, 1), SHT4X)
    sensor = hwmon(tmp_path)
    sensor.read()
    hwmon_folder(tmp_path, 1).rename(hwmon_folder(tmp_path, 2))
    put(hwmon_folder(tmp_path, 1), SHT4X | {"name": "lm75", "temp1_input": "60000", "humidity1_input": "1000"})
    assert values(sensor) == pytest.approx([-5.25, 64.5])


def test_a_device_that_comes_later_is_found(tmp_path: Path) -> None:
    sensor = hwmon(tmp_path)
    with pytest.raises(PortGone, match="sht4x"):
        sensor.read()
    put(hwmon_folder(tmp_path), SHT4X)
    assert values(sensor) == pytest.approx([-5.25, 64.5])


# --- files that hold no number ------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["", " ", "nan", "inf", "1e3", "1_000", "21500 m", "0x54", "21500\n21600", "٣", "--5"])
def test_an_empty_or_garbled_file_is_no_reading(tmp_path: Path, text: str) -> None:
    put(hwmon_folder(tmp_path), SHT4X | {"temp1_input": text})
    put(iio_folder(tmp_path), SI7020 | {"in_temp_raw": text})
    expected = BadText if text.strip() else EmptyText
    with pytest.raises(expected):
        hwmon(tmp_path).read()
    with pytest.raises(expected):
        iio(tmp_path).read()


def test_bytes_that_are_no_text_are_no_reading(tmp_path: Path) -> None:
    (put(hwmon_folder(tmp_path), SHT4X) / "temp1_input").write_bytes(b"\xff\xfe2\x001\x00")
    with pytest.raises(BadText):
        hwmon(tmp_path).read()


def test_a_missing_file_is_a_lost_device(tmp_path: Path) -> None:
    (put(hwmon_folder(tmp_path), SHT4X) / "humidity1_input").unlink()
    with pytest.raises(PortGone, match="humidity1_input"):
        hwmon(tmp_path).read()


def test_an_error_of_the_kernel_is_a_read_error_and_passes(tmp_path: Path) -> None:
    source = put(hwmon_folder(tmp_path), SHT4X) / "temp1_input"
    source.unlink()
    source.symlink_to("/proc/self/mem")  # reading its first byte gives EIO, as a chip with a bad checksum does
    sensor = hwmon(tmp_path)
    with pytest.raises(ReadError, match="Input/output error") as caught:
        sensor.read()
    assert not isinstance(caught.value, PortGone)
    source.unlink()
    source.write_text("-5250\n")
    assert values(sensor) == pytest.approx([-5.25, 64.5])


def test_nothing_is_held_open_between_reads(tmp_path: Path) -> None:
    put(hwmon_folder(tmp_path), SHT4X)
    sensor = hwmon(tmp_path)
    sensor.read()
    held = [entry.resolve() for entry in Path("/proc/self/fd").iterdir()]
    assert not [path for path in held if tmp_path in path.parents]


@settings(max_examples=600, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=20), st.binary(max_size=20))
def test_fuzz_gives_a_number_or_a_read_error(tmp_path: Path, raw: bytes, scale: bytes) -> None:
    folder = put(iio_folder(tmp_path), SI7020)
    (folder / "in_temp_raw").write_bytes(raw)
    (folder / "in_temp_scale").write_bytes(scale)
    with suppress(ReadError):
        iio(tmp_path).read()
