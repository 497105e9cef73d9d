"""Owns: emulated devices that send lines unasked: microcontrollers with text or JSON, weather instruments.

Must not know: drivers.text_line and drivers.lines_wire, to which it is an independent second writing; zones, time.
How it works: a `LineTalker` is one serial line with all its devices. `tick` lets each say its line, without ever
waiting: what nobody reads is lost, as on a real line. It is called by one thread, which also notices what `vanish` and
`appear` asked for.

    talker = LineTalker(bus, sensors); talker.start(); talker.tick(values, faults, now_s) ...; talker.close()
"""

from __future__ import annotations

import json
import logging
import math
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from drivers.bench.nmea_line import sentence
from drivers.bench.pseudo_port import PseudoPort
from gateway.barn import BusSpec, SensorSpec
from gateway.errors import SiteError
from gateway.model import Quantity

_log = logging.getLogger(__name__)

# stuck, power-on and wet bend the values before they come here
TEXT_FAULTS: Final = ("silence", "torn", "empty", "nan", "stuck", "power-on", "wet")

Values = Mapping[str, Mapping[Quantity, float]]


class LineTalker:
    """A line on which devices speak by themselves."""

    def __init__(self, bus: BusSpec, sensors: Sequence[SensorSpec]) -> None:
        self._port = PseudoPort(Path(bus.options["port"]))
        self._sensors = tuple(sensors)
        self._turn = 0
        self._vanished = threading.Event()

    def start(self) -> None:
        """Raises SiteError when something real has the place of the port."""
        self._port.open()

    def close(self) -> None:
        """Idempotent; not while a `tick` runs."""
        self._port.shut()

    def vanish(self) -> None:
        """Takes effect with the next tick."""
        self._vanished.set()

    def appear(self) -> None:
        self._vanished.clear()

    def tick(self, values: Values, faults: Mapping[str, str], now_s: float) -> None:
        """Each device says its line once; `values` are those of each sensor, by quantity."""
        if self._vanished.is_set():
            self._port.shut()
            return
        try:
            if not self._port.is_open:
                self._port.open()
            self._turn += 1
            for sensor in self._sensors:
                line = _line(sensor, values[sensor.name], faults.get(sensor.name, ""), self._turn)
                if line is not None:
                    self._port.send(line)
        except (OSError, SiteError) as error:
            _log.warning("bench line: %s", error)


def _line(spec: SensorSpec, values: Mapping[Quantity, float], fault: str, turn: int) -> bytes | None:
    say = sentence if spec.kind == "nmea" else text
    return say(spec, values, fault, turn=turn)


def text(spec: SensorSpec, values: Mapping[Quantity, float], fault: str, *, turn: int) -> bytes | None:
    """What a microcontroller prints; None is silence. Torn lines lose their end and their beginning in turn."""
    if fault == "silence":
        return None
    shown = {quantity: _shown(spec.options[quantity.key], values[quantity], fault) for quantity in spec.quantities}
    by_pointer = any("pointer" in spec.options[quantity.key] for quantity in spec.quantities)
    body = (_json if by_pointer else _columns)(spec, shown)
    if fault == "torn":
        body = body[: len(body) // 2] if turn % 2 else body[len(body) // 2 :]
    return body.encode() + b"\r\n"


def _shown(layout: Mapping[str, Any], value: float, fault: str) -> str:
    """A number as its device prints it; it has two more digits than a barn needs, so that nothing looks stuck."""
    if fault == "empty":
        return ""
    raw = (value - layout["offset"]) / layout["scale"]
    return "nan" if fault == "nan" or not math.isfinite(raw) else f"{raw:.6g}"


def _columns(spec: SensorSpec, shown: Mapping[Quantity, str]) -> str:
    places = {spec.options[quantity.key]["column"]: number for quantity, number in shown.items()}
    cells = [places.get(column, "0") for column in range(1, max(places) + 1)]
    return str(spec.options["begins"]) + str(spec.options["separator"]).join(cells)


def _json(spec: SensorSpec, shown: Mapping[Quantity, str]) -> str:
    """Objects all the way down, whatever the pointer may also fit."""
    document: dict[str, Any] = {}
    for quantity, number in shown.items():
        *path, last = spec.options[quantity.key]["pointer"].split("/")[1:]
        inner = document
        for name in path:
            inner = inner.setdefault(_plain(name), {})
        inner[_plain(last)] = {"": None, "nan": math.nan}.get(number) if number in ("", "nan") else float(number)
    begins, body = str(spec.options["begins"]), json.dumps(document)
    if begins.startswith("{"):  # the part of the document by which the device is known
        return f"{begins.rstrip(', ')}, {body[1:]}"
    return begins + body


def _plain(name: str) -> str:
    return name.replace("~1", "/").replace("~0", "~")
