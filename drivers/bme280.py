"""Owns: BME280 sensors: temperature, humidity and pressure.

Must not know: how bytes travel, what registers mean, whether a value is plausible.
How it works: the chip's number and its calibration are read at first use and again after any trouble, since another
chip may be there now. Each read orders one measurement, waits, and fetches settings, state and data in one go. Since
there is no checksum, all that is read is read twice and must be the same.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from drivers import bme280_frame as frame
from drivers.i2c_wire import I2cWire, Transfer
from gateway.barn import SensorSpec
from gateway.errors import GatewayError
from gateway.model import Channel, Quantity, Raw

T = TypeVar("T")


class Bme280:
    """One chip."""

    def __init__(self, spec: SensorSpec, wire: I2cWire) -> None:
        self._wire = wire
        self._channels = spec.channels
        self._address = int(spec.options["address"])
        self._calibration: frame.Calibration | None = None

    @property
    def channels(self) -> tuple[Channel, ...]:
        return self._channels

    def read(self) -> tuple[Raw, ...]:
        try:
            air = self._measured()
        except GatewayError:
            self._calibration = None
            raise
        values = {Quantity.TEMP: air.temp_c, Quantity.RH: air.rh_pct, Quantity.PRESSURE: air.pressure_pa}
        return tuple(Raw(channel=each.name, value=values[each.quantity]) for each in self._channels)

    def close(self) -> None:
        """The chip sleeps by itself; the bus belongs to the wire."""

    def _measured(self) -> frame.Air:
        calibration = self._calibration or self._begin()
        self._calibration = calibration
        return self._ask(
            frame.RESULT,
            frame.RESULT_BYTES,
            lambda raw: frame.air_of(calibration, raw),
            send=frame.MEASURE,
            wait_s=frame.MEASURE_S,
        )

    def _begin(self) -> frame.Calibration:
        self._ask(frame.ID, 1, frame.expect_bme280)
        main = self._ask(frame.CALIBRATION, frame.CALIBRATION_BYTES, bytes)
        return self._ask(
            frame.HUMIDITY_CALIBRATION,
            frame.HUMIDITY_CALIBRATION_BYTES,
            lambda humidity: frame.calibration_of(main, humidity),
        )

    def _ask(
        self, pointer: bytes, expect: int, parse: Callable[[bytes], T], *, send: bytes = b"", wait_s: float = 0.0
    ) -> T:
        return self._wire.ask(
            Transfer(
                what=f"BME280 at {self._address:#04x}",
                address=self._address,
                send=send,
                wait_s=wait_s,
                pointer=pointer,
                expect=expect,
                twice=True,
                reset=frame.RESET,
                parse=parse,
            )
        )
