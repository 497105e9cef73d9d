"""Owns: transmitters that give a current or a voltage, behind an analog-to-digital converter of the kernel's iio class.

Must not know: converters, whether a value is plausible.
How it works: the millivolts of a channel become the signal (mA by the shunt, V by the divider), the signal a value
along a straight line, as it comes, without clamping. A signal that no sound transmitter gives is a fault of wire or
transmitter; one that lasts is the device's own fault, a short one only costs a reading.
Rules: NAMUR NE 43 (2003): 3.8 to 20.5 mA is measurement, below 3.6 and above 21 mA is a failure if it lasts 4 s
(read in summaries, not in the original). A voltage has no such standard: the site file says what is
outside. A broken wire reads 0 V, so where low_v is 0 it cannot be told from the lowest value.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from drivers.sysfs_files import SysfsRoot, iio_folder, iio_number
from gateway.barn import SensorSpec
from gateway.errors import DeviceFault, Implausible, SiteError
from gateway.model import Channel, Raw

_HELD_S: Final = 4.0
_LOOP_MA: Final = (4.0, 20.0)
_FAILURE_MA: Final = (3.6, 21.0)
_MEASURING_MA: Final = (3.8, 20.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One channel: how its signal comes from millivolts, which signal is a fault, which one is a value."""

    channel: Channel
    name: str
    unit: str
    per_mv: float
    signal: tuple[float, float]
    value: tuple[float, float]
    sound: tuple[float, float]
    measuring: tuple[float, float]

    def at(self, signal: float) -> float:
        """The value along the line through both ends."""
        (low, high), (low_value, high_value) = self.signal, self.value
        return low_value + (signal - low) / (high - low) * (high_value - low_value)


class Analog:
    """All transmitters on one converter that the site file calls one sensor."""

    def __init__(
        self,
        spec: SensorSpec,
        root: SysfsRoot,
        inputs: tuple[Input, ...],
        *,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._root, self._device = root, spec.options["device"]
        self._channels, self._inputs = spec.channels, inputs
        self._now_s = now_s
        self._fault_since_s: dict[str, float] = {}

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        folder = iio_folder(self._root, self._device)
        signals = [(each, iio_number(folder, each.name) * each.per_mv) for each in self._inputs]
        faults = [fault for each, signal in signals if (fault := self._fault(each, signal))]
        if faults:
            raise self._judged(faults)
        for each, signal in signals:
            low, high = each.measuring
            if not low <= signal <= high:
                raise Implausible(f"{each.name}: {signal:.3f} {each.unit}, the transmitter is at the end of its range")
        return tuple(Raw(channel=each.channel.name, value=each.at(signal)) for each, signal in signals)

    def close(self) -> None:
        """Nothing to release."""

    def _fault(self, each: Input, signal: float) -> tuple[float, str] | None:
        """Since when this input shows a signal that no sound transmitter gives, and the sentence for it."""
        low, high = each.sound
        if low <= signal <= high:
            self._fault_since_s.pop(each.name, None)
            return None
        since_s = self._fault_since_s.setdefault(each.name, self._now_s())
        what = f"{each.name}: {signal:.3f} {each.unit}, allowed are {low:g} to {high:g}"
        return since_s, f"{what}: broken wire, short circuit or a failed transmitter"

    def _judged(self, faults: list[tuple[float, str]]) -> DeviceFault | Implausible:
        since_s, what = min(faults)
        if self._now_s() - since_s >= _HELD_S:
            return DeviceFault(what)
        return Implausible(f"{what} (a fault if it lasts)")


def iio_loop(spec: SensorSpec, root: SysfsRoot, *, now_s: Callable[[], float] = time.monotonic) -> Analog:
    """4-20 mA through a shunt: mV over ohms is mA."""

    def made(channel: Channel, option: Mapping[str, Any]) -> Input:
        return Input(
            channel=channel,
            name=_voltage(spec, option),
            unit="mA",
            per_mv=1 / spec.options["shunt_ohm"],
            signal=_LOOP_MA,
            value=(option["low"], option["high"]),
            sound=_FAILURE_MA,
            measuring=_MEASURING_MA,
        )

    return Analog(spec, root, _inputs(spec, made), now_s=now_s)


def iio_volts(spec: SensorSpec, root: SysfsRoot, *, now_s: Callable[[], float] = time.monotonic) -> Analog:
    """A voltage at the transmitter's terminals, which a divider makes smaller for the converter."""

    def made(channel: Channel, option: Mapping[str, Any]) -> Input:
        low_v, high_v = sorted((option["low_v"], option["high_v"]))
        sound = (low_v - option["slack_v"], high_v + option["slack_v"])
        return Input(
            channel=channel,
            name=_voltage(spec, option),
            unit="V",
            per_mv=spec.options["divider"] / 1000,
            signal=(option["low_v"], option["high_v"]),
            value=(option["low"], option["high"]),
            sound=sound,
            measuring=sound,
        )

    return Analog(spec, root, _inputs(spec, made), now_s=now_s)


def _inputs(spec: SensorSpec, made: Callable[[Channel, Mapping[str, Any]], Input]) -> tuple[Input, ...]:
    return tuple(made(channel, spec.options[channel.quantity.key]) for channel in spec.channels)


def _voltage(spec: SensorSpec, option: Mapping[str, Any]) -> str:
    name = str(option["channel"])
    if not name.startswith("in_voltage"):
        raise SiteError((f'sensor {spec.name}: channel = "{name}"; allowed: a channel in_voltage...',))
    return name
