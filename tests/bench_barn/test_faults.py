"""Every fault of the bench, asked for over its socket and seen where a driver would meet it."""

from __future__ import annotations

import errno
import math
from collections.abc import Sequence
from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException
from pymodbus.framer import FramerRTU

from drivers.bench.barn import Bench
from drivers.bench.desk import ask
from drivers.bench.rtu import Reply, framed, sealed
from gateway.barn import Barn
from tests.bench_barn.rig import HandClock, patient, until

BLOCK = 10
FLOAT = ModbusSerialClient.DATATYPE.FLOAT32


def fault(folder: Path, target: str, kind: str) -> None:
    answer = ask(folder, {"do": "fault", "target": target, "kind": kind})
    assert answer["ok"], answer
    assert answer["faults"] == {target: kind}


def clear(folder: Path, target: str) -> None:
    assert ask(folder, {"do": "clear", "target": target}) == {"ok": True, "faults": {}}


def stalls(master: ModbusSerialClient) -> Sequence[int]:
    return master.read_input_registers(1, count=2, device_id=1).registers


def rack(master: ModbusSerialClient) -> tuple[float, float]:
    words = master.read_input_registers(0, count=4, device_id=3).registers
    temp_c = master.convert_from_registers(words[:2], FLOAT, word_order="little")
    rh_pct = master.convert_from_registers(words[2:], FLOAT, word_order="little")
    assert isinstance(temp_c, float)
    assert isinstance(rh_pct, float)
    return temp_c, rh_pct


def raw_answers(folder: Path, count: int) -> list[bytes]:
    """What comes back to the same request for the stalls, byte for byte."""
    with serial.Serial(str(folder / "line-a"), timeout=0.3) as port:
        answers = []
        for _ in range(count):
            port.write(sealed(1, bytes.fromhex("04 00 01 00 02")))
            answers.append(port.read(9))
    return answers


def test_silent_sensor_says_nothing_and_the_others_still_do(master: ModbusSerialClient, tmp_path: Path) -> None:
    fault(tmp_path, "stalls-air", "silence")
    with pytest.raises(ModbusIOException):
        stalls(master)
    assert rack(master)[0] > 0
    clear(tmp_path, "stalls-air")
    assert stalls(master)


def test_torn_frames_are_cut_and_bent_in_turn(bench: Bench, tmp_path: Path) -> None:
    fault(tmp_path, "stalls-air", "torn")
    answers = raw_answers(tmp_path, 4)
    assert sorted(len(answer) for answer in answers) == [6, 6, 9, 9]
    for answer in answers:
        assert FramerRTU.compute_CRC(answer[:-2]).to_bytes(2, "big") != answer[-2:]


def test_foreign_answer_is_sound_and_of_another_unit(bench: Bench, tmp_path: Path) -> None:
    fault(tmp_path, "stalls-air", "foreign")
    (answer,) = raw_answers(tmp_path, 1)
    assert answer[0] != 1
    assert answer[1:3] == b"\x04\x04"
    assert FramerRTU.compute_CRC(answer[:-2]).to_bytes(2, "big") == answer[-2:]


def test_power_on_value_and_wet_chip_reach_the_registers_unclamped(master: ModbusSerialClient, tmp_path: Path) -> None:
    fault(tmp_path, "stalls-air", "power-on")
    until(lambda: stalls(master)[0] == 850, "85.0 °C")
    assert stalls(master)[1] < 1000
    fault(tmp_path, "stalls-air", "wet")
    # -6 + 125 x 65535/65536 of the SHT4x data sheet, in tenths
    until(lambda: stalls(master)[1] == 1190, "119.0 %")
    assert stalls(master)[0] < 500


def test_not_a_number_is_a_fault_of_float_registers(master: ModbusSerialClient, tmp_path: Path) -> None:
    fault(tmp_path, "rack-air", "nan")
    until(lambda: math.isnan(rack(master)[0]) and math.isnan(rack(master)[1]), "NaN in both")
    clear(tmp_path, "rack-air")
    until(lambda: not math.isnan(rack(master)[0]), "a number again")


def test_stuck_sensor_keeps_its_word_while_another_moves(
    master: ModbusSerialClient, clock: HandClock, tmp_path: Path
) -> None:
    fault(tmp_path, "rack-air", "stuck")
    before, moving = rack(master), stalls(master)
    clock.pass_s(7200)
    until(lambda: abs(stalls(master)[0] - moving[0]) >= 5, "two hours of a morning are half a degree")
    assert rack(master) == before
    clear(tmp_path, "rack-air")
    until(lambda: rack(master) != before, "it moves again")


@pytest.mark.parametrize("target", ["block-1", "stall-fans"])
def test_deaf_relay_repeats_the_order_and_keeps_its_coil(
    master: ModbusSerialClient, tmp_path: Path, target: str
) -> None:
    fault(tmp_path, target, "deaf")
    assert not master.write_coil(0, True, device_id=BLOCK).isError()
    assert not master.write_coil(1, True, device_id=BLOCK).isError()
    others_follow = target == "stall-fans"
    assert master.read_coils(0, count=2, device_id=BLOCK).bits[:2] == [False, others_follow]
    assert ask(tmp_path, {"do": "show"})["running"]["stall-fans"]
    clear(tmp_path, target)
    master.write_coil(0, True, device_id=BLOCK)
    assert not ask(tmp_path, {"do": "show"})["running"]["stall-fans"]


def test_silent_block_hears_nothing_so_its_watchdog_lets_go(
    master: ModbusSerialClient, clock: HandClock, tmp_path: Path
) -> None:
    master.write_coil(0, True, device_id=BLOCK)
    fault(tmp_path, "block-1", "silence")
    clock.pass_s(20)
    with pytest.raises(ModbusIOException):
        master.write_coil(0, True, device_id=BLOCK)
    clock.pass_s(11)
    assert ask(tmp_path, {"do": "show"})["running"]["stall-fans"]


def test_gone_line_takes_its_link_along_and_comes_back(master: ModbusSerialClient, tmp_path: Path) -> None:
    fault(tmp_path, "line-a", "gone")
    until(lambda: not (tmp_path / "line-a").is_symlink(), "the link goes")
    with pytest.raises(Exception, match=r"."):  # pymodbus and pyserial have several words for it
        stalls(master)
    master.close()  # type: ignore[no-untyped-call]
    clear(tmp_path, "line-a")
    until((tmp_path / "line-a").exists, "the link comes back")
    assert master.connect()
    assert stalls(master)


def test_gone_kernel_tree_has_no_device_and_comes_back(bench: Bench, tmp_path: Path) -> None:
    name = tmp_path / "sys/bus/iio/devices/iio:device0/name"
    fault(tmp_path, "kernel", "gone")
    until(lambda: not name.exists(), "the device goes")
    clear(tmp_path, "kernel")
    until(name.exists, "the device comes back")


# --- files of the kernel ----------------------------------------------------------------------------

FILES = {
    "outside-air": "sys/bus/iio/devices/iio:device0/in_temp_raw",
    "stalls-air-2": "sys/class/hwmon/hwmon0/temp1_input",
}


@pytest.mark.parametrize("target", FILES)
def test_broken_file_sensor_shows_what_a_kernel_would(bench: Bench, tmp_path: Path, target: str) -> None:
    path = tmp_path / FILES[target]

    def shows() -> str:
        try:
            return path.read_text()
        except OSError as error:
            return errno.errorcode[error.errno or 0]

    fault(tmp_path, target, "silence")
    until(lambda: shows() == "EIO", "input/output error, as from a chip that no longer answers")
    fault(tmp_path, target, "empty")
    until(lambda: shows() == "", "an empty file")
    fault(tmp_path, target, "nan")
    until(lambda: shows() == "nan\n", "no number")
    clear(tmp_path, target)
    until(lambda: shows().strip().isdigit(), "a number again")


def test_file_sensor_knows_power_on_and_wet(bench: Bench, tmp_path: Path) -> None:
    folder = tmp_path / "sys/class/hwmon/hwmon0"
    fault(tmp_path, "stalls-air-2", "power-on")
    until(lambda: (folder / "temp1_input").read_text() == "85000\n", "85 °C")
    fault(tmp_path, "stalls-air-2", "wet")
    # Linux drivers/hwmon/sht4x.c does not clamp: FFFF is 118998
    until(lambda: (folder / "humidity1_input").read_text() == "118998\n", "119 %")


# --- the socket -------------------------------------------------------------------------------------


def test_fault_that_a_target_cannot_have_is_answered_with_those_it_can(bench: Bench, tmp_path: Path) -> None:
    wrong = {
        ("stalls-air", "deaf"): {"silence", "torn", "foreign", "stuck", "power-on", "wet", "pegged"},
        ("stalls-air", "nan"): {"silence", "torn", "foreign", "stuck", "power-on", "wet", "pegged"},
        ("outside-air", "torn"): {"silence", "empty", "nan", "stuck", "power-on", "wet", "pegged"},
        ("block-1", "gone"): {"deaf", "silence", "no-watchdog"},
        ("stall-fans", "silence"): {"deaf", "belt-gone", "tripped", "welded"},
        ("stall-mist", "silence"): {"deaf", "valve-shut", "valve-stuck"},
        ("stall-amps", "torn"): {"silence", "empty", "wire-break", "stuck"},
        ("arena-globe", "wet"): {"silence", "empty", "crc", "stuck", "power-on"},
        ("outside-wind", "wet"): {"silence", "torn", "checksum", "empty", "magic", "stuck"},
        ("kernel", "silence"): {"gone"},
    }
    for (target, kind), allowed in wrong.items():
        answer = ask(tmp_path, {"do": "fault", "target": target, "kind": kind})
        assert not answer["ok"]
        assert kind in answer["error"]
        assert set(answer["allowed"]) == allowed
    assert ask(tmp_path, {"do": "show"})["faults"] == {}


def test_unknown_target_is_answered_with_all_there_are(bench: Bench, barn: Barn, tmp_path: Path) -> None:
    named = [bus.name for bus in barn.buses] + [sensor.name for sensor in barn.sensors]
    named += [relay.name for relay in barn.relays] + [kit.name for kit in barn.kit]
    for request in ({"do": "fault", "target": "moon", "kind": "gone"}, {"do": "clear", "target": "moon"}):
        answer = ask(tmp_path, request)
        assert not answer["ok"]
        assert sorted(answer["allowed"]) == sorted(named)


@given(frame=st.binary(min_size=5, max_size=60), turn=st.integers(0, 9), unit=st.integers(1, 247))
@patient
def test_no_mangled_frame_passes_for_the_unit_that_was_asked(frame: bytes, turn: int, unit: int) -> None:
    sound = sealed(unit, frame)

    def sent(fault: str) -> bytes | None:
        return framed(Reply(unit=unit, pdu=frame, fault=fault, turn=turn))

    assert sent("") == sound
    assert sent("silence") is None
    foreign, torn = sent("foreign"), sent("torn")
    assert foreign is not None
    assert foreign[0] != unit
    assert torn is not None
    assert torn != sound
