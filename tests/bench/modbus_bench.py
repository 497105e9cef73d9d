"""A round of 16 Modbus units against the time that its bytes need, and 64 channels of sysfs against one core.

The far end of the line is a process of its own, as a real one is: it holds each answer back until request and answer
would have crossed the wire. What is above the bytes' own time is the silence that the standard demands before each
request (3.5 characters: a fifth of the shortest exchange), and us. The quickest of the rounds tells what the program
costs, the median what the machine was busy with besides.
"""

from __future__ import annotations

import os
import select
import statistics
import struct
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Mapping
from pathlib import Path

from drivers.crc import crc16_modbus
from drivers.modbus import ModbusRegisters
from drivers.modbus_rtu import ModbusRtuWire
from drivers.sysfs import Iio, SysfsRoot
from gateway.barn import BusSpec, SensorSpec
from gateway.model import AIR, Quantity

Row = tuple[str, str, str]  # what, measured, aim

UNITS, ROUNDS = 16, 20
CHAR_BITS = 10  # 8N1
REQUEST_BYTES, ANSWER_BYTES_AROUND = 8, 5
SENSORS, CHANNELS, SECONDS = 32, 64, 20


def rows() -> list[Row]:
    """Each: what was measured, the figure, the aim."""
    # Two registers: the common cheap transmitter. Four: each value has its status beside it.
    return [*(_round(baud, registers) for baud in (9600, 19200) for registers in (2, 4)), _sysfs()]


def main() -> None:
    print("drivers")
    for what, measured, aim in rows():
        print(f"  {what}: {measured} (aim: {aim})")


def _round(baud: int, registers: int) -> Row:
    far, near = os.openpty()
    tty.setraw(near)
    command = [sys.executable, "-m", "tests.bench.modbus_bench", str(far), str(_wire_s(baud, registers))]
    with subprocess.Popen(command, pass_fds=[far], stdout=subprocess.PIPE) as slave:
        assert slave.stdout is not None
        slave.stdout.readline()  # it listens
        bus = BusSpec(
            name="line",
            kind="serial",
            options={
                "port": os.ttyname(near),
                "baud": baud,
                "parity": "none",
                "stop_bits": 1,
                "answer_within_s": 1.0,
            },
        )
        wire = ModbusRtuWire(bus)
        sensors = [ModbusRegisters(_transmitter(unit, registers), wire) for unit in range(1, UNITS + 1)]
        sensors[0].read()  # the port opens
        took_s = sorted(_round_s(sensors) for _ in range(ROUNDS))
        wire.close()
        slave.terminate()
    os.close(far)
    os.close(near)
    bytes_s = UNITS * _wire_s(baud, registers)
    what = f"round of {UNITS} Modbus units, {registers} registers each, {baud} baud, bytes alone {bytes_s * 1e3:.0f} ms"
    quick_s, median_s = took_s[0], statistics.median(took_s)
    found = f"quickest {quick_s * 1e3:.0f} ms, {quick_s / bytes_s:.3f} times; median {median_s * 1e3:.0f} ms"
    return what, found, "1.25 times"


def _wire_s(baud: int, registers: int) -> float:
    """How long the bytes of one exchange are on the line."""
    return (REQUEST_BYTES + ANSWER_BYTES_AROUND + 2 * registers) * CHAR_BITS / baud


def _round_s(sensors: list[ModbusRegisters]) -> float:
    begun_s = time.monotonic()
    for sensor in sensors:
        sensor.read()
    return time.monotonic() - begun_s


def _transmitter(unit: int, registers: int) -> SensorSpec:
    apart = registers // 2
    field = {"type": "int16", "scale": 0.1, "offset": 0.0}
    status = [{"status": at, "good": 0} if apart == 2 else {} for at in (1, 3)]
    return _sensor(
        f"air-{unit}",
        "modbus-registers",
        {
            "unit": unit,
            "function": 4,
            "base": 0,
            "word_order": "high-first",
            "temp": field | {"register": 0} | status[0],
            "rh": field | {"register": apart} | status[1],
        },
    )


def _sysfs() -> Row:
    """Each of 32 devices read for its two channels once a second, by a process that does nothing else."""
    with tempfile.TemporaryDirectory() as folder:
        root = SysfsRoot(BusSpec(name="kernel", kind="sysfs", options={"root": folder}))
        for number in range(SENSORS):
            _device(Path(folder) / f"bus/iio/devices/iio:device{number}", f"chip-{number}")
        options = {"temp": "in_temp", "rh": "in_humidityrelative", "rh_unit": "milli-percent"}
        sensors = [
            Iio(_sensor(f"air-{number}", "iio", options | {"device": f"chip-{number}"}), root)
            for number in range(SENSORS)
        ]
        begun_s = time.thread_time()
        for _ in range(SECONDS):
            for sensor in sensors:
                sensor.read()
        used = (time.thread_time() - begun_s) / SECONDS
    return f"{CHANNELS} sysfs channels at 1 Hz", f"{100 * used:.2f} % of one core", "3 %"


def _device(folder: Path, name: str) -> None:
    folder.mkdir(parents=True)
    files = {
        "name": name,
        "in_temp_raw": "7256",
        "in_temp_offset": "-4368",
        "in_temp_scale": "10.725097656",
        "in_humidityrelative_raw": "9240",
        "in_humidityrelative_offset": "-786",
        "in_humidityrelative_scale": "7.629394531",
    }
    for file, text in files.items():
        (folder / file).write_text(text + "\n")


def _sensor(name: str, kind: str, options: Mapping[str, object], quantities: tuple[Quantity, ...] = AIR) -> SensorSpec:
    return SensorSpec(
        name=name,
        place="stalls",
        kind=kind,
        bus="line",
        every_s=1.0,
        late_after_s=2.0,
        lost_after_s=3.0,
        stuck_after_s=7200.0,
        quantities=quantities,
        options=options,
    )


def _far_end(far: int, on_the_wire_s: float) -> None:
    """Every unit: answers any request for registers, no earlier than the bytes would have crossed the wire."""
    os.sched_setaffinity(0, range(os.cpu_count() or 1))  # a transmitter does not use our processor
    print("listens", flush=True)
    heard = b""
    while True:
        select.select([far], [], [])
        begun_s = time.monotonic()
        heard += os.read(far, 64)
        if len(heard) < REQUEST_BYTES:
            continue
        size = 2 * heard[5]
        body = heard[:2] + bytes((size,)) + bytes(size)
        answer = body + struct.pack("<H", crc16_modbus(body))
        heard = b""
        while (left_s := begun_s + on_the_wire_s - time.monotonic()) > 0:
            time.sleep(left_s)
        os.write(far, answer)


if __name__ == "__main__":
    if len(sys.argv) == 3:
        _far_end(int(sys.argv[1]), float(sys.argv[2]))
    else:
        main()
