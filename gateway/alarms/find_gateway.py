"""Owns: conditions of the gateway itself: power, clock, disk, history, the ways out, its weekly test.

Must not know: delays, texts, the life cycle.
How it works: mostly a trouble that somebody else has found becomes an alarm of its own rule. A trouble for which no
rule is made is an alarm too, so that nothing is kept from people because somebody forgot to write a rule for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from gateway.alarms.facts import Facts
from gateway.alarms.find_horse import SOON, WHEN_YOU_CAN
from gateway.alarms.find_kit import lines_to
from gateway.alarms.rule import Finding, Standing
from gateway.model import Priority

DEAD_BAND = 0.02  # of the limit of the supply
JUST_STARTED_S = 120.0
TEST_EVERY_S = 7 * 86400.0
TROUBLES = {  # codes that a rule of this or another room takes
    "fire", "kit-at-its-end", "water-stuck", "supply-low", "bus-stuck", "sensor-lost", "kit-not-running",
    "kit-not-following", "kit-unreachable", "kit-runs-unasked", "kit-not-in-auto", "history-unwritten",
    "history-damaged", "disk-low", "disk-full", "store-lost", "broker-lost", "uplink-lost", "calls-lost",
    "contact-lost",
}  # fmt: skip


def supply_low(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """The supply is weak: fans may be on and yet turn too slowly."""
    safety = facts.barn.safety
    if not safety.supply:
        return
    if facts.supply_v is None:
        yield Finding(subject="barn", priority=SOON, unsure=True)
        return
    limit_v = safety.supply_low_v * (1.0 + DEAD_BAND) if standing("supply-low:barn") else safety.supply_low_v
    if facts.supply_v < limit_v:
        yield Finding(subject="barn", priority=SOON, text=f"{facts.supply_v:.1f} V, limit {safety.supply_low_v:g} V")


def trouble(subject: str, priority: Priority, *codes: str) -> Callable[[Facts, Standing], Iterator[Finding]]:
    """A rule for a subject that has one of these troubles."""

    def find(facts: Facts, standing: Standing) -> Iterator[Finding]:
        if text := facts.has(subject, *codes):
            yield Finding(subject=subject, priority=priority, text=text)

    return find


def history_lost(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """The history is not written; on a full disk that is no second alarm."""
    if text := facts.has("history", "history-unwritten"):
        causes = ("disk-low:disk",) if facts.has("disk", "disk-full") else ()
        yield Finding(subject="history", priority=SOON, text=text, causes=causes)


def disk_low(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Little room is left, or none."""
    if text := facts.has("disk", "disk-full", "disk-low"):
        yield Finding(subject="disk", priority=SOON if facts.has("disk", "disk-full") else WHEN_YOU_CAN, text=text)


def broker_lost(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """The broker is gone; with kit or sensors behind it that is more urgent."""
    if text := facts.has("broker", "broker-lost"):
        needed = any(bus.kind == "mqtt" for bus in facts.barn.buses)
        causes = ("uplink-lost:uplink",)
        yield Finding(subject="broker", priority=SOON if needed else WHEN_YOU_CAN, text=text, causes=causes)


def store_lost(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """The time-series store takes nothing."""
    if text := facts.has("store", "store-lost"):
        yield Finding(subject="store", priority=WHEN_YOU_CAN, text=text, causes=("uplink-lost:uplink",))


def clock_unset(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Nobody vouches for the clock."""
    if not facts.clock_trusted:
        yield Finding(subject="gateway", priority=WHEN_YOU_CAN)


def restarted(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """The gateway has just started: nobody watched for a while."""
    if facts.up_s < JUST_STARTED_S:
        yield Finding(subject="gateway", priority=WHEN_YOU_CAN)


def weekly_test_due(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """Nobody has tried the alarm and the fail-safe for a week, or ever."""
    if not facts.clock_trusted:
        yield Finding(subject="barn", priority=WHEN_YOU_CAN, unsure=True)
    elif facts.test_age_s is None or facts.test_age_s > TEST_EVERY_S:
        yield Finding(subject="barn", priority=WHEN_YOU_CAN)


def other_trouble(facts: Facts, standing: Standing) -> Iterator[Finding]:
    """A trouble that has no rule of its own."""
    found: dict[str, str] = {}
    sensors = {sensor.name for sensor in facts.barn.sensors}
    for (subject, code), text in facts.troubles.items():
        doubt = subject in sensors and code.startswith("sensor-")
        if code not in TROUBLES and not doubt:
            found[subject] = f"{found[subject]}; {text}" if subject in found else text
    causes = {spec.name: lines_to(facts.barn, spec) for spec in facts.barn.signals} if found else {}
    for subject, text in found.items():
        yield Finding(subject=subject, priority=WHEN_YOU_CAN, text=text, causes=causes.get(subject, ()))
