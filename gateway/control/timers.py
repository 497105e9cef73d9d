"""Owns: minimum on and off times of one piece of kit.

Must not know: clocks (time is an argument), why a change is wanted.
How it works: `hold` lets a wish through, or keeps the present state and says for how long. After a start with an
unknown past the state counts as just changed, which spares the motor.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RunState:
    """Whether the kit runs and since when [s, monotonic]."""

    on: bool
    since_s: float


def hold(state: RunState, want_on: bool, *, min_on_s: float, min_off_s: float, now_s: float) -> float:
    """Seconds for which the present state must still be kept before `want_on` may happen; 0 when it may now."""
    if want_on == state.on:
        return 0.0
    shortest_s = min_on_s if state.on else min_off_s
    return max(0.0, shortest_s - (now_s - state.since_s))


def switched(state: RunState, on: bool, now_s: float) -> RunState:
    """The state after the decision: a new `since_s` only when it changed."""
    return state if on == state.on else RunState(on=on, since_s=now_s)
