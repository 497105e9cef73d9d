"""The full heat assessment of one place, beside the reference libraries on what they offer, in one run."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import lwbgt
import numpy as np
import psychrolib
from thermofeel import liljegren

from gateway.heat.balance import ROOF_PACES, Surroundings, roof
from gateway.heat.band import carry_band
from gateway.heat.horse import Horse, Pace
from gateway.heat.indices import heat_sum
from gateway.heat.liljegren import outdoor_wbgt
from gateway.heat.psychro import dew_point_c, vapour_pressure_pa, wet_bulb_c
from gateway.heat.uncertainty import Accuracy, carry_error

PRESSURE_PA = 101_325.0
STATES = [(20.0 + n % 19, 31.0 + (n * 7) % 67) for n in range(200)]
SUN = {"wind_mps": 1.0, "sun_w_m2": 600.0, "beam_share": 0.6, "sun_cos": 0.8}
HORSE = Horse()


def main() -> None:
    """Print times for one place and ratios, all from this run."""
    whole_us = _median_us(_whole)
    air_us, psychrolib_us = _median_us(_air), _median_us(_psychrolib)
    wbgt_us, thermofeel_us, lwbgt_us = _median_us(_wbgt), _median_us(_thermofeel, repeats=3), _median_us(_lwbgt)
    print("heat, one place (aims: whole below 2000 us; at least 3 times as fast as the slowest reference)")
    print(f"  whole: four carries with band, roof, error, WBGT   {whole_us:8.1f} us, {1e6 / whole_us:,.0f} a second")
    for name, ours_us, library, theirs_us in (
        ("wet bulb and dew point", air_us, "psychrolib", psychrolib_us),
        ("outdoor WBGT after Liljegren", wbgt_us, "thermofeel, one state at a time", thermofeel_us),
        ("outdoor WBGT after Liljegren", wbgt_us, "lwbgt, compiled, with a sun of its own", lwbgt_us),
        ("all three", air_us + wbgt_us, "psychrolib and thermofeel (slowest)", psychrolib_us + thermofeel_us),
        ("all three", air_us + wbgt_us, "psychrolib and lwbgt", psychrolib_us + lwbgt_us),
    ):
        print(f"  {name}: {ours_us:.1f} us; {library}: {theirs_us:.1f} us, {theirs_us / ours_us:.1f} times as long")


def _median_us(work: Callable[[float, float], object], repeats: int = 20) -> float:
    found = []
    for _ in range(repeats):
        begun_ns = time.thread_time_ns()
        for temp_c, rh_pct in STATES:
            work(temp_c, rh_pct)
        found.append((time.thread_time_ns() - begun_ns) / len(STATES) / 1e3)
    return statistics.median(found)


def _air(temp_c: float, rh_pct: float) -> tuple[float, float]:
    wet_c = wet_bulb_c(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=PRESSURE_PA)
    return wet_c, dew_point_c(vapour_pressure_pa(temp_c=temp_c, rh_pct=rh_pct))


def _wbgt(temp_c: float, rh_pct: float) -> float:
    return outdoor_wbgt(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=PRESSURE_PA, **SUN).wbgt_c


def _whole(temp_c: float, rh_pct: float) -> None:
    around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=PRESSURE_PA)
    heat_sum(temp_c=temp_c, rh_pct=rh_pct)
    _air(temp_c, rh_pct)
    for pace in ROOF_PACES:
        carry_band(around, pace, HORSE)
    roof(around, HORSE)
    carry_error(around, Pace.STAND, HORSE, Accuracy(temp_k=0.3, rh_pct=2.0))
    _wbgt(temp_c, rh_pct)


def _psychrolib(temp_c: float, rh_pct: float) -> tuple[float, float]:
    psychrolib.SetUnitSystem(psychrolib.SI)
    wet_c = psychrolib.GetTWetBulbFromRelHum(temp_c, rh_pct / 100, PRESSURE_PA)
    return wet_c, psychrolib.GetTDewPointFromRelHum(temp_c, rh_pct / 100)


def _thermofeel(temp_c: float, rh_pct: float) -> object:
    return liljegren.wbgt(
        *(np.array([value]) for value in (temp_c + 273.15, rh_pct, PRESSURE_PA / 100, 1.0, 600.0, 0.6, 0.8))
    )


def _lwbgt(temp_c: float, rh_pct: float) -> object:
    return lwbgt.calculate(
        lwbgt.Input(2024, 7, 15, 12, 0, 0, 0, 0, 28.6, 0.0, 600.0, PRESSURE_PA / 100, temp_c, rh_pct, 1.0, 2.0, 0.0)
    )


if __name__ == "__main__":
    main()
