"""Owns: where values and outputs of the site file stand in the units of an emulated line.

Must not know: ports, threads, zones, faults of the wire; how a unit answers.
How it works: `units_of` makes one unit for each address of each bus and gives it the outputs of its relay blocks.
`store` writes what a sensor measured as the site file orders it: type, scale, word order, status, contact. `share`
reads back how fast a piece of kit is told to run.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any, Final

from drivers.bench.faults import Values
from drivers.bench.slaves import COILS, HOLDING, Output, Unit, Watchdog
from gateway.barn import Barn, KitSpec, RelaySpec, SensorSpec, Switched
from gateway.model import Quantity, SwitchAt

SENSORS: Final = ("modbus-registers", "modbus-inputs")
RELAYS: Final = ("modbus-coils", "modbus-speed")

_WATCHDOG_REGISTER: Final = 8  # of the emulated block, when the site file names none
_COILS_OF_A_BLOCK: Final = 8

# struct letter, lowest and highest value
_INTEGERS: Final = {
    "int16": ("h", -(2**15), 2**15 - 1),
    "uint16": ("H", 0, 2**16 - 1),
    "int32": ("i", -(2**31), 2**31 - 1),
    "uint32": ("I", 0, 2**32 - 1),
}

Units = dict[tuple[str, int], Unit]


def units_of(barn: Barn, now_s: float) -> Units:
    """Every unit of every bus of a barn."""
    units: Units = {}
    items: tuple[SensorSpec | RelaySpec, ...] = (*barn.sensors, *barn.relays)
    for item in items:
        if item.kind in (*SENSORS, *RELAYS):
            units.setdefault((item.bus, item.options["unit"]), Unit(written_s=now_s)).names.append(item.name)
    for relay in barn.relays:
        if relay.kind in RELAYS:
            outputs: tuple[Switched, ...] = (*barn.kit, *barn.signals)
            _add(relay, tuple(each for each in outputs if each.relay == relay.name), unit_of(units, relay))
    return units


def unit_of(units: Units, item: SensorSpec | RelaySpec) -> Unit:
    return units[item.bus, item.options["unit"]]


def place_of(kit: Switched, relay: RelaySpec) -> tuple[int, int]:
    """Table and address of an output."""
    table = COILS if relay.kind == "modbus-coils" else HOLDING
    return table, int(kit.output) - int(relay.options["base"])


def share(kit: KitSpec, relay: RelaySpec, unit: Unit, now_s: float) -> float:
    """At which share of full speed the output lets a piece of kit run."""
    held = unit.held(*place_of(kit, relay), now_s)
    if relay.kind == "modbus-speed":
        return held / float(relay.options["full"])
    return float(bool(held) != kit.safe_on)


def store(sensor: SensorSpec, values: Values, unit: Unit, *, trusted: bool) -> None:
    """Put what a sensor measured into its unit; `trusted` is what its status registers say."""
    base = int(sensor.options["base"])
    if sensor.kind == "modbus-inputs":
        for number, bit in _bits(sensor.options, values).items():
            unit.put(sensor.options["function"], number - base, bit)
        return
    low_first = sensor.options["word_order"] == "low-first"
    for quantity, value in values.items():
        table = sensor.options[quantity.key]
        data = encoded(value, table)
        words = struct.unpack(f">{len(data) // 2}H", data)
        for at, word in enumerate(reversed(words) if low_first else words):
            unit.put(sensor.options["function"], table["register"] - base + at, word)
        if "status" in table:
            word = table["good"] if trusted else table["good"] ^ 1
            unit.put(sensor.options["function"], table["status"] - base, word)


def encoded(value: float, table: Mapping[str, Any]) -> bytes:
    """A value as big-endian bytes of its type; an integer stops at the ends of its range."""
    raw = (value - table["offset"]) / table["scale"]
    if table["type"] == "float32":
        return struct.pack(">f", raw)
    letter, low, high = _INTEGERS[table["type"]]
    return struct.pack(f">{letter}", min(high, max(low, round(raw))))


def _bits(options: Mapping[str, Any], values: Values) -> dict[int, int]:
    bits: dict[int, int] = {}
    if contact := options.get("contact"):
        closed = bool(values[Quantity.CONTACT])
        bits[contact["input"]] = contact["closed_is"] if closed else 1 - contact["closed_is"]
    if switch := options.get("switch"):
        bits[switch["hand"]] = int(values[Quantity.SWITCH] == SwitchAt.HAND)
        bits[switch["auto"]] = int(values[Quantity.SWITCH] == SwitchAt.AUTO)
    return bits


def _add(relay: RelaySpec, kit: tuple[Switched, ...], unit: Unit) -> None:
    used = [place_of(item, relay)[1] for item in kit]
    if relay.kind == "modbus-coils":
        for address in range(max(_COILS_OF_A_BLOCK, *(address + 1 for address in used), 0)):
            unit.add_output(COILS, address, Output(released=0, highest=1))
    else:
        full = int(relay.options["full"])
        for address in used:
            unit.add_output(HOLDING, address, Output(released=full, highest=full))
    if wanted := relay.options.get("watchdog"):
        address = wanted["register"] - relay.options["base"]
        unit.add_watchdog(Watchdog(address=address, per_second=wanted["per_second"]))
    elif relay.kind == "modbus-coils" and unit.watchdog is None:
        unit.add_watchdog(Watchdog(address=_WATCHDOG_REGISTER))
