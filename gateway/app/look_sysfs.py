"""Owns: what the kernel reads and drives itself: iio and hwmon devices, 1-Wire thermometers, pwm chips.

Must not know: the line, other corners.
How it works: folders of /sys, or of a copy of it. Values come through the same reading of files as in the drivers.
Nothing is written, and no thermometer is made to measure: of 1-Wire only the numbers are listed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from drivers.sysfs_files import hwmon_number, iio_number, text_of
from gateway.app.look_found import Corner, Paste, Value, device_ok, quoted
from gateway.errors import GatewayError, ReadError

# By the beginning of a channel's name: its quantity in the site file, if it has one of its own, factor and unit.
# Linux Documentation/ABI/testing/sysfs-bus-iio and Documentation/hwmon/sysfs-interface.rst.
IIO: Final = {
    "in_temp_object": ("skin", 1e-3, "°C"),
    "in_temp_ambient": ("", 1e-3, "°C"),  # of the chip that looks, not of the air
    "in_temp": ("temp", 1e-3, "°C"),
    "in_humidityrelative": ("rh", 1e-3, "%"),
    "in_pressure": ("pressure", 1e3, "Pa"),
    "in_current": ("current", 1e-3, "A"),
    "in_voltage": ("", 1e-3, "V"),
}
HWMON: Final = {
    "temp": ("temp", 1e-3, "°C"),
    "humidity": ("rh", 1e-3, "%"),
    "in": ("", 1e-3, "V"),
    "curr": ("current", 1e-3, "A"),
    "fan": ("speed", 1.0, "RPM"),
}
THERMOMETERS: Final = ("10", "22", "28", "3b", "42")  # families that the kernel's driver knows
_IIO_FILE: Final = re.compile("(in_[a-z0-9_]+)_(?:raw|input)")
_HWMON_FILE: Final = re.compile("((?:temp|humidity|in|curr|fan)[0-9]{1,3})_input")
_WIRED: Final = ("/i2c-", "/spi")  # a chip that somebody has wired; others are the board's own
_PERCENT: Final = 110.0  # an old driver's percent, taken for milli-percent, is below this

Kinds = dict[str, tuple[str, float, str]]


def iio(sys: Path, paste: Paste) -> Corner:
    """Converters and chips of the iio class."""
    lines: list[str] = []
    folders = sorted(sys.glob("bus/iio/devices/iio:device*"))
    names = [_name(folder) for folder in folders]
    for folder, name in zip(folders, names, strict=True):
        found = _channels(folder, _IIO_FILE)
        lines.append(_head(folder, name, names))
        lines += [f"  {_shown(folder, each, IIO, iio_number)}" for each in found]
        if any(each.startswith("in_voltage") for each in found):
            lines.append("  volts of a transmitter become a quantity by kind iio-volts or iio-loop")
        told = _told(found, IIO)
        if told and names.count(name) == 1 and device_ok(name) and not paste.has("sensors", "device", name):
            if "rh" in told:
                told["rh_unit"] = "percent" if _is_percent(folder, told["rh"]) else "milli-percent"
            paste.sensor("iio", _bus(sys, paste), "iio", {"device": name, **told})
    return Corner(title="Chips that the kernel reads (iio)", lines=tuple(lines))


def hwmon(sys: Path, paste: Paste) -> Corner:
    """Chips of the hwmon class; the board's own thermometers are listed, but are no sensors of a barn."""
    lines: list[str] = []
    folders = sorted(sys.glob("class/hwmon/hwmon*"))
    names = [_name(folder) for folder in folders]
    for folder, name in zip(folders, names, strict=True):
        found = _channels(folder, _HWMON_FILE)
        lines.append(_head(folder, name, names))
        lines += [f"  {_shown(folder, each, HWMON, hwmon_number)}" for each in found]
        told = _told(found, HWMON)
        wired = "rh" in told or any(part in str((folder / "device").resolve()) for part in _WIRED)
        if told and wired and names.count(name) == 1 and device_ok(name) and not paste.has("sensors", "device", name):
            paste.sensor("hwmon", _bus(sys, paste), "hwmon", {"device": name, **told})
    return Corner(title="Chips that the kernel reads (hwmon)", lines=tuple(lines))


def one_wire(sys: Path, paste: Paste) -> Corner:
    """The numbers of the thermometers on 1-Wire."""
    names = sorted(path.name for path in sys.glob("bus/w1/devices/*-*"))
    found = [name for name in names if re.fullmatch("[0-9a-f]{2}-[0-9a-f]{12}", name) and name[:2] in THERMOMETERS]
    for name in found:
        if not paste.has("sensors", "device", name):
            told = {"device": name, "measures": "temp"}
            paste.sensor("wire", _bus(sys, paste), "w1", told, 'measures: "temp", "globe" or "skin"')
    return Corner(title="Thermometers on 1-Wire", lines=tuple(found))


def pwm(sys: Path, paste: Paste) -> Corner:
    """Chips that make pulses for fans."""
    lines = []
    folders = sorted(sys.glob("class/pwm/pwmchip*"))
    devices = [(folder / "device").resolve().name for folder in folders]
    for folder, device in zip(folders, devices, strict=True):
        lines.append(f"{device}: {_text(folder / 'npwm') or '?'} channels ({folder.name} now)")
        if devices.count(device) == 1 and device_ok(device) and not paste.has("relays", "chip", device):
            told: dict[str, Value] = {"chip": device, "period_us": 1000}
            paste.relay("pulses", _bus(sys, paste), "pwm", told, "period_us: what the fan's data sheet says")
    return Corner(title="Chips that make pulses (pwm)", lines=tuple(lines))


def _bus(sys: Path, paste: Paste) -> str:
    return paste.bus("kernel", "sysfs", "root", str(sys))


def _name(folder: Path) -> str:
    return _text(folder / "label") or _text(folder / "name")


def _text(path: Path) -> str:
    try:
        return text_of(path)
    except ReadError:
        return ""


def _head(folder: Path, name: str, names: list[str]) -> str:
    twice = ", the same as another: only a label can tell them apart" if names.count(name) > 1 else ""
    return f"{quoted(name)}{twice} ({folder.name} now)"


def _channels(folder: Path, pattern: re.Pattern[str]) -> list[str]:
    return sorted({match[1] for path in folder.iterdir() if (match := pattern.fullmatch(path.name))})


def _kind(channel: str, kinds: Kinds) -> tuple[str, float, str]:
    """Its quantity, factor and unit; of several beginnings the longest, which stands first."""
    for begin, kind in kinds.items():
        if re.match(begin + "(?![a-z])", channel):
            return kind
    return "", 1.0, "as it is"


def _shown(folder: Path, channel: str, kinds: Kinds, read: Callable[[Path, str], float]) -> str:
    label = _text(folder / f"{channel}_label")
    named = f"{channel} {quoted(label)}" if label else channel
    _, factor, unit = _kind(channel, kinds)
    try:
        value = read(folder, channel)
    except GatewayError as error:
        return f"{named}: no value, {error}"
    if channel.startswith("in_humidityrelative") and value < _PERCENT:
        return f"{named}: {value:.1f} %, by an old driver that gives percent"
    return f"{named}: {value * factor:.5g} {unit}"


def _told(channels: list[str], kinds: Kinds) -> dict[str, Value]:
    """For each quantity its first channel."""
    told: dict[str, Value] = {}
    for channel in channels:
        if quantity := _kind(channel, kinds)[0]:
            told.setdefault(quantity, channel)
    return told


def _is_percent(folder: Path, channel: object) -> bool:
    try:
        return iio_number(folder, str(channel)) < _PERCENT
    except GatewayError:
        return False


def corners(sys: Path, paste: Paste) -> Iterator[Corner]:
    """All of the above."""
    for look in (one_wire, iio, hwmon, pwm):
        yield look(sys, paste)
