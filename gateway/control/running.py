"""Owns: what of the kit really runs in one step, from its proofs, its switches and what it was told.

Must not know: what is wished, why, timers beyond the run states.
How it works: `look` puts each proof into the run state first. The questions afterwards use the run states as they
stand at that moment, so that a fan which was just told to stop no longer counts for water. A proof that several share
says nothing of one that is off while another of them is on or runs out. While an output cannot be reached its proof is
not held against the command, which never arrived; the time for it begins when the output is reached again. Whether air
moves is another question: a fan that stands still brings none, whatever keeps it, and the next one is asked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from gateway.barn import Barn, KitSpec
from gateway.control.proof import KitTold
from gateway.control.timers import RunState, looked_at, proven
from gateway.model import KitKind, KitSeen, SwitchAt

_UNTOLD = KitTold()


class Running:
    """The run states of one step, which change while it decides, with what the sensors tell."""

    def __init__(
        self,
        barn: Barn,
        told: Mapping[str, KitTold],
        kit: Mapping[str, RunState],
        now_s: float,
        seen: Mapping[str, KitSeen],
    ) -> None:
        self.kit = dict(kit)
        self._barn, self._told, self._before, self._now_s, self._seen = barn, told, kit, now_s, seen
        self._at: dict[tuple[str, KitKind], list[KitSpec]] = {}
        for spec in barn.kit:
            self._at.setdefault((spec.place, spec.kind), []).append(spec)

    def at(self, place: str, kind: KitKind) -> list[KitSpec]:
        """The kit of one kind at a place."""
        return self._at.get((place, kind), [])

    def look(self, spec: KitSpec, *, mended: bool) -> None:
        """Hold the proof of run against the command. `mended`: a person has looked and asks for it by hand."""
        run = looked_at(self.kit[spec.name]) if mended else self.kit[spec.name]
        told, seen = self._told.get(spec.name, _UNTOLD), self._seen.get(spec.name)
        if seen is not None and seen.error:
            run = replace(run, unreached_s=self._now_s)
        if told.switch not in (None, SwitchAt.AUTO):
            run = replace(run, by_switch_s=self._now_s)
        elif spec.proof is not None and not self._shared(spec):
            run = proven(run, told.running, within_s=spec.proof.within_s, now_s=self._now_s)
        self.kit[spec.name] = run

    def fails(self, spec: KitSpec) -> bool:
        """Whether a fan brings no air although it may be asked to, as far as anybody can tell."""
        run, told = self.kit[spec.name], self._told.get(spec.name, _UNTOLD)
        silent = run.on and told.running is False and self._late(spec)
        return run.unproven > 0 or silent or told.switch is SwitchAt.OFF

    def fans_mps(self, place: str) -> float | None:
        """The most air of the fans that are proven to run at a place, 0 where it was not measured; None: none is."""
        fans = [spec for spec in self.at(place, KitKind.FAN) if self._runs(spec)]
        return max((spec.air_mps * self.kit[spec.name].speed for spec in fans), default=None)

    def flowing(self, since_s: Mapping[str, float]) -> dict[str, float]:
        """Since when water has been flowing at a place while every mister there was off."""
        found = {}
        for place in self._barn.places:
            misters = self.at(place.name, KitKind.MISTER)
            flows = any(self._told.get(spec.name, _UNTOLD).running for spec in misters)
            if flows and not any(self._before[spec.name].on for spec in misters):
                found[place.name] = since_s.get(place.name, self._now_s)
        return found

    def _runs(self, spec: KitSpec) -> bool:
        """By its proof; what was just told to stop runs out, and its proof still tells of before."""
        told = self._told.get(spec.name, _UNTOLD)
        return told.running is True and (self.kit[spec.name].on or self._late(spec))

    def _late(self, spec: KitSpec) -> bool:
        """Whether its motor has had its time to do as it was told."""
        return spec.proof is not None and self._now_s - self.kit[spec.name].turned_s > spec.proof.within_s

    def _shared(self, spec: KitSpec) -> bool:
        """Whether the proof of kit that is off may tell of another on the same channel that is, or just was, on."""
        if spec.proof is None or self._before[spec.name].on:
            return False
        runs = (
            self._before[other.name]
            for other in self._barn.kit
            if other.proof is not None and other.name != spec.name and other.proof.channel == spec.proof.channel
        )
        return any(run.on or self._now_s - run.since_s <= spec.proof.within_s for run in runs)
