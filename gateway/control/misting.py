"""Owns: when water may run at a place, in pulses, and why it may not.

Must not know: relays, fans beyond whether one is proven to run and the air it brings, hands.
How it works: the sum plays no part here: mist raises it while it cools the air. `RULES` is an ordered table of what
must hold; the first that does not is the reason on the screen. Starting is stricter than going on. What holds for all
lets water run for a pulse, then pause, so that it evaporates before the next.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from gateway.barn import Barn, MistRules
from gateway.control.demand import standing_carry
from gateway.control.heatload import HeatLoad
from gateway.control.inputs import AirInput
from gateway.control.mist_state import MistState, is_stagnant, litres_of
from gateway.control.situation import Now, in_spans
from gateway.errors import RangeError
from gateway.heat.mist import mist
from gateway.model import Reason

GO_ON_C, GO_ON_K = 1.0, 1.0  # going on is allowed this much below the limits of starting
EVAPORATED = 0.5  # share of the wet-bulb depression that a fog line covers: own choice, 0.4 to 0.8 in print
LEAST_GAIN = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Everything that a rule may look at.

    `running` since `since_s`, or resting since then. `needed`: somebody wants cooling. `hot`: a horse just after work.
    `fans_mps` is the air of the fans proven to run, None when none is. `shut`: the outside air may be shut out.
    """

    barn: Barn
    state: MistState
    now: Now
    running: bool
    since_s: float
    air: AirInput
    load: HeatLoad | None
    needed: bool
    there: bool
    hot: bool
    fans_mps: float | None
    shut: bool

    @property
    def rules(self) -> MistRules:
        return self.barn.mist


@dataclass(frozen=True, slots=True, kw_only=True)
class MistRule:
    """`holds` lets water run; otherwise `why` is said. A rule is asked only when all before it hold."""

    code: str
    why: str
    holds: Callable[[Look], bool]


def _air(look: Look) -> tuple[float, float]:
    """Temperature [°C] and humidity [%], which the first rule has made sure of."""
    assert look.load is not None
    return look.load.around.temp_c, look.load.around.rh_pct


def _warm(look: Look) -> bool:
    return _air(look)[0] >= look.rules.from_c - (GO_ON_C if look.running else 0.0)


def _dry(look: Look) -> bool:
    return _air(look)[1] < (look.rules.stop_above_pct if look.running else look.rules.start_below_pct)


def _depression_k(look: Look) -> float:
    assert look.load is not None
    return look.load.around.temp_c - look.load.wet_bulb_c


def _helps(look: Look) -> bool:
    """Whether carry of a standing horse would rise: judged by wet bulb and carry, with the fans as they are."""
    assert look.load is not None
    around = look.load.around
    try:
        after = mist(temp_c=around.temp_c, rh_pct=around.rh_pct, pressure_pa=around.pressure_pa, efficiency=EVAPORATED)
    except RangeError:  # a wet bulb at freezing: nothing to cool
        return False
    misted = replace(look.load, around=replace(around, temp_c=after.temp_c, rh_pct=after.rh_pct))
    before, then = (
        standing_carry(load, look.barn, air_mps=look.fans_mps or 0.0, hot=look.hot) for load in (look.load, misted)
    )
    return then > before + LEAST_GAIN


RULES = (
    MistRule(code="mist-air-unknown", why="nobody knows the air here", holds=lambda look: look.load is not None),
    MistRule(code="mist-doubt", why="a sensor here is in doubt", holds=lambda look: not look.air.no_mist),
    MistRule(code="mist-nobody", why="no horses here now", holds=lambda look: look.there),
    MistRule(
        code="mist-hours",
        why="not at this time of day: wet floors and coats must dry before night",
        holds=lambda look: look.now.minute is not None and in_spans(look.now.minute, (look.rules.hours,)),
    ),
    MistRule(code="mist-cool", why="not hot enough for water", holds=_warm),
    MistRule(code="mist-not-needed", why="a standing horse needs no cooling", holds=lambda look: look.needed),
    MistRule(code="mist-damp", why="misting would only add damp", holds=_dry),
    MistRule(
        code="mist-no-depression",
        why="misting would only add damp: the air is too near its wet bulb",
        holds=lambda look: _depression_k(look) >= look.rules.least_depression_k - (GO_ON_K if look.running else 0.0),
    ),
    MistRule(code="mist-no-gain", why="misting would not help a horse here", holds=_helps),
    MistRule(code="mist-no-fan", why="no fan is proven to run here", holds=lambda look: look.fans_mps is not None),
    MistRule(code="mist-shut", why="the outside air is shut out", holds=lambda look: not look.shut),
    MistRule(
        code="mist-locked",
        why="the air stayed damp after the last misting",
        holds=lambda look: look.state.locked_until_s is None or look.now.mono_s >= look.state.locked_until_s,
    ),
    MistRule(
        code="mist-budget",
        why="the water of today is used up",
        holds=lambda look: litres_of(look.state, look.now) < look.rules.litres_per_day,
    ),
    MistRule(
        code="mist-stagnant",
        why="the line has stood idle: flush it by hand first, away from horses and people",
        holds=lambda look: not is_stagnant(look.state, look.rules, look.now),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MistWish:
    """Whether water is wanted now, why, and for how long the present pulse or pause still lasts."""

    on: bool
    reason: Reason
    wait_s: float = 0.0


def mist_wish(look: Look) -> MistWish:
    """What the rules ask of one mister."""
    for rule in RULES:
        if not rule.holds(look):
            return MistWish(on=False, reason=Reason(code=rule.code, text=f"{rule.why}{_numbers(look, rule.code)}"))
    rules, kept_s = look.rules, look.now.mono_s - look.since_s
    pulse_left_s, pause_left_s = rules.pulse_s - kept_s, rules.every_s - rules.pulse_s - kept_s
    if look.running and pulse_left_s <= 0:
        return MistWish(on=False, reason=_PAUSE, wait_s=rules.every_s - rules.pulse_s)
    if not look.running and pause_left_s > 0:
        return MistWish(on=False, reason=_PAUSE, wait_s=pause_left_s)
    text = (
        f"{_depression_k(look):.1f} K below the air is its wet bulb, and a fan moves it: a pulse of {rules.pulse_s:g} s"
    )
    return MistWish(
        on=True, reason=Reason(code="mist-pulse", text=text), wait_s=pulse_left_s if look.running else rules.pulse_s
    )


_PAUSE = Reason(code="mist-pause", text="the water evaporates before the next pulse")


def _numbers(look: Look, code: str) -> str:
    """What is behind a reason, for those that people ask about."""
    if code == "mist-doubt":
        return f": {look.air.no_mist}"
    if code == "mist-stagnant":
        return f" ({look.rules.flush_s:g} s or more)"
    if look.load is None or code not in ("mist-damp", "mist-no-depression", "mist-cool", "mist-no-gain"):
        return ""
    temp_c, rh_pct = _air(look)
    return f" ({temp_c:.1f} °C, {rh_pct:.0f} %, wet bulb {look.load.wet_bulb_c:.1f} °C)"
