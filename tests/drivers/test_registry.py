"""Owns: checks of the registry: kinds are found, mistakes are named, nothing is loaded or opened early.

Must not know: what drivers do.
How it works: specs of an invented barn; lazy loading is looked at in a fresh interpreter.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.registry import open_bus, open_kit, open_sensor
from gateway.errors import SiteError
from gateway.model import BusSpec
from gateway.ports import Actuator, Sensor
from tests.drivers.specs import field, hwmon_air, iio_air, kit, modbus_air, relay_block, serial_line, sysfs_tree

AIR = modbus_air(field(1, "int16", 0.1), field(2, "uint16", 0.1))


def test_every_kind_opens_without_its_hardware(tmp_path: Path) -> None:
    line, tree = open_bus(serial_line(tmp_path / "nowhere")), open_bus(sysfs_tree(tmp_path / "nowhere"))
    sensors: list[Sensor] = [open_sensor(AIR, line), open_sensor(iio_air(), tree), open_sensor(hwmon_air(), tree)]
    fan: Actuator = open_kit(kit(coil=0, contact="normally-closed"), relay_block(), line)
    assert [len(sensor.channels) for sensor in sensors] == [2, 2, 2]
    assert fan.safe_on
    for sensor in sensors:
        sensor.close()
    fan.close()
    line.close()
    tree.close()


def test_an_unknown_kind_is_named_with_the_known_ones(tmp_path: Path) -> None:
    line = open_bus(serial_line(tmp_path / "nowhere"))
    with pytest.raises(SiteError, match="bus b: kind 'parallel' is unknown, known are serial, sysfs"):
        open_bus(BusSpec(name="b", kind="parallel", options={}))
    with pytest.raises(SiteError, match=r"stalls-air.*'thermopile'.*modbus-air, iio, hwmon"):
        open_sensor(replace(AIR, kind="thermopile"), line)
    with pytest.raises(SiteError, match=r"block-1.*'valve'.*modbus-coils"):
        open_kit(kit(coil=0, contact="normally-open"), relay_block(kind="valve"), line)


def test_a_kind_on_the_wrong_bus_is_a_mistake_of_the_site_file(tmp_path: Path) -> None:
    line, tree = open_bus(serial_line(tmp_path / "nowhere")), open_bus(sysfs_tree(tmp_path))
    with pytest.raises(SiteError, match="kind serial"):
        open_sensor(AIR, tree)
    with pytest.raises(SiteError, match="kind serial"):
        open_kit(kit(coil=0, contact="normally-open"), relay_block(), tree)
    for spec in (iio_air(), hwmon_air()):
        with pytest.raises(SiteError, match="kind sysfs"):
            open_sensor(spec, line)


def test_an_address_outside_the_protocol_is_a_mistake_of_the_site_file(tmp_path: Path) -> None:
    line = open_bus(serial_line(tmp_path / "nowhere"))
    with pytest.raises(SiteError, match="sensor stalls-air: address is -1"):
        open_sensor(modbus_air(field(0, "int16"), field(1, "int16"), base=1), line)
    with pytest.raises(SiteError, match="kit stall-fans on relay block-1: address is -1"):
        open_kit(kit(coil=0, contact="normally-open"), relay_block(base=1), line)


def test_a_barn_without_a_serial_line_loads_no_serial_code(tmp_path: Path) -> None:
    program = (
        "import sys; from drivers.registry import open_bus; from gateway.model import BusSpec\n"
        "open_bus(BusSpec(name='kernel', kind='sysfs', options={'root': sys.argv[1]}))\n"
        "print([name for name in ('serial', 'drivers.wire', 'drivers.modbus') if name in sys.modules])"
    )
    top = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], cwd=top, capture_output=True, text=True, check=True, timeout=15
    )
    assert done.stdout == "[]\n"
