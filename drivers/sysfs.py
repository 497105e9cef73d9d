"""Owns: the sensors that the kernel reads itself: which quantities its iio and hwmon classes have, in which units.

Must not know: chips, buses, how a file is found and read, whether a value is plausible beyond its unit.
How it works: a table for each class gives, by quantity, how its channels are called and what one unit of the class
is in ours. A channel of another type than its quantity is a mistake of the site file: volts never become degrees.
Rules: Linux Documentation/ABI/testing/sysfs-bus-iio (milli-°C, milli-percent, kPa, mA, mV) and
Documentation/hwmon/sysfs-interface.rst (milli-°C, milli-percent, mA, mV, RPM).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from drivers.sysfs_files import SysfsRoot, hwmon_folder, hwmon_number, iio_folder, iio_number
from gateway.barn import SensorSpec
from gateway.errors import Implausible, SiteError
from gateway.model import Channel, Quantity, Raw

__all__ = ["Hwmon", "Iio", "SysfsRoot"]

_MILLI: Final = 1e-3
_KILO: Final = 1e3

_IIO: Final[Mapping[Quantity, tuple[str, float]]] = {
    Quantity.TEMP: ("in_temp", _MILLI),
    Quantity.GLOBE: ("in_temp", _MILLI),
    Quantity.SKIN: ("in_temp", _MILLI),  # an infrared thermometer: in_temp_object
    Quantity.RH: ("in_humidityrelative", _MILLI),
    Quantity.PRESSURE: ("in_pressure", _KILO),
    Quantity.CURRENT: ("in_current", _MILLI),
    Quantity.SUPPLY: ("in_voltage", _MILLI),
}
_HWMON: Final[Mapping[Quantity, tuple[str, float]]] = {
    Quantity.TEMP: ("temp", _MILLI),
    Quantity.GLOBE: ("temp", _MILLI),
    Quantity.SKIN: ("temp", _MILLI),
    Quantity.RH: ("humidity", _MILLI),
    Quantity.CURRENT: ("curr", _MILLI),
    Quantity.SUPPLY: ("in", _MILLI),
    Quantity.SPEED: ("fan", 1.0),
}

# A relative humidity of 0.0001 to 0.11 % does not exist in a barn: such a number is a percentage already.
_SURELY_PERCENT: Final = (0.1, 110.0)


class Iio:
    """What an iio device measures."""

    def __init__(self, spec: SensorSpec, root: SysfsRoot) -> None:
        self._root, self._device = root, spec.options["device"]
        self._channels = spec.channels
        self._fields = {each.quantity: _field(spec, each.quantity, _IIO) for each in spec.channels}
        self._rh_in_percent = spec.options["rh_unit"] == "percent"

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        folder = iio_folder(self._root, self._device)
        return tuple(Raw(channel=each.name, value=self._value(folder, each.quantity)) for each in self._channels)

    def close(self) -> None:
        """Nothing to release."""

    def _value(self, folder: Path, quantity: Quantity) -> float:
        name, unit = self._fields[quantity]
        number = iio_number(folder, name)
        if quantity is Quantity.RH:
            return number if self._rh_in_percent else _percent_of(number, folder / name)
        return number * unit


class Hwmon:
    """What a hwmon device measures."""

    def __init__(self, spec: SensorSpec, root: SysfsRoot) -> None:
        self._root, self._device = root, spec.options["device"]
        self._channels = spec.channels
        self._fields = {each.quantity: _field(spec, each.quantity, _HWMON) for each in spec.channels}

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        folder = hwmon_folder(self._root, self._device)
        return tuple(Raw(channel=each.name, value=self._value(folder, each.quantity)) for each in self._channels)

    def close(self) -> None:
        """Nothing to release."""

    def _value(self, folder: Path, quantity: Quantity) -> float:
        name, unit = self._fields[quantity]
        return hwmon_number(folder, name) * unit


def _field(spec: SensorSpec, quantity: Quantity, table: Mapping[Quantity, tuple[str, float]]) -> tuple[str, float]:
    """The name of the channel that holds `quantity`, and its unit in ours."""
    if quantity not in table:
        known = ", ".join(each.key for each in table)
        raise SiteError((f"sensor {spec.name}: {spec.kind} has no {quantity.key}; allowed: {known}",))
    name, (begins, unit) = str(spec.options[quantity.key]), table[quantity]
    if not re.fullmatch(rf"{begins}[0-9]*(_.*)?", name):
        raise SiteError((f'sensor {spec.name}: {quantity.key} = "{name}"; allowed: a channel {begins}...',))
    return name, unit


def _percent_of(rh_milli: float, source: Path) -> float:
    low, high = _SURELY_PERCENT
    if low <= rh_milli <= high:
        raise Implausible(f'{source}: {rh_milli:g} looks like percent, not milli-percent; set rh_unit = "percent"')
    return rh_milli * _MILLI
