"""Owns: checks of the serial line's rules.

Must not know: sensors, kit.
How it works: real bytes on a pseudo-terminal whose far end the test scripts. Time-outs are real but short. The
pause before a reopening runs on a clock that the test moves.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from itertools import pairwise
from pathlib import Path

import pytest
import serial.serialutil
from pymodbus.framer import FramerRTU

from drivers.modbus_frame import RtuFrame
from drivers.modbus_pdu import Request, read_registers, write_coil
from drivers.modbus_rtu import ModbusRtuWire
from drivers.pause import Pause
from drivers.wire import SerialWire, frame_gap_s
from gateway.errors import BusTimeout, ChecksumError, FrameError, PortGone, ReadError, Refused
from tests.drivers.far_end import HANG_UP, Peer, Pty, Script
from tests.drivers.specs import ANSWER_WITHIN_S, serial_line

ON_THE_LINE_S = 0.05  # more than the bytes of any exchange here take at 9600 baud, and than a busy machine's delay


class Bench:
    """A wire and its far end. `skew_s` moves the wire's clock."""

    def __init__(self, folder: Path) -> None:
        self.skew_s = 0.0
        self.pty = Pty(folder / "line-a")
        self.peer = Peer(self.pty, honest)
        self.wire = self.another_wire()

    def another_wire(self, **changed: object) -> ModbusRtuWire:
        return ModbusRtuWire(serial_line(self.pty.link, **changed), now_s=lambda: time.monotonic() + self.skew_s)

    def unplug(self) -> None:
        self.peer.stop()
        self.pty.vanish()

    def plug(self, script: Script) -> None:
        self.pty.appear()
        self.peer = Peer(self.pty, script)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    with ExitStack() as undo:
        undo.callback(lambda: made.pty.vanish() if made.pty.link.is_symlink() else None)
        undo.callback(lambda: made.peer.stop())
        undo.callback(lambda: made.wire.close())
        yield made


def sealed(body: bytes) -> bytes:
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def answer(request: bytes, *, unit: int | None = None) -> bytes:
    """As a device answers whose every register holds its own address."""
    first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
    words = b"".join(register.to_bytes(2, "big") for register in range(first, first + count))
    return sealed(bytes((unit or request[0], request[1], len(words))) + words)


def honest(request: bytes) -> list[tuple[float, bytes]]:
    return [(0.0, request if request[1] == 5 else answer(request))]


def silent(request: bytes) -> list[tuple[float, bytes]]:
    return []


def ask_for(register: int, *, unit: int = 1) -> Request[tuple[int, ...]]:
    return read_registers(unit=unit, function=4, address=register, count=2)


def open_descriptors_of(name: str) -> list[str]:
    found = []
    for entry in Path("/proc/self/fd").iterdir():
        try:
            target = os.readlink(entry)
        except OSError:  # the descriptor that lists the folder
            continue
        if target.split(" ")[0] == name:
            found.append(entry.name)
    return found


# --- answers ------------------------------------------------------------------------------------------


def test_requests_are_answered_one_after_the_other(bench: Bench) -> None:
    assert [bench.wire.ask(ask_for(register)) for register in (1, 50, 7)] == [(1, 2), (50, 51), (7, 8)]


def test_an_answer_in_pieces_is_one_answer(bench: Bench) -> None:
    bench.peer.script = lambda request: [(0.002 * n, bytes((byte,))) for n, byte in enumerate(answer(request))]
    assert bench.wire.ask(ask_for(1)) == (1, 2)


def test_every_parity_and_stop_bit_opens(bench: Bench) -> None:
    for changed in ({"parity": "even"}, {"parity": "odd"}, {"stop_bits": 2}):
        wire = bench.another_wire(**changed)
        assert wire.ask(ask_for(1)) == (1, 2)
        wire.close()


def test_a_refusal_is_known_at_once_and_costs_no_silence(bench: Bench) -> None:
    bench.wire.ask(ask_for(1))
    bench.peer.script = lambda request: [(0.0, sealed(bytes((request[0], request[1] | 0x80, 2))))]
    begun_s = time.monotonic()
    for _ in range(3):
        with pytest.raises(Refused):
            bench.wire.ask(ask_for(1))
    assert time.monotonic() - begun_s < 3 * ANSWER_WITHIN_S


def test_between_two_frames_the_line_is_silent_for_3_5_characters(bench: Bench) -> None:
    bench.wire.close()
    bench.wire = bench.another_wire(baud=1200)
    for _ in range(4):
        bench.wire.ask(ask_for(1))
    times_s = [at_s for at_s, _ in bench.peer.requests]
    # 3.5 characters of 10 bits at 1200 baud are 29.2 ms: MODBUS over Serial Line V1.02, 2.5.1.1.
    assert all(after - before >= 0.0291 for before, after in pairwise(times_s))


@pytest.mark.parametrize(
    ("baud", "char_bits", "gap_ms"), [(9600, 11, 4.01), (9600, 10, 3.65), (19200, 11, 2.01), (38400, 11, 1.75)]
)
def test_the_silence_between_frames_is_the_published_one(baud: int, char_bits: int, gap_ms: float) -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters; fixed 1.750 ms above 19200 baud.
    assert frame_gap_s(baud=baud, char_bits=char_bits) * 1000 == pytest.approx(gap_ms, abs=0.006)


# --- silence, torn and strange answers ----------------------------------------------------------------


def test_silence_ends_at_the_deadline(bench: Bench) -> None:
    bench.wire.ask(ask_for(1))
    bench.peer.script = silent
    begun_s = time.monotonic()
    with pytest.raises(BusTimeout) as caught:
        bench.wire.ask(ask_for(1))
    assert ANSWER_WITHIN_S <= time.monotonic() - begun_s < ANSWER_WITHIN_S + ON_THE_LINE_S
    assert caught.value.raw == b""


def test_a_dead_device_never_holds_the_line_longer_than_promised(bench: Bench) -> None:
    bench.peer.script = silent
    for _ in range(4):
        begun_s = time.monotonic()
        with pytest.raises(BusTimeout):
            bench.wire.ask(ask_for(1))
        assert time.monotonic() - begun_s < 4 * ANSWER_WITHIN_S


def test_a_torn_answer_keeps_its_bytes_and_the_next_is_sound(bench: Bench) -> None:
    bench.peer.script = lambda request: [(0.0, answer(request)[:6])]
    with pytest.raises(BusTimeout) as caught:
        bench.wire.ask(ask_for(1))
    assert caught.value.raw == answer(RtuFrame(ask_for(1)).frame)[:6]
    bench.peer.script = honest
    assert bench.wire.ask(ask_for(50)) == (50, 51)


def test_a_foreign_unit_is_not_our_answer(bench: Bench) -> None:
    bench.peer.script = lambda request: [(0.0, answer(request, unit=2))]
    with pytest.raises(FrameError, match="unit 2 answered"):
        bench.wire.ask(ask_for(1))
    bench.peer.script = honest
    assert bench.wire.ask(ask_for(50)) == (50, 51)


def test_a_flipped_bit_is_refused_and_the_next_is_sound(bench: Bench) -> None:
    bench.peer.script = lambda request: [(0.0, answer(request)[:4] + b"\x40" + answer(request)[5:])]
    with pytest.raises(ChecksumError):
        bench.wire.ask(ask_for(1))
    bench.peer.script = honest
    assert bench.wire.ask(ask_for(50)) == (50, 51)


def test_our_own_echo_is_not_an_answer(bench: Bench) -> None:
    bench.peer.script = lambda request: [(0.0, request), (0.01, answer(request))]
    with pytest.raises(FrameError, match="local echo"):
        bench.wire.ask(ask_for(1))


def test_noise_behind_an_answer_does_not_spoil_the_next(bench: Bench) -> None:
    bench.peer.script = lambda request: [(0.0, answer(request) + b"\x00\xff")]
    assert [bench.wire.ask(ask_for(register)) for register in (1, 50, 7)] == [(1, 2), (50, 51), (7, 8)]


def test_a_line_on_which_somebody_always_speaks_is_an_error_and_not_a_hang(bench: Bench) -> None:
    bench.peer.script = lambda request: [(0.01 * n, b"\x55") for n in range(200)]
    for _ in range(2):
        begun_s = time.monotonic()
        with pytest.raises(ReadError):
            bench.wire.ask(ask_for(1))
        assert time.monotonic() - begun_s < 4 * ANSWER_WITHIN_S
    with pytest.raises(FrameError, match="without being asked"):
        bench.wire.ask(ask_for(1))


# --- late answers -------------------------------------------------------------------------------------


@pytest.mark.parametrize("late", [0.6, 0.9, 1.0, 1.05, 1.1, 1.3, 1.5])
def test_a_late_answer_is_never_taken_for_the_next_one(bench: Bench, late: float) -> None:
    """Both requests have the same unit, function and length: nothing in the frame tells the answers apart."""
    slow, quick = ask_for(10), ask_for(50)
    bench.wire.ask(quick)

    def script(request: bytes) -> list[tuple[float, bytes]]:
        return [(late * ANSWER_WITHIN_S if request == RtuFrame(slow).frame else 0.0, answer(request))]

    bench.peer.script = script
    right = 0
    for _ in range(6):  # on a busy machine even the quick one may time out; it may never be wrong
        with suppress(ReadError):
            assert bench.wire.ask(slow) == (10, 11)
        with suppress(ReadError):
            assert bench.wire.ask(quick) == (50, 51)
            right += 1
    assert right


def test_after_a_time_out_the_line_stays_silent_for_the_slowest_answer(bench: Bench) -> None:
    bench.peer.script = silent
    with pytest.raises(BusTimeout):
        bench.wire.ask(ask_for(10))
    bench.peer.script = honest
    bench.wire.ask(ask_for(50))
    (first_s, _), (second_s, _) = bench.peer.requests
    assert second_s - first_s >= 2 * ANSWER_WITHIN_S


def test_what_arrived_before_the_request_is_not_its_answer(bench: Bench) -> None:
    bench.wire.ask(ask_for(1))
    os.write(bench.pty.far, answer(RtuFrame(ask_for(10)).frame))
    assert bench.wire.ask(ask_for(50)) == (50, 51)


def test_the_library_below_measures_its_waits_on_the_monotonic_clock() -> None:
    assert serial.serialutil.Timeout.TIME is time.monotonic


# --- the port -----------------------------------------------------------------------------------------


def test_an_absent_port_fails_at_use_and_not_at_making(tmp_path: Path) -> None:
    wire = ModbusRtuWire(serial_line(tmp_path / "nowhere"))
    with pytest.raises(PortGone, match="nowhere"):
        wire.ask(ask_for(1))
    wire.close()


def test_a_vanished_port_is_closed_at_once_and_comes_back(bench: Bench) -> None:
    assert bench.wire.ask(ask_for(1)) == (1, 2)
    name = bench.pty.name
    bench.unplug()
    with pytest.raises(PortGone, match="vanished"):
        bench.wire.ask(ask_for(1))
    assert not open_descriptors_of(name)

    bench.plug(honest)
    with pytest.raises(PortGone, match="next try in"):  # although it is there again: no busy loop
        bench.wire.ask(ask_for(1))
    bench.skew_s += 1.01
    assert bench.wire.ask(ask_for(50)) == (50, 51)


def test_an_answer_ends_the_long_pauses(bench: Bench) -> None:
    bench.unplug()
    for pause_s in (1.0, 2.0, 3.0):
        with pytest.raises(PortGone):
            bench.wire.ask(ask_for(1))
        bench.skew_s += pause_s + 0.01
    bench.plug(honest)
    assert bench.wire.ask(ask_for(1)) == (1, 2)

    bench.unplug()
    with pytest.raises(PortGone, match="vanished"):
        bench.wire.ask(ask_for(1))
    bench.plug(honest)
    bench.skew_s += 1.01  # not 3
    assert bench.wire.ask(ask_for(1)) == (1, 2)


def test_a_port_that_vanishes_during_a_wait_is_noticed_before_the_deadline(bench: Bench) -> None:
    bench.wire.close()
    bench.wire = bench.another_wire(answer_within_s=1.0)
    bench.peer.script = lambda request: [(0.0, answer(request)[:3]), (0.05, HANG_UP)]
    with pytest.raises(PortGone, match="vanished"):
        bench.wire.ask(ask_for(1))
    assert time.monotonic() - bench.peer.requests[0][0] < 0.5


def test_while_the_port_is_gone_every_call_fails_at_once(tmp_path: Path) -> None:
    wire = ModbusRtuWire(serial_line(tmp_path / "nowhere"), now_s=lambda: 0.0)
    begun_s = time.monotonic()
    for _ in range(1000):
        with pytest.raises(PortGone):
            wire.ask(ask_for(1))
    assert time.monotonic() - begun_s < 0.5


def test_the_pause_before_a_reopening_grows_to_three_seconds_and_starts_anew() -> None:
    pause, now_s, waits_s = Pause(), 100.0, []
    assert pause.left_s(now_s) == 0.0
    for _ in range(6):
        pause.failed(now_s)
        waits_s.append(pause.left_s(now_s))
        now_s += waits_s[-1]
        assert pause.left_s(now_s) == 0.0
    assert waits_s == [1.0, 2.0, 3.0, 3.0, 3.0, 3.0]
    pause.worked()
    pause.failed(now_s)
    assert pause.left_s(now_s) == 1.0


def test_a_port_that_another_process_holds_is_not_shared(bench: Bench) -> None:
    held = "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); input()"
    other = subprocess.Popen(
        [sys.executable, "-c", held, str(bench.pty.link)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "held\n"
    with pytest.raises(PortGone, match="held by another process"):
        bench.wire.ask(ask_for(1))
    other.communicate("\n", timeout=10)
    bench.skew_s += 1.01
    assert bench.wire.ask(ask_for(1)) == (1, 2)


def test_a_second_wire_on_the_same_port_is_refused_and_does_not_disturb_the_first(bench: Bench) -> None:
    bench.wire.ask(ask_for(1))
    second = bench.another_wire()
    with pytest.raises(PortGone, match="held by another process"):
        second.ask(ask_for(1))
    assert bench.wire.ask(ask_for(1)) == (1, 2)


class Flood:
    """A request longer than any port's buffer, to a far end that reads nothing."""

    what = "flood"
    frame = bytes(1_000_000)

    def length(self, received: bytes) -> int:
        return 1

    def parse(self, raw: bytes) -> bytes:
        return raw


def test_a_port_that_takes_no_bytes_is_given_up_after_the_write_deadline(bench: Bench) -> None:
    bench.peer.stop()
    begun_s = time.monotonic()
    with pytest.raises(PortGone, match="takes no bytes"):
        SerialWire(serial_line(bench.pty.link)).ask(Flood())
    assert time.monotonic() - begun_s < 4 * ANSWER_WITHIN_S
    assert not [fd for fd in open_descriptors_of(bench.pty.name) if fd != str(bench.pty.near)]


def test_a_closed_wire_stays_closed(bench: Bench) -> None:
    bench.wire.ask(ask_for(1))
    bench.wire.close()
    bench.wire.close()
    with pytest.raises(PortGone, match="closed"):
        bench.wire.ask(ask_for(1))


def test_a_written_coil_is_verified_by_its_echo(bench: Bench) -> None:
    bench.wire.ask(write_coil(unit=10, address=1, on=True))
    bench.peer.script = lambda request: [(0.0, RtuFrame(write_coil(unit=10, address=1, on=False)).frame)]
    with pytest.raises(FrameError):
        bench.wire.ask(write_coil(unit=10, address=1, on=True))
