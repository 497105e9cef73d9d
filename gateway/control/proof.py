"""Owns: what sensors tell of a piece of kit: whether it really runs, and where its hand/off/auto switch stands.

Must not know: relays, what is done about it.
How it works: a fresh value of its proof channel against its limit; the position of its switch. What is not measured, or
not fresh, is None: nobody knows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.barn import Barn, KitSpec
from gateway.control.inputs import fresh_value
from gateway.model import Latest, SwitchAt


@dataclass(frozen=True, slots=True, kw_only=True)
class KitTold:
    """`running` by the proof of run; `switch` by its switch. None: not fitted, or not known now."""

    running: bool | None = None
    switch: SwitchAt | None = None


def told(kit: KitSpec, barn: Barn, latest: Mapping[str, Latest], now_s: float) -> KitTold:
    """What the sensors of one piece of kit say."""
    running = None
    if kit.proof is not None:
        value = fresh_value(kit.proof.channel, barn.sensors, latest, now_s)
        running = None if value is None else value >= kit.proof.at_least
    position = fresh_value(kit.switch, barn.sensors, latest, now_s) if kit.switch else None
    return KitTold(running=running, switch=None if position is None else SwitchAt(round(position)))


@dataclass(frozen=True, slots=True, kw_only=True)
class KitTrouble:
    """Kit that does not do what it was asked."""

    code: str
    text: str


def disagreement(kit: KitSpec, seen: KitTold, *, on: bool, since_s: float, now_s: float) -> KitTrouble | None:
    """What the proof of run says against a command that is `now_s - since_s` old; None when all is well.

    A switch in hand or off explains it: then it is told by that name, and is no fault of the wiring.
    """
    if seen.switch is not None and seen.switch is not SwitchAt.AUTO:
        word = "hand" if seen.switch is SwitchAt.HAND else "off"
        return KitTrouble(
            code="kit-not-in-auto", text=f"{kit.name}: its switch stands at {word}, not controlled from here"
        )
    if kit.proof is None or seen.running is None or now_s - since_s <= kit.proof.within_s or seen.running == on:
        return None
    if on:
        return KitTrouble(
            code="kit-not-running", text=f"{kit.name}: asked to run, but {kit.proof.channel} shows that it does not"
        )
    return KitTrouble(
        code="kit-runs-unasked", text=f"{kit.name}: off, but {kit.proof.channel} shows that it runs: contact stuck?"
    )
