"""Owns: a reckoning in words.

Must not know: how anything is reckoned, what was typed.
How it works: one line for one fact, in the order in which people ask: the sum, the air, the horse, what would help,
the other scales. Everything about the horse is said as "about", with its band.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import floor

from gateway.app.reckon import FAN_MPS, Asked, Reckoning
from gateway.barn import Post
from gateway.heat.balance import CARRY_TOP, NEED_TOP, HeatBalance
from gateway.heat.band import CarryBand
from gateway.heat.bands import WBGT_BANDINGS, Banding, Sureness
from gateway.heat.horse import Pace
from gateway.heat.units import fahrenheit
from gateway.model import Level

# What people do at each level, after the sum (common practice in the trade; the same lines as in the handbook).
ADVICE = {
    Level.FREE: "normal care",
    Level.WATCH: "watch the horse",
    Level.PLAN: "have the cooling and drinking plan ready",
    Level.STOP: "stop, or wait for better air",
}
_CAUTION = "Advice only: the sum leaves out sun and moving air. Look at the horse; ask the attending veterinarian."
_WIDE = 11


def in_words(r: Reckoning, posts: tuple[Post, ...]) -> str:
    """The whole reckoning for people."""
    parts = (_rule(r, posts), _air(r), _horse(r), _help(r), _scales(r))
    return "\n\n".join("\n".join(part) for part in parts) + f"\n\n{_CAUTION}"


def conditions(asked: Asked, *, pace: Pace | None) -> str:
    """What was said or taken about horse and air beside temperature and humidity, in one line."""
    around, horse = asked.around(), asked.horse()
    said = [f"{horse.mass_kg:.0f} kg horse, {_wet(horse.wetness)}"]
    if pace is not None:
        said.append(f"at {_doing(asked, pace)}")
    elif asked.just_worked:
        said.append("just worked when it stands")
    said.append(f"air {around.air_mps:.3g} m/s" + (" (taken, none was given)" if asked.air_mps is None else ""))
    if asked.sun_w_m2 is not None:
        said.append(f"sun {asked.sun_w_m2:g} W/m2")
    if asked.altitude_m:
        said.append(f"{asked.altitude_m:.0f} m above the sea")
    return ", ".join(said)


def one_digit(value: float) -> str:
    """One digit, cut and not rounded: 149.96 must not read as 150, which is the next band."""
    return f"{floor(round(value * 10.0, 6)) / 10.0:.1f}"


def _line(name: str, text: str) -> str:
    return f"{name:<{_WIDE}}{text}"


def _both(temp_c: float) -> str:
    return f"{fahrenheit(temp_c):.1f} °F ({temp_c:.1f} °C)"


def _rule(r: Reckoning, posts: tuple[Post, ...]) -> Iterator[str]:
    passed = [f"at or above {post.at:g}" for post in posts if r.sum_f_pct >= post.at]
    ahead = [f"below {post.at:g}" for post in posts if r.sum_f_pct < post.at]
    where = " and ".join((*passed[-1:], *ahead[:1]))
    yield _line("Sum", f"{one_digit(r.sum_f_pct)}: {fahrenheit(r.asked.temp_c):.1f} °F + {r.asked.rh_pct:g} %, {where}")
    yield _line("Posts", ", ".join(f"{post.at:g}" for post in posts))
    yield _line("Level", f"{int(r.level)} of 3 by the sum: {ADVICE[r.level]}")
    if r.indices.sum_minus_wind is not None:
        yield _line("Less wind", f"{one_digit(r.indices.sum_minus_wind)}: the sum less the wind in mph")


def _air(r: Reckoning) -> Iterator[str]:
    yield _line("Air", _both(r.asked.temp_c))
    yield _line("Wet bulb", _both(r.wet_bulb_c))
    yield _line("Dew point", _both(r.dew_point_c))
    yield _line("Vapour", f"{r.vapour_pressure_pa / 1000:.2f} kPa")
    if r.asked.globe_c is not None and r.around.radiant_c is not None:
        yield _line("Globe", f"{_both(r.asked.globe_c)}; walls and roof look like {_both(r.around.radiant_c)}")


def _horse(r: Reckoning) -> Iterator[str]:
    asked, found = r.asked, r.balance
    yield _line("For", f"a {conditions(asked, pace=asked.pace)}")
    yield _line("Carry", f"{_about(r.carries[asked.pace])} at {_doing(asked, asked.pace)}; {_verdict(r)}")
    yield _line("", ", ".join(f"{pace} {_carry(band.carry)}" for pace, band in r.carries.items()))
    yield _line("Roof", _roof(r))
    need = f"{NEED_TOP:.0f} or more" if found.required_wettedness >= NEED_TOP else f"{found.required_wettedness:.2f}"
    yield _line("Wet skin", f"{need} of it must be wet for the heat to go; 1 is all of it")
    yield _line("Warms", _warms(found))
    yield _line("Water", f"about {found.sweat_l_h:.1f} L/h sweat or hosing, {found.water_l_h:.1f} L/h with the breath")


def _help(r: Reckoning) -> Iterator[str]:
    e = r.effects
    yield _line("Fan", f"of {FAN_MPS:g} m/s: carry {_carry(e.now)} becomes {_carry(e.with_fan)}")
    if r.horse.wetness < 1.0:
        yield _line("Wetting", f"all over: {_carry(e.wetted)}, and with the fan {_carry(e.wetted_with_fan)}")
    yield _line("Dry coat", f"{_carry(e.dry_coat)}: a fan needs a wet horse")
    if r.asked.sun_w_m2 or r.asked.globe_c is not None:
        yield _line("Shade", f"{_carry(e.without_sun)}, with nothing hot around")
    a = r.asked.accuracy
    yield _line(
        "Sensor",
        f"off by {a.temp_k:.2g} K and {a.rh_pct:g} %: sum ± {r.errors.sum_f_pct:.1f}, "
        f"wet bulb ± {r.errors.wet_bulb_k:.2f} K, carry ± {r.errors.carry:.2f}",
    )


def _scales(r: Reckoning) -> Iterator[str]:
    i = r.indices
    outdoor, why_not = i.wbgt_outdoor
    yield _line("WBGT", f"{_both(i.wbgt_under_roof_c)} under a roof")
    yield _line("", f"{_both(i.wbgt_simple_c)} by the simple form, which takes strong sun and light wind for granted")
    if outdoor is not None:
        yield _line("", f"{_both(outdoor)} in the open, under a clear sky")
    elif r.asked.sun_w_m2 is not None:
        yield _line("", f"in the open left out: {why_not}")
    which = "under a roof" if outdoor is None else "in the open"
    yield _line("", f"What others publish for {i.wbgt_c:.1f} °C ({which}):")
    yield from (_line("", f"- {_published(banding, i.wbgt_c)}") for banding in WBGT_BANDINGS)
    yield _line("Cattle", "THI " + ", ".join(f"{name.replace('_', ' ')} {value:.1f}" for name, value in i.thi.items()))
    people = i.for_people
    yield _line(
        "People",
        f"heat index {_both(people['human_heat_index_c'])}, humidex {people['humidex']:.1f}, "
        f"discomfort {people['thi_thom']:.1f}; not for horses",
    )


def _published(banding: Banding, wbgt_c: float) -> str:
    source = banding.source.split(":")[0].split(",")[0].split("(")[0].strip()
    year = "" if banding.year is None else f" {banding.year}"
    seen = "" if banding.sureness is Sureness.READ else ", second-hand"
    return f"{banding.bands[banding.band_of(wbgt_c)].meaning} ({source}{year}{seen})"


def _about(band: CarryBand) -> str:
    return f"about {_carry(band.carry)} ({_carry(band.low)} to {_carry(band.high)})"


def _carry(value: float) -> str:
    """Two digits near 1, where it matters on which side it lies; never rounded across 1."""
    if value >= CARRY_TOP:
        return f"{CARRY_TOP:.0f} or more"
    if 0.95 <= value < 1.0:
        return f"{min(value, 0.99):.2f}"
    return f"{value:.2f}" if 1.0 <= value < 1.05 else f"{value:.1f}"


def _verdict(r: Reckoning) -> str:
    band = r.carries[r.asked.pace]
    if band.low >= 1.0:
        return "the air takes the heat"
    if band.high < 1.0:
        return "the air cannot take the heat"
    return "likely enough, not surely so" if band.carry >= 1.0 else "likely too little"


def _warms(found: HeatBalance) -> str:
    """A horse can warm although the air would take the heat: it cannot sweat that much."""
    if found.storage_k_min < 0.0005:
        return "not: what it makes goes off"
    why = "; no horse sweats enough" if found.carry >= 1.0 else ""
    return f"by about {found.storage_k_min:.3f} K a minute{why}"


def _roof(r: Reckoning) -> str:
    if r.roof.high is None:
        return "no pace is carried"
    if r.roof.pace is None:
        return f"no pace is carried ({_pace(r.roof.high)} at best)"
    said = f"about {_pace(r.roof.pace)}"
    if r.roof.low is not r.roof.high:
        said += f" ({_pace(r.roof.low)} to {_pace(r.roof.high)})"
    said += ", the fastest pace that the air carries"
    if r.roof.pace is not Pace.STAND and r.carries[Pace.STAND].carry < 1.0:
        said += "; not standing: a horse that stands makes no wind"
    return said


def _pace(pace: Pace | None) -> str:
    return "no pace" if pace is None else pace.value


def _wet(wetness: float) -> str:
    return {0.0: "dry", 1.0: "wet all over"}.get(wetness, f"{100 * wetness:.0f} % of the skin wet")


def _doing(asked: Asked, pace: Pace) -> str:
    return "stand, just worked" if pace is Pace.STAND and asked.just_worked else pace.value
