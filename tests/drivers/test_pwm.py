"""Owns: checks of fans on the kernel's pwm files.

Must not know: hardware.
How it works: the tree of `kernel_pwm` refuses what the kernel refuses. A fan's speed is read off the pin there: the
share of time for which it is high, or low where no pulses mean full speed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.pwm import PwmKit, write_text
from drivers.sysfs_files import SysfsRoot
from gateway.barn import KitSpec, RelaySpec
from gateway.errors import CommandError, PortGone, ReadError
from gateway.model import KitKind
from gateway.ports import Actuator
from tests.contract.actuator_contract import ActuatorContract
from tests.drivers.kernel_pwm import KernelPwm
from tests.drivers.specs import sysfs_tree

DEVICE = "1f00098000.pwm"
KIT = KitSpec(
    name="aisle-fan",
    place="stalls",
    kind=KitKind.FAN,
    relay="pins",
    output=0,
    contact="full-on-loss",
    on_level=1,
    min_on_s=30.0,
    min_off_s=20.0,
    least_speed=0.3,
)


def no_sleep(_: float) -> None:
    """The tree changes at once."""


def fan(
    root: Path, chip: KernelPwm | None = None, *, channel: int = 0, inverted: bool = False, period_us: float = 1000
) -> PwmKit:
    options = {"chip": DEVICE, "period_us": period_us, "inverted": inverted}
    relay = RelaySpec(name="pins", kind="pwm", bus="kernel", refresh_s=5.0, options=options)
    write = write_text if chip is None else chip.write
    return PwmKit(replace(KIT, output=channel), relay, SysfsRoot(sysfs_tree(root)), write=write, sleep=no_sleep)


@pytest.fixture
def chip(tmp_path: Path) -> KernelPwm:
    return KernelPwm(tmp_path, DEVICE)


class TestPwmKit(ActuatorContract):
    @pytest.fixture(params=[False, True])
    def inverted(self, request: pytest.FixtureRequest) -> bool:
        return bool(request.param)

    @pytest.fixture
    def actuator(self, tmp_path: Path, chip: KernelPwm, inverted: bool) -> Actuator:
        return fan(tmp_path, chip, inverted=inverted)

    @pytest.fixture
    def runs(self, chip: KernelPwm, inverted: bool) -> Callable[[], bool]:
        return lambda: chip.high_share() < 1 if inverted else chip.high_share() > 0

    @pytest.fixture
    def lost_actuator(self, tmp_path: Path) -> Actuator:
        return fan(tmp_path / "nothing")


@pytest.mark.parametrize(("inverted", "high"), [(False, 0.4), (True, 0.6)])
def test_the_speed_is_the_share_of_the_period(tmp_path: Path, chip: KernelPwm, inverted: bool, high: float) -> None:
    fan(tmp_path, chip, inverted=inverted).set(True, 0.4)
    assert chip.high_share() == pytest.approx(high)
    assert chip.state() == {"period": "1000000", "duty_cycle": f"{high * 1e6:.0f}", "enable": "1", "polarity": "normal"}


def test_the_period_is_written_before_the_duty_and_both_before_it_is_enabled(tmp_path: Path, chip: KernelPwm) -> None:
    fan(tmp_path, chip).set(True, 0.5)
    assert chip.written == ["export 0", "period 1000000", "duty_cycle 500000", "enable 1"]


def test_a_shorter_period_is_reached_although_the_old_duty_was_longer(tmp_path: Path, chip: KernelPwm) -> None:
    fan(tmp_path, chip, period_us=1000).set(True, 1.0)
    fan(tmp_path, chip, period_us=40).set(True, 0.5)
    assert chip.state()["period"] == "40000" and chip.high_share() == 0.5


def test_a_channel_that_was_left_with_another_polarity_is_set_right(tmp_path: Path, chip: KernelPwm) -> None:
    fan(tmp_path, chip).set(True, 0.3)
    (chip.folder / "pwm0/polarity").write_text("inversed\n")
    fan(tmp_path, chip).set(True, 0.3)
    assert chip.high_share() == pytest.approx(0.3) and chip.state()["polarity"] == "normal"


def test_the_chip_is_found_by_its_device_whatever_its_number(tmp_path: Path, chip: KernelPwm) -> None:
    other = KernelPwm(tmp_path, "another.pwm", number=1)
    fan(tmp_path, chip).set(True, 0.5)
    assert not (other.folder / "pwm0").exists()
    (tmp_path / "class/pwm/pwmchip0").rename(tmp_path / "class/pwm/pwmchip7")
    fan(tmp_path, chip).set(True, 0.2)
    chip.folder = tmp_path / "class/pwm/pwmchip7"
    assert chip.high_share() == pytest.approx(0.2)


def test_a_device_with_two_chips_is_refused(tmp_path: Path, chip: KernelPwm) -> None:
    again = tmp_path / "class/pwm/pwmchip1"
    again.mkdir()
    (again / "device").symlink_to(tmp_path / "devices/platform" / DEVICE)
    with pytest.raises(CommandError, match="2 pwm chips"):
        fan(tmp_path, chip).set(True)


def test_a_channel_that_the_chip_does_not_have_is_told(tmp_path: Path, chip: KernelPwm) -> None:
    with pytest.raises(CommandError, match="export = 2: No such device"):
        fan(tmp_path, chip, channel=2).set(True)


def test_rights_that_come_late_are_waited_for_and_rights_that_never_come_are_told(
    tmp_path: Path, chip: KernelPwm
) -> None:
    chip.slow_rights = 3
    fan(tmp_path, chip).set(True, 0.5)
    assert chip.high_share() == 0.5
    chip.slow_rights = 1000
    with pytest.raises(CommandError, match="Permission denied"):
        fan(tmp_path, chip).set(True, 0.6)


@pytest.mark.parametrize("speed", [-0.01, 1.01, float("nan")])
def test_a_speed_that_is_none_is_refused(tmp_path: Path, chip: KernelPwm, speed: float) -> None:
    with pytest.raises(CommandError, match="not between 0 and 1"):
        fan(tmp_path, chip).set(True, speed)
    assert chip.written == []


@pytest.mark.parametrize("inverted", [False, True])
def test_close_leaves_full_speed_running(tmp_path: Path, chip: KernelPwm, inverted: bool) -> None:
    kit = fan(tmp_path, chip, inverted=inverted)
    kit.set(True, 0.3)
    kit.close()
    assert chip.high_share() == (0.0 if inverted else 1.0)
    assert chip.state()["enable"] == "1", "a channel that is given back would stop its pulses"


def test_a_disabled_channel_reads_back_as_running_since_the_drive_has_lost_its_signal(
    tmp_path: Path, chip: KernelPwm
) -> None:
    kit = fan(tmp_path, chip)
    assert kit.readback() is True
    kit.set(False)
    assert kit.readback() is False
    (chip.folder / "pwm0/enable").write_text("0\n")
    assert kit.readback() is True


def test_garbage_in_a_file_is_a_read_error(tmp_path: Path, chip: KernelPwm) -> None:
    kit = fan(tmp_path, chip)
    kit.set(True)
    (chip.folder / "pwm0/duty_cycle").write_text("-\n")
    with pytest.raises(ReadError, match="not a number"):
        kit.readback()


def test_plain_files_are_written_as_they_are_and_none_is_created(tmp_path: Path) -> None:
    target = tmp_path / "enable"
    with pytest.raises(FileNotFoundError):
        write_text(target, "1")
    assert not target.exists()
    target.write_text("0")
    write_text(target, "1")
    assert target.read_text() == "1"


def test_a_chip_that_has_gone_is_told(tmp_path: Path, chip: KernelPwm) -> None:
    kit = fan(tmp_path, chip)
    kit.set(True)
    chip.folder.rename(tmp_path / "gone")
    with pytest.raises(PortGone, match="no pwm chips"):
        kit.readback()


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    steps=st.lists(st.tuples(st.booleans(), st.floats(0, 1), st.sampled_from([1, 40, 1000, 20000.5])), max_size=6),
    inverted=st.booleans(),
)
def test_the_kernel_never_refuses_and_the_pin_is_what_was_asked(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[bool, float, float]], inverted: bool
) -> None:
    root = tmp_path_factory.mktemp("pwm")
    chip = KernelPwm(root, DEVICE)
    for on, speed, period_us in steps:
        kit = fan(root, chip, inverted=inverted, period_us=period_us)
        kit.set(on, speed)
        asked = speed if on else 0.0
        step = 1 / round(period_us * 1000)
        assert chip.high_share() == pytest.approx(1 - asked if inverted else asked, abs=step)
        assert kit.readback() is (chip.high_share() < 1 if inverted else chip.high_share() > 0)
