"""Barns, facts and journals made by hand, for tests of alarms."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from gateway.alarms.advance import AlarmState, advance
from gateway.alarms.book import Alarm, AlarmAt, after
from gateway.alarms.facts import Facts, KitFact, PlaceFact
from gateway.alarms.rule import Finding, Rule, Standing
from gateway.alarms.rules import RULES
from gateway.barn import Barn, BusSpec, RelaySpec
from gateway.model import AlarmChange, AlarmStep, Priority, Stamp
from tests.control.barns import barn, fan, mister, proof, sensor

LINE = BusSpec(name="line", kind="serial", options={})
OTHER = BusSpec(name="kernel", kind="sysfs", options={})
BLOCK = RelaySpec(name="block", kind="modbus-coils", bus="line", refresh_s=5.0, options={})
BARN = barn(
    sensors=(sensor(), sensor("back", "stalls"), sensor("rack-air", "rack"), sensor("out", "outdoors", bus="kernel")),
    kit=(
        fan("fan-1", proof=proof("amps-1.current_a")),
        fan("fan-2", proof=proof("amps-2.current_a")),
        mister("mist"),
    ),
    buses=(LINE, OTHER),
    relays=(BLOCK,),
)


def stamp(now_s: float, *, boot: str = "boot-1", trusted: bool = True, wall_s: float | None = None) -> Stamp:
    """The time of a step; an invented day in 2026."""
    return Stamp(mono_s=now_s, wall_s=1_780_000_000.0 + now_s if wall_s is None else wall_s, boot=boot, trusted=trusted)


def facts(the_barn: Barn = BARN, **changes: Any) -> Facts:
    """A quiet barn: cool, everything answers, it has been running for long, tested yesterday."""
    calm = Facts(
        barn=the_barn,
        places={place.name: PlaceFact(level=0, last_level=0) for place in the_barn.places},
        kit={spec.name: KitFact() for spec in the_barn.kit},
        up_s=1e6,
        test_age_s=86_400.0,
    )
    return dataclasses.replace(calm, **changes)


def hot(level: int | None, place: str = "stalls", last_level: int | None = None, **changes: Any) -> Facts:
    """The quiet barn with one place at a level."""
    fact = PlaceFact(level=level, last_level=level if last_level is None else last_level)
    return facts(places={**facts().places, place: fact}, **changes)


def troubles(*found: tuple[str, str]) -> dict[tuple[str, str], str]:
    return {(subject, code): f"{subject}: {code}" for subject, code in found}


def signal(
    find: Callable[[], Sequence[Finding]], *, on_s: float = 10.0, off_s: float = 20.0, again_s: float = 0.0,
    stays: bool = True, code: str = "signal",
) -> Rule:  # fmt: skip
    """A rule that finds whatever `find` says now."""

    def found(facts: Facts, standing: Standing) -> Iterator[Finding]:
        yield from find()

    return Rule(
        code=code, priority=Priority.SOON, on_s=on_s, off_s=off_s, again_s=again_s, stays=stays, horse=False,
        dead_band="", reason="", find=found,
    )  # fmt: skip


class Bell:
    """Alarms stepped through time, with their whole journal."""

    def __init__(self, rules: Sequence[Rule] = RULES, now_s: float = 1000.0) -> None:
        self.rules, self.now_s, self.state = rules, now_s, AlarmState()
        self.journal: list[AlarmChange] = []

    def step(self, seen: Facts | None = None, *, after_s: float = 1.0) -> list[AlarmChange]:
        """One step `after_s` later; what it wrote."""
        self.now_s += after_s
        self.state, lines = advance(self.state, seen or facts(), stamp(self.now_s), self.rules)
        self.journal += lines
        return list(lines)

    def run(self, seen: Facts | None = None, *, for_s: float, every_s: float = 1.0) -> list[AlarmChange]:
        """Steps for a while with the same facts."""
        return [line for _ in range(round(for_s / every_s)) for line in self.step(seen, after_s=every_s)]

    def file(self, what: AlarmStep, key: str, *, by: str = "Ana", **changes: Any) -> None:
        """What a person did, as the desk writes it."""
        alarm = self.alarm(key)
        line = AlarmChange(
            alarm=key, what=what, episode=alarm.episode, priority=alarm.priority, stamp=stamp(self.now_s), by=by
        )
        line = dataclasses.replace(line, **changes)
        self.journal.append(line)
        self.state = dataclasses.replace(self.state, book=after(self.state.book, (line,)))

    def alarm(self, key: str) -> Alarm:
        return self.state.book.of(key)

    def at(self, key: str) -> AlarmAt:
        return self.alarm(key).at

    def calling(self) -> list[str]:
        """The alarms that call for a person now."""
        return sorted(key for key, alarm in self.state.book.alarms.items() if alarm.at is AlarmAt.UNACKNOWLEDGED)


def what(lines: Sequence[AlarmChange]) -> list[tuple[str, str]]:
    return [(line.alarm, str(line.what)) for line in lines]


def of_all(found: Mapping[str, int | None]) -> Facts:
    """Levels of several places."""
    return facts(places={**facts().places, **{k: PlaceFact(level=v, last_level=v) for k, v in found.items()}})
