"""Owns: how fast a hot horse warms or cools now, with a skin temperature that follows from the air.

Must not know: the horse's past, cooling methods, time.
How it works: blood brings heat to the skin through one conductance; the skin settles where what arrives is what
leaves. The rate is of the whole body; a rectal reading follows it late.
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.heat.balance import (
    Surroundings,
    balance,
    dry_losses_w,
    evaporation_w,
    film_w_m2_k,
    speed_past_skin_mps,
)
from gateway.heat.horse import Horse, Pace
from gateway.heat.psychro import vapour_pressure_pa
from gateway.heat.ranges import within
from gateway.heat.root import falling_root

_SECONDS = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """Skin temperature, heat that reaches the skin, and the change of the body; negative is cooling.

    `needs` is the heat that evaporation must take at this skin over the most that the air can take.
    """

    skin_c: float
    to_skin_w: float
    body_k_min: float
    needs: float


def recovery(around: Surroundings, pace: Pace, horse: Horse, *, core_c: float) -> Recovery:
    """The present rate of a horse whose core is at `core_c`.

    Args: around, pace, horse [units in their fields], core_c [°C]. Range: 36 to 44 °C.
    Raises: RangeError.
    Reference: two-node model after Gagge 1971 (from memory); conductance fitted to Geor and others 1995, our choice.
    """
    within("core_c [°C]", core_c, (36.0, 44.0))
    vapour_pa = vapour_pressure_pa(temp_c=around.temp_c, rh_pct=around.rh_pct)
    film = film_w_m2_k(horse, speed_past_skin_mps(horse, pace, around.air_mps))
    to_core = horse.core_to_skin_w_m2_k * horse.area_m2

    def surplus(skin_c: float) -> float:
        dry = sum(dry_losses_w(around, horse, film, skin_c))
        return to_core * (core_c - skin_c) - dry - horse.wetness * evaporation_w(horse, film, skin_c, vapour_pa)

    skin_c = falling_root(surplus, low=-30.0, high=75.0, close=1e-6)
    to_skin_w = to_core * (core_c - skin_c)
    fixed = balance(around, pace, horse)
    made_w = fixed.heat_w - fixed.breath_w
    most_w = evaporation_w(horse, film, skin_c, vapour_pa)
    left_w = made_w - sum(dry_losses_w(around, horse, film, skin_c))
    return Recovery(
        skin_c=skin_c,
        to_skin_w=to_skin_w,
        body_k_min=_SECONDS * (made_w - to_skin_w) / (horse.mass_kg * horse.tissue_j_kg_k),
        needs=min(100.0, max(0.0, left_w / most_w)) if most_w > 0.0 else 100.0,
    )
