"""Owns: checks of kit on Modbus: relay coils, their watchdog, drives with a speed register.

Must not know: how the wire keeps late answers apart.
How it works: pymodbus' serial server stands at the far end of a real pseudo-terminal. What an output does is asked of
that server directly, not by way of the line. A scripted far end plays blocks that lose answers or forget.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pymodbus.simulator import DataType, SimData

from drivers.modbus_kit import ModbusCoil, ModbusSpeed
from drivers.modbus_pdu import Request, T
from drivers.modbus_rtu import ModbusRtuWire
from gateway.barn import RelaySpec
from gateway.errors import BusTimeout, CommandError, DeviceFault, RangeError, ReadError, Refused
from gateway.ports import Actuator
from tests.contract.actuator_contract import ActuatorContract
from tests.drivers import specs
from tests.drivers.far_end import Peer, Pty, Slave, device
from tests.drivers.libmodbus import Cable, LibmodbusSlave
from tests.drivers.modbus_specs import speed_kit, speed_relay, watched
from tests.drivers.specs import kit, relay_block

UNIT = 10


@pytest.fixture(scope="module")
def slave(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Slave]:
    holding = [SimData(0, values=[0] * 16, datatype=DataType.REGISTERS)]
    made = Slave(tmp_path_factory.mktemp("line"), [device(UNIT, coils=[False] * 8, holding=holding)])
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


class TestModbusCoilOnNormallyClosed(ActuatorContract):
    contact = "normally-closed"

    @pytest.fixture
    def actuator(self, wire: ModbusRtuWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact=self.contact), relay_block(), wire)

    @pytest.fixture
    def runs(self, slave: Slave) -> Callable[[], bool]:
        return lambda: slave.coil(unit=UNIT, address=2) is (self.contact == "normally-open")

    @pytest.fixture
    def lost_actuator(self, dead_wire: ModbusRtuWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact=self.contact), relay_block(), dead_wire)

    def test_safe_is_what_the_contact_does_without_current(self, actuator: Actuator) -> None:
        assert actuator.safe_on is (self.contact == "normally-closed")


class TestModbusCoilOnNormallyOpen(TestModbusCoilOnNormallyClosed):
    contact = "normally-open"


class TestModbusCoilWithWatchdog(TestModbusCoilOnNormallyClosed):
    @pytest.fixture
    def actuator(self, wire: ModbusRtuWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact=self.contact), watched(), wire)

    @pytest.fixture
    def lost_actuator(self, dead_wire: ModbusRtuWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact=self.contact), watched(), dead_wire)


class TestModbusSpeed(ActuatorContract):
    @pytest.fixture
    def drive(self, tmp_path: Path) -> Iterator[tuple[LibmodbusSlave, ModbusRtuWire]]:
        with ExitStack() as undo:
            cable = Cable(tmp_path)
            undo.callback(cable.cut)
            peer = LibmodbusSlave(cable.theirs.link, unit=UNIT)
            undo.callback(peer.stop)
            peer.put("registers", 1, 1000)  # a drive that hears nothing yet runs at full speed
            line = ModbusRtuWire(specs.serial_line(cable.ours.link))
            undo.callback(line.close)
            yield peer, line

    @pytest.fixture
    def actuator(self, drive: tuple[LibmodbusSlave, ModbusRtuWire]) -> Actuator:
        return ModbusSpeed(speed_kit(register=2), speed_relay(base=1), drive[1])

    @pytest.fixture
    def runs(self, drive: tuple[LibmodbusSlave, ModbusRtuWire]) -> Callable[[], bool]:
        return lambda: drive[0].get("registers", 1) > 0

    @pytest.fixture
    def lost_actuator(self, dead_wire: ModbusRtuWire) -> Actuator:
        return ModbusSpeed(speed_kit(register=2), speed_relay(base=1), dead_wire)

    def test_safe_is_full_speed(self, actuator: Actuator, drive: tuple[LibmodbusSlave, ModbusRtuWire]) -> None:
        actuator.set(True, 0.3)
        assert drive[0].get("registers", 1) == 300
        actuator.close()
        assert actuator.safe_on
        assert drive[0].get("registers", 1) == 1000


# --- relay block --------------------------------------------------------------------------------------


def test_each_kit_moves_its_own_coil_only(slave: Slave, wire: ModbusRtuWire) -> None:
    mister = ModbusCoil(kit(coil=3, contact="normally-open"), relay_block(), wire)
    before = [slave.coil(unit=10, address=address) for address in range(8)]
    mister.set(True)
    after = [slave.coil(unit=10, address=address) for address in range(8)]
    mister.close()
    assert [place for place, (b, a) in enumerate(zip(before, after, strict=True)) if a != b] == [3]


def test_a_block_whose_coils_count_from_one(slave: Slave, wire: ModbusRtuWire) -> None:
    mister = ModbusCoil(kit(coil=5, contact="normally-open"), relay_block(base=1), wire)
    mister.set(True)
    assert slave.coil(unit=10, address=4)
    mister.close()
    assert not slave.coil(unit=10, address=4)


def test_a_coil_that_the_block_does_not_have_is_a_command_error(wire: ModbusRtuWire) -> None:
    with pytest.raises(CommandError) as caught:
        ModbusCoil(kit(coil=99, contact="normally-open"), relay_block(), wire).set(True)
    assert isinstance(caught.value.__cause__, Refused)


def test_readback_tells_what_another_hand_did(wire: ModbusRtuWire) -> None:
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
    wire = ModbusRtuWire(specs.serial_line(pty.link))
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


# --- the block's own watchdog -------------------------------------------------------------------------


class Block:
    """The lowest seam: a block as a wire. It keeps what is written; what it does else is put by the test."""

    def __init__(self) -> None:
        self.cells: dict[tuple[int, int], int] = {}
        self.asked: list[str] = []
        self.silent = self.forgets = self.refuses = False

    def ask(self, request: Request[T]) -> T:
        function, address, number = request.pdu[0], *(int.from_bytes(request.pdu[n : n + 2], "big") for n in (1, 3))
        self.asked.append(f"{function}:{address}")
        if self.silent:
            raise BusTimeout(request.what, 0.1)
        if function == 6 and address == 8 and self.refuses:
            return request.content(bytes((0x86, 2)))
        if function in (5, 6):
            forgotten = function == 6 and address == 8 and self.forgets
            self.cells[function - 4 if function == 5 else 3, address] = 0 if forgotten else number
            return request.content(request.pdu[:5])
        held = self.cells.get((function, address), 0)
        data = bytes((int(bool(held)),)) if function == 1 else held.to_bytes(2, "big")
        return request.content(bytes((function, len(data))) + data)

    @property
    def energised(self) -> bool:
        return bool(self.cells.get((1, 3)))


@pytest.fixture
def block() -> Block:
    return Block()


def fan_on(block: Block, *, seconds: float = 30.0, per_second: float = 1.0) -> ModbusCoil:
    relay = watched(seconds=seconds, per_second=per_second)
    return ModbusCoil(kit(coil=3, contact="normally-closed"), relay, block)


def test_the_watchdog_is_set_and_looked_at_before_the_first_write_and_not_again(block: Block) -> None:
    fan = fan_on(block)
    fan.set(False)
    fan.set(False)
    assert block.asked == ["6:8", "3:8", "5:3", "5:3"]
    assert block.cells[3, 8] == 30


def test_the_watchdog_is_counted_as_the_block_counts(block: Block) -> None:
    fan_on(block, seconds=30.0, per_second=10.0).set(False)
    assert block.cells[3, 8] == 300
    with pytest.raises(RangeError):
        fan_on(block, seconds=600.0, per_second=1000.0)


def test_a_block_that_came_back_from_silence_gets_its_watchdog_again(block: Block) -> None:
    fan = fan_on(block)
    fan.set(False)
    block.silent = True
    with pytest.raises(CommandError):
        fan.set(False)
    block.silent = False
    block.cells.clear()  # it had no power meanwhile
    fan.set(False)
    assert block.cells == {(3, 8): 30, (1, 3): 0xFF00}


def test_silence_at_a_readback_makes_the_watchdog_doubtful_too(block: Block) -> None:
    fan = fan_on(block)
    fan.set(False)
    block.silent = True
    with pytest.raises(ReadError):
        fan.readback()
    block.silent = False
    block.asked.clear()
    fan.set(False)
    assert block.asked == ["6:8", "3:8", "5:3"]


@pytest.mark.parametrize("trouble", ["forgets", "refuses"])
def test_without_its_watchdog_a_block_is_only_ever_made_safe(block: Block, trouble: str) -> None:
    fan = fan_on(block)
    fan.set(False)
    assert block.energised
    setattr(block, trouble, True)
    other = fan_on(block)
    for on, energised in ((False, True), (True, False), (False, False)):  # the first found it so and left it
        with pytest.raises(CommandError, match=r"watchdog|refuses") as caught:
            other.set(on)
        assert isinstance(caught.value.__cause__, DeviceFault | Refused)
        assert block.energised is energised


def test_a_silent_block_costs_one_time_out_for_each_command(block: Block) -> None:
    block.silent = True
    fan = fan_on(block)
    for on in (True, False):
        block.asked.clear()
        with pytest.raises(CommandError):
            fan.set(on)
        assert block.asked == ["6:8"]


def test_close_releases_without_asking_for_the_watchdog(block: Block) -> None:
    fan = fan_on(block)
    block.refuses = True
    fan.close()
    assert block.asked == ["5:3"]


TURNS = ("on", "off", "silent", "heard", "forgets", "keeps", "power-cut", "look")
moves = st.lists(st.sampled_from(TURNS), max_size=30)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moves)
def test_whatever_happens_the_coil_pulls_only_on_a_block_that_held_its_watchdog(turns: list[str]) -> None:
    block = Block()
    fan = fan_on(block)
    for turn in turns:
        held_before = block.energised
        if turn in ("silent", "heard"):
            block.silent = turn == "silent"
        elif turn in ("forgets", "keeps"):
            block.forgets = turn == "forgets"
        elif turn == "power-cut":  # seen as silence, as it lasts longer than a refresh
            block.silent = True
            with pytest.raises(CommandError):
                fan.set(True)
            block.silent = False
            block.cells.clear()
        elif turn == "look":
            if not block.silent:
                assert fan.readback() is (not block.energised)
        else:
            try:
                fan.set(turn == "on")
            except CommandError:
                assert block.silent or not block.energised or held_before
            else:
                assert block.energised is (turn == "off")
        if block.energised and not held_before:
            assert block.cells[3, 8] == 30
    block.silent = False
    fan.close()
    assert not block.energised


# --- speed --------------------------------------------------------------------------------------------


def test_a_drive_at_another_speed_than_was_written_is_its_own_fault(block: Block) -> None:
    fan = ModbusSpeed(speed_kit(register=2), speed_relay(full=1000), block)
    fan.set(True, 0.5)
    assert fan.readback() is True
    block.cells[3, 2] = 519  # rounded by the drive: within 2 % of full speed
    assert fan.readback() is True
    block.cells[3, 2] = 300
    with pytest.raises(DeviceFault, match="holds a speed of 300, 500 was written"):
        fan.readback()
    block.cells[3, 2] = 0
    assert fan.readback() is False  # it stands: the step sees that by itself


@pytest.mark.parametrize("speed", [0.0, -0.1, 1.01, float("nan")])
def test_what_is_no_share_of_full_speed_is_not_written(block: Block, speed: float) -> None:
    with pytest.raises(CommandError):
        ModbusSpeed(speed_kit(register=2), speed_relay(), block).set(True, speed)
    assert block.asked == []


@given(st.floats(0.1, 1.0), st.integers(1, 65535))
def test_a_fan_that_is_on_never_stands_still(speed: float, full: int) -> None:
    block = Block()
    fan = ModbusSpeed(speed_kit(register=2), speed_relay(full=full), block)
    fan.set(True, speed)
    assert block.cells[3, 2] == pytest.approx(full * speed, abs=1)
    assert block.cells[3, 2] >= 1
    assert fan.readback() is True


def test_full_speed_of_a_drive_without_its_watchdog_is_still_written(block: Block) -> None:
    relay = speed_relay()
    watchdog = {"register": 8, "seconds": 30.0, "per_second": 1.0}
    with_watchdog = RelaySpec(
        name="drives", kind="modbus-speed", bus="line-a", refresh_s=5.0, options={**relay.options, "watchdog": watchdog}
    )
    fan = ModbusSpeed(speed_kit(register=2), with_watchdog, block)
    block.forgets = True
    for on, speed in ((True, 0.5), (False, 1.0)):
        with pytest.raises(CommandError, match="does not hold its watchdog"):
            fan.set(on, speed)
        assert (3, 2) not in block.cells
    with pytest.raises(CommandError, match="does not hold its watchdog"):
        fan.set(True, 1.0)
    assert block.cells[3, 2] == 1000
