"""The devices of the bench over a real pseudo-terminal, read and switched by an independent Modbus master."""

from __future__ import annotations

import errno
import os
import termios
from pathlib import Path

import pytest
import serial
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from drivers.bench.barn import Bench
from drivers.bench.desk import ask
from drivers.bench.line import Line
from drivers.bench.rtu import sealed
from gateway.errors import SiteError
from tests.bench_barn.rig import HandClock, until

FLOAT = ModbusSerialClient.DATATYPE.FLOAT32
INT16 = ModbusSerialClient.DATATYPE.INT16
BLOCK = 10


def true_air(folder: Path, place: str) -> tuple[float, float]:
    zone = ask(folder, {"do": "show"})["zones"][place]
    return zone["temp_c"], zone["rh_pct"]


def running(folder: Path) -> dict[str, bool]:
    answer: dict[str, bool] = ask(folder, {"do": "show"})["running"]
    return answer


def test_each_transmitter_reads_its_place_in_its_own_layout(master: ModbusSerialClient, tmp_path: Path) -> None:
    tenths = master.read_input_registers(1, count=2, device_id=1).registers
    hundredths = master.read_holding_registers(0, count=3, device_id=2).registers
    floats = master.read_input_registers(0, count=4, device_id=3).registers
    read = {
        "stalls": (tenths[0] / 10, tenths[1] / 10),
        "arena": (hundredths[0] / 100, hundredths[2] / 100),
        "wash-rack": (
            master.convert_from_registers(floats[:2], FLOAT, word_order="little"),
            master.convert_from_registers(floats[2:], FLOAT, word_order="little"),
        ),
    }
    for place, values in read.items():
        # a sensor's own error: 0.1 K and 0.6 % by its spot, and some noise
        temp_c, rh_pct = true_air(tmp_path, place)
        assert values[0] == pytest.approx(temp_c, abs=0.3)
        assert values[1] == pytest.approx(rh_pct, abs=1.5)


def test_wrong_function_and_address_are_refused_in_the_words_of_the_standard(master: ModbusSerialClient) -> None:
    assert master.read_holding_registers(1, count=2, device_id=1).exception_code == 1
    assert master.read_input_registers(100, count=2, device_id=1).exception_code == 2
    assert master.write_coil(99, True, device_id=BLOCK).exception_code == 2
    assert master.read_coils(0, count=200, device_id=BLOCK).exception_code == 2


def test_unit_that_is_not_there_stays_silent(master: ModbusSerialClient) -> None:
    with pytest.raises(ModbusIOException):
        master.read_input_registers(1, count=2, device_id=77)


def test_released_coil_is_a_running_fan_and_no_water(master: ModbusSerialClient, tmp_path: Path) -> None:
    assert master.read_coils(0, count=4, device_id=BLOCK).bits[:4] == [False] * 4
    assert running(tmp_path) == {"stall-fans": True, "arena-fans": True, "rack-fan": True, "stall-mist": False}
    assert not master.write_coil(1, True, device_id=BLOCK).isError()
    assert not master.write_coils(2, [True, True], device_id=BLOCK).isError()
    assert master.read_coils(0, count=4, device_id=BLOCK).bits[:4] == [False, True, True, True]
    assert running(tmp_path) == {"stall-fans": True, "arena-fans": False, "rack-fan": False, "stall-mist": True}


def test_block_lets_go_by_itself_when_the_master_falls_silent(
    master: ModbusSerialClient, clock: HandClock, tmp_path: Path
) -> None:
    assert master.read_holding_registers(8, count=1, device_id=BLOCK).registers == [30]
    master.write_coils(0, [True] * 4, device_id=BLOCK)
    clock.pass_s(29)
    assert not running(tmp_path)["stall-fans"]
    clock.pass_s(2)
    assert running(tmp_path) == {"stall-fans": True, "arena-fans": True, "rack-fan": True, "stall-mist": False}
    assert master.read_coils(0, count=4, device_id=BLOCK).bits[:4] == [False] * 4


def test_noise_and_broken_requests_cost_at_most_one_answer(bench: Bench, tmp_path: Path) -> None:
    request = sealed(BLOCK, bytes.fromhex("01 00 00 00 08"))
    with serial.Serial(str(tmp_path / "line-a"), timeout=1) as port:
        for junk in (b"\x00", b"\xff" * 9, request[:5], bytes(300), b"\x0a\x0f\x00\x00\x00\x08\xff\xff", request[::-1]):
            port.write(junk + request)
            answer = port.read(6)
            assert answer == sealed(BLOCK, b"\x01\x01\x00"), junk
            assert port.in_waiting == 0


def test_master_that_hangs_up_and_returns_is_served(bench: Bench, tmp_path: Path) -> None:
    for _ in range(3):
        with ModbusSerialClient(str(tmp_path / "line-a"), timeout=1, retries=0) as client:
            assert not client.read_coils(0, count=4, device_id=BLOCK).isError()


def test_line_is_raw_and_changes_no_byte(bench: Bench, tmp_path: Path) -> None:
    end = os.open(tmp_path / "line-a", os.O_RDWR | os.O_NOCTTY)
    try:
        _, output, _, local, *_ = termios.tcgetattr(end)
        assert not local & (termios.ECHO | termios.ICANON | termios.ISIG)
        assert not output & termios.OPOST
    finally:
        os.close(end)


# --- the link ---------------------------------------------------------------------------------------


def line_at(link: Path) -> Line:
    return Line(link, lambda _: None, turn_around_s=0)


def test_stale_link_of_a_killed_bench_is_replaced(tmp_path: Path) -> None:
    link = tmp_path / "port"
    link.symlink_to("/dev/pts/999999")
    line = line_at(link)
    line.start()
    assert link.exists()
    line.close()
    line.close()
    assert not link.is_symlink()


def test_real_port_and_real_file_are_never_replaced(tmp_path: Path) -> None:
    device, file = tmp_path / "by-id", tmp_path / "file"
    device.symlink_to("/dev/null")
    file.write_text("precious")
    for path in (device, file):
        line = line_at(path)
        with pytest.raises(SiteError, match="only a path that is free"):
            line.start()
        line.close()
    assert os.readlink(device) == "/dev/null"
    assert file.read_text() == "precious"


def test_link_that_another_bench_took_over_is_left_to_it(tmp_path: Path) -> None:
    first, second = line_at(tmp_path / "port"), line_at(tmp_path / "port")
    first.start()
    second.start()
    taken = os.readlink(tmp_path / "port")
    first.close()
    assert os.readlink(tmp_path / "port") == taken
    second.close()


def read_hung_up(end: int) -> bytes:
    """tty(4): a hung up terminal reads as its end, or as EIO when the hang-up comes while it reads."""
    try:
        return os.read(end, 1)
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        return b""


def test_pulled_adapter_hangs_up_its_reader_and_returns_under_the_same_link(tmp_path: Path) -> None:
    line = line_at(tmp_path / "port")
    line.start()
    end = os.open(tmp_path / "port", os.O_RDWR | os.O_NOCTTY)
    line.vanish()
    until(lambda: not (tmp_path / "port").is_symlink(), "the link goes")
    assert read_hung_up(end) == b""
    os.close(end)
    line.appear()
    until((tmp_path / "port").exists, "the link comes back")
    line.close()
