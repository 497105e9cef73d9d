"""Owns: checks of the rules of a Modbus TCP connection.

Must not know: sensors, kit.
How it works: real sockets on the loopback address. pymodbus' own server is the sound device; a far end whose answers
the test scripts plays the others. The pause before a new connection runs on a clock that the test moves.
"""

from __future__ import annotations

import asyncio
import socket
import struct
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import ExitStack, suppress

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.modbus import ModbusRegisters
from drivers.modbus_kit import ModbusCoil
from drivers.modbus_pdu import Request, TargetSilent, read_registers, write_coil
from drivers.modbus_tcp import ModbusTcpWire
from gateway.errors import BusTimeout, FrameError, PortGone, ReadError, Refused
from gateway.model import Quantity
from gateway.ports import Actuator, Sensor
from tests.contract.actuator_contract import ActuatorContract
from tests.contract.sensor_contract import SensorContract
from tests.drivers.far_end import device
from tests.drivers.libmodbus import free_port
from tests.drivers.modbus_specs import registers, tcp_bus
from tests.drivers.specs import field, kit, relay_block

WITHIN_S = 0.3
BUSY_S = 0.15  # what a busy machine may add

Script = Callable[[bytes], list[bytes]]


class TcpPeer:
    """A far end that answers each request by `script`; an empty answer closes the connection."""

    def __init__(self, script: Script) -> None:
        self.script = script
        self.requests: list[bytes] = []
        self.connections = 0
        self._links: list[socket.socket] = []
        self._stop = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.02)
        self.port = int(self._listener.getsockname()[1])
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        """Speak unasked on the newest connection."""
        self._links[-1].sendall(data)

    def hang_up(self) -> None:
        """Close every connection; the port stays open."""
        while self._links:
            self._links.pop().close()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self.hang_up()
        self._listener.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            with suppress(TimeoutError):
                link, _ = self._listener.accept()
                link.settimeout(0.005)
                self.connections += 1
                self._links.append(link)
            for link in list(self._links):
                with suppress(TimeoutError, OSError):
                    self._serve(link)

    def _serve(self, link: socket.socket) -> None:
        request = link.recv(260)
        if not request:
            return
        self.requests.append(request)
        for answer in self.script(request):
            if answer:
                link.sendall(answer)
            else:
                link.close()
                self._links.remove(link)


def answer(request: bytes, *, transaction: int | None = None, unit: int | None = None) -> bytes:
    """As a device answers whose every register holds its own address."""
    own, _, _, asked, function, first, count = struct.unpack(">HHHBBHH", request[:12])
    words = b"".join(at.to_bytes(2, "big") for at in range(first, first + count))
    header = struct.pack(">HHHB", own if transaction is None else transaction, 0, 3 + len(words), unit or asked)
    return header + bytes((function, len(words))) + words


def refusal(request: bytes, code: int) -> bytes:
    return request[:4] + b"\0\3" + request[6:7] + bytes((request[7] | 0x80, code))


def honest(request: bytes) -> list[bytes]:
    return [request if request[7] == 5 else answer(request)]


def silent(request: bytes) -> list[bytes]:
    return []


def ask_for(register: int, *, unit: int = 1) -> Request[tuple[int, ...]]:
    return read_registers(unit=unit, function=4, address=register, count=2)


class Bench:
    def __init__(self) -> None:
        self.skew_s = 0.0
        self.peer = TcpPeer(honest)
        self.wire = ModbusTcpWire(tcp_bus(self.peer.port), now_s=lambda: time.monotonic() + self.skew_s)


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    with ExitStack() as undo:
        undo.callback(made.peer.stop)
        undo.callback(made.wire.close)
        yield made


# --- the contracts, with pymodbus' server -------------------------------------------------------------


class TcpSlave:
    """pymodbus' TCP server with two units."""

    def __init__(self, devices: list[SimDevice]) -> None:
        self.port = free_port()
        self._loop = asyncio.new_event_loop()
        self._ends = asyncio.Event()
        self._server: ModbusTcpServer | None = None
        ready = threading.Event()
        self._thread = threading.Thread(target=self._serve, args=(devices, ready), daemon=True)
        self._thread.start()
        assert ready.wait(5.0), "the independent slave did not start"

    def coil(self, *, unit: int, address: int) -> bool:
        assert self._server is not None
        ask = self._server.async_getValues(unit, 1, address, 1)
        return bool(asyncio.run_coroutine_threadsafe(ask, self._loop).result(5.0)[0])

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._ends.set)
        self._thread.join()

    def _serve(self, devices: list[SimDevice], ready: threading.Event) -> None:
        self._loop.run_until_complete(self._until_stopped(devices, ready))
        self._loop.close()

    async def _until_stopped(self, devices: list[SimDevice], ready: threading.Event) -> None:
        self._server = ModbusTcpServer(devices, address=("127.0.0.1", self.port))
        await self._server.serve_forever(background=True)
        ready.set()
        await self._ends.wait()
        shutdown: Callable[[], Awaitable[None]] = self._server.shutdown  # its own annotation is missing
        await shutdown()


@pytest.fixture(scope="module")
def slave() -> Iterator[TcpSlave]:
    air = [SimData(1, values=[0xFFCE, 600], datatype=DataType.REGISTERS)]
    made = TcpSlave([device(1, inputs=air), device(10, coils=[False] * 8)])
    yield made
    made.stop()


@pytest.fixture
def wire(slave: TcpSlave) -> Iterator[ModbusTcpWire]:
    made = ModbusTcpWire(tcp_bus(slave.port))
    yield made
    made.close()


@pytest.fixture
def dead_wire() -> Iterator[ModbusTcpWire]:
    """A device that is not there."""
    made = ModbusTcpWire(tcp_bus(free_port()))
    yield made
    made.close()


AIR = registers({Quantity.TEMP: field(1, "int16", 0.1), Quantity.RH: field(2, "uint16", 0.1)})


class TestRegistersOverTcp(SensorContract):
    @pytest.fixture
    def sensor(self, wire: ModbusTcpWire) -> Sensor:
        return ModbusRegisters(AIR, wire)

    @pytest.fixture
    def lost_sensor(self, dead_wire: ModbusTcpWire) -> Sensor:
        return ModbusRegisters(AIR, dead_wire)

    def test_values_are_those_of_the_server(self, sensor: Sensor) -> None:
        # FFCE is -50 in two's complement.
        assert [raw.value for raw in sensor.read()] == pytest.approx([-5.0, 60.0])


class TestCoilOverTcp(ActuatorContract):
    @pytest.fixture
    def actuator(self, wire: ModbusTcpWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact="normally-closed"), relay_block(), wire)

    @pytest.fixture
    def runs(self, slave: TcpSlave) -> Callable[[], bool]:
        return lambda: not slave.coil(unit=10, address=2)

    @pytest.fixture
    def lost_actuator(self, dead_wire: ModbusTcpWire) -> Actuator:
        return ModbusCoil(kit(coil=2, contact="normally-closed"), relay_block(), dead_wire)


# --- answers ------------------------------------------------------------------------------------------


def test_requests_share_one_connection_and_each_has_its_own_number(bench: Bench) -> None:
    assert [bench.wire.ask(ask_for(register)) for register in (1, 50, 7)] == [(1, 2), (50, 51), (7, 8)]
    assert bench.peer.connections == 1
    assert len({request[:2] for request in bench.peer.requests}) == 3


def test_an_answer_in_pieces_is_one_answer(bench: Bench) -> None:
    bench.peer.script = lambda request: [bytes((byte,)) for byte in answer(request)]
    assert bench.wire.ask(ask_for(1)) == (1, 2)


def test_an_exception_is_a_refusal_and_keeps_the_connection(bench: Bench) -> None:
    bench.peer.script = lambda request: [refusal(request, 2)]
    for _ in range(3):
        with pytest.raises(Refused, match="illegal address"):
            bench.wire.ask(ask_for(1))
    assert bench.peer.connections == 1


def test_a_gateway_that_says_its_device_is_silent_is_no_lost_connection(bench: Bench) -> None:
    """Exception 0B: the device is lost, its neighbours behind the same gateway are asked on."""
    bench.peer.script = lambda request: [refusal(request, 11) if request[6] == 77 else answer(request)]
    for _ in range(2):
        with pytest.raises(TargetSilent) as caught:
            bench.wire.ask(ask_for(1, unit=77))
        assert caught.value.quality == "silent"
        assert bench.wire.ask(ask_for(1)) == (1, 2)
    assert bench.peer.connections == 1


def test_silence_ends_at_the_deadline_and_costs_the_neighbour_nothing(bench: Bench) -> None:
    bench.peer.script = lambda request: [] if request[6] == 77 else [answer(request)]
    for _ in range(3):
        begun_s = time.monotonic()
        with pytest.raises(BusTimeout) as caught:
            bench.wire.ask(ask_for(1, unit=77))
        assert WITHIN_S <= time.monotonic() - begun_s < WITHIN_S + BUSY_S
        assert caught.value.raw == b""
        begun_s = time.monotonic()
        assert bench.wire.ask(ask_for(50)) == (50, 51)
        assert time.monotonic() - begun_s < BUSY_S


def test_a_part_of_an_answer_is_torn_and_keeps_its_bytes(bench: Bench) -> None:
    bench.peer.script = lambda request: [answer(request)[:9]]
    with pytest.raises(BusTimeout) as caught:
        bench.wire.ask(ask_for(1))
    assert caught.value.quality == "torn"
    assert len(caught.value.raw) == 9


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda request: answer(request, transaction=0xBEEF), "transaction"),
        (lambda request: answer(request, unit=2), "unit 2 in the header instead of 1"),
        (lambda request: answer(request)[:2] + b"\0\1" + answer(request)[4:], "protocol"),
        (lambda request: b"HTTP/1.1 400 Bad Request\r\n\r\n", "transaction"),
    ],
)
def test_what_is_not_our_answer_is_refused_and_ends_the_connection(
    bench: Bench, wrong: Callable[[bytes], bytes], said: str
) -> None:
    bench.peer.script = lambda request: [wrong(request)]
    with pytest.raises(FrameError, match=said):
        bench.wire.ask(ask_for(1))
    bench.peer.script = honest
    assert bench.wire.ask(ask_for(50)) == (50, 51)
    assert bench.peer.connections == 2


def test_a_late_answer_never_meets_the_next_request(bench: Bench) -> None:
    late: list[bytes] = []

    def script(request: bytes) -> list[bytes]:
        if request[8:10] == b"\x00\x0a":
            late.append(answer(request))
            return []
        return [*late, answer(request)]  # what was owed comes first

    bench.peer.script = script
    with pytest.raises(BusTimeout):
        bench.wire.ask(ask_for(10))
    with suppress(FrameError):
        assert bench.wire.ask(ask_for(50)) == (50, 51)
    late.clear()
    assert bench.wire.ask(ask_for(50)) == (50, 51)


def test_a_byte_that_nobody_asked_for_is_no_answer(bench: Bench) -> None:
    bench.wire.ask(ask_for(1))
    bench.peer.say(b"\0\2\0\0\0\7\1\4\4\xff\xff\xff\xff")  # the number that the next request will have
    assert bench.wire.ask(ask_for(50)) == (50, 51)
    assert bench.peer.connections == 2


# --- the connection -----------------------------------------------------------------------------------


def test_an_absent_device_fails_at_use_at_once_and_then_waits_before_the_next_try() -> None:
    skew_s = 0.0
    wire = ModbusTcpWire(tcp_bus(free_port()), now_s=lambda: time.monotonic() + skew_s)
    with pytest.raises(PortGone, match="cannot be reached"):
        wire.ask(ask_for(1))
    begun_s = time.monotonic()
    for _ in range(1000):
        with pytest.raises(PortGone, match="next try in"):
            wire.ask(ask_for(1))
    assert time.monotonic() - begun_s < 0.5
    skew_s += 1.01
    with pytest.raises(PortGone, match="cannot be reached: "):
        wire.ask(ask_for(1))
    wire.close()


def test_a_device_that_closed_an_idle_connection_costs_no_reading(bench: Bench) -> None:
    for turn in range(3):
        assert bench.wire.ask(ask_for(1)) == (1, 2)
        bench.peer.hang_up()
        assert bench.peer.connections == turn + 1


def test_a_connection_closed_instead_of_an_answer_is_port_gone_and_the_next_ask_connects(bench: Bench) -> None:
    bench.peer.script = lambda request: [b""]
    with pytest.raises(PortGone, match="closed the connection"):
        bench.wire.ask(ask_for(1))
    bench.peer.script = honest
    assert bench.wire.ask(ask_for(1)) == (1, 2)


def test_a_peer_that_lost_power_is_noticed_by_the_next_request_and_comes_back(bench: Bench) -> None:
    """Half-open: its end says nothing, not even that it is closed. A new connection is what brings it back."""
    bench.wire.ask(ask_for(1))
    bench.peer.script = silent
    with pytest.raises(BusTimeout):
        bench.wire.ask(ask_for(1))
    bench.peer.script = honest
    assert bench.wire.ask(ask_for(50)) == (50, 51)
    assert bench.peer.connections == 2


def test_a_host_that_swallows_everything_costs_the_deadline_once_and_then_nothing() -> None:
    """A full backlog drops our first packet, as a host without power does."""
    with ExitStack() as undo:
        listener = undo.enter_context(socket.create_server(("127.0.0.1", 0), backlog=0))
        address = listener.getsockname()
        for _ in range(2):  # whoever waits in the queue keeps us out
            filler = undo.enter_context(socket.socket())
            filler.setblocking(False)
            with suppress(BlockingIOError):
                filler.connect(address)
        wire = ModbusTcpWire(tcp_bus(address[1]))
        undo.callback(wire.close)
        begun_s = time.monotonic()
        with pytest.raises(ReadError):
            wire.ask(ask_for(1))
        assert time.monotonic() - begun_s < WITHIN_S + BUSY_S
        with pytest.raises(PortGone, match="next try in"):
            wire.ask(ask_for(1))


def test_a_closed_wire_stays_closed(bench: Bench) -> None:
    bench.wire.ask(ask_for(1))
    bench.wire.close()
    bench.wire.close()
    with pytest.raises(PortGone, match="closed"):
        bench.wire.ask(ask_for(1))


def test_a_written_coil_is_verified_by_its_echo(bench: Bench) -> None:
    bench.wire.ask(write_coil(unit=10, address=1, on=True))
    bench.peer.script = lambda request: [request[:10] + b"\0\0"]
    with pytest.raises(FrameError, match="begins otherwise"):
        bench.wire.ask(write_coil(unit=10, address=1, on=True))
