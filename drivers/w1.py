"""Owns: 1-Wire thermometers that the kernel reads.

Must not know: what the bytes mean, whether a value is plausible.
How it works: reading the file `w1_slave` of a device lets it convert (up to 0.75 s) and gives its nine bytes as text.
The path holds the number of the device, so another one is never taken for it. The temperature before is kept, since
85 °C counts only when the last one was near.
"""

from __future__ import annotations

from typing import Final

from drivers.sysfs_files import SysfsRoot, text_of
from drivers.w1_scratchpad import FAMILIES, temp_c
from gateway.barn import SensorSpec
from gateway.errors import SiteError
from gateway.model import Channel, Raw

_DEVICES: Final = "bus/w1/devices"


class W1:
    """One thermometer in the air, in a globe or on skin, as the site file says."""

    def __init__(self, spec: SensorSpec, root: SysfsRoot) -> None:
        device = str(spec.options["device"])
        self._family = device.split("-")[0]
        if self._family not in FAMILIES:
            what = f'device = "{device}" is of family {self._family}; allowed: {", ".join(FAMILIES)}'
            raise SiteError((f"sensor {spec.name}: {what}",))
        self._file = root.path / _DEVICES / device / "w1_slave"
        (self._channel,) = spec.channels
        self._last_c: float | None = None

    @property
    def channels(self) -> tuple[Channel, ...]:
        return (self._channel,)

    def read(self) -> tuple[Raw, ...]:
        self._last_c = temp_c(text_of(self._file), family=self._family, last_c=self._last_c)
        return (Raw(channel=self._channel.name, value=self._last_c),)

    def close(self) -> None:
        """Nothing to release."""
