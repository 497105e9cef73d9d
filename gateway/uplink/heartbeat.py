"""Owns: the sign of life to an outside watcher, who calls people himself when it stays away.

Must not know: whether we live: whoever calls `beat` does so only while core's snapshots are fresh.
How it works: a POST each `every_s`. After a failure the next comes sooner, then later and later up to `every_s`; after
a refusal only then, since a person must change something. Time is an argument.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from gateway.site_alarms import Heartbeat
from gateway.uplink.backoff import Backoff, Patience
from gateway.uplink.https_post import WITHIN_S, Poster
from gateway.uplink.message_json import utc
from gateway.uplink.reach import Connect, Resolve, by_system, directly, tried
from gateway.uplink.verdict import Outcome, Verdict

SOONEST_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """How it went. `why` is what went wrong last, empty while all is well; `well_s` when a beat was last heard."""

    well_s: float | None = None
    failed: int = 0
    why: str = ""


class Heart:
    """Used by one thread: a beat takes up to `within_s`. `wall_s` tells the wall clock."""

    def __init__(
        self,
        heartbeat: Heartbeat,
        inside: frozenset[str],
        *,
        barn: str,
        wall_s: Callable[[], float],
        resolve: Resolve = by_system,
        connect: Connect = directly,
        within_s: float = WITHIN_S,
        chance: Callable[[], float] = random.random,
    ) -> None:
        self._heartbeat, self._barn, self._wall_s = heartbeat, barn, wall_s
        self._poster = Poster(inside, resolve=resolve, connect=connect, within_s=within_s)
        every_s = heartbeat.every_s
        patience = Patience(first_s=min(2 * SOONEST_S, every_s), longest_s=every_s, hold_s=every_s)
        self._backoff, self._due_s = Backoff(patience, chance), -math.inf
        self.pulse = Pulse()

    def beat(self, now_s: float) -> Verdict | None:
        """What came of a beat; None when none was due. Never raises."""
        if now_s < self._due_s:
            return None
        verdict = tried("heartbeat", self._once)
        self._due_s = now_s + self._pause_s(verdict)
        if verdict.outcome is Outcome.DELIVERED:
            self.pulse = Pulse(well_s=now_s)
        else:
            self.pulse = Pulse(well_s=self.pulse.well_s, failed=self.pulse.failed + 1, why=verdict.why)
        return verdict

    def _once(self) -> Verdict:
        body = json.dumps({"barn": self._barn, "time": utc(self._wall_s()), "ok": True}).encode()
        return self._poster.post(self._heartbeat.url, self._heartbeat.ca_file, body, {})

    def _pause_s(self, verdict: Verdict) -> float:
        if verdict.outcome is Outcome.DELIVERED:
            self._backoff.worked()
            return self._heartbeat.every_s
        pause_s = self._backoff.refused() if verdict.outcome is Outcome.REFUSED else self._backoff.failed()
        return max(pause_s, verdict.wait_s or 0.0)
