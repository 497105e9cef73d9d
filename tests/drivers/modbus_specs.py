"""Owns: specs of Modbus devices for driver tests, complete as the site file's reader hands them over.

Must not know: any driver.
How it works: as `specs`: a test names only what it is about.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from gateway.barn import BusSpec, KitSpec, RelaySpec, SensorSpec
from gateway.model import Quantity
from tests.drivers.specs import kit, relay_block, sensor


def tcp_bus(port: int, **changed: Any) -> BusSpec:
    options = {"host": "127.0.0.1", "tcp_port": port, "answer_within_s": 0.3}
    return BusSpec(name="gateway", kind="modbus-tcp", options=options | changed)


def registers(fields: Mapping[Quantity, Mapping[str, Any]], **changed: Any) -> SensorSpec:
    own = {quantity.key: value for quantity, value in fields.items()}
    options = {"unit": 1, "function": 4, "base": 0, "word_order": "high-first"} | own
    return sensor("modbus-registers", options | changed, quantities=tuple(fields))


def inputs(*, contact: Any = None, switch: Any = None, **changed: Any) -> SensorSpec:
    tables = {"contact": contact, "switch": switch}
    there = {key: table for key, table in tables.items() if table is not None}
    options = {"unit": 1, "function": 2, "base": 0} | there
    return sensor("modbus-inputs", options | changed, quantities=tuple(Quantity(key) for key in there))


def watched(*, unit: int = 10, register: int = 8, seconds: float = 30.0, per_second: float = 1.0) -> RelaySpec:
    block = relay_block(unit=unit)
    watchdog = {"register": register, "seconds": seconds, "per_second": per_second}
    return replace(block, options={**block.options, "watchdog": watchdog})


def speed_relay(*, unit: int = 10, full: int = 1000, base: int = 0) -> RelaySpec:
    block = relay_block(unit=unit, base=base, kind="modbus-speed")
    return replace(block, options={**block.options, "full": full})


def speed_kit(*, register: int) -> KitSpec:
    return replace(kit(coil=register, contact="full-on-loss"), least_speed=0.3)
