"""Owns: far ends of serial lines that speak unasked, and the specs of their buses and sensors.

Must not know: how a driver reads them.
How it works: `Speaker` repeats what it was given on a real pseudo-terminal until it is stopped. `say` puts bytes on a
line and returns when they lie in the port, so that a test needs no sleep.
"""

from __future__ import annotations

import fcntl
import os
import struct
import termios
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gateway.barn import BusSpec, SensorSpec
from gateway.model import AIR, Quantity
from tests.drivers import specs
from tests.drivers.far_end import Pty

MOST_IN_A_PORT = 4095  # of a Linux terminal


def lines_bus(port: Path, **changed: Any) -> BusSpec:
    options = {"port": str(port), "baud": 4800, "parity": "none", "stop_bits": 1, "data_bits": 8}
    return BusSpec(name="line-b", kind="lines", options=options | changed)


def text_air(temp: Mapping[str, Any], rh: Mapping[str, Any], **changed: Any) -> SensorSpec:
    whole = {"scale": 1.0, "offset": 0.0}
    options = {"begins": "", "separator": ",", "temp": whole | dict(temp), "rh": whole | dict(rh)}
    return specs.sensor("text-line", options | changed, bus="line-b")


def nmea(sentence: str, *quantities: Quantity, **changed: Any) -> SensorSpec:
    options: dict[str, Any] = {
        "sentence": sentence,
        "talker": "",
        "measures": [quantity.key for quantity in quantities],
        "reference": "relative",
        "transducers": {},
        "errors": [],
    }
    return specs.sensor("nmea", options | changed, bus="line-b", quantities=quantities or AIR)


def waiting(fd: int) -> int:
    """How many bytes lie in the port."""
    return int(struct.unpack("I", fcntl.ioctl(fd, termios.FIONREAD, struct.pack("I", 0)))[0])


def say(pty: Pty, data: bytes) -> None:
    """On a port with room for it."""
    before = waiting(pty.near)
    os.write(pty.far, data)
    end_s = time.monotonic() + 5.0
    while waiting(pty.near) < min(MOST_IN_A_PORT, before + len(data)):
        assert time.monotonic() < end_s, "the bytes did not arrive"


class Speaker:
    """Says the same again and again."""

    def __init__(self, pty: Pty, data: bytes, *, every_s: float = 0.03) -> None:
        self._pty, self._data, self._every_s = pty, data, every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            if waiting(self._pty.near) < MOST_IN_A_PORT - len(self._data):
                os.write(self._pty.far, self._data)
