"""Owns: the speed of a fan as the width of pulses, through the kernel's pwm files.

Must not know: which chip makes the pulses, what the fan needs.
How it works: the chip is found by the device behind its folder, never by its number. A channel is exported once and
stays so: the pulses go on when this program ends. The kernel refuses a duty longer than the period, so the period is
written first, and before a shorter one the duty is made 0. `inverted` is done in the duty, not by the chip's polarity,
which not every chip has and which may change only while it is disabled. Safe is full speed, and is left running.
Reference: Linux Documentation/driver-api/pwm.rst; Documentation/ABI/testing/sysfs-class-pwm; drivers/pwm/core.c.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from drivers.sysfs_files import SysfsRoot, text_of
from gateway.barn import KitSpec, RelaySpec
from gateway.errors import BadText, CommandError, PortGone, ReadError

_GONE: Final = (errno.ENOENT, errno.ENODEV, errno.ENOTDIR)
# After the export a rule of udev gives us the right to write: a moment later.
_TRIES, _PAUSE_S = 10, 0.05


def write_text(path: Path, text: str) -> None:
    """One write, as the kernel wants it; the file must exist."""
    file = os.open(path, os.O_WRONLY | os.O_TRUNC)
    try:
        os.write(file, text.encode())
    finally:
        os.close(file)


class PwmKit:
    """One fan on one channel of a chip. With `inverted`, no pulses at all are full speed."""

    def __init__(
        self,
        spec: KitSpec,
        relay: RelaySpec,
        root: SysfsRoot,
        *,
        write: Callable[[Path, str], None] = write_text,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._name, self._channel, self._safe_on = spec.name, int(spec.output), spec.safe_on
        self._parent, self._chip = root.path / "class/pwm", str(relay.options["chip"])
        self._period_ns = round(relay.options["period_us"] * 1000)
        self._inverted = bool(relay.options["inverted"])
        self._write_raw, self._sleep = write, sleep
        self._closed = False

    @property
    def safe_on(self) -> bool:
        return self._safe_on

    def set(self, on: bool, speed: float = 1.0) -> None:
        if self._closed:
            raise CommandError(f"{self._name}: is closed")
        if not 0 <= speed <= 1:
            raise CommandError(f"{self._name}: a speed of {speed:g} is not between 0 and 1")
        try:
            self._drive(speed if on else 0.0)
        except ReadError as error:
            raise CommandError(f"{self._name}: {error}") from error

    def readback(self) -> bool | None:
        """Whether the channel asks for any speed. It proves the pulses, not the fan."""
        folder = self._folder() / f"pwm{self._channel}"
        if not folder.is_dir() or not _number(folder / "enable"):
            return self._safe_on
        duty_ns, period_ns = _number(folder / "duty_cycle"), _number(folder / "period")
        return duty_ns < period_ns if self._inverted else duty_ns > 0

    def close(self) -> None:
        """Full speed, and the channel left as it is: unexporting would stop its pulses."""
        if self._closed:
            return
        self._closed = True
        with suppress(ReadError):
            self._drive(1.0 if self._safe_on else 0.0)

    def _drive(self, speed: float) -> None:
        folder = self._exported()
        share = 1 - speed if self._inverted else speed
        if _number(folder / "period") != self._period_ns:
            if _number(folder / "duty_cycle") > self._period_ns:
                self._write(folder / "duty_cycle", 0)
            self._write(folder / "period", self._period_ns)
        if text_of(folder / "polarity") != "normal":
            if _number(folder / "enable"):
                self._write(folder / "enable", 0)  # polarity may change only now
            self._write(folder / "polarity", "normal")
        self._write(folder / "duty_cycle", round(share * self._period_ns))
        if not _number(folder / "enable"):
            self._write(folder / "enable", 1)

    def _exported(self) -> Path:
        chip = self._folder()
        folder = chip / f"pwm{self._channel}"
        if not folder.is_dir():
            self._write(chip / "export", self._channel)
        return folder

    def _folder(self) -> Path:
        """The chip whose device is the wanted one."""
        found = [
            path for path in sorted(self._parent.glob("pwmchip*")) if (path / "device").resolve().name == self._chip
        ]
        if len(found) != 1:
            raise PortGone(f"{len(found) or 'no'} pwm chips in {self._parent} are {self._chip}, it must be one")
        return found[0]

    def _write(self, path: Path, value: int | str) -> None:
        for tries_left in range(_TRIES - 1, -1, -1):
            try:
                return self._write_raw(path, str(value))
            except OSError as error:
                if error.errno == errno.EACCES and tries_left:
                    self._sleep(_PAUSE_S)
                    continue
                kind = PortGone if error.errno in _GONE else ReadError
                raise kind(f"{path} = {value}: {error.strerror}") from error


def _number(path: Path) -> int:
    text = text_of(path)
    if not text.isdecimal():
        raise BadText(f"{path}: {text[:40]!r} is not a number")
    return int(text)
