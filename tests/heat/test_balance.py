"""The heat balance: worked rows, whole typical years, and the directions in which it must move.

The worked rows and the hours were computed by others with the same published equations (mass 500 kg, skin 35 °C,
wet all over): independent reproduction, not publications. Weather: typical years of Miami (TMY2) and Greensboro (TMY3)
as shipped in pvlib 0.16 (BSD-3).
"""

from __future__ import annotations

import warnings
from math import nan
from pathlib import Path

import psychrolib
import pvlib
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from gateway.errors import RangeError
from gateway.heat.balance import (
    CARRY_TOP,
    NEED_TOP,
    Surroundings,
    balance,
    carry,
    film_w_m2_k,
    roof,
    speed_past_skin_mps,
)
from gateway.heat.horse import Convection, Horse, Pace
from gateway.heat.indices import heat_sum

RECOVERING = Horse(standing_oxygen=9.0)
TEMPS = st.floats(5.0, 45.0)
HUMIDITIES = st.floats(5.0, 95.0)
SPEEDS = st.floats(0.0, 8.0)
PACES = st.sampled_from(list(Pace))

# T, RH, v -> respiratory, convective + radiant, required, maximal (W), required wettedness
ROWS = (
    ((32.0, 60.0, 0.2), (149.0, 120.0, 1239.0, 736.0), 1.683),
    ((32.0, 60.0, 3.0), (149.0, 317.0, 1042.0, 3736.0), 0.279),
    ((32.0, 90.0, 0.2), (93.0, 120.0, 1294.0, 357.0), 3.625),
    ((32.0, 90.0, 3.0), (93.0, 317.0, 1098.0, 1813.0), 0.605),
    ((38.0, 20.0, 0.2), (193.0, -120.0, 1435.0, 1142.0), 1.26),
    ((38.0, 20.0, 3.0), (193.0, -317.0, 1632.0, 5797.0), 0.28),
    ((26.0, 60.0, 0.2), (195.0, 360.0, 952.0, 958.0), 0.99),
    ((26.0, 60.0, 3.0), (195.0, 950.0, 362.0, 4865.0), 0.07),
)


@pytest.mark.parametrize(("air", "watts", "need"), ROWS)
def test_independent_reproduction_of_a_standing_wet_horse(
    air: tuple[float, float, float], watts: tuple[float, float, float, float], need: float
) -> None:
    temp_c, rh_pct, air_mps = air
    ours = balance(Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air_mps), Pace.STAND, RECOVERING)
    got = (ours.breath_w, ours.convective_w + ours.radiant_w, ours.required_w, ours.maximal_w)
    assert got == pytest.approx(watts, abs=0.6)
    assert ours.required_wettedness == pytest.approx(need, abs=0.006)
    if ours.carry < CARRY_TOP:
        assert ours.carry == pytest.approx(1.0 / ours.required_wettedness)


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "need"), [(26.0, 60.0, 0.51), (32.0, 60.0, 0.87), (32.0, 90.0, 1.87), (38.0, 20.0, 0.65)]
)
def test_independent_reproduction_of_a_trotting_horse(temp_c: float, rh_pct: float, need: float) -> None:
    ours = balance(Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=0.0), Pace.TROT, Horse())
    assert ours.required_wettedness == pytest.approx(need, abs=0.006)


def test_independent_reproduction_of_hot_surroundings() -> None:
    for air_mps, need in ((3.0, 0.44), (0.2, 2.50)):
        sunny = Surroundings(temp_c=32.0, rh_pct=60.0, air_mps=air_mps, radiant_c=57.0)
        assert balance(sunny, Pace.STAND, RECOVERING).required_wettedness == pytest.approx(need, abs=0.006)


def test_independent_reproduction_of_the_film() -> None:
    """Human and livestock form at 1, 3 and 6 m/s; the livestock one with a trunk of 0.6 m."""
    sheep = Horse(convection=Convection.LIVESTOCK)
    for speed_mps, human, livestock in ((1.0, 8.3, 5.7), (3.0, 16.1, 13.7), (6.0, 24.3, 23.9)):
        assert film_w_m2_k(Horse(), speed_mps) == pytest.approx(human, abs=0.1)
        assert film_w_m2_k(sheep, speed_mps) == pytest.approx(livestock, rel=0.02)
    assert film_w_m2_k(Horse(), 0.0) == 3.1


def _miami() -> list[tuple[float, float]]:
    data = Path(pvlib.__file__).parent / "data"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reader's own
        table = pvlib.iotools.read_tmy2(str(data / "12839.tm2"))[0]
    return [(float(t) / 10.0, float(rh)) for t, rh in zip(table["DryBulb"], table["RHum"], strict=True)]


def _greensboro() -> list[tuple[float, float]]:
    data = Path(pvlib.__file__).parent / "data"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reader's own
        table = pvlib.iotools.read_tmy3(str(data / "723170TYA.CSV"), coerce_year=1990, map_variables=True)[0]
    return [(float(t), float(rh)) for t, rh in zip(table["temp_air"], table["relative_humidity"], strict=True)]


@pytest.mark.parametrize(
    ("hours", "sums", "trot", "canter", "standing"),
    [
        (_miami, [980, 3185, 4595, 0], 9, 951, [0, 17, 1642, 7101]),
        (_greensboro, [4021, 2578, 2161, 0], 2, 117, [0, 22, 351, 8387]),
    ],
    ids=["miami", "greensboro"],
)
def test_independent_reproduction_of_a_typical_year(
    hours: object, sums: list[int], trot: int, canter: int, standing: list[int]
) -> None:
    """Hours by the sum (below 130, 150, 180, above); not carried at trot, canter; standing below 1, 1.2, 2, above."""
    assert callable(hours)
    by_sum, by_carry, not_trot, not_canter = [0] * 4, [0] * 4, 0, 0
    for temp_c, rh_pct in hours():
        total = heat_sum(temp_c=temp_c, rh_pct=rh_pct)
        by_sum[sum(total >= line for line in (130.0, 150.0, 180.0))] += 1
        open_air = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=0.0)
        not_trot += carry(open_air, Pace.TROT, Horse()) < 1.0
        not_canter += carry(open_air, Pace.CANTER, Horse()) < 1.0
        stall = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=0.2)
        by_carry[sum(carry(stall, Pace.STAND, Horse()) >= line for line in (1.0, 1.2, 2.0))] += 1
    assert (by_sum, not_trot, not_canter, by_carry) == (sums, trot, canter, standing)


def test_the_sweat_ceiling_lies_in_the_published_range() -> None:
    # 10-15 L/h at hard work in the heat (Kohn, quoted in a practitioners' journal; second-hand)
    hard = balance(Surroundings(temp_c=38.0, rh_pct=20.0, air_mps=1.0), Pace.GALLOP, Horse())
    assert 10.0 <= hard.sweat_l_h <= 15.5
    assert hard.water_l_h > hard.sweat_l_h


def test_half_of_the_water_drips_from_a_skin_that_must_be_wet_all_over() -> None:
    """ISO 7933 (from memory): the share that evaporates is 1 - w^2 / 2."""
    for rh_pct, air_mps in ((90.0, 0.2), (60.0, 3.0), (60.0, 0.8)):
        b = balance(Surroundings(temp_c=32.0, rh_pct=rh_pct, air_mps=air_mps), Pace.STAND, RECOVERING)
        used = min(1.0, b.required_wettedness)
        assert b.evaporated_w / (b.sweat_l_h / 3600.0 * 2.43e6) == pytest.approx(1.0 - 0.5 * used**2, rel=1e-9)


@given(TEMPS, HUMIDITIES, st.floats(0.1, 5.0), SPEEDS, PACES)
def test_more_humidity_never_raises_carry(temp_c: float, rh_pct: float, more: float, air: float, pace: Pace) -> None:
    dry = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air)
    damp = Surroundings(temp_c=temp_c, rh_pct=rh_pct + more, air_mps=air)
    assert carry(damp, pace, Horse()) <= carry(dry, pace, Horse())


@given(TEMPS, HUMIDITIES, SPEEDS, st.floats(0.1, 5.0), PACES, st.sampled_from(list(Convection)))
def test_more_air_never_lowers_carry(
    temp_c: float, rh_pct: float, air: float, more: float, pace: Pace, form: Convection
) -> None:
    """Even in air hotter than the skin: convection then heats, but evaporation grows by the same factor."""
    horse = Horse(convection=form)
    slow = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air)
    fast = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air + more)
    assert carry(fast, pace, horse) >= carry(slow, pace, horse) - 1e-12


def test_a_fan_heats_a_dry_horse_in_air_hotter_than_its_skin() -> None:
    """Where more air does harm: nothing to evaporate, so the hot air only brings heat."""
    dry = Horse(wetness=0.05)
    still = balance(Surroundings(temp_c=42.0, rh_pct=30.0, air_mps=0.2), Pace.STAND, dry)
    blown = balance(Surroundings(temp_c=42.0, rh_pct=30.0, air_mps=3.0), Pace.STAND, dry)
    assert blown.storage_k_min > still.storage_k_min > 0.0
    wet = balance(Surroundings(temp_c=42.0, rh_pct=30.0, air_mps=3.0), Pace.STAND, Horse())
    assert wet.storage_k_min == 0.0


@given(TEMPS, HUMIDITIES, SPEEDS, PACES, st.floats(50.0, 900.0))
def test_sun_and_hot_surroundings_never_raise_carry(
    temp_c: float, rh_pct: float, air: float, pace: Pace, sun: float
) -> None:
    shade = carry(Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air), pace, Horse())
    lit = carry(Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air, sun_w_m2=sun), pace, Horse())
    hot = carry(Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air, radiant_c=temp_c + 20.0), pace, Horse())
    assert lit <= shade
    assert hot <= shade


@given(TEMPS, HUMIDITIES, SPEEDS, PACES, st.floats(0.1, 1.0))
def test_the_books_balance(temp_c: float, rh_pct: float, air: float, pace: Pace, wetness: float) -> None:
    """First law: what is made and not lost is stored."""
    horse = Horse(wetness=wetness)
    b = balance(Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air, sun_w_m2=200.0), pace, horse)
    lost_w = b.breath_w + b.convective_w + b.radiant_w + b.sun_w + b.evaporated_w
    stored_w = b.storage_k_min / 60.0 * 500.0 * 3470.0
    assert b.heat_w == pytest.approx(lost_w + stored_w, abs=1e-6)
    assert 0.0 <= b.carry <= CARRY_TOP
    assert 0.0 <= b.required_wettedness <= NEED_TOP
    # water laid on the skin is never less than what evaporates (latent heat 2.43 MJ/kg)
    assert b.sweat_l_h >= b.evaporated_w / 2.43e6 * 3600.0 - 1e-9
    assume(b.carry < CARRY_TOP and b.required_wettedness < NEED_TOP)
    assert b.carry * b.required_wettedness == pytest.approx(wetness)


def test_air_as_damp_as_the_skin_can_take_nothing() -> None:
    # saturated air at 36 °C holds 5945 Pa, a skin at 35 °C 5628 Pa (ASHRAE table 3)
    soaked = balance(Surroundings(temp_c=36.0, rh_pct=100.0), Pace.STAND, Horse())
    assert soaked.carry == 0.0
    assert soaked.required_wettedness == NEED_TOP
    assert soaked.evaporated_w == 0.0
    assert roof(Surroundings(temp_c=36.0, rh_pct=100.0), Horse()) is None


def test_a_cold_day_asks_for_no_sweat() -> None:
    cold = balance(Surroundings(temp_c=0.0, rh_pct=60.0, air_mps=3.0), Pace.STAND, Horse())
    assert cold.required_w < 0.0
    assert (cold.carry, cold.required_wettedness, cold.evaporated_w, cold.sweat_l_h) == (CARRY_TOP, 0.0, 0.0, 0.0)
    assert roof(Surroundings(temp_c=0.0, rh_pct=60.0), Horse()) is Pace.CANTER


def test_the_roof_comes_down_with_heat_and_humidity() -> None:
    order = [None, Pace.STAND, Pace.WALK, Pace.TROT, Pace.CANTER]
    roofs = [roof(Surroundings(temp_c=32.0, rh_pct=float(rh_pct)), Horse()) for rh_pct in range(20, 101, 5)]
    ranks = [order.index(pace) for pace in roofs]
    assert ranks == sorted(ranks, reverse=True)
    assert ranks[0] == 4
    assert ranks[-1] < 3
    # independent reproduction: trot is carried at 32 °C and 60 %, canter is not (0.87 against 1.2)
    assert roof(Surroundings(temp_c=32.0, rh_pct=60.0, air_mps=0.0), Horse()) is Pace.TROT


def test_own_speed_is_air_movement() -> None:
    assert speed_past_skin_mps(Horse(), Pace.STAND, 1.5) == 1.5
    assert speed_past_skin_mps(Horse(trot_mps=4.0), Pace.TROT, 3.0) == pytest.approx(5.0)  # 3-4-5
    with pytest.raises(RangeError, match="air_mps"):
        speed_past_skin_mps(Horse(), Pace.TROT, -1.0)


def test_altitude_changes_the_breath_only_a_little() -> None:
    low = balance(Surroundings(temp_c=30.0, rh_pct=50.0), Pace.TROT, Horse())
    high = balance(Surroundings(temp_c=30.0, rh_pct=50.0, pressure_pa=80_000.0), Pace.TROT, Horse())
    assert high.breath_w > low.breath_w  # thinner air carries more vapour for each kg
    assert high.maximal_w == low.maximal_w


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        ("temp_c", nan),
        ("rh_pct", 101.0),
        ("air_mps", -0.1),
        ("pressure_pa", 5e4),
        ("radiant_c", 151.0),
        ("sun_w_m2", -1.0),
    ],
)
def test_surroundings_out_of_range_are_refused(name: str, bad: float) -> None:
    values: dict[str, float] = {"temp_c": 30.0, "rh_pct": 50.0, name: bad}
    with pytest.raises(RangeError, match=name):
        Surroundings(**values)


def test_a_film_out_of_range_is_refused() -> None:
    with pytest.raises(RangeError, match="speed_mps"):
        film_w_m2_k(Horse(), 91.0)


def test_carry_and_need_are_held_at_the_numbers_of_the_page() -> None:
    assert (CARRY_TOP, NEED_TOP) == (10.0, 100.0)
    assert Surroundings(temp_c=30.0, rh_pct=50.0).air_mps == 0.2


def test_the_breath_carries_off_the_water_that_it_takes_up() -> None:
    """Water balance of the breath with PsychroLib 2.5: 27 L of air for each L of oxygen, out saturated at 37 °C."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temp_c, rh_pct, pressure_pa in ((5.0, 40.0, 101_325.0), (30.0, 50.0, 101_325.0), (36.0, 90.0, 84_000.0)):
        around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, pressure_pa=pressure_pa)
        ours = balance(around, Pace.STAND, RECOVERING)
        air_kg_h = 500.0 * 9.0 / 1000.0 * 60.0 * 27.0 / 1000.0 * 1.14
        out = psychrolib.GetHumRatioFromRelHum(37.0, 1.0, pressure_pa)
        taken_up = air_kg_h * (out - psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, pressure_pa))
        assert ours.water_l_h - ours.sweat_l_h == pytest.approx(taken_up, rel=1e-9)
        rise = psychrolib.GetMoistAirEnthalpy(37.0, out) - psychrolib.GetMoistAirEnthalpy(
            temp_c, psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100.0, pressure_pa)
        )
        assert ours.breath_w == pytest.approx(air_kg_h / 3600.0 * rise, rel=1e-9)


def test_the_sun_brings_three_tenths_of_it_to_each_square_metre() -> None:
    # by hand: 0.3 x 5.09 m2 x 800 W/m2 = 1221.6 W
    lit = balance(Surroundings(temp_c=25.0, rh_pct=50.0, sun_w_m2=800.0), Pace.STAND, Horse())
    assert lit.sun_w == pytest.approx(-1221.6, abs=1e-9)
    shade = balance(Surroundings(temp_c=25.0, rh_pct=50.0), Pace.STAND, Horse())
    assert lit.required_w - shade.required_w == pytest.approx(1221.6, abs=1e-9)


def test_the_sweat_ceiling_is_fifty_millilitres_a_minute_for_each_square_metre() -> None:
    # by hand: 0.050 L x 5.09 m2 x 60 min = 15.27 L/h; where the air takes nothing all of it drips
    soaked = balance(Surroundings(temp_c=36.0, rh_pct=100.0), Pace.STAND, Horse())
    assert soaked.sweat_l_h == pytest.approx(15.27, abs=1e-9)
    hard = balance(Surroundings(temp_c=40.0, rh_pct=10.0, air_mps=8.0), Pace.GALLOP, Horse(mass_kg=500.0))
    # by hand: 15.27 kg/h x 2.43 MJ/kg / 3600 s = 10 307.25 W, which this horse needs and this air could take
    assert hard.required_w > 10_307.25 and hard.maximal_w > 10_307.25
    assert hard.evaporated_w == pytest.approx(10_307.25, abs=1e-6)


def test_air_that_can_take_next_to_nothing_is_no_crash() -> None:
    # a skin at 35 °C holds 5628 Pa (ASHRAE table 3): just below, maximal evaporation is a fraction of a watt
    edge = balance(Surroundings(temp_c=35.0, rh_pct=99.999, air_mps=0.0), Pace.STAND, Horse())
    assert 0.0 < edge.maximal_w < 1.0
    # half of the water drips: twice what evaporates, not the ceiling (ISO 7933, 1 - w^2 / 2, from memory)
    assert edge.sweat_l_h == pytest.approx(2.0 * edge.maximal_w / 2.43e6 * 3600.0, rel=1e-9)
    assert edge.required_wettedness == NEED_TOP
