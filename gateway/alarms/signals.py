"""Owns: when the lamps and chimes in the barn are on.

Must not know: relays, how a signal is wired, clocks.
How it works: a signal calls while any alarm that is at least as urgent as it asks for a person: one that is shelved,
explained by another, taken or over asks for none. A lamp shines for as long. A chime sounds for two seconds, at once
and then every half minute, and is quiet at its quiet hours unless the alarm is a NOW. While the clock is not set no
hour is quiet. Both figures are our own choice: often enough to be found, too seldom and too short to upset horses.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.alarms.book import AlarmAt, Book
from gateway.barn import SignalSpec, Span
from gateway.model import Priority, SignalKind

SOUNDS_S, EVERY_S = 2.0, 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalRun:
    """What a signal is asked, since when, and since when it calls (None: it does not)."""

    on: bool
    since_s: float
    calls_since_s: float | None = None


def signals_after(
    before: Mapping[str, SignalRun], specs: tuple[SignalSpec, ...], book: Book, *, now_s: float, minute: int | None
) -> dict[str, SignalRun]:
    """All signals one step later. `minute` of the barn's day, None while the clock is not set."""
    if not specs:
        return {}
    calling = max((a.priority for a in book.alarms.values() if a.at is AlarmAt.UNACKNOWLEDGED), default=None)
    found = {}
    for spec in specs:
        run = before.get(spec.name, SignalRun(on=False, since_s=now_s))
        calls = calling is not None and calling >= spec.least and not _hushed(spec, calling, minute)
        since_s = None if not calls else now_s if run.calls_since_s is None else run.calls_since_s
        on = since_s is not None and (spec.kind is SignalKind.LAMP or (now_s - since_s) % EVERY_S < SOUNDS_S)
        found[spec.name] = SignalRun(on=on, since_s=run.since_s if on == run.on else now_s, calls_since_s=since_s)
    return found


def _hushed(spec: SignalSpec, calling: Priority, minute: int | None) -> bool:
    return calling < Priority.NOW and minute is not None and any(_within(span, minute) for span in spec.quiet)


def _within(span: Span, minute: int) -> bool:
    """Whether a minute of the day lies in a span, which may run over midnight."""
    begin, end = span
    return begin <= minute < end if begin <= end else minute >= begin or minute < end
