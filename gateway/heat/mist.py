"""Owns: what happens to air when water evaporates into it without any heat from outside.

Must not know: misters, nozzles, fans, whether misting is allowed.
How it works: the wet bulb stays, the dry bulb falls toward it, and the humidity ratio follows from the wet bulb.
The sum of °F and % rises on the way although the air gets kinder (only in desert air, near 37 °C and 10 %, does it
stand still): this is why it never steers a mister.
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.heat.psychro import (
    humidity_ratio,
    ratio_at_wet_bulb,
    rh_pct_from_vapour,
    vapour_from_ratio_pa,
    vapour_pressure_pa,
    wet_bulb_c,
)
from gateway.heat.ranges import within


@dataclass(frozen=True, slots=True, kw_only=True)
class Mist:
    """Air after misting, and the water that it took up. `depression_k` is what is left to cool."""

    temp_c: float
    rh_pct: float
    wet_bulb_c: float
    depression_k: float
    water_kg_kg: float


def mist(*, temp_c: float, rh_pct: float, pressure_pa: float, efficiency: float) -> Mist:
    """Air that has covered a share of the way to saturation by evaporating water.

    Args: temp_c [°C], rh_pct [%], pressure_pa [Pa], efficiency [1, share of the wet-bulb depression].
    Range: 5 to 80 °C, 0 to 100 %, 60 000 to 110 000 Pa, 0 to 1. A wet bulb at freezing or below is refused.
    Raises: RangeError.
    Reference: ASHRAE Handbook HVAC Systems and Equipment 2016, chapter 41, direct evaporative cooling
    effectiveness; ASHRAE Handbook Fundamentals 2017, chapter 1, equation 33.
    """
    within("temp_c [°C]", temp_c, (5.0, 80.0))
    within("efficiency [1]", efficiency, (0.0, 1.0))
    wet_c = wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa)
    within("wet bulb [°C]", wet_c, (0.01, 80.0))
    before = humidity_ratio(
        vapour_pressure_pa=vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct), pressure_pa=pressure_pa
    )
    after_c = temp_c - efficiency * (temp_c - wet_c)
    after = ratio_at_wet_bulb(temp_c=after_c, wet_bulb_c=wet_c, pressure_pa=pressure_pa)
    vapour_pa = vapour_from_ratio_pa(humidity_ratio=after, pressure_pa=pressure_pa)
    return Mist(
        temp_c=after_c,
        rh_pct=min(100.0, rh_pct_from_vapour(temp_c=after_c, vapour_pressure_pa=vapour_pa)),
        wet_bulb_c=wet_c,
        depression_k=after_c - wet_c,
        water_kg_kg=max(0.0, after - before),
    )
