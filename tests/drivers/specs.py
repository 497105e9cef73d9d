"""Owns: specs for driver tests, complete as the site file's reader hands them over.

Must not know: any driver.
How it works: each function fills one spec with an invented device; a test names only what it is about.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gateway.barn import BusSpec, KitSpec, RelaySpec, SensorSpec
from gateway.model import AIR, KitKind, Quantity

ANSWER_WITHIN_S = 0.2  # long enough for a far end on a busy machine


def serial_line(port: Path, **changed: Any) -> BusSpec:
    options = {
        "port": str(port),
        "baud": 9600,
        "parity": "none",
        "stop_bits": 1,
        "answer_within_s": ANSWER_WITHIN_S,
    }
    return BusSpec(name="line-a", kind="serial", options=options | changed)


def sysfs_tree(root: Path) -> BusSpec:
    return BusSpec(name="kernel", kind="sysfs", options={"root": str(root)})


def sensor(
    kind: str, options: Mapping[str, Any], *, bus: str = "line-a", quantities: tuple[Quantity, ...] = AIR
) -> SensorSpec:
    return SensorSpec(
        name="stalls-air",
        place="stalls",
        kind=kind,
        bus=bus,
        every_s=5.0,
        late_after_s=15.0,
        lost_after_s=60.0,
        stuck_after_s=900.0,
        quantities=quantities,
        options=options,
    )


def field(register: int, kind: str, scale: float = 1.0, offset: float = 0.0) -> dict[str, Any]:
    return {"register": register, "type": kind, "scale": scale, "offset": offset}


def modbus_air(temp: Mapping[str, Any], rh: Mapping[str, Any], **changed: Any) -> SensorSpec:
    options = {"unit": 1, "function": 4, "base": 0, "word_order": "high-first", "temp": temp, "rh": rh}
    return sensor("modbus-registers", options | changed)


def iio_air(**changed: Any) -> SensorSpec:
    options = {"device": "si7020", "temp": "in_temp", "rh": "in_humidityrelative", "rh_unit": "milli-percent"}
    return sensor("iio", options | changed, bus="kernel")


def hwmon_air(**changed: Any) -> SensorSpec:
    return sensor("hwmon", {"device": "sht4x", "temp": "temp1", "rh": "humidity1"} | changed, bus="kernel")


def relay_block(*, unit: int = 10, base: int = 0, kind: str = "modbus-coils") -> RelaySpec:
    return RelaySpec(name="block-1", kind=kind, bus="line-a", refresh_s=5.0, options={"unit": unit, "base": base})


def kit(*, coil: int, contact: str) -> KitSpec:
    return KitSpec(
        name="stall-fans",
        place="stalls",
        kind=KitKind.FAN,
        relay="block-1",
        output=coil,
        contact=contact,
        on_level=1,
        min_on_s=30.0,
        min_off_s=20.0,
    )
