"""Owns: the names of the kinds of bus, sensor and relay that the site file may use.

Must not know: what a driver does.
How it works: a driver is imported when its kind is first asked for, so a barn without a serial line loads no
serial code. An unknown kind, or a kind on a bus that cannot carry it, is a mistake of the site file.
To add a kind: write its driver, add its line here, and describe its options in the site file's reader.
"""

from __future__ import annotations

from typing import Protocol, TypeVar

from gateway.errors import RangeError, SiteError
from gateway.model import BusSpec, KitSpec, RelaySpec, SensorSpec
from gateway.ports import Actuator, Sensor

W = TypeVar("W")


class Wire(Protocol):
    """What a bus opens to. Each driver knows which kind of wire it needs."""

    def close(self) -> None:
        """Idempotent; only after the sensors and the kit on it are closed."""
        ...


def open_bus(spec: BusSpec) -> Wire:
    """The wire of a bus. Nothing is opened yet: a port may be absent now and come later."""
    match spec.kind:
        case "serial":
            from drivers.wire import SerialWire

            return SerialWire(spec)
        case "sysfs":
            from drivers.sysfs import SysfsRoot

            return SysfsRoot(spec)
    raise _unknown("bus", spec.name, spec.kind, "serial, sysfs")


def open_sensor(spec: SensorSpec, wire: Wire) -> Sensor:
    """The driver of a sensor, on the wire of its bus."""
    subject = f"sensor {spec.name}"
    try:
        return _sensor(spec, wire, subject)
    except RangeError as error:
        raise SiteError((f"{subject}: {error}",)) from error


def open_kit(spec: KitSpec, relay: RelaySpec, wire: Wire) -> Actuator:
    """The driver of a piece of kit, on the wire of its relay's bus."""
    subject = f"kit {spec.name} on relay {relay.name}"
    try:
        return _kit(spec, relay, wire, subject)
    except RangeError as error:
        raise SiteError((f"{subject}: {error}",)) from error


def _sensor(spec: SensorSpec, wire: Wire, subject: str) -> Sensor:
    match spec.kind:
        case "modbus-air":
            from drivers.modbus import ModbusAir
            from drivers.wire import SerialWire

            return ModbusAir(spec, _fitting(wire, SerialWire, subject, "serial"))
        case "iio":
            from drivers.sysfs import IioAir, SysfsRoot

            return IioAir(spec, _fitting(wire, SysfsRoot, subject, "sysfs"))
        case "hwmon":
            from drivers.sysfs import HwmonAir, SysfsRoot

            return HwmonAir(spec, _fitting(wire, SysfsRoot, subject, "sysfs"))
    raise _unknown("sensor", spec.name, spec.kind, "modbus-air, iio, hwmon")


def _kit(spec: KitSpec, relay: RelaySpec, wire: Wire, subject: str) -> Actuator:
    match relay.kind:
        case "modbus-coils":
            from drivers.modbus import ModbusCoil
            from drivers.wire import SerialWire

            return ModbusCoil(spec, relay, _fitting(wire, SerialWire, subject, "serial"))
    raise _unknown("relay", relay.name, relay.kind, "modbus-coils")


def _fitting(wire: Wire, kind: type[W], subject: str, needed: str) -> W:
    if not isinstance(wire, kind):
        raise SiteError((f"{subject}: its bus must be of kind {needed}",))
    return wire


def _unknown(what: str, name: str, kind: str, known: str) -> SiteError:
    return SiteError((f"{what} {name}: kind {kind!r} is unknown, known are {known}",))
