"""Owns: checks that the real libraries (smbus2, gpiod) carry what the I2C wire wants, down to the ioctl.

Must not know: our codecs.
How it works: a process with the real libraries runs with `kernel_shim.c` preloaded, built against the kernel's headers.
Its ioctls arrive here through a socket and go to the same faked chips as in the other tests. Neither I2C adapter nor
GPIO chip was touched: what the kernel does behind these calls is not tested.
"""

from __future__ import annotations

import errno
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.drivers.fake_i2c import READ, Chip, FakeBme280, FakeBus, FakeSht3x, FakeSht4x, Hand, Message
from tests.drivers.test_bme280 import EXAMPLE, burnt, published_double

ROOT = Path(__file__).parents[2]
PLAIN_I2C, SMBUS_ONLY = 0x0EFF0001, 0x0EFF0000  # I2C_FUNC_I2C is bit 0: linux/i2c.h


class Wall(Hand):
    """The machine's own clock: the chips work while the other process waits."""

    def __call__(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        pass


def message(text: str) -> Message:
    address, flags, length, data = text.split(":")
    is_read = bool(int(flags) & READ)
    return Message(int(address), is_read, bytes(int(length)) if is_read else bytes.fromhex(data), int(length))


class FakeKernel:
    """The other end of the shim, and the process behind it."""

    def __init__(self, folder: Path, library: Path, *, functions: int = PLAIN_I2C, gpio: bool = False) -> None:
        clock = Wall()
        main, humidity = burnt()
        chips: dict[int, Chip] = {
            0x44: FakeSht4x(clock),
            0x45: FakeSht3x(clock),
            0x76: FakeBme280(clock, calibration=main, humidity_calibration=humidity),
        }
        self.bus = FakeBus(clock, chips=chips)
        (folder / "i2c-1").write_bytes(b"")
        (folder / "gpiochip0").symlink_to("/dev/null")
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(str(folder / "kernel"))
        self._server.listen(1)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.drivers.ask_sensors", str(folder / "i2c-1"), str(folder) if gpio else ""],
            cwd=ROOT,
            env=os.environ
            | {
                "LD_PRELOAD": str(library),
                "FAKE_KERNEL": str(folder / "kernel"),
                "FAKE_I2C_FUNCS": hex(functions),
                "PYTHONPATH": str(ROOT),
            },
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def read(self, kind: str) -> list[Any]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{kind}\n")
        self._process.stdin.flush()
        said: list[Any] = json.loads(self._process.stdout.readline())
        return said

    def close(self) -> int:
        self._process.communicate(timeout=20)
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(10)
        return self._process.returncode

    def _serve(self) -> None:
        try:
            connection, _ = self._server.accept()
        except OSError:  # closed before the process said anything
            return
        with connection, connection.makefile("rw") as stream:
            for line in stream:
                stream.write(f"{self._answer(line.split())}\n")
                stream.flush()

    def _answer(self, words: list[str]) -> str:
        if words[0] == "gpio":
            self.bus.power(words[1] == "1")
            return "0"
        try:
            answers = self.bus.transfer([message(word) for word in words[1:]])
        except OSError as error:
            return str(error.errno)
        return " ".join(["0", *(answer.hex() for answer in answers)])


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("shim") / "kernel_shim.so"
    source = Path(__file__).with_name("kernel_shim.c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", made, source, "-ldl"], check=True)
    return made


@pytest.fixture
def kernel(tmp_path: Path, library: Path, request: pytest.FixtureRequest) -> Iterator[FakeKernel]:
    made = FakeKernel(tmp_path, library, **getattr(request, "param", {}))
    yield made
    assert made.close() == 0


def test_each_chip_is_read_through_the_real_library(kernel: FakeKernel) -> None:
    # 0.4 and 0.6 of full scale by the formulas of the data sheets (`test_sht`).
    assert kernel.read("sht4x") == pytest.approx([25.0, 44.0])
    assert kernel.read("sht3x") == pytest.approx([25.0, 60.0])
    temp_c, rh_pct, pressure_pa = published_double(EXAMPLE, 519888, 415148, 30281)
    assert kernel.read("bme280") == [
        pytest.approx(temp_c, abs=0.011),
        pytest.approx(rh_pct, abs=0.06),
        pytest.approx(pressure_pa, abs=1.5),
    ]
    assert kernel.bus.log[:3] == ["44 w 94", "44 w fd", "44 r6"]
    assert kernel.bus.log[6:8] == ["76 w d0 + 76 r1", "76 w d0 + 76 r1"]


def test_errors_of_the_ioctl_arrive_with_their_meaning(kernel: FakeKernel) -> None:
    chip = kernel.bus.chips.pop(0x44)
    error, text = kernel.read("sht4x")
    assert (error, "nobody answers" in text) == ("ReadError", True)
    kernel.bus.chips[0x44] = chip
    kernel.bus.failing = [errno.EIO, errno.EAGAIN]
    assert kernel.read("sht4x") == pytest.approx([25.0, 44.0])
    kernel.bus.stuck = errno.EBUSY
    assert kernel.read("sht4x")[0] == "BusStuck"


@pytest.mark.parametrize("kernel", [{"gpio": True}], indirect=True)
def test_a_held_bus_is_freed_through_the_real_gpio_library(kernel: FakeKernel) -> None:
    kernel.bus.powered = False
    assert kernel.read("sht4x") == pytest.approx([25.0, 44.0])  # the line feeds the chips before the first transfer
    kernel.bus.stuck = errno.EBUSY
    assert kernel.read("sht4x") == pytest.approx([25.0, 44.0])
    assert len(kernel.bus.cuts_s) == 1


@pytest.mark.parametrize("kernel", [{"functions": SMBUS_ONLY}], indirect=True)
def test_an_adapter_that_cannot_do_it_is_a_fault_of_the_device(kernel: FakeKernel) -> None:
    error, text = kernel.read("sht4x")
    assert (error, "SMBus only" in text) == ("DeviceFault", True)
    assert kernel.bus.log == []
