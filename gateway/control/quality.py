"""Owns: the signs by which a sensor that still gives numbers is known to lie, all in one place.

Must not know: drivers, what is done about it beyond `Doubt`.
How it works: `watch` looks at each reading once, when it is new (`watched`), and compares sensors of one place with
one another. A doubt never invents a number: it takes a sensor out (`counts` is false), or leaves it in and forbids
water, and always has a sentence for people. `RULES` is the table for the handbook.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from gateway.barn import Barn, SensorSpec
from gateway.control.watched import (
    DRY_PCT,
    FAST_FOR_S,
    FAST_K_MIN,
    FAST_PCT_MIN,
    STUCK_S,
    TORN_S,
    WET_PCT,
    Watched,
    seen,
)
from gateway.model import Latest, Quantity

# All limits: common practice, no published source.
WET_S, DRY_S = 1800.0, 600.0
DAMP_PCT, DAMP_MOST_C = 80.0, 28.0  # damp weather, in which a cool wet floor may well have saturated air above it
MOVED_K, MOVED_PCT = 1.0, 3.0
APART_K, APART_S = 3.0, 1800.0
HEATED_K, SAME_DEW_K = 2.0, 1.5
TORN_SHARE, TORN_LEAST = 0.05, 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One sign. `then` says what follows from it."""

    code: str
    sign: str
    then: str


RULES = (
    Rule(
        code="stuck-beside",
        sign=f"both numbers the same for {STUCK_S / 60:.0f} min while another sensor of the place moved more than "
        f"{MOVED_K:g} K or {MOVED_PCT:g} %",
        then="does not count until it moves; no mist",
    ),
    Rule(
        code="wet",
        sign=f"humidity at {WET_PCT:g} % or more for {WET_S / 60:.0f} min, at more than {DAMP_MOST_C:g} °C or while no "
        f"other sensor (of the place; else of the barn) reads {DAMP_PCT:g} % or more: a damp night is no fault",
        then="counts, at most as 100 %, which is the careful side; no mist",
    ),
    Rule(
        code="too-dry",
        sign=f"humidity below {DRY_PCT:g} % for {DRY_S / 60:.0f} min",
        then="counts; no mist: a dead sensor reads low",
    ),
    Rule(
        code="jumped",
        sign=f"faster than {FAST_K_MIN:g} K or {FAST_PCT_MIN:g} % in a minute, without kit having switched",
        then=f"counts; no mist for {FAST_FOR_S / 60:.0f} min",
    ),
    Rule(
        code="heated",
        sign=f"more than {HEATED_K:g} K warmer than its neighbour for {APART_S / 60:.0f} min, dew points within "
        f"{SAME_DEW_K:g} K",
        then="counts, the hotter sum of the two is used: sun or its own heat is on it, which hides in the sum",
    ),
    Rule(
        code="neighbours-apart",
        sign=f"dew point more than {APART_K:g} K from its neighbour's for {APART_S / 60:.0f} min",
        then="both count, the hotter sum is used; no mist",
    ),
    Rule(
        code="noisy-line",
        sign=f"more than {TORN_SHARE:.0%} of the answers of {TORN_S / 60:.0f} min torn",
        then="good answers count; look at the wiring",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """What is wrong with a sensor that still gives numbers."""

    code: str
    text: str
    counts: bool = True
    no_mist: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityState:
    """`apart` and `heated`: since when the pair of sensors stands like this."""

    sensors: Mapping[str, Watched] = field(default_factory=dict)
    apart: Mapping[tuple[str, str], float] = field(default_factory=dict)
    heated: Mapping[tuple[str, str], float] = field(default_factory=dict)


def watch(
    state: QualityState, barn: Barn, latest: Mapping[str, Latest], *, switched_s: Mapping[str, float], now_s: float
) -> tuple[QualityState, dict[str, tuple[Doubt, ...]]]:
    """The state after the newest readings, and the doubts by sensor.

    `switched_s` says when kit of a place last switched: air may then change fast.
    """
    beside: dict[str, list[SensorSpec]] = {}
    for spec in barn.sensors:
        if spec.tells_air:
            beside.setdefault(spec.place, []).append(spec)
    sensors = {
        spec.name: seen(state.sensors.get(spec.name, Watched()), spec, latest, switched_s.get(place, -math.inf))
        for place, specs in beside.items()
        for spec in specs
    }
    sensors |= {name: replace(sensors[name], wet_since_s=None) for name in _in_damp_weather(beside, sensors, now_s)}
    apart, heated = _pairs(state, beside.values(), sensors, now_s)
    after = QualityState(sensors=sensors, apart=apart, heated=heated)
    found = (
        (spec.name, tuple(_doubts(spec, after, specs, latest, now_s))) for specs in beside.values() for spec in specs
    )
    return after, {name: doubts for name, doubts in found if doubts}


# --- sensors beside one another ---------------------------------------------------------------------


def _in_damp_weather(
    beside: Mapping[str, Sequence[SensorSpec]], sensors: Mapping[str, Watched], now_s: float
) -> Iterator[str]:
    """Wet sensors whose air may well be saturated, as another sensor shows: their half hour begins after that.

    Nobody can tell a wet sensor from such air. It is too damp for mist by its own number.
    """
    speaks = {
        spec.name: known.air[1]
        for specs in beside.values()
        for spec in specs
        if (known := sensors[spec.name]).air is not None and now_s - known.air_s <= spec.lost_after_s
    }
    for specs in beside.values():
        there = {spec.name for spec in specs}
        for name in there:
            known = sensors[name]
            if known.wet_since_s is None or known.air is None or known.air[0] > DAMP_MOST_C:
                continue
            near = [speaks[other] for other in there - {name} if other in speaks]
            if max(near or [rh_pct for other, rh_pct in speaks.items() if other not in there], default=0.0) >= DAMP_PCT:
                yield name


def _pairs(
    state: QualityState, beside: Iterable[Sequence[SensorSpec]], sensors: Mapping[str, Watched], now_s: float
) -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], float]]:
    apart: dict[tuple[str, str], float] = {}
    heated: dict[tuple[str, str], float] = {}
    for one, other in (pair for specs in beside for pair in combinations(specs, 2)):
        ours, theirs = _fresh_air(sensors[one.name], one, now_s), _fresh_air(sensors[other.name], other, now_s)
        if ours is None or theirs is None:
            continue
        dew_k = abs(ours[1] - theirs[1])
        key = (one.name, other.name)
        if dew_k > APART_K:
            apart[key] = state.apart.get(key, now_s)
        if abs(ours[0] - theirs[0]) > HEATED_K and dew_k <= SAME_DEW_K:
            warm = key if ours[0] > theirs[0] else (other.name, one.name)
            heated[warm] = state.heated.get(warm, now_s)
    return apart, heated


def _fresh_air(watched: Watched, spec: SensorSpec, now_s: float) -> tuple[float, float] | None:
    """Temperature and dew point [°C] of a sensor that still speaks."""
    if watched.air is None or now_s - watched.air_s > spec.lost_after_s:
        return None
    return watched.air[0], watched.dew_c


# --- the signs --------------------------------------------------------------------------------------


def _doubts(
    spec: SensorSpec, state: QualityState, beside: Sequence[SensorSpec], latest: Mapping[str, Latest], now_s: float
) -> Iterator[Doubt]:
    name, known = spec.name, state.sensors[spec.name]
    others = [other.name for other in beside if other.name != name]
    if _same_s(spec, latest, now_s) >= STUCK_S:
        moved = next((other for other in others if _moved(state.sensors[other], now_s)), "")
        if moved:
            text = f"{name}: both numbers have stood still for {STUCK_S / 60:.0f} min while {moved} moved"
            yield Doubt(code="stuck-beside", text=text, counts=False, no_mist=True)
    if known.wet_since_s is not None and now_s - known.wet_since_s >= WET_S:
        text = f"{name}: humidity at {WET_PCT:g} % or more for {(now_s - known.wet_since_s) / 60:.0f} min: wet, or fog"
        yield Doubt(code="wet", text=text, no_mist=True)
    if known.dry_since_s is not None and now_s - known.dry_since_s >= DRY_S:
        text = f"{name}: humidity below {DRY_PCT:g} %: check the sensor"
        yield Doubt(code="too-dry", text=text, no_mist=True)
    if known.jumped_s is not None and now_s - known.jumped_s < FAST_FOR_S:
        yield Doubt(code="jumped", text=f"{name}: changed faster than air does", no_mist=True)
    yield from _beside(name, state, now_s)
    answers, torn = sum(minute[1] for minute in known.answers), sum(minute[2] for minute in known.answers)
    if answers >= TORN_LEAST and torn > TORN_SHARE * answers:
        text = f"{name}: {torn} of {answers} answers of the last {TORN_S / 60:.0f} min were torn: look at the wiring"
        yield Doubt(code="noisy-line", text=text)


def _beside(name: str, state: QualityState, now_s: float) -> Iterator[Doubt]:
    for (warm, cool), since_s in state.heated.items():
        if warm == name and now_s - since_s >= APART_S:
            text = f"{name}: more than {HEATED_K:g} K warmer than {cool} in the same damp: sun or heat on the sensor"
            yield Doubt(code="heated", text=text)
    for pair, since_s in state.apart.items():
        if name in pair and now_s - since_s >= APART_S:
            other = next(each for each in pair if each != name)
            text = f"{name}: dew point more than {APART_K:g} K from that of {other}: one of them is wrong"
            yield Doubt(code="neighbours-apart", text=text, no_mist=True)


def _same_s(spec: SensorSpec, latest: Mapping[str, Latest], now_s: float) -> float:
    """For how long both numbers have been the same; 0 when one is not known."""
    known = [latest.get(f"{spec.name}.{quantity}") for quantity in (Quantity.TEMP, Quantity.RH)]
    since = [each.same_since_s for each in known if each is not None and each.good is not None]
    return now_s - max(since) if len(since) == 2 else 0.0


def _moved(watched: Watched, now_s: float) -> bool:
    spans = [span for span in watched.spans if now_s - span[0] < STUCK_S]
    if not spans:
        return False
    return (
        max(span[2] for span in spans) - min(span[1] for span in spans) > MOVED_K
        or max(span[4] for span in spans) - min(span[3] for span in spans) > MOVED_PCT
    )
