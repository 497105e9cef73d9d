"""Owns: the ports of a board: serial ports, I2C adapters, GPIO chips, and who holds them.

Must not know: the line, other corners.
How it works: names are links that udev keeps below /dev/serial, which stay when numbers change. Who holds a port is
read off the open files of all processes that we may look into. A GPIO chip is opened to ask for its label and its
lines, which moves no line. No port is opened.
"""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final, Protocol

from drivers.sysfs_files import text_of
from gateway.app.look_found import Corner, Paste, device_ok, quoted
from gateway.errors import ReadError

_LINKS: Final = ("by-id", "by-path")  # the first is preferred
_NUMBERED: Final = ("ttyUSB*", "ttyACM*", "ttyAMA*", "ttySC*")
_LINES_SHOWN: Final = 80


class LineInfo(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def used(self) -> bool: ...
    @property
    def consumer(self) -> str: ...


class ChipInfo(Protocol):
    @property
    def label(self) -> str: ...
    @property
    def num_lines(self) -> int: ...


class Chip(Protocol):
    """What is used of gpiod's chips."""

    def get_info(self) -> ChipInfo: ...
    def get_line_info(self, line: int | str) -> LineInfo: ...
    def close(self) -> None: ...


def serial_ports(root: Path, paste: Paste) -> Corner:
    """Ports with a name that stays, and those that have only a number."""
    holders, lines = _holders(root), []
    names: dict[Path, list[Path]] = {}
    for kind in _LINKS:
        for link in sorted((root / "dev/serial" / kind).glob("*")):
            names.setdefault(_target(root, link), []).append(link)
    for pattern in _NUMBERED:
        for path in sorted((root / "dev").glob(pattern)):
            names.setdefault(path, [])
    for target, links in names.items():
        held = f", held by {holders[target]}" if target in holders else ""
        if not links:
            lines.append(f"{target}{held}: it has no name that stays; after a restart this may be another port")
            continue
        lines.append(f"{links[0]} ({target.name} now{held})")
        lines += [f"  also {link}" for link in links[1:]]
        if not any(paste.has("buses", "port", str(link)) for link in (*links, target)):
            paste.bus("line", "serial", "port", str(links[0]), baud=9600, parity="none")
    return Corner(title="Serial ports", lines=tuple(lines))


def i2c_adapters(root: Path, paste: Paste) -> Corner:
    """Adapters, and the chips on them that a driver of the kernel has taken."""
    lines = []
    for path in sorted((root / "dev").glob("i2c-*"), key=lambda path: (len(path.name), path.name)):
        name = _text(root / "sys/bus/i2c/devices" / path.name / "name")
        lines.append(f"{path}{f': {quoted(name)}' if name else ''}")
        number = path.name.partition("-")[2]
        for address, driver in claimed(root, number).items():
            lines.append(f"  0x{address:02x}: read by the kernel's driver {driver}")
        if not paste.has("buses", "device", str(path)):
            paste.bus("i2c", "i2c", "device", str(path))
    return Corner(title="I2C adapters (who answers: --ask-bus)", lines=tuple(lines))


def claimed(root: Path, number: str) -> dict[int, str]:
    """By address the driver that has taken a chip: it must not be asked by anybody else."""
    found = {}
    for folder in sorted((root / "sys/bus/i2c/devices").glob(f"{number}-*")):
        match = re.fullmatch("[0-9]+-([0-9a-f]{4})", folder.name)
        if match and (folder / "driver").exists():
            found[int(match[1], 16)] = (folder / "driver").resolve().name
    return found


def gpio_chips(files: Sequence[str], open_chip: Callable[[str], Chip], paste: Paste) -> Corner:
    """Chips with the names of their lines, and who holds them."""
    lines: list[str] = []
    labels = []
    for path in files:
        try:
            label, named = _lines_of(path, open_chip)
        except OSError as error:
            lines.append(f"{path}: cannot be asked, {error.strerror or error}")
            continue
        labels.append(label)
        lines.append(f"{quoted(label)} ({os.path.basename(path)} now)")
        lines += [f"  {line}" for line in named[:_LINES_SHOWN]]
        if len(named) > _LINES_SHOWN:
            lines.append(f"  and {len(named) - _LINES_SHOWN} more")
    for label in labels:
        if labels.count(label) == 1 and device_ok(label):
            paste.bus("pins", "gpio", "chip", label)
    return Corner(title="GPIO chips", lines=tuple(lines))


def gpio_files(root: Path) -> Sequence[str]:
    """The chips below a root, each once: some boards keep an old number as a second name."""
    return sorted({os.path.realpath(path) for path in glob.glob(f"{root}/dev/gpiochip*")})


def _lines_of(path: str, open_chip: Callable[[str], Chip]) -> tuple[str, list[str]]:
    chip = open_chip(path)
    try:
        info = chip.get_info()
        each = [chip.get_line_info(offset) for offset in range(info.num_lines)]
    finally:
        chip.close()
    return info.label, [_line(line) for line in each if line.name]


def _line(line: LineInfo) -> str:
    return (
        f"{line.name}{f', held by {line.consumer}' if line.used and line.consumer else ', held' if line.used else ''}"
    )


def _target(root: Path, link: Path) -> Path:
    """Where a link of udev leads: it is relative, so that it stays below the root."""
    return Path(os.path.normpath(link.parent / os.readlink(link))) if link.is_symlink() else link


def _holders(root: Path) -> dict[Path, str]:
    """By device file the process that has it open, of those that we may look into."""
    found: dict[Path, str] = {}
    for process, target in _open_files(root):
        found.setdefault(target, f"{_text(process / 'comm') or 'somebody'} (process {process.name})")
    return found


def _open_files(root: Path) -> Iterator[tuple[Path, Path]]:
    for process in (root / "proc").glob("[0-9]*"):
        with suppress(OSError):  # it has ended, or is not ours
            for name in os.listdir(process / "fd"):
                with suppress(OSError):
                    target = os.readlink(process / "fd" / name)
                    if target.startswith("/dev/tty"):
                        yield process, root / target.lstrip("/")


def _text(path: Path) -> str:
    try:
        return text_of(path)
    except ReadError:
        return ""
