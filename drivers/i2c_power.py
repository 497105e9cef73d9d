"""Owns: the GPIO line that feeds the sensors of an I2C bus, and how often their supply may be cut.

Must not know: I2C, chips, why the supply is cut.
How it works: the line is found by the label of its chip and its own name, taken at first use, and held at its active
level as long as this process lives. A cut hits every sensor on the line, so after one that did not help the next must
wait longer: 1, 2, 4 ... 60 minutes. A cut that helped makes it 1 minute again.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final, Protocol

import gpiod
from gpiod.line import Direction, Value

from gateway.errors import PortGone

_OFF_S: Final = 0.5  # the chips and the capacitors beside them must be empty; own choice
_START_S: Final = 0.05  # the slowest chip here is ready after 2 ms
_FIRST_GAP_S: Final = 60.0
_LONGEST_GAP_S: Final = 3600.0
_CHIPS: Final = Path("/dev")


class Supply(Protocol):
    """Something that feeds the sensors."""

    def turn(self, on: bool) -> None:
        """Raises PortGone."""
        ...

    def close(self) -> None: ...


class SupplyLine:
    """One GPIO line, held by this process alone."""

    def __init__(self, chip: str, line: str, *, folder: Path = _CHIPS) -> None:
        self._chip, self._line, self._folder = chip, line, folder
        self._held: gpiod.LineRequest | None = None

    def turn(self, on: bool) -> None:
        try:
            if self._held is None:
                self._held = self._request()
            self._held.set_value(self._line, Value.ACTIVE if on else Value.INACTIVE)
        except (OSError, ValueError) as error:
            self.close()
            raise PortGone(f"line {self._line} of {self._chip}: {error}") from error

    def close(self) -> None:
        """What the line does then, its chip decides: its pull must feed the sensors."""
        held, self._held = self._held, None
        if held is not None:
            with suppress(OSError):
                held.release()

    def _request(self) -> gpiod.LineRequest:
        for path in sorted(self._folder.glob("gpiochip*")):
            if gpiod.is_gpiochip_device(str(path)) and _label(path) == self._chip:
                feeding = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.ACTIVE)
                return gpiod.request_lines(str(path), consumer="loosebox", config={self._line: feeding})
        raise OSError(f"no GPIO chip in {self._folder} has this label")


class PowerCut:
    """Cuts the supply for a moment, seldom."""

    def __init__(self, supply: Supply, *, now_s: Callable[[], float], sleep: Callable[[float], None]) -> None:
        self._supply = supply
        self._now_s, self._sleep = now_s, sleep
        self._gap_s = _FIRST_GAP_S
        self._allowed_from_s = float("-inf")

    def feed(self) -> None:
        self._supply.turn(True)

    def cut(self) -> bool:
        """False when it is too early for the next cut, and nothing happened. Raises PortGone."""
        if self._now_s() < self._allowed_from_s:
            return False
        self._allowed_from_s = self._now_s() + self._gap_s
        self._gap_s = min(2 * self._gap_s, _LONGEST_GAP_S)
        try:
            self._supply.turn(False)
            self._sleep(_OFF_S)
        finally:
            self._supply.turn(True)
        self._sleep(_START_S)
        return True

    def helped(self) -> None:
        self._gap_s = _FIRST_GAP_S

    def close(self) -> None:
        self._supply.close()


def _label(path: Path) -> str:
    with gpiod.Chip(str(path)) as chip:
        return chip.get_info().label
