"""Owns: the names of the kinds of bus, sensor and relay that the site file may use.

Must not know: what a driver does.
How it works: a table for each; a driver is imported when its kind is first asked for, so a barn without a serial line
loads no serial code. An unknown kind, or a kind on a bus that cannot carry it, is a mistake of the site file.
To add a kind: write its driver, add its line here, and describe its options in the site file's forms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Protocol

from gateway.barn import BusSpec, RelaySpec, SensorSpec, SignalSpec, Switched
from gateway.errors import RangeError, SiteError
from gateway.ports import Actuator, Sensor


class Wire(Protocol):
    """What a bus opens to. Each driver knows which kind of wire it needs."""

    def close(self) -> None:
        """Idempotent; only after the sensors and the kit on it are closed."""
        ...


@dataclass(frozen=True, slots=True)
class _Kind:
    """Where the maker of a driver stands, as module:name, and the kinds of bus that can carry it."""

    maker: str
    buses: tuple[str, ...]


_MODBUS = ("serial", "modbus-tcp")

BUSES: Mapping[str, str] = {
    "serial": "drivers.modbus_rtu:ModbusRtuWire",
    "modbus-tcp": "drivers.modbus_tcp:ModbusTcpWire",
    "lines": "drivers.lines_wire:LinesWire",
    "sdi12": "drivers.sdi12_wire:Sdi12Wire",
    "sysfs": "drivers.sysfs_files:SysfsRoot",
    "i2c": "drivers.i2c_wire:I2cWire",
    "gpio": "drivers.gpio_wire:GpioWire",
    "mqtt": "drivers.mqtt_postbox:MqttPostbox",
}
SENSORS: Mapping[str, _Kind] = {
    "modbus-registers": _Kind("drivers.modbus:ModbusRegisters", _MODBUS),
    "modbus-inputs": _Kind("drivers.modbus_inputs:ModbusInputs", _MODBUS),
    "iio": _Kind("drivers.sysfs:Iio", ("sysfs",)),
    "hwmon": _Kind("drivers.sysfs:Hwmon", ("sysfs",)),
    "w1": _Kind("drivers.w1:W1", ("sysfs",)),
    "iio-loop": _Kind("drivers.analog:iio_loop", ("sysfs",)),
    "iio-volts": _Kind("drivers.analog:iio_volts", ("sysfs",)),
    "sht3x": _Kind("drivers.sht:Sht", ("i2c",)),
    "sht4x": _Kind("drivers.sht:Sht", ("i2c",)),
    "bme280": _Kind("drivers.bme280:Bme280", ("i2c",)),
    "text-line": _Kind("drivers.lines_wire:text_line", ("lines",)),
    "nmea": _Kind("drivers.lines_wire:nmea", ("lines",)),
    "sdi12": _Kind("drivers.sdi12_wire:Sdi12Sensor", ("sdi12",)),
    "gpio-contact": _Kind("drivers.gpio:GpioContact", ("gpio",)),
    "gpio-pulse": _Kind("drivers.gpio:GpioPulse", ("gpio",)),
    "mqtt": _Kind("drivers.mqtt_node:MqttSensor", ("mqtt",)),
}
RELAYS: Mapping[str, _Kind] = {
    "modbus-coils": _Kind("drivers.modbus_kit:ModbusCoil", _MODBUS),
    "modbus-speed": _Kind("drivers.modbus_kit:ModbusSpeed", _MODBUS),
    "gpio-lines": _Kind("drivers.gpio:GpioKit", ("gpio",)),
    "pwm": _Kind("drivers.pwm:PwmKit", ("sysfs",)),
    "mqtt-relay": _Kind("drivers.mqtt_relay:MqttRelay", ("mqtt",)),
}


def open_bus(spec: BusSpec) -> Wire:
    """The wire of a bus. Nothing is opened yet: a port may be absent now and come later."""
    if spec.kind not in BUSES:
        raise _unknown("bus", spec.name, spec.kind, BUSES)
    wire: Wire = _made(BUSES[spec.kind])(spec)
    return wire


def open_sensor(spec: SensorSpec, bus: BusSpec, wire: Wire) -> Sensor:
    """The driver of a sensor, on the wire of its bus."""
    subject = f"sensor {spec.name}"
    if spec.kind not in SENSORS:
        raise _unknown("sensor", spec.name, spec.kind, SENSORS)
    kind = SENSORS[spec.kind]
    _fits(kind, bus, subject)
    try:
        sensor: Sensor = _made(kind.maker)(spec, wire)
    except RangeError as error:
        raise SiteError((f"{subject}: {error}",)) from error
    return sensor


def open_kit(spec: Switched, relay: RelaySpec, bus: BusSpec, wire: Wire) -> Actuator:
    """The driver of a piece of kit or a signal, on the wire of its relay's bus."""
    subject = f"{'signal' if isinstance(spec, SignalSpec) else 'kit'} {spec.name} on relay {relay.name}"
    if relay.kind not in RELAYS:
        raise _unknown("relay", relay.name, relay.kind, RELAYS)
    kind = RELAYS[relay.kind]
    _fits(kind, bus, subject)
    try:
        kit: Actuator = _made(kind.maker)(spec, relay, wire)
    except RangeError as error:
        raise SiteError((f"{subject}: {error}",)) from error
    return kit


def _made(maker: str) -> Any:
    module, name = maker.split(":")
    return getattr(import_module(module), name)


def _fits(kind: _Kind, bus: BusSpec, subject: str) -> None:
    if bus.kind not in kind.buses:
        raise SiteError((f"{subject}: its bus must be of kind {' or '.join(kind.buses)}",))


def _unknown(what: str, name: str, kind: str, known: Mapping[str, Any]) -> SiteError:
    return SiteError((f"{what} {name}: kind {kind!r} is unknown, known are {', '.join(known)}",))
