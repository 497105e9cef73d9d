"""Owns: what one decision looks at, beside the state of the step before: the barn as it is now.

Must not know: I/O, how any of this was found out.
How it works: frozen values. What is not known is None, and every rule that reads it says what it then does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from gateway.barn import Place, Span
from gateway.control.heatload import HeatLoad
from gateway.control.inputs import AirInput
from gateway.control.proof import KitTold
from gateway.model import HandChange, KitSeen


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """The time in every sense that control needs. `minute` of the day and `day` are None while the clock is not set."""

    mono_s: float
    wall_s: float = 0.0
    minute: int | None = None
    day: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """The barn now. `loads` has an entry for every place whose air is known."""

    now: Now
    air: Mapping[str, AirInput]
    loads: Mapping[str, HeatLoad]
    told: Mapping[str, KitTold] = field(default_factory=dict)
    seen: Mapping[str, KitSeen] = field(default_factory=dict)
    fire: bool = False
    supply_low: bool = False
    vents: Mapping[str, bool | None] = field(default_factory=dict)
    asked: Sequence[HandChange] = ()


def in_spans(minute: int, spans: Sequence[Span]) -> bool:
    """Whether a minute of the day lies in one of the spans, which may run over midnight."""
    return any(begin <= minute < end if begin <= end else minute >= begin or minute < end for begin, end in spans)


def is_occupied(place: Place, now: Now) -> bool:
    """Whether horses are here; with the clock not set they count as here."""
    return not place.occupied or now.minute is None or in_spans(now.minute, place.occupied)


def is_hot(place: Place, now: Now) -> bool:
    """Whether horses come in hot from work at this time of day; with the clock not set they count as such."""
    return bool(place.hot) and (now.minute is None or in_spans(now.minute, place.hot))
