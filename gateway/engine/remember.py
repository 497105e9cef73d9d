"""Owns: what a new start may still know of the kit: starts of this hour, water of today, when lines were last wet.

Must not know: files; how commands were stored.
How it works: the commands of the history are walked once, oldest first. Within one boot the monotonic time counts; from
a boot before, the wall time, if it was right then and is right now. What cannot be dated is not counted as known: a
start too many is spared, a line counts as stagnant.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from gateway.barn import Barn, KitSpec
from gateway.control.decide import ControlState
from gateway.control.mist_state import MistState
from gateway.control.timers import HOUR_S
from gateway.engine.clock import local_time
from gateway.model import CommandChange, KitKind, Stamp


def remembered(state: ControlState, barn: Barn, commands: Iterable[CommandChange], stamp: Stamp) -> ControlState:
    """The state of a start with what the history still tells."""
    by_kit: dict[str, list[CommandChange]] = {}
    for command in commands:
        by_kit.setdefault(command.kit, []).append(command)
    kit = dict(state.kit)
    water: dict[str, MistState] = {}
    for spec in barn.kit:
        past = by_kit.get(spec.name, [])
        if spec.kind is KitKind.FAN:
            kit[spec.name] = replace(kit[spec.name], starts=_starts(kit[spec.name].starts, past, stamp))
        elif spec.kind is KitKind.MISTER:
            water[spec.name] = _water(spec, past, barn.zone, stamp)
    return replace(state, kit=kit, water=water)


def _age_s(then: Stamp, now: Stamp) -> float | None:
    """How long ago something was, or None when nobody can tell."""
    if then.boot == now.boot:
        return max(0.0, now.mono_s - then.mono_s)
    if then.trusted and now.trusted and then.wall_s <= now.wall_s:
        return now.wall_s - then.wall_s
    return None


def _starts(known: tuple[float, ...], past: Iterable[CommandChange], now: Stamp) -> tuple[float, ...]:
    ages = [_age_s(command.stamp, now) for command in past if command.on]
    recent = sorted(now.mono_s - age_s for age_s in ages if age_s is not None and age_s < HOUR_S)
    return (*recent, *known)


def _water(spec: KitSpec, past: Iterable[CommandChange], zone: str, now: Stamp) -> MistState:
    """Litres of today and the end of the last run. A run whose end is not known ended with the core, at once."""
    today = local_time(now, zone)
    litres, wet_s, begun = 0.0, None, None
    for command in past:
        if command.on:
            begun = command.stamp
            continue
        ran_s = _run_s(begun, command.stamp)
        age_s = _age_s(command.stamp, now)
        begun = None
        if not ran_s or age_s is None:
            continue
        wet_s = now.mono_s - age_s
        then = local_time(command.stamp, zone)
        if today is not None and then is not None and then[1] == today[1]:
            litres += spec.water_lpm * ran_s / 60.0
    return MistState(day=None if today is None else today[1], litres=litres, line_wet_s=wet_s)


def _run_s(begun: Stamp | None, ended: Stamp) -> float:
    if begun is None or begun.boot != ended.boot:
        return 0.0
    return max(0.0, ended.mono_s - begun.mono_s)
