"""Writes `gateway/control/LEVELS.md`: what the levels would have been over three typical years, by policy.

Run: `make report`. Weather: the typical meteorological years that the pvlib package carries (Miami, TMY2, Marion and
Urban 1995; Greensboro and Sand Point, TMY3, Wilcox and Marion 2008). The yardstick is outdoor WBGT after Liljegren
and others 2008 from the same hour's sun and wind, in the bands of a federation's guidance: an index that neither of
our inputs was made from.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

from gateway.control.heatload import heat_load
from gateway.control.levels import LevelState, levels_of, next_levels
from gateway.heat.bands import WBGT_BANDINGS, Banding
from gateway.heat.liljegren import outdoor_wbgt
from gateway.model import PlaceKind, Policy
from tests.control.barns import barn

PAGE = Path(__file__).parents[2] / "gateway" / "control" / "LEVELS.md"
DATA = Path(pvlib.__file__).parent / "data"
YEARS = {
    "Miami, Florida": "12839.tm2",
    "Greensboro, North Carolina": "723170TYA.CSV",
    "Sand Point, Alaska": "703165TY.csv",
}
COLDEST_WBGT_C = -10.0  # below, the WBGT formula is not known; such an hour is in no band that matters
ROUGHNESS_M, MAST_M, HORSE_M, CALM_MPS = 0.03, 10.0, 2.0, 0.3  # short grass, log profile; from memory


@dataclass(frozen=True, slots=True)
class Hour:
    """One hour: level by rule and by air at a riding and at a standing place, WBGT band, whether the sun shines."""

    rule: int
    riding_air: int
    standing_air: int
    wbgt_band: int
    day: bool

    def level(self, kind: PlaceKind, policy: Policy) -> int:
        air = self.riding_air if kind is PlaceKind.RIDING else self.standing_air
        return {Policy.RULE: self.rule, Policy.AIR: air, Policy.STRICTER: max(self.rule, air)}[policy]


def read_year(name: str) -> pd.DataFrame:
    """Hourly weather: temp_c, rh_pct, pressure_pa, wind_mps, ghi, dni, sun_cos (of the zenith angle)."""
    path = DATA / name
    if path.suffix == ".tm2":
        data, meta = pvlib.iotools.read_tmy2(path)
        frame = pd.DataFrame(
            {
                "temp_c": data["DryBulb"] / 10.0, "rh_pct": data["RHum"], "pressure_pa": data["Pressure"] * 100.0,
                "wind_mps": data["Wspd"] / 10.0, "ghi": data["GHI"], "dni": data["DNI"],
            }
        )  # fmt: skip
        middle_min = 30  # stamps as read begin their hour
    else:
        data, meta = pvlib.iotools.read_tmy3(path, coerce_year=1990, map_variables=True)
        frame = pd.DataFrame(
            {
                "temp_c": data["temp_air"], "rh_pct": data["relative_humidity"],
                "pressure_pa": data["pressure"] * 100.0, "wind_mps": data["wind_speed"],
                "ghi": data["ghi"], "dni": data["dni"],
            }
        )  # fmt: skip
        middle_min = -30  # stamps end their hour
    middles = pd.DatetimeIndex(frame.index) + pd.Timedelta(minutes=middle_min)
    sun = pvlib.solarposition.get_solarposition(middles, meta["latitude"], meta["longitude"])
    frame["sun_cos"] = np.cos(np.radians(sun["zenith"].to_numpy()))
    return frame.astype(float)


def hours_of(frame: pd.DataFrame, banding: Banding) -> list[Hour]:
    """Every hour of a year, judged without memory."""
    return [_hour(*values, banding=banding) for values in frame.itertuples(index=False, name=None)]


def _hour(
    temp_c: float, rh_pct: float, pressure_pa: float, wind_mps: float, ghi: float, dni: float, sun_cos: float,
    *, banding: Banding,
) -> Hour:  # fmt: skip
    found = {}
    for kind in PlaceKind:
        the_barn = replace(barn(kind=kind), pressure_pa=pressure_pa)
        place = the_barn.places[0]
        load = heat_load(temp_c, max(rh_pct, 1.0), place, the_barn)
        found[kind] = levels_of(next_levels(LevelState(), load, place, the_barn, 0.0), Policy.STRICTER)
    wind_2m = wind_mps * math.log(HORSE_M / ROUGHNESS_M) / math.log(MAST_M / ROUGHNESS_M)
    wbgt_c = COLDEST_WBGT_C
    if temp_c > COLDEST_WBGT_C:
        beam = dni * max(sun_cos, 0.0) / ghi if ghi > 0 else 0.0
        wbgt_c = outdoor_wbgt(
            temp_c=temp_c, rh_pct=max(rh_pct, 1.0), pressure_pa=pressure_pa, wind_mps=max(wind_2m, CALM_MPS),
            sun_w_m2=ghi, beam_share=min(max(beam, 0.0), 1.0), sun_cos=sun_cos,
        ).wbgt_c  # fmt: skip
    return Hour(
        rule=int(found[PlaceKind.RIDING].rule),
        riding_air=int(found[PlaceKind.RIDING].air),
        standing_air=int(found[PlaceKind.STANDING].air),
        wbgt_band=banding.band_of(wbgt_c),
        day=ghi > 0,
    )


def page() -> str:
    """The whole page."""
    banding = next(b for b in WBGT_BANDINGS if b.key == "fei-2018")
    lines = INTRODUCTION.splitlines()
    for city, name in YEARS.items():
        lines += ["", f"## {city}", "", *_city(hours_of(read_year(name), banding), banding)]
    return "\n".join(lines) + "\n"


def _city(hours: list[Hour], banding: Banding) -> Iterator[str]:
    yield "| place | policy | level 0 | 1 | 2 | 3 | of these by night: 0 | 1 | 2 | 3 |"
    yield "|---|---|---|---|---|---|---|---|---|---|"
    for kind in PlaceKind:
        for policy in Policy:
            levels = [h.level(kind, policy) for h in hours]
            night = [h.level(kind, policy) for h in hours if not h.day]
            counts = [*(levels.count(n) for n in range(4)), *(night.count(n) for n in range(4))]
            yield f"| {kind} | {policy} | {' | '.join(str(c) for c in counts)} |"
    yield ""
    for kind in PlaceKind:
        pairs = [(h.rule, h.level(kind, Policy.AIR)) for h in hours]
        above, below = sum(r > a for r, a in pairs), sum(r < a for r, a in pairs)
        far = sum(abs(r - a) >= 2 for r, a in pairs)
        yield (
            f"{str(kind).capitalize()}: the rule is stricter than the air in {above} hours, the air stricter than the "
            f"rule in {below}, two levels apart or more in {far}."
        )
    lows = [f"{band.low:g}" for band in banding.bands[1:]]
    yield ""
    yield f"| riding, hours at level | WBGT below {lows[0]} | {' | '.join(f'from {low}' for low in lows)} |"
    yield "|---" * (len(lows) + 2) + "|"
    for policy in Policy:
        for level in range(4):
            at = [h.wbgt_band for h in hours if h.level(PlaceKind.RIDING, policy) == level]
            if at:
                yield f"| {policy}, {level} | {' | '.join(str(at.count(b)) for b in range(len(banding.bands)))} |"
    hot = [h for h in hours if h.wbgt_band > 0]
    cool = [h for h in hours if h.wbgt_band == 0]
    if hot:
        yield ""
        for policy in Policy:
            warned = sum(h.level(PlaceKind.RIDING, policy) > 0 for h in hot) / len(hot)
            spared = sum(h.level(PlaceKind.RIDING, policy) == 0 for h in cool) / len(cool)
            yield (
                f"- {policy}: {warned:.0%} of the {len(hot)} hours with WBGT of {lows[0]} or more are at level 1 or "
                f"above; {spared:.0%} of the {len(cool)} cooler hours are at level 0."
            )


INTRODUCTION = """# How often each level would have been shown

Written by `make report` (`tests/report/levels_report.py`); do not edit. Outdoor air of typical years, every hour judged
without memory, a horse of 500 kg, air at 0.2 m/s besides its own movement, no sun in carry and roof. Night is an hour
without sun. A barn is warmer than this: a badly ventilated stall by some kelvin.

The yardstick is WBGT in the open (Liljegren and others 2008) with that hour's sun and wind, in the bands of an
international federation's guidance for eventing (2018, seen second-hand): below 28 no change, then precautions, from
32 hazardous, from 33 probably not compatible with safe competition. It was made for hard work in the sun, so it is no
judge of standing horses.

What follows from it for the defaults:

- Where horses are **ridden**, `stricter` is the default. The rule warns in nearly every hour that the yardstick calls
  hot, at the price of many mild damp ones: in Miami 7 of 8 hours at level 1 or above are below WBGT 28. The air alone
  leaves the sun out, and with it 42 % of the hot hours in Miami and 76 % in Greensboro at level 0: it is no policy for
  riding in the open. The stricter of both costs no warning more than the rule, but for the few hours in which the roof
  is lower; the roof beside it says which of the rule's warnings a rider feels.
- Where horses **stand**, `air` is the default: by the rule a stall would be at level 2 for half the hours of a
  subtropical year, most of them at night, when a standing horse is comfortable.
- The limits of carry for standing horses (2, 1.2, 1) are our proposal, not published.
"""


if __name__ == "__main__":
    PAGE.write_text(page())
    print(f"{PAGE.name} written", file=sys.stderr)
