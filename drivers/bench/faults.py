"""Owns: what can be broken on the bench, what is broken now, and what that does to a measured value.

Must not know: sockets, threads, zones, frames.
How it works: a target is the name of a sensor, a relay block, a piece of kit or a bus; it has at most one fault.
Which faults it can have follows from how it is connected and from what it measures. A value is bent before the
device stores it, a frame after the device has answered, so that the drivers meet what a real wire would bring.
Where a switch stands and whether a contact is closed is put in the same way, though it is no fault.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from drivers.bench.mqtt_node import MQTT_FAULTS, MQTT_RELAY_FAULTS
from drivers.bench.nmea_line import NMEA_FAULTS
from drivers.bench.sdi12_line import SDI12_FAULTS
from drivers.bench.text_lines import TEXT_FAULTS
from gateway.barn import Barn, RelaySpec, SensorSpec
from gateway.model import KitKind, Quantity, SwitchAt

Values = Mapping[Quantity, float]

_BUS: Final = ("gone",)
_WIRE: Final = ("silence", "torn", "foreign")
_FILE: Final = ("silence", "empty", "nan")

# By the kind of a sensor: what its way to us can do.
_WAYS: Final[dict[str, tuple[str, ...]]] = {
    "modbus-registers": _WIRE,
    "modbus-inputs": _WIRE,
    "iio": _FILE,
    "hwmon": _FILE,
    "w1": ("silence", "empty", "crc"),
    "iio-loop": ("silence", "empty", "wire-break"),
    "iio-volts": ("silence", "empty", "nan"),
    "text-line": TEXT_FAULTS,
    "nmea": NMEA_FAULTS,
    "sdi12": SDI12_FAULTS,
    "mqtt": MQTT_FAULTS,
}
_RELAYS: Final[dict[str, tuple[str, ...]]] = {
    "modbus-coils": ("deaf", "silence"),
    "modbus-speed": ("deaf", "silence"),
    "pwm": (),
    "mqtt-relay": MQTT_RELAY_FAULTS,
}
_KIT: Final = {
    KitKind.FAN: ("belt-gone", "tripped", "welded"),
    KitKind.MISTER: ("valve-shut", "valve-stuck"),
    KitKind.VALVE: ("valve-shut", "valve-stuck"),
}
TARGET_SILENT: Final = "target-silent"  # what a gateway says of a device that does not answer it
DEAD: Final = ("silence", TARGET_SILENT)
ON_THE_WIRE: Final = (*_WIRE, TARGET_SILENT)

_POWER_ON_C: Final = 85.0  # what a common thermometer chip holds before its first conversion
_PEGGED_RH_PCT: Final = 100.0  # drops on the sensor
_WET_RH_PCT: Final = 118.998  # a capacitive chip at the end of its scale, -6 + 125 (SHT4x data sheet)
_LOW_V: Final = 17.0
_THERMOMETERS: Final = (Quantity.TEMP, Quantity.GLOBE, Quantity.SKIN)

# By what a sensor measures: a fault, and the value that it then has.
_PUT: Final[dict[Quantity, dict[str, float]]] = {
    **{quantity: {"power-on": _POWER_ON_C} for quantity in _THERMOMETERS},
    Quantity.RH: {"wet": _WET_RH_PCT, "pegged": _PEGGED_RH_PCT},
    Quantity.SUPPLY: {"low": _LOW_V},
    Quantity.CONTACT: {"closed": 1.0, "open": 0.0},
    Quantity.SWITCH: {"hand": float(SwitchAt.HAND), "off": float(SwitchAt.OFF)},
}
_POSITIONS: Final = (Quantity.CONTACT, Quantity.SWITCH)


class Faults:
    """Which target has which fault. Each call is one operation on one dict, so threads may share it."""

    def __init__(self, barn: Barn) -> None:
        buses = {bus.name: bus.kind for bus in barn.buses}
        relays = {relay.name: relay for relay in barn.relays}
        self._allowed: dict[str, tuple[str, ...]] = {
            **{bus.name: _BUS for bus in barn.buses},
            **{relay.name: _of_relay(relay, buses.get(relay.bus, "")) for relay in barn.relays},
            **{
                kit.name: (*_KIT[kit.kind], *(("deaf",) if "deaf" in _RELAYS.get(relays[kit.relay].kind, ()) else ()))
                for kit in barn.kit
            },
            **{sensor.name: _of_sensor(sensor, buses.get(sensor.bus, "")) for sensor in barn.sensors},
        }
        self._active: dict[str, str] = {}

    @property
    def targets(self) -> tuple[str, ...]:
        return tuple(self._allowed)

    def allowed(self, target: str) -> tuple[str, ...]:
        """The faults that a target can have; none for a name that is no target."""
        return self._allowed.get(target, ())

    def put(self, target: str, *, kind: str) -> bool:
        """Break it. False, and nothing changed, if this target has no such fault."""
        if kind not in self.allowed(target):
            return False
        self._active[target] = kind
        return True

    def clear(self, target: str) -> None:
        """Mend it; no matter if it was sound."""
        self._active.pop(target, None)

    def of(self, target: str) -> str:
        """The fault of a target, empty if it is sound."""
        return self._active.get(target, "")

    def active(self) -> dict[str, str]:
        return dict(self._active)


def bent(kind: str, *, fresh: Values, held: Values) -> dict[Quantity, float]:
    """What a sensor with this fault measures; `held` is what it measured before."""
    if kind == "stuck":
        return dict(held)
    if kind == "nan":
        return dict.fromkeys(fresh, math.nan)
    return {quantity: _PUT.get(quantity, {}).get(kind, value) for quantity, value in fresh.items()}


def _of_relay(relay: RelaySpec, bus: str) -> tuple[str, ...]:
    own = _RELAYS.get(relay.kind, ())
    watched = ("no-watchdog",) if relay.options.get("watchdog") else ()
    return (*own, *watched, *(_behind(bus)))


def _of_sensor(sensor: SensorSpec, bus: str) -> tuple[str, ...]:
    words = [word for word in _WAYS.get(sensor.kind, ()) if word not in ("stuck", "power-on", "wet")]
    if any(quantity not in _POSITIONS for quantity in sensor.quantities):
        words.append("stuck")
    words += [word for quantity in sensor.quantities for word in _PUT.get(quantity, {})]
    if sensor.kind == "modbus-registers":
        tables = [sensor.options[quantity.key] for quantity in sensor.quantities]
        # An integer register cannot say "not a number".
        words += ["nan"] if all(table["type"] == "float32" for table in tables) else []
        words += ["status"] if any("status" in table for table in tables) else []
    return tuple(dict.fromkeys([*words, *_behind(bus)]))


def _behind(bus: str) -> tuple[str, ...]:
    return (TARGET_SILENT,) if bus == "modbus-tcp" else ()
