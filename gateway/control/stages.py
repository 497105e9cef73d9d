"""Owns: what a place asks of its kit, before timers and interlocks.

Must not know: relays, time.
How it works: a fan is wanted from its `on_level` up. A mister is never wanted: the sum must not drive water, since
mist raises the sum while it cools the air, and the rules that may drive it are not built yet.
"""

from __future__ import annotations

from gateway.model import KitKind, KitSpec, Level, Reason


def demand(kit: KitSpec, level: Level, sum_f_pct: float) -> tuple[bool, Reason]:
    """Whether this kit is wanted at this level, and why."""
    if kit.kind is KitKind.MISTER:
        return False, Reason(code="mister-not-automatic", text="misters are not switched automatically")
    wanted = level >= kit.on_level
    relation = "at or above" if wanted else "below"
    text = f"level {int(level)} is {relation} {kit.on_level} (sum {sum_f_pct:.1f})"
    return wanted, Reason(code="level-asks" if wanted else "level-free", text=text)
