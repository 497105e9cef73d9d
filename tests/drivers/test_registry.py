"""Owns: checks of the registry: kinds are found, mistakes are named, nothing is loaded or opened early.

Must not know: what drivers do.
How it works: specs of an invented barn; lazy loading is looked at in a fresh interpreter.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from drivers import registry
from drivers.registry import open_bus, open_kit, open_sensor
from gateway.barn import BusSpec
from gateway.errors import SiteError
from gateway.ports import Actuator, Sensor
from gateway.site_checks import BUS_OF
from tests.drivers.specs import field, hwmon_air, iio_air, kit, modbus_air, relay_block, serial_line, sysfs_tree

ALL = {**registry.SENSORS, **registry.RELAYS}
AIR = modbus_air(field(1, "int16", 0.1), field(2, "uint16", 0.1))


def test_every_kind_opens_without_its_hardware(tmp_path: Path) -> None:
    rs485, kernel = serial_line(tmp_path / "nowhere"), sysfs_tree(tmp_path / "nowhere")
    line, tree = open_bus(rs485), open_bus(kernel)
    sensors: list[Sensor] = [
        open_sensor(AIR, rs485, line),
        open_sensor(iio_air(), kernel, tree),
        open_sensor(hwmon_air(), kernel, tree),
    ]
    fan: Actuator = open_kit(kit(coil=0, contact="normally-closed"), relay_block(), rs485, line)
    assert [len(sensor.channels) for sensor in sensors] == [2, 2, 2]
    assert fan.safe_on
    for sensor in sensors:
        sensor.close()
    fan.close()
    line.close()
    tree.close()


def test_an_unknown_kind_is_named_with_the_known_ones(tmp_path: Path) -> None:
    rs485 = serial_line(tmp_path / "nowhere")
    line = open_bus(rs485)
    with pytest.raises(SiteError, match="bus b: kind 'parallel' is unknown, known are serial, modbus-tcp"):
        open_bus(BusSpec(name="b", kind="parallel", options={}))
    with pytest.raises(SiteError, match=r"stalls-air.*'thermopile'.*modbus-registers, modbus-inputs, iio"):
        open_sensor(replace(AIR, kind="thermopile"), rs485, line)
    with pytest.raises(SiteError, match=r"block-1.*'valve'.*modbus-coils"):
        open_kit(kit(coil=0, contact="normally-open"), relay_block(kind="valve"), rs485, line)


def test_a_kind_on_the_wrong_bus_is_a_mistake_of_the_site_file(tmp_path: Path) -> None:
    rs485, kernel = serial_line(tmp_path / "nowhere"), sysfs_tree(tmp_path)
    line, tree = open_bus(rs485), open_bus(kernel)
    with pytest.raises(SiteError, match="kind serial or modbus-tcp"):
        open_sensor(AIR, kernel, tree)
    with pytest.raises(SiteError, match="kind serial or modbus-tcp"):
        open_kit(kit(coil=0, contact="normally-open"), relay_block(), kernel, tree)
    for spec in (iio_air(), hwmon_air()):
        with pytest.raises(SiteError, match="kind sysfs"):
            open_sensor(spec, rs485, line)


def test_the_site_file_and_the_registry_know_the_same_kinds_on_the_same_buses() -> None:
    assert {name: kind.buses for name, kind in {**registry.SENSORS, **registry.RELAYS}.items()} == BUS_OF
    assert set(registry.BUSES) == {bus for buses in BUS_OF.values() for bus in buses}


@pytest.mark.parametrize("maker", [*registry.BUSES.values(), *(k.maker for k in ALL.values())])
def test_every_line_of_the_registry_leads_to_a_driver(maker: str) -> None:
    module, name = maker.split(":")
    assert callable(getattr(importlib.import_module(module), name))


def test_an_address_outside_the_protocol_is_a_mistake_of_the_site_file(tmp_path: Path) -> None:
    rs485 = serial_line(tmp_path / "nowhere")
    line = open_bus(rs485)
    with pytest.raises(SiteError, match="sensor stalls-air: address is -1"):
        open_sensor(modbus_air(field(0, "int16"), field(1, "int16"), base=1), rs485, line)
    with pytest.raises(SiteError, match="kit stall-fans on relay block-1: address is -1"):
        open_kit(kit(coil=0, contact="normally-open"), relay_block(base=1), rs485, line)


def test_a_barn_without_a_serial_line_loads_no_serial_code(tmp_path: Path) -> None:
    program = (
        "import sys; from drivers.registry import open_bus; from gateway.barn import BusSpec\n"
        "open_bus(BusSpec(name='kernel', kind='sysfs', options={'root': sys.argv[1]}))\n"
        "print([name for name in ('serial', 'drivers.wire', 'drivers.modbus') if name in sys.modules])"
    )
    top = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], cwd=top, capture_output=True, text=True, check=True, timeout=15
    )
    assert done.stdout == "[]\n"
