"""Owns: who is reached by which way, as far as the answers of the ways tell: that nobody is, that one contact is not.

Must not know: messages, threads, files, the wires.
How it works: frozen and pure, on the machine's own clock. Of each contact and way the run of failures since the last
message that arrived is kept. A run counts while a message is still tried, once a far end has refused, or when it lasts
for `STEADY_S`: one try that failed, for a message that was over before the next, says nothing of today.

    lost      a run counts, and of no contact and way the newest message has arrived
    cut off   some are reached, and of one contact each way that was tried has a run of `CUT_OFF_S` that counts
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from gateway.uplink.verdict import Outcome, Verdict

STEADY_S = 60.0
CUT_OFF_S = 3600.0  # own choice: longer than a router needs, shorter than a night

Pair = tuple[str, str]  # a contact and a way


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Failures in a row: why the newest, since when, until when; `held`: the far end refuses."""

    why: str
    since_s: float
    newest_s: float
    held: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """By contact and way the run of failures; None where the newest message has arrived."""

    runs: Mapping[Pair, Run | None] = field(default_factory=dict)

    def after(self, contact: str, way: str, verdict: Verdict, now_s: float) -> Reached:
        """With one answer more."""
        run = None
        if verdict.outcome is not Outcome.DELIVERED:
            before = self.runs.get((contact, way))
            run = Run(
                why=verdict.why or str(verdict.outcome.value),
                since_s=now_s if before is None else before.since_s,
                newest_s=now_s,
                held=verdict.outcome is not Outcome.AWAY,
            )
        return replace(self, runs={**self.runs, (contact, way): run})

    def why(self, contact: str, way: str) -> str:
        """Why the newest try failed; empty when it did not."""
        run = self.runs.get((contact, way))
        return "" if run is None else run.why

    def lost(self, tried: Collection[Pair]) -> str:
        """Why nobody is reached; empty while somebody is, or nobody knows. `tried` are those with a message to send."""
        counted = self._counted(tried)
        if not counted or None in self.runs.values():
            return ""
        return f"No message to a contact arrives. {_said(counted)}"

    def cut_off(self, tried: Collection[Pair], now_s: float) -> str:
        """Whom nothing has reached for long although others are reached, and why; empty while there is nobody."""
        counted = self._counted(tried)
        if None not in self.runs.values():
            return ""
        ways: dict[str, list[Pair]] = {}
        for pair in self.runs:
            ways.setdefault(pair[0], []).append(pair)
        found = [
            pair
            for pairs in ways.values()
            if all(pair in counted and now_s - counted[pair].since_s >= CUT_OFF_S for pair in pairs)
            for pair in pairs
        ]
        return f"Not everybody is reached. {_said({pair: counted[pair] for pair in found})}" if found else ""

    def _counted(self, tried: Collection[Pair]) -> dict[Pair, Run]:
        return {
            pair: run
            for pair, run in self.runs.items()
            if run is not None and (pair in tried or run.held or run.newest_s - run.since_s >= STEADY_S)
        }


def _said(runs: Mapping[Pair, Run]) -> str:
    return "; ".join(f"{contact} by {way}: {run.why}" for (contact, way), run in sorted(runs.items()))
