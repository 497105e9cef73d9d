"""Owns: how far the stated assumptions move carry, and what a fan, water or shade would change.

Must not know: sensors (that is `uncertainty`), levels, words.
How it works: the balance is worked out at every corner of three assumptions that move it most (area, convection
form, wettedness); the band is the lowest and highest corner. The effects are the same balance with one thing changed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

from gateway.heat.balance import Surroundings, balance
from gateway.heat.horse import Convection, Horse, Pace

AREA_SHARE = (0.85, 1.15)  # formulas in print differ by a quarter
WETNESS_SHARE = (0.7, 1.0)  # own choice: a hosed horse is seldom wet all over
DRY_COAT = 0.15  # own choice: skin that does not sweat


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryBand:
    """Carry with its lowest and highest value under the stated assumptions."""

    low: float
    carry: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """Carry as things are, and with one or two things changed."""

    now: float
    with_fan: float
    wetted: float
    wetted_with_fan: float
    dry_coat: float
    without_sun: float


def carry_band(around: Surroundings, pace: Pace, horse: Horse) -> CarryBand:
    """Carry, and its range over area (15 % either way), convection form, and wettedness (down to 70 % of it).

    Args: around, pace, horse [units in their fields]. Range: as checked when they were made.
    Raises: RangeError.
    Reference: area: Hodgson's line against Meeh's rule, from memory; convection: human against sheep form.
    """
    corners = [balance(around, pace, corner).carry for corner in _corners(horse)]
    middle = balance(around, pace, horse).carry
    return CarryBand(low=min(corners), carry=middle, high=max(corners))


def effects(around: Surroundings, pace: Pace, horse: Horse, *, fan_mps: float) -> Effects:
    """What a fan, wetting the coat, a dry coat or shade would make of carry.

    Args: around, pace, horse [units in their fields], fan_mps [m/s, at the horse with the fan on]. Range: 0 to 60.
    Raises: RangeError.
    Reference: the balance's own; that fans need a wet horse agrees with McGill, Hayes and Coleman 2021.
    """
    blown = replace(around, air_mps=max(around.air_mps, fan_mps))
    wet = replace(horse, wetness=1.0)
    return Effects(
        now=balance(around, pace, horse).carry,
        with_fan=balance(blown, pace, horse).carry,
        wetted=balance(around, pace, wet).carry,
        wetted_with_fan=balance(blown, pace, wet).carry,
        dry_coat=balance(around, pace, replace(horse, wetness=DRY_COAT)).carry,
        without_sun=balance(replace(around, sun_w_m2=0.0, radiant_c=None), pace, horse).carry,
    )


@lru_cache(maxsize=16)
def _corners(horse: Horse) -> tuple[Horse, ...]:
    """The horse with every combination of the assumptions at their ends; kept, as a barn asks for one horse all day."""
    areas, wets = _kept(horse.area_factor, AREA_SHARE, 0.7, 1.35), _kept(horse.wetness, WETNESS_SHARE, 0.0, 1.0)
    return tuple(
        replace(horse, area_factor=area, convection=form, wetness=wet)
        for area, form, wet in product(areas, Convection, wets)
    )


def _kept(value: float, shares: tuple[float, float], low: float, high: float) -> tuple[float, ...]:
    return tuple(min(high, max(low, value * share)) for share in shares)
