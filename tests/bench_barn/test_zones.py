"""The zone model: steady states against a second solution, strict accounts of heat and water, bounds."""

from __future__ import annotations

from dataclasses import replace

import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.bench import zones
from drivers.bench.air import Air
from drivers.bench.zones import Drive, ZoneParams, ZoneState
from tests.bench_barn.rig import patient

PRESSURE_PA = 101325.0
BASE = ZoneParams(
    volume_m3=40,
    store=4,
    horses=1,
    work=1,
    calm_flow_m3s=0.067,
    wind_flow_m2=0,
    walls_w_k=40,
    sun_m2=0.4,  # with 1000 W/m2: 400 W
    bedding_w=30,
    fan_flow_m3s=0,
    fan_w=100,
    mist_kg_s=0.00038,
)
SEALED = replace(BASE, calm_flow_m3s=0, walls_w_k=0, sun_m2=0, fan_w=0)

psychrolib.SetUnitSystem(psychrolib.SI)


def run(params: ZoneParams, state: ZoneState, air: Air, drive: Drive, *, hours: float, step_s: float = 60) -> ZoneState:
    for _ in range(round(hours * 3600 / step_s)):
        state = zones.step(params, state, air=air, drive=drive, pressure_pa=PRESSURE_PA, step_s=step_s)
    return state


# Outside °C and %, airflow m3/s, nozzles of 0.38 g/s, then °C and % inside: one stall with one horse, 400 W of sun,
# 100 W of fan, walls 40 W/K. Solved beforehand from the two balances with the saturation curve of the ASHRAE
# Handbook by another program; heat of the horse from Morgan 1995, 1997, 1998. Given to 0.1 K and 1 %.
STALLS = [
    (30, 50, 0.067, 0, 35.9, 43),
    (30, 50, 0.125, 0, 33.9, 44),
    (30, 50, 0.450, 0, 31.3, 48),
    (30, 50, 0.067, 1, 30.4, 71),
    (30, 50, 0.125, 1, 30.3, 61),
    (30, 50, 0.450, 1, 30.1, 53),
    (35, 30, 0.125, 0, 38.6, 28),
    (35, 30, 0.125, 1, 34.9, 40),
    (35, 30, 0.450, 1, 35.0, 33),
    (32, 75, 0.125, 0, 35.7, 65),
    (32, 75, 0.067, 1, 33.2, 87),
    (32, 75, 0.125, 2, 31.5, 89),
]


@pytest.mark.parametrize(("out_c", "out_pct", "flow_m3s", "nozzles", "temp_c", "rh_pct"), STALLS)
def test_stall_settles_where_the_balances_say(
    out_c: float, out_pct: float, flow_m3s: float, nozzles: int, temp_c: float, rh_pct: float
) -> None:
    params = replace(BASE, calm_flow_m3s=flow_m3s, mist_kg_s=0.00038 * nozzles)
    air = Air(temp_c=out_c, rh_pct=out_pct, ghi_wm2=1000)
    start = zones.outside_state(air, PRESSURE_PA)
    end = run(params, start, air, Drive(fans=1, mist=float(nozzles > 0)), hours=24)
    assert end.temp_c == pytest.approx(temp_c, abs=0.1)
    assert zones.rh_pct(end, PRESSURE_PA) == pytest.approx(rh_pct, abs=1.0)


def test_more_air_beats_another_nozzle_in_a_closed_stall() -> None:
    # Lesson of the table above, by wet bulb (psychrolib): misting a closed stall leaves it heavier than airing it.
    air = Air(temp_c=30, rh_pct=50, ghi_wm2=1000)
    start = zones.outside_state(air, PRESSURE_PA)

    def wet_bulb_c(params: ZoneParams, drive: Drive) -> float:
        end = run(params, start, air, drive, hours=12)
        return float(psychrolib.GetTWetBulbFromHumRatio(end.temp_c, end.ratio, PRESSURE_PA))

    misted_c = wet_bulb_c(BASE, Drive(fans=1, mist=1))
    aired_c = wet_bulb_c(replace(BASE, calm_flow_m3s=0.45), Drive(fans=1))
    assert aired_c < misted_c - 2


@given(step_s=st.floats(1, 60), hours=st.floats(0.1, 2), fan_w=st.floats(0, 5000), horses=st.integers(0, 3))
@settings(patient, max_examples=40)
def test_sealed_zone_keeps_every_joule_and_every_gram(step_s: float, hours: float, fan_w: float, horses: int) -> None:
    """Nothing can leave: heat stored and heat in the vapour together rise by what horses and fans put in.

    A resting horse gives 142 W/m2 in all, dry and in vapour, from 12.7 to above 50 °C (Morgan 1998), on 5.1 m2.
    """
    params = replace(SEALED, fan_w=fan_w, horses=horses, volume_m3=2000)
    drive = Drive(fans=1, mist=1)
    air = Air(temp_c=-20, rh_pct=30, ghi_wm2=1000)  # must not matter
    start = ZoneState(temp_c=20, ratio=0.004)
    end = run(params, start, air, drive, hours=hours, step_s=step_s)
    seconds = round(hours * 3600 / step_s) * step_s
    dry_air_kg = 1.15 * params.volume_m3
    stored_j = dry_air_kg * params.store * 1035 * (end.temp_c - start.temp_c)
    vapour_j = dry_air_kg * 2.43e6 * (end.ratio - start.ratio)
    assert stored_j + vapour_j == pytest.approx((142 * 5.1 * horses + fan_w) * seconds, rel=1e-6, abs=1)


def test_mister_in_a_sealed_zone_evaporates_four_fifths_of_its_water_until_fog() -> None:
    params = replace(SEALED, horses=0, bedding_w=0)
    start = ZoneState(temp_c=35, ratio=0.008)
    end = run(params, start, Air(temp_c=35, rh_pct=20), Drive(mist=1), hours=0.05, step_s=10)
    gained_kg = 1.15 * params.volume_m3 * (end.ratio - start.ratio)
    assert gained_kg == pytest.approx(0.8 * 0.00038 * 180, rel=1e-6)
    assert end.temp_c < start.temp_c
    fog = run(params, start, Air(temp_c=35, rh_pct=20), Drive(mist=1), hours=24)
    assert zones.rh_pct(fog, PRESSURE_PA) <= 95.1


@given(rh_pct=st.floats(20, 95), temp_c=st.floats(15, 38))
@patient
def test_empty_zone_without_sun_becomes_the_outdoors(rh_pct: float, temp_c: float) -> None:
    params = replace(BASE, horses=0, bedding_w=0, sun_m2=0, fan_w=0)
    air = Air(temp_c=temp_c, rh_pct=rh_pct)
    end = run(params, ZoneState(temp_c=25, ratio=0.012), air, Drive(), hours=12)
    assert end.temp_c == pytest.approx(temp_c, abs=0.05)
    assert zones.rh_pct(end, PRESSURE_PA) == pytest.approx(rh_pct, abs=0.3)


def test_long_steps_follow_short_ones() -> None:
    air = Air(temp_c=32, rh_pct=60, ghi_wm2=800)
    start = zones.outside_state(air, PRESSURE_PA)
    drive = Drive(fans=1, mist=1)
    long = run(BASE, start, air, drive, hours=0.5, step_s=60)
    short = run(BASE, start, air, drive, hours=0.5, step_s=0.5)
    assert long.temp_c == pytest.approx(short.temp_c, abs=0.1)
    assert zones.rh_pct(long, PRESSURE_PA) == pytest.approx(zones.rh_pct(short, PRESSURE_PA), abs=0.5)


weathers = st.builds(
    Air,
    temp_c=st.floats(-30, 50),
    rh_pct=st.floats(0, 100),
    wind_mps=st.floats(0, 30),
    ghi_wm2=st.floats(0, 1200),
)
drives = st.builds(Drive, fans=st.floats(0, 1), mist=st.floats(0, 1))


@given(turns=st.lists(st.tuples(weathers, drives, st.floats(0, 60)), min_size=1, max_size=30))
@patient
def test_no_weather_and_no_kit_drives_a_zone_out_of_bounds(turns: list[tuple[Air, Drive, float]]) -> None:
    state = ZoneState(temp_c=25, ratio=0.01)
    for air, drive, step_s in turns:
        state = zones.step(BASE, state, air=air, drive=drive, pressure_pa=PRESSURE_PA, step_s=step_s)
        assert -45 <= state.temp_c <= 65
        assert 0 <= state.ratio <= 0.1
        assert 0 <= zones.rh_pct(state, PRESSURE_PA) <= 100


@given(state=st.builds(ZoneState, temp_c=st.floats(-10, 45), ratio=st.floats(0, 0.08)), air=weathers)
@patient
def test_no_time_changes_nothing(state: ZoneState, air: Air) -> None:
    assert zones.step(BASE, state, air=air, drive=Drive(), pressure_pa=PRESSURE_PA, step_s=0) == state


def test_condensation_gives_its_heat_back_and_leaves_saturated_air() -> None:
    start = ZoneState(temp_c=20, ratio=0.030)  # twice what air of 20 °C holds: 0.0147 (ASHRAE 2017, table 2)
    still = replace(SEALED, horses=0, bedding_w=0)
    end = zones.step(still, start, air=Air(temp_c=20, rh_pct=50), drive=Drive(), pressure_pa=PRESSURE_PA, step_s=1)
    most = psychrolib.GetSatHumRatio(end.temp_c, PRESSURE_PA)
    assert end.ratio == pytest.approx(most, rel=0.006)
    gained_j = still.store * 1035 * (end.temp_c - start.temp_c)
    assert gained_j == pytest.approx(2.43e6 * (start.ratio - end.ratio), rel=1e-6)
