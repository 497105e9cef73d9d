"""Owns: a pwm tree for tests that behaves as the kernel's.

Must not know: any driver.
How it works: real files in a temporary folder, so that a driver reads them as they are; writes go through `write`,
which refuses what the kernel refuses. Where kernels differ the stricter, older one is played.
Reference: Linux drivers/pwm/core.c (pwm_apply_state), drivers/pwm/sysfs.c.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path


def refuse(number: int, path: Path) -> OSError:
    return OSError(number, os.strerror(number), str(path))


class KernelPwm:
    """One chip with `channels` channels. `slow_rights` writes are refused before udev has given us the right."""

    def __init__(self, root: Path, device: str, *, number: int = 0, channels: int = 2, slow_rights: int = 0) -> None:
        self.folder = root / f"class/pwm/pwmchip{number}"
        self.folder.mkdir(parents=True)
        behind = root / "devices/platform" / device
        behind.mkdir(parents=True)
        (self.folder / "device").symlink_to(behind)
        (self.folder / "export").touch()
        (self.folder / "npwm").write_text(f"{channels}\n")
        self.channels, self.slow_rights = channels, slow_rights
        self.written: list[str] = []

    def state(self, channel: int = 0) -> dict[str, str]:
        return {path.name: path.read_text().strip() for path in (self.folder / f"pwm{channel}").iterdir()}

    def high_share(self, channel: int = 0) -> float:
        """The share of time for which the pin is high."""
        state = self.state(channel)
        if state["enable"] == "0":
            return 0.0
        share = int(state["duty_cycle"]) / int(state["period"])
        return share if state["polarity"] == "normal" else 1 - share

    def write(self, path: Path, text: str) -> None:
        if not path.exists():
            raise refuse(errno.ENOENT, path)
        if path.parent != self.folder and self.slow_rights > 0:
            self.slow_rights -= 1
            raise refuse(errno.EACCES, path)
        self.written.append(f"{path.name} {text}")
        if path.name == "export":
            return self._export(int(text), path)
        after = {each.name: each.read_text().strip() for each in path.parent.iterdir()} | {path.name: text}
        if path.name == "polarity" and (path.parent / "enable").read_text().strip() == "1":
            raise refuse(errno.EBUSY, path)
        if int(after["period"]) == 0 or int(after["duty_cycle"]) > int(after["period"]):
            raise refuse(errno.EINVAL, path)
        path.write_text(f"{text}\n")

    def _export(self, channel: int, path: Path) -> None:
        folder = self.folder / f"pwm{channel}"
        if channel >= self.channels:
            raise refuse(errno.ENODEV, path)
        if folder.exists():
            raise refuse(errno.EBUSY, path)
        folder.mkdir()
        for name, text in (("period", "0"), ("duty_cycle", "0"), ("enable", "0"), ("polarity", "normal")):
            (folder / name).write_text(f"{text}\n")
