"""Owns: what every sensor must do, whatever its kind.

Must not know: any kind of sensor.
How it works: a kind's test class inherits this one and gives two fixtures: `sensor`, whose device works, and
`lost_sensor`, whose device is not there. Every test below then runs on that kind.
"""

from __future__ import annotations

import pytest

from gateway.errors import ReadError
from gateway.ports import Sensor


class SensorContract:
    def test_values_come_in_the_order_of_the_channels(self, sensor: Sensor) -> None:
        assert [raw.channel for raw in sensor.read()] == [channel.name for channel in sensor.channels]

    def test_channels_are_named_after_sensor_and_quantity_and_differ(self, sensor: Sensor) -> None:
        channels = sensor.channels
        assert channels
        assert [channel.name for channel in channels] == [f"{c.sensor}.{c.quantity}" for c in channels]
        assert len({channel.name for channel in channels}) == len(channels)

    def test_channels_are_known_before_the_first_read_and_stay_the_same(self, sensor: Sensor) -> None:
        before = sensor.channels
        sensor.read()
        assert sensor.channels == before

    def test_reads_again_and_again(self, sensor: Sensor) -> None:
        assert sensor.read() == sensor.read()

    def test_close_may_come_twice(self, sensor: Sensor) -> None:
        sensor.close()
        sensor.close()

    def test_a_lost_device_is_a_read_error_each_time(self, lost_sensor: Sensor) -> None:
        for _ in range(3):
            with pytest.raises(ReadError):
                lost_sensor.read()

    def test_a_lost_device_still_has_its_channels_and_can_be_closed(self, lost_sensor: Sensor) -> None:
        assert lost_sensor.channels
        lost_sensor.close()
        lost_sensor.close()
