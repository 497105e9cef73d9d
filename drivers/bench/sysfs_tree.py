"""Owns: the part of a sysfs tree that the kernel would show for sensors it reads itself (iio and hwmon).

Must not know: zones, threads, what is read from it.
How it works: each device is a folder with a `name` and one file for each number, in the unit of the kernel's
interface. Values are written aside and moved into place, so a reader sees a whole old or a whole new one. A sensor
whose wire is pulled answers a read with an input/output error: its files then lead to a place that does just that.
Units: Linux Documentation/ABI/testing/sysfs-bus-iio and Documentation/hwmon/sysfs-interface.rst.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

from drivers.bench.faults import Sensed
from gateway.errors import SiteError
from gateway.model import SensorSpec

# Si7020 chip, Linux drivers/iio/humidity/si7020.c: milli-°C = (raw - 4368) 175720 / 16384,
# milli-percent = (raw - 786) 125000 / 16384.
_TEMP_SCALE: Final = 175720 / 16384
_TEMP_OFFSET: Final = -4368
_RH_SCALE: Final = 125000 / 16384
_RH_OFFSET: Final = -786

_KERNEL: Final = Path("/sys")
_READ_FAILS: Final = Path("/proc/self/mem")  # reading it from the start is EIO on every Linux

_FOLDERS: Final = {"iio": ("bus/iio/devices", "iio:device"), "hwmon": ("class/hwmon", "hwmon")}


class SysfsTree:
    """The devices below one root. All calls come from one thread at a time."""

    def __init__(self, root: Path, sensors: tuple[SensorSpec, ...]) -> None:
        if root.resolve().is_relative_to(_KERNEL):
            raise SiteError((f"{root}: is the tree of the kernel itself; give the bench a folder of its own",))
        self._root = root
        self._devices: dict[str, tuple[SensorSpec, Path]] = {}
        counts = dict.fromkeys(_FOLDERS, 0)
        for sensor in sensors:
            place, stem = _FOLDERS[sensor.kind]
            self._devices[sensor.name] = (sensor, root / place / f"{stem}{counts[sensor.kind]}")
            counts[sensor.kind] += 1
        self._written: dict[Path, str | None] = {}

    def write(self, sensed: Mapping[str, Sensed], faults: Mapping[str, str]) -> None:
        """Bring every file up to date."""
        for name, (sensor, folder) in self._devices.items():
            folder.mkdir(parents=True, exist_ok=True)
            still, moving = _files(sensor, sensed[name])
            for file, text in still.items():
                self._put(folder / file, text)
            for file, text in moving.items():
                self._put(folder / file, _shown(text, faults.get(name, "")))

    def remove(self) -> None:
        """Take away what `write` made, and folders left empty by that. Idempotent."""
        for path in self._written:
            path.unlink(missing_ok=True)
        self._written.clear()
        for _, folder in self._devices.values():
            for empty in (folder, *folder.parents):
                if not empty.is_relative_to(self._root):
                    break
                with suppress(OSError):
                    empty.rmdir()

    def _put(self, path: Path, text: str | None) -> None:
        """None: a file that cannot be read."""
        if path in self._written and self._written[path] == text:
            return
        fresh = path.with_name(f".{path.name}.new")
        fresh.unlink(missing_ok=True)
        if text is None:
            fresh.symlink_to(_READ_FAILS)
        else:
            fresh.write_text(text)
        fresh.replace(path)
        self._written[path] = text


def _files(sensor: SensorSpec, sensed: Sensed) -> tuple[dict[str, str], dict[str, str]]:
    """The files that never change, and those with the values."""
    temp, rh = sensor.options["temp"], sensor.options["rh"]
    still = {"name": f"{sensor.options['device']}\n"}
    if sensor.kind == "hwmon":
        milli = {f"{temp}_input": 1000 * sensed.temp_c, f"{rh}_input": 1000 * sensed.rh_pct}
        return still, {file: _whole(value) for file, value in milli.items()}
    rh_scale = _RH_SCALE if sensor.options["rh_unit"] == "milli-percent" else _RH_SCALE / 1000
    still[f"{temp}_offset"], still[f"{temp}_scale"] = f"{_TEMP_OFFSET}\n", f"{_TEMP_SCALE:.9f}\n"
    still[f"{rh}_offset"], still[f"{rh}_scale"] = f"{_RH_OFFSET}\n", f"{rh_scale:.12f}\n"
    raw = {
        f"{temp}_raw": 1000 * sensed.temp_c / _TEMP_SCALE - _TEMP_OFFSET,
        f"{rh}_raw": 1000 * sensed.rh_pct / _RH_SCALE - _RH_OFFSET,
    }
    return still, {file: _whole(value) for file, value in raw.items()}


def _whole(value: float) -> str:
    return f"{round(value)}\n" if math.isfinite(value) else "nan\n"


def _shown(text: str, fault: str) -> str | None:
    if fault == "silence":
        return None
    return "" if fault == "empty" else text
