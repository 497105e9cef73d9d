"""Owns: what a place asks of its kit, before timers and interlocks.

Must not know: relays, time.
How it works: a fan is wanted from its `on_level` up. A mister is never wanted: the sum must not drive water, since
mist raises the sum while it cools the air, and the rules that may drive it are not built yet.
"""

from __future__ import annotations

from gateway.control.levels import Levels
from gateway.model import KitKind, KitSpec, Reason


def demand(kit: KitSpec, levels: Levels) -> tuple[bool, Reason]:
    """Whether this kit is wanted at these levels, and why."""
    if kit.kind is KitKind.MISTER:
        return False, Reason(code="mister-not-automatic", text="misters are not switched automatically")
    wanted = levels.level >= kit.on_level
    relation = "at or above" if wanted else "below"
    by = f"rule {int(levels.rule)}, air {int(levels.air)}"
    text = f"level {int(levels.level)} is {relation} {kit.on_level} ({by})"
    return wanted, Reason(code="level-asks" if wanted else "level-free", text=text)
