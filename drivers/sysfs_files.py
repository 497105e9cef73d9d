"""Owns: finding a device of the kernel's iio and hwmon classes, and reading one number of it.

Must not know: quantities, sensors, whether a value is plausible.
How it works: a device is found by the text of its file `label` or `name`, never by its number: that may change, and
another chip may then stand under the old one. Each file is opened, read and closed.
Rules: Linux Documentation/ABI/testing/sysfs-bus-iio and Documentation/hwmon/sysfs-interface.rst.
"""

from __future__ import annotations

import errno
import re
from os.path import exists  # unlike Path.exists it never raises
from pathlib import Path
from typing import Final

from gateway.barn import BusSpec
from gateway.errors import BadText, DeviceFault, EmptyText, PortGone, ReadError

_NUMBER: Final = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
_GONE: Final = (errno.ENOENT, errno.ENODEV, errno.ENOTDIR)


class SysfsRoot:
    """The folder that stands for /sys. Nothing is held open."""

    def __init__(self, spec: BusSpec) -> None:
        self.path = Path(spec.options["root"])

    def close(self) -> None:
        """Nothing to release."""


def iio_folder(root: SysfsRoot, device: str) -> Path:
    return _find(root.path / "bus/iio/devices", "iio:device*", device)


def hwmon_folder(root: SysfsRoot, device: str) -> Path:
    return _find(root.path / "class/hwmon", "hwmon*", device)


def iio_number(folder: Path, channel: str) -> float:
    """In the unit of the iio class: the processed file if there is one, else (raw + offset) * scale."""
    processed = folder / f"{channel}_input"
    if exists(processed):
        return _number(processed)
    raw = _number(folder / f"{channel}_raw")
    offset = _shared(folder, channel, "offset")
    scale = _shared(folder, channel, "scale")
    return (raw + (_number(offset) if exists(offset) else 0.0)) * _number(scale)


def hwmon_number(folder: Path, channel: str) -> float:
    """In the unit of the hwmon class. Raises DeviceFault when the chip says that the channel is faulty."""
    fault = folder / f"{channel}_fault"
    if exists(fault) and _number(fault) != 0:
        raise DeviceFault(f"{fault}: the chip says that this channel is faulty")
    return _number(folder / f"{channel}_input")


def text_of(path: Path) -> str:
    """What a file says. Raises ReadError, PortGone when it is not there."""
    try:
        return path.read_bytes().decode("ascii", "backslashreplace").strip()
    except OSError as error:
        if error.errno in _GONE:
            raise PortGone(f"{path}: is not there") from error
        raise ReadError(f"{path}: {error.strerror}") from error


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


def _shared(folder: Path, channel: str, attribute: str) -> Path:
    """The channel's own attribute, or the one that all channels of its type share: in_temp2 -> in_temp."""
    own = folder / f"{channel}_{attribute}"
    if exists(own):
        return own
    shared = "_".join(channel.split("_")[:2]).rstrip("0123456789")
    return folder / f"{shared}_{attribute}"


def _number(path: Path) -> float:
    text = text_of(path)
    if not text:
        raise EmptyText(f"{path}: empty")
    if not _NUMBER.fullmatch(text):
        raise BadText(f"{path}: {text[:40]!r} is not a number")
    return float(text)


def _text_or_none(path: Path) -> str | None:
    try:
        return text_of(path)
    except ReadError:
        return None
