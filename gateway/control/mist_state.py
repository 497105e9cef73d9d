"""Owns: what is remembered of one mister: water of the day, when its line was last wet, and a lock after damp.

Must not know: why water runs, fans, carry.
How it works: `advanced` is called once a step, whether water ran or not. Water that a person lets run counts like any
other. A line that stood idle counts as wet again only after a flush without a break. Humidity that stays above its
limit after misting locks water out for a while.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from gateway.barn import MistRules
from gateway.control.situation import Now

DAMP_AFTER_S, LOCKED_S = 1800.0, 7200.0  # common practice, no published source


@dataclass(frozen=True, slots=True, kw_only=True)
class MistState:
    """`litres` of `day`; `ran_s` is when water last ran, `flushed_s` for how long it has run without a break.

    `line_wet_s` None: never since anybody knows, which counts as stagnant. `damp_since_s`: since when humidity has
    been above its limit after misting; `locked_until_s`: the end of the lock.
    """

    day: int | None = None
    litres: float = 0.0
    ran_s: float | None = None
    line_wet_s: float | None = None
    flushed_s: float = 0.0
    damp_since_s: float | None = None
    locked_until_s: float | None = None


def litres_of(state: MistState, now: Now) -> float:
    """Water that ran today. While the clock is not set, the day goes on."""
    return state.litres if now.day in (None, state.day) else 0.0


def is_stagnant(state: MistState, rules: MistRules, now: Now) -> bool:
    """Whether the line has stood idle for so long that it must be flushed first."""
    return state.line_wet_s is None or now.mono_s - state.line_wet_s > rules.flush_after_s


def advanced(
    state: MistState, rules: MistRules, now: Now, *, ran_s: float, litres: float, on: bool, rh_pct: float | None
) -> MistState:
    """The state after a decision: water ran for `ran_s` since the last one and spent `litres`, then is `on` or not."""
    after = replace(state, day=state.day if now.day is None else now.day, litres=litres_of(state, now) + litres)
    if ran_s > 0.0:
        flushed_s = state.flushed_s + ran_s
        wet = not is_stagnant(state, rules, now) or flushed_s >= rules.flush_s
        after = replace(
            after, ran_s=now.mono_s, flushed_s=flushed_s, line_wet_s=now.mono_s if wet else state.line_wet_s
        )
    return _watched(after if on else replace(after, flushed_s=0.0), rules, now, on=on, rh_pct=rh_pct)


def _watched(state: MistState, rules: MistRules, now: Now, *, on: bool, rh_pct: float | None) -> MistState:
    """Judges the damp after misting. While nobody knows the air, nothing is concluded."""
    if not on and rh_pct is None:
        return state
    if on or (rh_pct is not None and rh_pct < rules.stop_above_pct):
        return replace(state, damp_since_s=None)
    if state.damp_since_s is None:
        just = state.ran_s is not None and now.mono_s - state.ran_s < DAMP_AFTER_S
        return replace(state, damp_since_s=now.mono_s) if just else state
    if now.mono_s - state.damp_since_s < DAMP_AFTER_S:
        return state
    return replace(state, damp_since_s=None, ran_s=None, locked_until_s=now.mono_s + LOCKED_S)
