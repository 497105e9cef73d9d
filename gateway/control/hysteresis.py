"""Owns: the two-threshold switch with a hold time.

Must not know: what it switches.
How it works: on at once when the value reaches `on_at`; off only after the value has stayed below `off_below` for
`hold_s` without a break. In between it keeps its state. So noise around a threshold cannot make it chatter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """State of one switch. `below_since_s` is set while it is on and the value is low."""

    on: bool = False
    below_since_s: float | None = None


def advance(switch: Switch, value: float, *, on_at: float, off_below: float, hold_s: float, now_s: float) -> Switch:
    """The switch after seeing `value` at `now_s`. Raises ValueError when the thresholds are crossed."""
    if off_below > on_at:
        raise ValueError(f"off_below {off_below:g} is above on_at {on_at:g}")
    if value >= on_at:
        return Switch(on=True)
    if not switch.on:
        return Switch()
    if value >= off_below:
        return replace(switch, below_since_s=None)
    since_s = now_s if switch.below_since_s is None else switch.below_since_s
    if now_s - since_s >= hold_s:
        return Switch()
    return Switch(on=True, below_since_s=since_s)
