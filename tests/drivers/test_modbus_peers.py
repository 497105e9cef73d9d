"""Owns: checks of every Modbus driver against libmodbus, over RTU on a pseudo-terminal and over TCP.

Must not know: how the drivers build their frames.
How it works: one libmodbus slave per test; what it holds is looked at beside the line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from drivers.modbus import ModbusRegisters
from drivers.modbus_inputs import ModbusInputs
from drivers.modbus_kit import ModbusCoil, ModbusSpeed
from drivers.modbus_pdu import ModbusWire
from drivers.modbus_rtu import ModbusRtuWire
from drivers.modbus_tcp import ModbusTcpWire
from gateway.errors import Refused
from gateway.model import Quantity, SwitchAt
from gateway.ports import Sensor
from tests.drivers import specs
from tests.drivers.libmodbus import Cable, LibmodbusSlave, free_port
from tests.drivers.modbus_specs import inputs, registers, speed_kit, speed_relay, tcp_bus, watched
from tests.drivers.specs import field, kit

UNIT = 7


def on_serial_line(folder: Path, undo: ExitStack) -> tuple[LibmodbusSlave, ModbusWire]:
    cable = Cable(folder)
    undo.callback(cable.cut)
    slave = LibmodbusSlave(cable.theirs.link, unit=UNIT)
    undo.callback(slave.stop)
    rtu = ModbusRtuWire(specs.serial_line(cable.ours.link))
    undo.callback(rtu.close)
    return slave, rtu


def over_tcp(folder: Path, undo: ExitStack) -> tuple[LibmodbusSlave, ModbusWire]:
    port = free_port()
    slave = LibmodbusSlave(port, unit=UNIT)
    undo.callback(slave.stop)
    tcp = ModbusTcpWire(tcp_bus(port))
    undo.callback(tcp.close)
    return slave, tcp


@pytest.fixture(params=[on_serial_line, over_tcp], ids=["rtu", "tcp"])
def peer(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[LibmodbusSlave, ModbusWire]]:
    open_: Callable[[Path, ExitStack], tuple[LibmodbusSlave, ModbusWire]] = request.param
    with ExitStack() as undo:
        yield open_(tmp_path, undo)


def values(sensor: Sensor) -> list[float]:
    return [raw.value for raw in sensor.read()]


def test_registers(peer: tuple[LibmodbusSlave, ModbusWire]) -> None:
    slave, wire = peer
    # -5.0 °C as FFCE, 60.0 %; 30.56 as the words 7AE1 41F4, low first (probe manual M212287EN, p. 118).
    for address, word in enumerate((0xFFCE, 600, 0x7AE1, 0x41F4)):
        slave.put("input_registers", address, word)
    air = registers({Quantity.TEMP: field(0, "int16", 0.1), Quantity.RH: field(1, "uint16", 0.1)}, unit=UNIT)
    assert values(ModbusRegisters(air, wire)) == pytest.approx([-5.0, 60.0])
    globe = registers({Quantity.GLOBE: field(2, "float32")}, unit=UNIT, word_order="low-first")
    assert values(ModbusRegisters(globe, wire)) == pytest.approx([30.56], abs=5e-6)
    with pytest.raises(Refused):
        ModbusRegisters(registers({Quantity.TEMP: field(16, "int16")}, unit=UNIT), wire).read()


def test_inputs(peer: tuple[LibmodbusSlave, ModbusWire]) -> None:
    slave, wire = peer
    sensor = ModbusInputs(inputs(contact={"input": 0, "closed_is": 1}, switch={"hand": 4, "auto": 5}, unit=UNIT), wire)
    for hand, auto, position in ((1, 0, SwitchAt.HAND), (0, 1, SwitchAt.AUTO), (0, 0, SwitchAt.OFF)):
        slave.put("input_bits", 0, auto)
        slave.put("input_bits", 4, hand)
        slave.put("input_bits", 5, auto)
        assert values(sensor) == [float(auto), float(position)]


def test_coil_with_watchdog(peer: tuple[LibmodbusSlave, ModbusWire]) -> None:
    slave, wire = peer
    fan = ModbusCoil(kit(coil=3, contact="normally-closed"), watched(unit=UNIT, register=8, seconds=30), wire)
    fan.set(False)
    assert (slave.get("bits", 3), slave.get("registers", 8)) == (1, 30)
    assert fan.readback() is False
    fan.close()
    assert slave.get("bits", 3) == 0


def test_speed(peer: tuple[LibmodbusSlave, ModbusWire]) -> None:
    slave, wire = peer
    fan = ModbusSpeed(speed_kit(register=2), speed_relay(unit=UNIT, full=1000), wire)
    fan.set(True, 0.4)
    assert slave.get("registers", 2) == 400
    assert fan.readback() is True
    fan.set(False)
    assert (slave.get("registers", 2), fan.readback()) == (0, False)
    fan.close()
    assert slave.get("registers", 2) == 1000
