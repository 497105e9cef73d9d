"""Owns: the sensors that the kernel reads itself, as files of its iio and hwmon classes.

Must not know: chips, buses, whether a value is plausible beyond its unit.
How it works: each read finds the device by the text of its file `label` or `name`, never by its number: that may
change, and another chip may then stand under the old one. It opens, reads and closes. Both classes give
thousandths: milli-°C and milli-percent.
Rules: Linux Documentation/ABI/testing/sysfs-bus-iio and Documentation/hwmon/sysfs-interface.rst.
"""

from __future__ import annotations

import errno
import re
from os.path import exists  # unlike Path.exists it never raises
from pathlib import Path
from typing import Final

from gateway.errors import BadText, DeviceFault, EmptyText, Implausible, PortGone, ReadError
from gateway.model import BusSpec, Channel, Quantity, Raw, SensorSpec

_NUMBER: Final = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
_GONE: Final = (errno.ENOENT, errno.ENODEV, errno.ENOTDIR)

# A relative humidity of 0.0001 to 0.11 % does not exist in a barn: such a number is a percentage already.
_SURELY_PERCENT: Final = (0.1, 110.0)


class SysfsRoot:
    """The folder that stands for /sys. Nothing is held open."""

    def __init__(self, spec: BusSpec) -> None:
        self.path = Path(spec.options["root"])

    def close(self) -> None:
        """Nothing to release."""


class IioAir:
    """Temperature and humidity of an iio device."""

    def __init__(self, spec: SensorSpec, root: SysfsRoot) -> None:
        self._parent, self._device = root.path / "bus/iio/devices", spec.options["device"]
        self._channels = _channels(spec)
        self._temp, self._rh = spec.options["temp"], spec.options["rh"]
        self._in_percent = spec.options["rh_unit"] == "percent"

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        folder = _find(self._parent, "iio:device*", self._device)
        temp_c = _iio_value(folder, self._temp) / 1000
        rh = _iio_value(folder, self._rh)
        rh_pct = rh if self._in_percent else _percent_of(rh, folder / self._rh)
        return _raws(self._channels, temp_c=temp_c, rh_pct=rh_pct)

    def close(self) -> None:
        """Nothing to release."""


class HwmonAir:
    """Temperature and humidity of a hwmon device."""

    def __init__(self, spec: SensorSpec, root: SysfsRoot) -> None:
        self._parent, self._device = root.path / "class/hwmon", spec.options["device"]
        self._channels = _channels(spec)
        self._temp, self._rh = spec.options["temp"], spec.options["rh"]

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        folder = _find(self._parent, "hwmon*", self._device)
        temp_c = _hwmon_value(folder, self._temp) / 1000
        rh_pct = _hwmon_value(folder, self._rh) / 1000
        return _raws(self._channels, temp_c=temp_c, rh_pct=rh_pct)

    def close(self) -> None:
        """Nothing to release."""


def _find(parent: Path, pattern: str, wanted: str) -> Path:
    """The folder whose label, or else whose name, is `wanted`."""
    folders = sorted(parent.glob(pattern))
    for attribute in ("label", "name"):  # a label tells two chips of the same kind apart
        found = [folder for folder in folders if _text_or_none(folder / attribute) == wanted]
        if len(found) == 1:
            return found[0]
        if found:
            places = ", ".join(folder.name for folder in found)
            raise PortGone(f"{wanted}: {places} have this {attribute}; name one by its label")
    raise PortGone(f"no device in {parent} has the label or name {wanted}")


def _iio_value(folder: Path, channel: str) -> float:
    """Thousandths of the unit: the processed file if there is one, else (raw + offset) * scale."""
    processed = folder / f"{channel}_input"
    if exists(processed):
        return _number(processed)
    raw = _number(folder / f"{channel}_raw")
    offset = _shared(folder, channel, "offset")
    scale = _shared(folder, channel, "scale")
    return (raw + (_number(offset) if exists(offset) else 0.0)) * _number(scale)


def _shared(folder: Path, channel: str, attribute: str) -> Path:
    """The channel's own attribute, or the one that all channels of its type share: in_temp2 -> in_temp."""
    own = folder / f"{channel}_{attribute}"
    if exists(own):
        return own
    shared = "_".join(channel.split("_")[:2]).rstrip("0123456789")
    return folder / f"{shared}_{attribute}"


def _hwmon_value(folder: Path, channel: str) -> float:
    fault = folder / f"{channel}_fault"
    if exists(fault) and _number(fault) != 0:
        raise DeviceFault(f"{fault}: the chip says that this channel is faulty")
    return _number(folder / f"{channel}_input")


def _percent_of(rh_milli: float, source: Path) -> float:
    low, high = _SURELY_PERCENT
    if low <= rh_milli <= high:
        raise Implausible(f'{source}: {rh_milli:g} looks like percent, not milli-percent; set rh_unit = "percent"')
    return rh_milli / 1000


def _number(path: Path) -> float:
    text = _text(path)
    if not text:
        raise EmptyText(f"{path}: empty")
    if not _NUMBER.fullmatch(text):
        raise BadText(f"{path}: {text[:40]!r} is not a number")
    return float(text)


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("ascii", "backslashreplace").strip()
    except OSError as error:
        if error.errno in _GONE:
            raise PortGone(f"{path}: is not there") from error
        raise ReadError(f"{path}: {error.strerror}") from error


def _text_or_none(path: Path) -> str | None:
    try:
        return _text(path)
    except ReadError:
        return None


def _channels(spec: SensorSpec) -> tuple[Channel, ...]:
    return tuple(
        Channel(name=f"{spec.name}.{quantity}", sensor=spec.name, place=spec.place, quantity=quantity)
        for quantity in (Quantity.TEMP, Quantity.RH)
    )


def _raws(channels: tuple[Channel, ...], *, temp_c: float, rh_pct: float) -> tuple[Raw, ...]:
    values = {Quantity.TEMP: temp_c, Quantity.RH: rh_pct}
    return tuple(Raw(channel=channel.name, value=values[channel.quantity]) for channel in channels)
