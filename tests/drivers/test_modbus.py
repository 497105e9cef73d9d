"""Owns: checks of the Modbus sensor and the relay block.

Must not know: how the wire keeps late answers apart.
How it works: pymodbus' serial server stands at the far end of a real pseudo-terminal, with four invented devices.
What a coil does is asked of that server directly, not by way of the line. A scripted far end plays the answers
that no sound device gives.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.simulator import DataType, SimData

from drivers.modbus import ModbusAir, ModbusCoil
from drivers.wire import SerialWire
from gateway.errors import BusTimeout, CommandError, Refused
from gateway.model import Quantity
from gateway.ports import Actuator, Sensor
from tests.contract.actuator_contract import ActuatorContract
from tests.contract.sensor_contract import SensorContract
from tests.drivers import specs
from tests.drivers.far_end import Peer, Pty, Slave, device
from tests.drivers.specs import field, kit, modbus_air, relay_block

REGISTERS = DataType.REGISTERS


@pytest.fixture(scope="module")
def slave(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Slave]:
    made = Slave(
        tmp_path_factory.mktemp("line"),
        [
            # -5.0 °C as the signed word FFCE, 60.0 %.
            device(1, inputs=[SimData(1, values=[0xFFCE, 600], datatype=REGISTERS)]),
            # Registers 1 and 3 hold the values, 2 and 4 a status; numbers count from 1.
            device(2, holding=[SimData(0, values=[2345, 0, 5678, 0], datatype=REGISTERS)]),
            # Floats, low word first: 7AE1 41F4 is 30.56 (probe manual M212287EN, p. 118); then NaN.
            device(3, inputs=[SimData(0, values=[0x7AE1, 0x41F4, 0x0000, 0x7FC0], datatype=REGISTERS)]),
            # Addresses FA1h and FAAh with nothing between (EE072 probe manual, p. 9).
            device(
                4,
                holding=[
                    SimData(0xFA1, values=2150, datatype=REGISTERS),
                    SimData(0xFAA, values=4410, datatype=REGISTERS),
                ],
            ),
            device(10, coils=[False] * 8),
        ],
    )
    yield made
    made.stop()


@pytest.fixture
def wire(slave: Slave) -> Iterator[SerialWire]:
    made = SerialWire(specs.serial_line(slave.line.link))
    yield made
    made.close()


@pytest.fixture
def dead_wire(tmp_path: Path) -> Iterator[SerialWire]:
    """A line on which nobody answers."""
    pty = Pty(tmp_path / "dead")
    made = SerialWire(specs.serial_line(pty.link))
    yield made
    made.close()
    pty.vanish()


PLAIN = modbus_air(field(1, "int16", 0.1), field(2, "uint16", 0.1))


class TestModbusAir(SensorContract):
    @pytest.fixture
    def sensor(self, wire: SerialWire) -> Sensor:
        return ModbusAir(PLAIN, wire)

    @pytest.fixture
    def lost_sensor(self, dead_wire: SerialWire) -> Sensor:
        return ModbusAir(PLAIN, dead_wire)


class TestModbusCoilOnNormallyClosed(ActuatorContract):
    contact = "normally-closed"

    @pytest.fixture
    def actuator(self, wire: SerialWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact=self.contact), relay_block(), wire)

    @pytest.fixture
    def runs(self, slave: Slave) -> Callable[[], bool]:
        return lambda: slave.coil(unit=10, address=2) is (self.contact == "normally-open")

    @pytest.fixture
    def lost_actuator(self, dead_wire: SerialWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact=self.contact), relay_block(), dead_wire)

    def test_safe_is_what_the_contact_does_without_current(self, actuator: Actuator) -> None:
        assert actuator.safe_on is (self.contact == "normally-closed")


class TestModbusCoilOnNormallyOpen(TestModbusCoilOnNormallyClosed):
    contact = "normally-open"


def values(sensor: Sensor) -> list[float]:
    return [raw.value for raw in sensor.read()]


# --- sensor -------------------------------------------------------------------------------------------


def test_signed_tenths_from_input_registers(wire: SerialWire) -> None:
    assert values(ModbusAir(PLAIN, wire)) == pytest.approx([-5.0, 60.0])


def test_register_numbers_that_count_from_one(wire: SerialWire) -> None:
    spec = modbus_air(field(1, "int16", 0.01), field(3, "int16", 0.01), unit=2, function=3, base=1)
    assert values(ModbusAir(spec, wire)) == pytest.approx([23.45, 56.78])


def test_floats_with_the_low_word_first_and_no_number_stays_no_number(wire: SerialWire) -> None:
    spec = modbus_air(field(0, "float32"), field(2, "float32"), unit=3, word_order="low-first")
    temp_c, rh_pct = values(ModbusAir(spec, wire))
    assert temp_c == pytest.approx(30.56, abs=5e-6)
    assert math.isnan(rh_pct)


def test_values_far_apart_come_in_two_requests_of_one_read(wire: SerialWire) -> None:
    spec = modbus_air(field(0xFA1, "int16", 0.01), field(0xFAA, "int16", 0.01), unit=4, function=3)
    assert values(ModbusAir(spec, wire)) == pytest.approx([21.5, 44.1])


def test_humidity_that_stands_before_temperature_keeps_the_order_of_the_channels(wire: SerialWire) -> None:
    sensor = ModbusAir(modbus_air(field(2, "uint16", 0.1), field(1, "int16", 0.1)), wire)
    assert [channel.quantity for channel in sensor.channels] == [Quantity.TEMP, Quantity.RH]
    assert values(sensor) == pytest.approx([60.0, -5.0])


def test_scale_and_offset_are_applied_and_nothing_is_clamped(wire: SerialWire) -> None:
    spec = modbus_air(field(1, "uint16", 0.1, -40.0), field(2, "uint16", 1.0, 0.5))
    assert values(ModbusAir(spec, wire)) == pytest.approx([6508.6, 600.5])


def test_a_register_that_the_device_does_not_have_is_a_refusal(wire: SerialWire) -> None:
    with pytest.raises(Refused):
        ModbusAir(modbus_air(field(700, "int16"), field(701, "int16")), wire).read()


def test_a_silent_unit_is_a_time_out_and_does_not_spoil_its_neighbour(wire: SerialWire) -> None:
    silent = ModbusAir(modbus_air(field(1, "int16"), field(2, "int16"), unit=77), wire)
    neighbour = ModbusAir(PLAIN, wire)
    for _ in range(2):
        with pytest.raises(BusTimeout):
            silent.read()
        assert values(neighbour) == pytest.approx([-5.0, 60.0])


def test_near_values_cost_one_request(tmp_path: Path) -> None:
    # 01 04 0001 0002: one request for both; the answer from the layout of cheap transmitters.
    pty = Pty(tmp_path / "line-a")
    peer = Peer(pty, lambda request: [(0.0, bytes.fromhex("01 04 04 FFCE 0258 AAF5"))])
    wire = SerialWire(specs.serial_line(pty.link))
    assert values(ModbusAir(PLAIN, wire)) == pytest.approx([-5.0, 60.0])
    assert [request.hex() for _, request in peer.requests] == ["010400010002200b"]
    wire.close()
    peer.stop()
    pty.vanish()


# --- relay block --------------------------------------------------------------------------------------


def test_each_kit_moves_its_own_coil_only(slave: Slave, wire: SerialWire) -> None:
    mister = ModbusCoil(kit(coil=3, contact="normally-open"), relay_block(), wire)
    before = [slave.coil(unit=10, address=address) for address in range(8)]
    mister.set(True)
    after = [slave.coil(unit=10, address=address) for address in range(8)]
    mister.close()
    assert [place for place, (b, a) in enumerate(zip(before, after, strict=True)) if a != b] == [3]


def test_a_block_whose_coils_count_from_one(slave: Slave, wire: SerialWire) -> None:
    mister = ModbusCoil(kit(coil=5, contact="normally-open"), relay_block(base=1), wire)
    mister.set(True)
    assert slave.coil(unit=10, address=4)
    mister.close()
    assert not slave.coil(unit=10, address=4)


def test_a_coil_that_the_block_does_not_have_is_a_command_error(wire: SerialWire) -> None:
    with pytest.raises(CommandError) as caught:
        ModbusCoil(kit(coil=99, contact="normally-open"), relay_block(), wire).set(True)
    assert isinstance(caught.value.__cause__, Refused)


def test_readback_tells_what_another_hand_did(wire: SerialWire) -> None:
    mister = ModbusCoil(kit(coil=6, contact="normally-open"), relay_block(), wire)
    other_hand = ModbusCoil(kit(coil=6, contact="normally-open"), relay_block(), wire)
    mister.set(False)
    other_hand.set(True)
    assert mister.readback() is True
    other_hand.close()
    assert mister.readback() is False


def test_one_lost_frame_at_close_does_not_leave_the_coil_energised(tmp_path: Path) -> None:
    pty = Pty(tmp_path / "line-a")
    peer = Peer(pty, lambda request: [(0.0, request)])
    wire = SerialWire(specs.serial_line(pty.link))
    mister = ModbusCoil(kit(coil=3, contact="normally-open"), relay_block(), wire)
    mister.set(True)
    peer.script = lambda request: [(0.0, request)] if len(peer.requests) > 2 else []
    mister.close()
    mister.close()
    # On, off unanswered, off again: MODBUS Application Protocol V1.1b3, 6.5 (from memory).
    assert [request[:6].hex() for _, request in peer.requests] == ["0a050003ff00", "0a0500030000", "0a0500030000"]
    wire.close()
    peer.stop()
    pty.vanish()
