"""Owns: an emulated SDI-12 line and its sensors.

Must not know: drivers.sdi12 and drivers.sdi12_wire, to which it is an independent second writing; zones.
How it works: `tick` brings what the sensors measure; a thread of its own answers commands with that. A pseudo-terminal
carries no break, so a command is a command whatever went before. Measuring takes machine seconds, however fast the
barn's clock runs, since the driver waits in them. After an M the sensor says when it is ready; values are those of the
moment at which the measurement was asked for.
Rules: "SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors", version 1.4, section 4.4.

    line = Sdi12Line(bus, sensors); line.start(); line.tick(values, faults, now_s) ...; line.close()
"""

from __future__ import annotations

import logging
import os
import re
import select
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from drivers.bench.pseudo_port import PseudoPort
from drivers.bench.text_lines import Values
from gateway.barn import BusSpec, SensorSpec
from gateway.errors import SiteError
from gateway.model import Quantity

_log = logging.getLogger(__name__)

# stuck, power-on and wet bend the values before they come here
SDI12_FAULTS: Final = ("silence", "torn", "checksum", "foreign", "empty", "stuck", "power-on", "wet")

_LOOK_S: Final = 0.02
_RETRY_S: Final = 1.0
_PROMISED_S: Final = 1
_MEASURES_S: Final = 0.1
_ON_A_PAGE: Final = 4  # a page of an M has at most 35 letters: a real sensor with more values needs a second one
_COMMAND: Final = re.compile(rb"([0-9A-Za-z?])([A-Z]{0,2})([0-9]?)!")
_IDENTITY: Final = "14BENCH   AIR01 1.0"  # version of the standard, maker, model, version: invented


class Sdi12Line:
    """A line that answers."""

    def __init__(
        self, bus: BusSpec, sensors: Sequence[SensorSpec], *, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._name, self._port, self._now_s = bus.name, PseudoPort(Path(bus.options["port"])), now_s
        self._sensors = {str(sensor.options["address"]): sensor for sensor in sensors}
        self._values: Values = {}
        self._faults: Mapping[str, str] = {}
        self._measured: dict[str, list[str]] = {}
        self._requests: list[tuple[float, str]] = []  # when a sensor will say that it is ready
        self._heard = b""
        self._ended, self._vanished = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bench line {bus.name}", daemon=True)

    def start(self) -> None:
        """The link is there when this returns. Raises SiteError when something real has its place."""
        self._port.open()
        self._thread.start()

    def close(self) -> None:
        """Idempotent; waits for the thread."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        self._port.shut()

    def vanish(self) -> None:
        self._vanished.set()

    def appear(self) -> None:
        self._vanished.clear()

    def tick(self, values: Values, faults: Mapping[str, str], now_s: float) -> None:
        """What the sensors measure from now on, by quantity. Two assignments, so no lock is needed."""
        self._faults, self._values = faults, values

    def _run(self) -> None:
        while not self._ended.is_set():
            try:
                self._turn()
            except (OSError, SiteError) as error:
                _log.warning("bench line %s: %s", self._name, error)
                self._port.shut()
                self._ended.wait(_RETRY_S)

    def _turn(self) -> None:
        if self._vanished.is_set():
            self._port.shut()
            self._ended.wait(_LOOK_S)
            return
        if not self._port.is_open:
            self._port.open()
        if select.select([self._port.near], [], [], _LOOK_S)[0]:
            self._heard = (self._heard + os.read(self._port.near, 256))[-32:]
        while match := _COMMAND.search(self._heard):
            self._heard = self._heard[match.end() :]
            self._requests.clear()  # whoever is spoken to meanwhile measures no more
            self._answer(*(group.decode() for group in match.groups()))
        for due in [due for due in self._requests if due[0] <= self._now_s()]:
            self._requests.remove(due)
            self._port.send(f"{due[1]}\r\n".encode())

    def _answer(self, address: str, word: str, digit: str) -> None:
        if address == "?" and len(self._sensors) == 1:
            (address,) = self._sensors
        sensor = self._sensors.get(address)
        if sensor is None or not self._values:
            return
        body = self._body(sensor, address, word, digit)
        line = None if body is None else _mangled(self._faults.get(sensor.name, ""), body, address)
        if line is not None:
            self._port.send(line)

    def _body(self, sensor: SensorSpec, address: str, word: str, digit: str) -> bytes | None:
        if word == "":
            return address.encode()
        if word == "I":
            return f"{address}{_IDENTITY}".encode()
        if word in ("M", "MC", "C", "CC"):
            return self._begin(sensor, address, word, digit)
        if word == "D" and digit:
            return self._page(sensor, address, int(digit))
        return None

    def _begin(self, sensor: SensorSpec, address: str, word: str, digit: str) -> bytes:
        known, fault = f"{word}{digit}" == sensor.options["command"], self._faults.get(sensor.name)
        values = _numbers(sensor, self._values[sensor.name]) if known else []
        self._measured[address] = [] if fault == "empty" else values
        if word.startswith("M") and values and fault != "silence":
            self._requests.append((self._now_s() + _MEASURES_S, address))
        count = f"{len(values):02d}" if word.startswith("C") else f"{len(values)}"
        return f"{address}{_PROMISED_S if values else 0:03d}{count}".encode()

    def _page(self, sensor: SensorSpec, address: str, number: int) -> bytes:
        values = self._measured.get(address, [])[number * _ON_A_PAGE : (number + 1) * _ON_A_PAGE]
        body = (address + "".join(values)).encode()
        return body + _seal(body) if sensor.options["command"][1:2] == "C" else body


def _numbers(spec: SensorSpec, values: Mapping[Quantity, float]) -> list[str]:
    """What it measures, in the order of its own values; what nobody asked for is 0."""
    places = {}
    for quantity in spec.quantities:
        layout = spec.options[quantity.key]
        places[layout["value"]] = (values[quantity] - layout["offset"]) / layout["scale"]
    return [_number(places.get(at, 0.0)) for at in range(1, max(places) + 1)]


def _number(value: float) -> str:
    """A sign and at most seven digits."""
    digits = max(0, 3 - max(0, len(str(int(abs(value)))) - 4))
    return f"{value:+.{digits}f}"


def _seal(body: bytes) -> bytes:
    crc = 0
    for letter in body:
        crc ^= letter
        for _ in range(8):
            low = crc % 2
            crc //= 2
            if low:
                crc ^= 0xA001
    return bytes(0x40 + part for part in (crc // 4096, crc // 64 % 64, crc % 64))


def _mangled(fault: str, body: bytes, address: str) -> bytes | None:
    """A line as it leaves a sensor with this fault; None is silence."""
    if fault == "silence":
        return None
    if fault == "torn":
        return body[: len(body) // 2 + 1]
    if fault == "foreign":
        return (b"Z" if address != "Z" else b"Y") + body[1:] + b"\r\n"
    if fault == "checksum" and len(body) > 1:  # a letter changed on its way
        return body[:1] + b"?" + body[2:] + b"\r\n"
    return body + b"\r\n"
