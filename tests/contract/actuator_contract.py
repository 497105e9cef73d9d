"""Owns: what every actuator must do, whatever its kind.

Must not know: any kind of actuator.
How it works: a kind's test class inherits this one and gives three fixtures: `actuator`, whose hardware works;
`runs`, which asks the hardware by another way than the driver whether the kit runs now; and `lost_actuator`,
whose hardware is not there.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gateway.errors import CommandError, ReadError
from gateway.ports import Actuator


class ActuatorContract:
    def test_the_kit_does_what_was_set(self, actuator: Actuator, runs: Callable[[], bool]) -> None:
        for on in (True, False, False, True, True, False):
            actuator.set(on)
            assert runs() is on

    def test_readback_is_none_or_what_the_hardware_does(self, actuator: Actuator, runs: Callable[[], bool]) -> None:
        for on in (True, False):
            actuator.set(on)
            assert actuator.readback() in (None, runs())

    @pytest.mark.parametrize("last", [True, False])
    def test_close_leaves_the_safe_state(self, actuator: Actuator, runs: Callable[[], bool], last: bool) -> None:
        actuator.set(last)
        actuator.close()
        assert runs() is actuator.safe_on

    def test_close_without_any_command_leaves_the_safe_state(
        self, actuator: Actuator, runs: Callable[[], bool]
    ) -> None:
        actuator.close()
        assert runs() is actuator.safe_on

    def test_close_may_come_twice(self, actuator: Actuator, runs: Callable[[], bool]) -> None:
        actuator.set(not actuator.safe_on)
        actuator.close()
        actuator.close()
        assert runs() is actuator.safe_on

    def test_nothing_can_be_set_after_close(self, actuator: Actuator, runs: Callable[[], bool]) -> None:
        actuator.close()
        with pytest.raises(CommandError):
            actuator.set(not actuator.safe_on)
        assert runs() is actuator.safe_on

    def test_lost_hardware_is_a_command_error_with_its_cause(self, lost_actuator: Actuator) -> None:
        for on in (True, False):
            with pytest.raises(CommandError) as caught:
                lost_actuator.set(on)
            assert isinstance(caught.value.__cause__, ReadError)

    def test_lost_hardware_is_a_read_error_at_readback(self, lost_actuator: Actuator) -> None:
        with pytest.raises(ReadError):
            lost_actuator.readback()

    def test_lost_hardware_can_be_closed(self, lost_actuator: Actuator) -> None:
        lost_actuator.close()
        lost_actuator.close()
