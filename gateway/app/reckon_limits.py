"""Owns: where over temperature and humidity one roof ends and the next begins.

Must not know: drawing, tables, what was typed.
How it works: at one temperature, more humidity never raises carry, so each pace has one highest humidity at which it
is carried, found as a root. The roof is the fastest pace that is carried, so an area reaches up to the highest limit
of its pace and all faster ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.app.reckon import Asked
from gateway.app.reckon_table import at
from gateway.heat.balance import ROOF_PACES, carry
from gateway.heat.horse import Horse, Pace
from gateway.heat.root import falling_root

_CLOSE_PCT = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """For each temperature [°C]: the humidity [%] up to which a pace is the roof or less, and a stand is carried."""

    temps_c: tuple[float, ...]
    low_pct: float
    high_pct: float
    tops: dict[Pace, tuple[float, ...]]
    stand: tuple[float, ...]

    def areas(self) -> list[tuple[Pace | None, tuple[float, ...], tuple[float, ...]]]:
        """From the bottom up: a pace (None is no pace), the lower edge and the upper edge of its area."""
        floor = (self.low_pct,) * len(self.temps_c)
        found: list[tuple[Pace | None, tuple[float, ...], tuple[float, ...]]] = []
        for pace in reversed(ROOF_PACES):
            found.append((pace, floor, self.tops[pace]))
            floor = self.tops[pace]
        return [*found, (None, floor, (self.high_pct,) * len(self.temps_c))]


def limits(asked: Asked, temps_c: Sequence[float], *, low_pct: float, high_pct: float) -> Limits:
    """The limits between two humidities. Raises RangeError."""
    horse = asked.horse()
    own = {
        pace: tuple(_highest(asked, horse, pace, temp_c, low_pct, high_pct) for temp_c in temps_c)
        for pace in ROOF_PACES
    }
    tops: dict[Pace, tuple[float, ...]] = {}
    above = (low_pct,) * len(temps_c)
    for pace in reversed(ROOF_PACES):
        above = tuple(max(pair) for pair in zip(above, own[pace], strict=True))
        tops[pace] = above
    return Limits(temps_c=tuple(temps_c), low_pct=low_pct, high_pct=high_pct, tops=tops, stand=own[Pace.STAND])


def _highest(asked: Asked, horse: Horse, pace: Pace, temp_c: float, low_pct: float, high_pct: float) -> float:
    """The highest humidity at which the pace is carried; the low end when it is not carried even there."""

    def spare(rh_pct: float) -> float:
        return carry(at(asked, "C", temp_c, rh_pct).around(), pace, horse) - 1.0

    return falling_root(spare, low=low_pct, high=high_pct, close=_CLOSE_PCT)
