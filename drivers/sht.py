"""Owns: SHT3x and SHT4x sensors, and drying them with their own heater.

Must not know: how bytes travel, whether a value is plausible.
How it works: one measurement gives both values. The first use, and the first after any trouble, begins with the chip's
reset: it ends whatever an earlier process left running, above all a heater.

Theory of operation. A sensor that has been in fog or under a mister keeps saying 100 % after the air has dried:

    dry --(99.5 % or more)--> wet --(for 30 min)--> heated --> settling --> dry
     ^------(less)-------------+

While it is heated and settles, its numbers are of the heater and not of the air, so there are none: `Drying`. Heating
that the chip did not confirm counts as done, since it may have been heard. The heater of SHT4x goes off by itself; that
of SHT3x is switched off at the first read after its time, and at close.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from drivers.i2c_wire import I2cWire, Transfer
from drivers.sht_frame import ANSWER_BYTES, CHIPS, Air, air_of
from gateway.barn import SensorSpec
from gateway.errors import ReadError
from gateway.model import Channel, Quantity, Raw

_WET_PCT: Final = 99.5
_WET_FOR_S: Final = 1800.0
_READY_S: Final = 0.002  # after a reset


class Drying(ReadError):
    """The sensor's own heater warms it: its numbers are not those of the air."""

    quality = "drying"


class Dryer:
    """When to heat, and until when the numbers do not count. Time is an argument."""

    def __init__(self, *, heat_s: float, settle_s: float) -> None:
        self._heat_s, self._settle_s = heat_s, settle_s
        self._wet_since_s: float | None = None
        self._heated_until_s = float("-inf")
        self._settled_from_s = float("-inf")

    def wants_heat(self, rh_pct: float, now_s: float) -> bool:
        """After each measurement."""
        if rh_pct < _WET_PCT:
            self._wet_since_s = None
            return False
        if self._wet_since_s is None:
            self._wet_since_s = now_s
        return now_s - self._wet_since_s > _WET_FOR_S

    def heated(self, now_s: float) -> None:
        """The heater was switched on. It counts as wet anew only when it is seen so again."""
        self._wet_since_s = None
        self._heated_until_s = now_s + self._heat_s
        self._settled_from_s = self._heated_until_s + self._settle_s

    def switched_off(self, now_s: float) -> None:
        """Later than planned, so it settles later too."""
        self._settled_from_s = max(self._settled_from_s, now_s + self._settle_s)

    def heats(self, now_s: float) -> bool:
        return now_s < self._heated_until_s

    def left_s(self, now_s: float) -> float:
        """For how long the numbers do not count yet."""
        return max(0.0, self._settled_from_s - now_s)


class Sht:
    """Temperature and humidity of one chip."""

    def __init__(self, spec: SensorSpec, wire: I2cWire, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._chip = CHIPS[spec.kind]
        self._wire, self._now_s = wire, now_s
        self._channels = spec.channels
        self._what, self._address = f"{self._chip.name} at {spec.options['address']:#04x}", spec.options["address"]
        self._heats_when_wet = bool(spec.options["heat_when_wet"])
        self._dryer = Dryer(heat_s=self._chip.heat_s, settle_s=self._chip.settle_s)
        self._begun = False
        self._must_switch_off = False

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        self._expect_dry()
        try:
            air = self._measured()
        except ReadError:
            self._begun = False
            raise
        if self._heats_when_wet and self._dryer.wants_heat(air.rh_pct, self._now_s()):
            self._heat()
        values = {Quantity.TEMP: air.temp_c, Quantity.RH: air.rh_pct}
        return tuple(Raw(channel=each.name, value=values[each.quantity]) for each in self._channels)

    def close(self) -> None:
        """The bus belongs to the wire; a heater must not stay on."""
        if self._must_switch_off:
            with suppress(ReadError):
                self._switch_off()

    def _expect_dry(self) -> None:
        if self._must_switch_off and not self._dryer.heats(self._now_s()):
            self._switch_off()
        if (left_s := self._dryer.left_s(self._now_s())) > 0:
            raise Drying(f"{self._what}: wet for {_WET_FOR_S / 60:.0f} min, dries by its heater, {left_s:.0f} s left")

    def _measured(self) -> Air:
        if not self._begun:
            self._command(self._chip.reset, wait_s=_READY_S)
            self._begun = True
        return self._wire.ask(
            Transfer(
                what=self._what,
                address=self._address,
                send=self._chip.measure,
                wait_s=self._chip.measure_s,
                expect=ANSWER_BYTES,
                reset=self._chip.reset,
                parse=lambda answer: air_of(self._chip, answer),
            )
        )

    def _heat(self) -> None:
        self._dryer.heated(self._now_s())
        self._must_switch_off = bool(self._chip.heat_off)
        with suppress(ReadError):  # the measurement before it was good
            self._command(self._chip.heat_on)

    def _switch_off(self) -> None:
        self._command(self._chip.heat_off)
        self._must_switch_off = False
        self._dryer.switched_off(self._now_s())

    def _command(self, command: bytes, wait_s: float = 0.0) -> None:
        self._wire.ask(
            Transfer(
                what=self._what,
                address=self._address,
                send=command,
                wait_s=wait_s,
                reset=self._chip.reset,
                parse=lambda _: None,
            )
        )
