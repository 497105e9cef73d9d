"""Owns: every published index for one state of the air, and the sun that the outdoor one needs.

Must not know: the horse, what was typed, words.
How it works: one call for each index. Those made for people stand apart from the rest. Outdoor WBGT needs the height
of the sun, which nobody types: it is taken as the height at which a clear sky gives the stated irradiance. Under cloud
the same irradiance is softer, so this errs on the hot side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp

from gateway.errors import RangeError
from gateway.heat.balance import Surroundings
from gateway.heat.indices import (
    heat_sum_minus_wind,
    human_heat_index_c,
    humidex,
    thi_bianca,
    thi_mader,
    thi_nrc,
    thi_thom,
    thi_wet_bulb,
    thi_yousef,
)
from gateway.heat.liljegren import outdoor_wbgt
from gateway.heat.root import falling_root
from gateway.heat.wbgt import wbgt_simple_c, wbgt_under_roof

CLEAR_BEAM_SHARE = 0.8  # of a clear sky's light, straight from the sun: common practice, no published source
_NO_SUN = "no sun was given"


@dataclass(frozen=True, slots=True, kw_only=True)
class Indices:
    """The indices. `wbgt_outdoor` is the value, or None and the reason why there is none."""

    sum_minus_wind: float | None
    thi: Mapping[str, float]
    wbgt_simple_c: float
    wbgt_under_roof_c: float
    wbgt_outdoor: tuple[float | None, str | None]
    for_people: Mapping[str, float]

    @property
    def wbgt_c(self) -> float:
        """The one that fits what was said: in the open where a sun was given, else under a roof."""
        outdoor = self.wbgt_outdoor[0]
        return self.wbgt_under_roof_c if outdoor is None else outdoor


def indices(
    around: Surroundings,
    *,
    globe_c: float | None,
    wind_mps: float | None,
    sun_w_m2: float | None,
    wet_bulb_c: float,
    dew_point_c: float,
) -> Indices:
    """All indices; wind and sun None where nobody said them. Raises RangeError."""
    temp_c, rh_pct = around.temp_c, around.rh_pct
    return Indices(
        sum_minus_wind=None
        if wind_mps is None
        else heat_sum_minus_wind(temp_c=temp_c, rh_pct=rh_pct, wind_mps=wind_mps),
        thi={
            "nrc": thi_nrc(temp_c=temp_c, rh_pct=rh_pct),
            "mader": thi_mader(temp_c=temp_c, rh_pct=rh_pct),
            "wet_bulb": thi_wet_bulb(temp_c=temp_c, wet_bulb_c=wet_bulb_c),
            "yousef": thi_yousef(temp_c=temp_c, dew_point_c=dew_point_c),
            "bianca": thi_bianca(temp_c=temp_c, wet_bulb_c=wet_bulb_c),
        },
        wbgt_simple_c=wbgt_simple_c(temp_c=temp_c, rh_pct=rh_pct),
        wbgt_under_roof_c=wbgt_under_roof(
            temp_c=temp_c, rh_pct=rh_pct, pressure_pa=around.pressure_pa, air_mps=around.air_mps, globe_c=globe_c
        ).wbgt_c,
        wbgt_outdoor=_outdoor(around, sun_w_m2),
        for_people={
            "human_heat_index_c": human_heat_index_c(temp_c=temp_c, rh_pct=rh_pct),
            "humidex": humidex(temp_c=temp_c, dew_point_c=dew_point_c),
            "thi_thom": thi_thom(temp_c=temp_c, wet_bulb_c=wet_bulb_c),
        },
    )


def clear_sky_cos(sun_w_m2: float) -> float:
    """Cosine of the sun's zenith angle at which a clear sky gives this global irradiance [W/m2]; 1 is the most.

    Reference: Haurwitz 1945, J Meteorol 2:154-166, global irradiance = 1098 cos z exp(-0.059 / cos z), solved for z;
    the two numbers as in an open solar library.
    """

    def short(cos: float) -> float:
        return sun_w_m2 - 1098.0 * cos * exp(-0.059 / cos)

    return falling_root(short, low=1e-3, high=1.0, close=1e-7)


def _outdoor(around: Surroundings, sun_w_m2: float | None) -> tuple[float | None, str | None]:
    if sun_w_m2 is None:
        return None, _NO_SUN
    try:
        found = outdoor_wbgt(
            temp_c=around.temp_c,
            rh_pct=around.rh_pct,
            pressure_pa=around.pressure_pa,
            wind_mps=around.air_mps,
            sun_w_m2=sun_w_m2,
            beam_share=CLEAR_BEAM_SHARE,
            sun_cos=clear_sky_cos(sun_w_m2),
        )
    except RangeError as error:  # its formula is known for a smaller range than the others
        return None, str(error)
    return found.wbgt_c, None
