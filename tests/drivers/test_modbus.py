"""Owns: checks of the Modbus sensors: registers and inputs.

Must not know: how the wire keeps late answers apart.
How it works: pymodbus' serial server stands at the far end of a real pseudo-terminal, with invented devices. A
scripted far end tells how often a line is used, and plays answers that no sound device gives.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.simulator import DataType, SimData

from drivers.modbus import ModbusRegisters
from drivers.modbus_blocks import Cells, blocks_of
from drivers.modbus_inputs import ModbusInputs
from drivers.modbus_rtu import ModbusRtuWire
from gateway.barn import SensorSpec
from gateway.errors import BusTimeout, DeviceFault, RangeError, Refused
from gateway.model import Quantity, SwitchAt
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers import specs
from tests.drivers.far_end import Peer, Pty, Slave, device
from tests.drivers.modbus_specs import inputs, registers
from tests.drivers.specs import ANSWER_WITHIN_S, field, modbus_air

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
            # An I/O block with a meter: amperes and litres with a status each, volts; a contact and a switch.
            device(
                5,
                holding=[SimData(0, values=[412, 1, 27, 0, 241], datatype=REGISTERS)],
                coils=[True, False, False, False, False, True, False, False],
            ),
        ],
    )
    yield made
    made.stop()


@pytest.fixture
def wire(slave: Slave) -> Iterator[ModbusRtuWire]:
    made = ModbusRtuWire(specs.serial_line(slave.line.link))
    yield made
    made.close()


@pytest.fixture
def dead_wire(tmp_path: Path) -> Iterator[ModbusRtuWire]:
    """A line on which nobody answers."""
    pty = Pty(tmp_path / "dead")
    made = ModbusRtuWire(specs.serial_line(pty.link))
    yield made
    made.close()
    pty.vanish()


BOTH = inputs(contact={"input": 0, "closed_is": 1}, switch={"hand": 4, "auto": 5}, unit=5, function=1)
PLAIN = modbus_air(field(1, "int16", 0.1), field(2, "uint16", 0.1))


class TestModbusRegisters(SensorContract):
    @pytest.fixture
    def sensor(self, wire: ModbusRtuWire) -> Sensor:
        return ModbusRegisters(PLAIN, wire)

    @pytest.fixture
    def lost_sensor(self, dead_wire: ModbusRtuWire) -> Sensor:
        return ModbusRegisters(PLAIN, dead_wire)


class TestModbusInputs(SensorContract):
    @pytest.fixture
    def sensor(self, wire: ModbusRtuWire) -> Sensor:
        return ModbusInputs(BOTH, wire)

    @pytest.fixture
    def lost_sensor(self, dead_wire: ModbusRtuWire) -> Sensor:
        return ModbusInputs(BOTH, dead_wire)


def values(sensor: Sensor) -> list[float]:
    return [raw.value for raw in sensor.read()]


# --- sensor -------------------------------------------------------------------------------------------


def test_signed_tenths_from_input_registers(wire: ModbusRtuWire) -> None:
    assert values(ModbusRegisters(PLAIN, wire)) == pytest.approx([-5.0, 60.0])


def test_register_numbers_that_count_from_one(wire: ModbusRtuWire) -> None:
    spec = modbus_air(field(1, "int16", 0.01), field(3, "int16", 0.01), unit=2, function=3, base=1)
    assert values(ModbusRegisters(spec, wire)) == pytest.approx([23.45, 56.78])


def test_floats_with_the_low_word_first_and_no_number_stays_no_number(wire: ModbusRtuWire) -> None:
    spec = modbus_air(field(0, "float32"), field(2, "float32"), unit=3, word_order="low-first")
    temp_c, rh_pct = values(ModbusRegisters(spec, wire))
    assert temp_c == pytest.approx(30.56, abs=5e-6)
    assert math.isnan(rh_pct)


def test_values_far_apart_come_in_two_requests_of_one_read(wire: ModbusRtuWire) -> None:
    spec = modbus_air(field(0xFA1, "int16", 0.01), field(0xFAA, "int16", 0.01), unit=4, function=3)
    assert values(ModbusRegisters(spec, wire)) == pytest.approx([21.5, 44.1])


def test_humidity_that_stands_before_temperature_keeps_the_order_of_the_channels(wire: ModbusRtuWire) -> None:
    sensor = ModbusRegisters(modbus_air(field(2, "uint16", 0.1), field(1, "int16", 0.1)), wire)
    assert [channel.quantity for channel in sensor.channels] == [Quantity.TEMP, Quantity.RH]
    assert values(sensor) == pytest.approx([60.0, -5.0])


def test_scale_and_offset_are_applied_and_nothing_is_clamped(wire: ModbusRtuWire) -> None:
    spec = modbus_air(field(1, "uint16", 0.1, -40.0), field(2, "uint16", 1.0, 0.5))
    assert values(ModbusRegisters(spec, wire)) == pytest.approx([6508.6, 600.5])


def test_a_register_that_the_device_does_not_have_is_a_refusal(wire: ModbusRtuWire) -> None:
    with pytest.raises(Refused):
        ModbusRegisters(modbus_air(field(700, "int16"), field(701, "int16")), wire).read()


def test_a_silent_unit_is_a_time_out_and_does_not_spoil_its_neighbour(wire: ModbusRtuWire) -> None:
    silent = ModbusRegisters(modbus_air(field(1, "int16"), field(2, "int16"), unit=77), wire)
    neighbour = ModbusRegisters(PLAIN, wire)
    for _ in range(2):
        with pytest.raises(BusTimeout):
            silent.read()
        assert values(neighbour) == pytest.approx([-5.0, 60.0])


def test_near_values_cost_one_request(tmp_path: Path) -> None:
    # 01 04 0001 0002: one request for both; the answer from the layout of cheap transmitters.
    pty = Pty(tmp_path / "line-a")
    peer = Peer(pty, lambda request: [(0.0, bytes.fromhex("01 04 04 FFCE 0258 AAF5"))])
    wire = ModbusRtuWire(specs.serial_line(pty.link))
    assert values(ModbusRegisters(PLAIN, wire)) == pytest.approx([-5.0, 60.0])
    assert [request.hex() for _, request in peer.requests] == ["010400010002200b"]
    wire.close()
    peer.stop()
    pty.vanish()


# --- any quantities, status ---------------------------------------------------------------------------


METER = {
    Quantity.CURRENT: field(0, "uint16", 0.01) | {"status": 1, "good": 1},
    Quantity.FLOW: field(2, "uint16", 0.01) | {"status": 3, "good": 0},
    Quantity.SUPPLY: field(4, "uint16", 0.1),
}


def meter(**changed: Any) -> SensorSpec:
    return registers(METER | changed.pop("also", {}), unit=5, function=3, **changed)


def test_any_quantities_in_the_order_of_their_channels(wire: ModbusRtuWire) -> None:
    sensor = ModbusRegisters(meter(), wire)
    assert [channel.quantity for channel in sensor.channels] == [Quantity.CURRENT, Quantity.FLOW, Quantity.SUPPLY]
    assert values(sensor) == pytest.approx([4.12, 0.27, 24.1])


@pytest.mark.parametrize(("status", "good"), [(1, 0), (3, 1), (4, 0)])
def test_a_value_whose_status_is_not_the_good_word_is_the_devices_own_fault(
    wire: ModbusRtuWire, status: int, good: int
) -> None:
    doubted = {Quantity.FLOW: field(2, "uint16", 0.01) | {"status": status, "good": good}}
    with pytest.raises(DeviceFault, match=rf"flow_lpm: .* status register {status} holds"):
        ModbusRegisters(meter(also=doubted), wire).read()


def test_registers_and_inputs_of_one_unit_serve_two_sensors(wire: ModbusRtuWire) -> None:
    for _ in range(2):
        assert values(ModbusRegisters(meter(), wire))[0] == pytest.approx(4.12)
        assert values(ModbusInputs(BOTH, wire)) == [1.0, float(SwitchAt.AUTO)]


def scripted(folder: Path, words: Mapping[int, int]) -> tuple[Pty, Peer]:
    """A far end that knows some registers and answers for each of them alone or together; the others are zero."""

    def script(request: bytes) -> list[tuple[float, bytes]]:
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        data = b"".join(words.get(at, 0).to_bytes(2, "big") for at in range(first, first + count))
        body = bytes((request[0], request[1], len(data))) + data
        return [(0.0, body + FramerRTU.compute_CRC(body).to_bytes(2, "big"))]

    pty = Pty(folder / "line-a")
    return pty, Peer(pty, script)


def test_as_few_requests_as_the_gaps_allow(tmp_path: Path) -> None:
    pty, peer = scripted(tmp_path, {0: 1, 7: 2, 40: 3, 41: 4, 60: 5})
    wire = ModbusRtuWire(specs.serial_line(pty.link))
    wanted = {
        Quantity.TEMP: field(60, "uint16"),
        Quantity.RH: field(0, "uint16"),
        Quantity.WIND: field(7, "uint16"),  # six registers between: still one request
        Quantity.GLOBE: field(41, "uint16"),
        Quantity.SKIN: field(40, "uint16"),
    }
    assert values(ModbusRegisters(registers(wanted), wire)) == [5.0, 1.0, 2.0, 4.0, 3.0]
    asked = [(int.from_bytes(sent[2:4], "big"), int.from_bytes(sent[4:6], "big")) for _, sent in peer.requests]
    assert asked == [(0, 8), (40, 2), (60, 1)]
    wire.close()
    peer.stop()
    pty.vanish()


@given(
    st.lists(st.builds(Cells, first=st.integers(0, 300), count=st.integers(1, 2)), min_size=1, max_size=12),
    st.integers(0, 8),
)
def test_blocks_hold_all_that_is_wanted_and_no_wide_gap(wanted: list[Cells], widest_gap: int) -> None:
    blocks = blocks_of(wanted, widest_gap=widest_gap, longest=125)
    asked = {at for cells in wanted for at in range(cells.first, cells.end)}
    covered = [at for block in blocks for at in range(block.first, block.end)]
    assert asked <= set(covered)
    assert len(covered) == len(set(covered))
    for block in blocks:
        assert block.count <= 125
        inside = sorted(at for at in asked if block.first <= at < block.end)
        assert (inside[0], inside[-1]) == (block.first, block.end - 1)
        assert all(after - before - 1 <= widest_gap for before, after in pairwise(inside))


def test_a_map_outside_the_protocol_is_refused_when_it_is_made(wire: ModbusRtuWire) -> None:
    for wrong in (
        registers({Quantity.TEMP: field(0, "int16")}, base=1),
        registers({Quantity.TEMP: field(5, "int16") | {"status": 0, "good": 0}}, base=1),
        registers({Quantity.TEMP: field(65535, "int32")}),
    ):
        with pytest.raises(RangeError):
            ModbusRegisters(wrong, wire)


# --- inputs -------------------------------------------------------------------------------------------


def test_a_contact_that_opens_to_tell_is_read_the_other_way_round(wire: ModbusRtuWire) -> None:
    opened = inputs(contact={"input": 0, "closed_is": 0}, unit=5, function=1)
    assert values(ModbusInputs(opened, wire)) == [0.0]
    closed = inputs(contact={"input": 1, "closed_is": 0}, unit=5, function=1)
    assert values(ModbusInputs(closed, wire)) == [1.0]


@pytest.mark.parametrize(
    ("hand", "auto", "position"), [(5, 1, SwitchAt.HAND), (1, 5, SwitchAt.AUTO), (1, 2, SwitchAt.OFF)]
)
def test_a_switch_stands_where_its_contact_is_closed(
    wire: ModbusRtuWire, hand: int, auto: int, position: SwitchAt
) -> None:
    spec = inputs(switch={"hand": hand, "auto": auto}, unit=5, function=1)
    assert values(ModbusInputs(spec, wire)) == [float(position)]


def test_hand_and_auto_at_once_is_no_position(wire: ModbusRtuWire) -> None:
    with pytest.raises(DeviceFault, match="at once"):
        ModbusInputs(inputs(switch={"hand": 0, "auto": 5}, unit=5, function=1), wire).read()


def test_inputs_that_count_from_one(wire: ModbusRtuWire) -> None:
    spec = inputs(contact={"input": 6, "closed_is": 1}, unit=5, function=1, base=1)
    assert values(ModbusInputs(spec, wire)) == [1.0]


# --- several units on one line ------------------------------------------------------------------------


def test_a_dead_unit_costs_its_own_deadline_and_its_silence_and_no_more(wire: ModbusRtuWire) -> None:
    """Of four units one is dead: each time round, the line is held up by it for twice `answer_within_s` at most."""
    sound = [
        ModbusRegisters(PLAIN, wire),
        ModbusRegisters(modbus_air(field(0, "int16"), field(2, "int16"), unit=2, function=3), wire),
        ModbusRegisters(meter(), wire),
    ]
    dead = ModbusRegisters(modbus_air(field(1, "int16"), field(2, "int16"), unit=77), wire)

    def round_s(sensors: list[ModbusRegisters]) -> float:
        begun_s = time.monotonic()
        for sensor in sensors:
            with suppress(BusTimeout):
                assert sensor.read()
        return time.monotonic() - begun_s

    alone_s = min(round_s(sound) for _ in range(3))
    on_the_line_s = 17 * 10 / 9600  # request and answer of the dead one, which its deadline is counted after
    for _ in range(3):
        with_dead_s = round_s([sound[0], dead, *sound[1:]])
        assert with_dead_s < alone_s + 2 * ANSWER_WITHIN_S + on_the_line_s + 0.1
        assert round_s(sound) < alone_s + 0.1  # and the next time round it is forgotten


def test_a_unit_that_refuses_costs_nothing_but_its_answer(wire: ModbusRtuWire) -> None:
    refusing = ModbusRegisters(modbus_air(field(700, "int16"), field(701, "int16")), wire)
    begun_s = time.monotonic()
    for _ in range(3):
        with pytest.raises(Refused):
            refusing.read()
        assert values(ModbusRegisters(PLAIN, wire)) == pytest.approx([-5.0, 60.0])
    assert time.monotonic() - begun_s < 2 * ANSWER_WITHIN_S
