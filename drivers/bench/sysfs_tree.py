"""Owns: the part of a sysfs tree that the kernel would show for sensors it reads itself, and for its PWM outputs.

Must not know: zones, threads, what reads and writes it; what a value looks like in a file.
How it works: each device is a folder; sensors of one device share it. Values are written aside and moved into place,
so a reader sees a whole old or a whole new one. A sensor whose wire is pulled answers a read with an input/output
error: its files then lead to a place that does just that. PWM outputs are there as if udev had exported them, and
`told` reads what was written to them: an output that is not enabled is a lost signal, which is full speed.
Folders: Linux Documentation/ABI/testing/sysfs-bus-iio, Documentation/hwmon/sysfs-interface.rst, sysfs-class-pwm.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

from drivers.bench.faults import Values
from drivers.bench.sysfs_files import files_of
from gateway.barn import KitSpec, RelaySpec, SensorSpec
from gateway.errors import SiteError

_KERNEL: Final = Path("/sys")
_READ_FAILS: Final = Path("/proc/self/mem")  # reading it from the start is EIO on every Linux
_CLASSES: Final = {"hwmon": "class/hwmon/hwmon", "w1": "bus/w1/devices/"}
_IIO: Final = "bus/iio/devices/iio:device"
_PWM_FILES: Final = {"period": "0\n", "duty_cycle": "0\n", "enable": "0\n", "polarity": "normal\n"}

Drive = tuple[KitSpec, RelaySpec]


class SysfsTree:
    """The devices below one root. All calls but `vanish` and `appear` come from one thread at a time."""

    def __init__(self, root: Path, sensors: tuple[SensorSpec, ...], drives: tuple[Drive, ...] = ()) -> None:
        if root.resolve().is_relative_to(_KERNEL):
            raise SiteError((f"{root}: is the tree of the kernel itself; give the bench a folder of its own",))
        self._root, self._vanished = root, threading.Event()
        self._devices = {sensor.name: (sensor, folder) for sensor, folder in _folders(root, sensors)}
        self._outputs = {kit.name: (relay, folder) for (kit, relay), folder in _outputs(root, drives)}
        self._written: dict[Path, str | None] = {}

    def start(self) -> None:
        """Nothing is held: the first `tick` writes."""

    def tick(self, values: Mapping[str, Values], faults: Mapping[str, str], now_s: float) -> None:
        """Bring every file up to date."""
        if self._vanished.is_set():
            self.close()
            return
        for name, (sensor, folder) in self._devices.items():
            folder.mkdir(parents=True, exist_ok=True)
            still, moving = files_of(sensor, values[name], faults.get(name, ""))
            for file, text in still.items():
                self._put(folder / file, text)
            for file, text in moving.items():
                self._put(folder / file, _shown(text, faults.get(name, "")))
        for relay, folder in self._outputs.values():
            self._export(relay, folder)

    def told(self) -> dict[str, float]:
        """By kit: the share of full speed that its PWM output asks for."""
        return {name: _share(relay, folder) for name, (relay, folder) in self._outputs.items()}

    def vanish(self) -> None:
        self._vanished.set()

    def appear(self) -> None:
        self._vanished.clear()

    def close(self) -> None:
        """Take away what `tick` made, and folders left empty by that. Idempotent."""
        for path in self._written:
            path.unlink(missing_ok=True)
        folders = {path.parent for path in self._written}
        self._written.clear()
        for folder in sorted(folders, reverse=True):
            for empty in (folder, *folder.parents):
                if not empty.is_relative_to(self._root):
                    break
                with suppress(OSError):
                    empty.rmdir()

    def _export(self, relay: RelaySpec, folder: Path) -> None:
        """The files of an output, as the kernel makes them; what was written to them stays."""
        chip = folder.parent
        device = self._root / "devices/platform" / relay.options["chip"]
        folder.mkdir(parents=True, exist_ok=True)
        device.mkdir(parents=True, exist_ok=True)
        self._put(device / "uevent", "")
        for file in ("export", "unexport"):
            self._keep(chip / file, "")
        self._keep(chip / "npwm", "4\n")
        if not (chip / "device").is_symlink():
            (chip / "device").symlink_to(Path("../../../devices/platform") / relay.options["chip"])
            self._written[chip / "device"] = None
        for file, text in _PWM_FILES.items():
            self._keep(folder / file, text)

    def _keep(self, path: Path, text: str) -> None:
        if path not in self._written or not path.exists():
            self._put(path, text)

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


def _folders(root: Path, sensors: tuple[SensorSpec, ...]) -> list[tuple[SensorSpec, Path]]:
    """A folder for each device of each class, numbered as they come."""
    found: dict[tuple[str, str], Path] = {}
    counts: dict[str, int] = {}
    pairs = []
    for sensor in sensors:
        stem, device = _CLASSES.get(sensor.kind, _IIO), sensor.options["device"]
        if (stem, device) not in found:
            number = counts[stem] = counts.get(stem, -1) + 1
            found[stem, device] = root / f"{stem}{device if sensor.kind == 'w1' else number}"
        pairs.append((sensor, found[stem, device]))
    return pairs


def _outputs(root: Path, drives: tuple[Drive, ...]) -> list[tuple[Drive, Path]]:
    chips = {chip: number for number, chip in enumerate(dict.fromkeys(relay.options["chip"] for _, relay in drives))}
    return [
        ((kit, relay), root / f"class/pwm/pwmchip{chips[relay.options['chip']]}/pwm{kit.output}")
        for kit, relay in drives
    ]


def _share(relay: RelaySpec, folder: Path) -> float:
    try:
        period, duty, enabled = (int((folder / file).read_text()) for file in ("period", "duty_cycle", "enable"))
    except (OSError, ValueError):  # not there, or just being written
        return 1.0
    if not enabled or not period:
        return 1.0
    share = min(1.0, duty / period)
    return 1.0 - share if relay.options["inverted"] else share


def _shown(text: str, fault: str) -> str | None:
    if fault == "silence":
        return None
    return "" if fault == "empty" else text
