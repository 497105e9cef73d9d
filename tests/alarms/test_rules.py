"""The rules: what raises each alarm, how urgent it is, its dead band, and that one cause is one alarm."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from gateway.alarms.book import AlarmAt
from gateway.alarms.facts import Facts, KitFact, PlaceFact
from gateway.alarms.find_gateway import TROUBLES
from gateway.alarms.rules import BY_CODE, LONGEST_SHELF_S, RULES
from gateway.alarms.texts import LANGUAGES, TEXTS, spoken
from gateway.barn import BusSpec, Safety
from gateway.engine.link_words import OUTSIDE
from gateway.model import AlarmStep, KitKind, PlaceKind, Priority
from tests.alarms.scenes import BARN, Bell, facts, hot, troubles, what
from tests.control.barns import barn, mister, sensor

NOW, SOON, WHEN = Priority.NOW, Priority.SOON, Priority.WHEN_YOU_CAN
ROOT = Path(__file__).parents[2]
KIT = {spec.name: KitFact() for spec in BARN.kit}
ASKED = KIT | {"fan-1": KitFact(wanted=True, asked=True), "fan-2": KitFact(wanted=True, asked=True)}


def raised(seen: Facts, *, for_s: float = 7200.0) -> dict[str, Priority]:
    """What calls for a person after the facts have stood for long."""
    bell = Bell()
    bell.run(seen, for_s=for_s, every_s=10.0)
    return {key: bell.alarm(key).priority for key in bell.calling()}


def test_a_quiet_barn_is_quiet() -> None:
    assert raised(facts()) == {}


CASES = [
    (facts(troubles=troubles(("barn", "fire"))), {"fire:barn": NOW}),
    (hot(3), {"level-stop:stalls": NOW}),
    (hot(2), {"level-plan:stalls": SOON}),
    (hot(1), {}),
    (hot(3, troubles=troubles(("stalls", "kit-at-its-end"))), {"saturated:stalls": NOW}),
    (facts(troubles=troubles(("stalls", "water-stuck"))), {"water-stuck:stalls": NOW}),
    (facts(kit=ASKED, troubles=troubles(("fan-1", "kit-not-running"))), {"kit-not-running:fan-1": SOON}),
    (hot(2, kit=ASKED, troubles=troubles(("fan-1", "kit-not-running"))),
     {"kit-not-running:fan-1": NOW, "level-plan:stalls": SOON}),
    (facts(troubles=troubles(("fan-1", "kit-unreachable"))), {"kit-unreachable:fan-1": WHEN}),
    (facts(troubles=troubles(("fan-1", "kit-runs-unasked"))), {"contact-stuck:fan-1": WHEN}),
    (facts(troubles=troubles(("mist", "kit-runs-unasked"))), {"contact-stuck:mist": SOON}),
    (facts(troubles=troubles(("fan-1", "kit-not-in-auto"))), {"kit-not-in-auto:fan-1": WHEN}),
    (facts(troubles=troubles(("back", "sensor-lost"))), {"sensor-lost:back": WHEN}),
    (facts(troubles=troubles(("back", "sensor-wet"))), {"sensor-suspect:back": WHEN}),
    (facts(troubles=troubles(("history", "history-unwritten"))), {"history-lost:history": SOON}),
    (facts(troubles=troubles(("history", "history-damaged"))), {"history-damaged:history": SOON}),
    (facts(troubles=troubles(("calls", "calls-lost"))), {"calls-lost:calls": SOON}),
    (facts(troubles=troubles(("contacts", "contact-lost"))), {"contact-lost:contacts": SOON}),
    (facts(troubles=troubles(("disk", "disk-low"))), {"disk-low:disk": WHEN}),
    (facts(troubles=troubles(("disk", "disk-full"))), {"disk-low:disk": SOON}),
    (facts(troubles=troubles(("store", "store-lost"))), {"store-lost:store": WHEN}),
    (facts(troubles=troubles(("broker", "broker-lost"))), {"broker-lost:broker": WHEN}),
    (facts(troubles=troubles(("uplink", "uplink-lost"))), {"uplink-lost:uplink": SOON}),
    (facts(troubles=troubles(("gateway", "never-heard-of"))), {"other:gateway": WHEN}),
    (facts(clock_trusted=False), {"clock-unset:gateway": WHEN}),
    (facts(up_s=1.0), {"restarted:gateway": WHEN}),
    (facts(test_age_s=8 * 86_400.0), {"test-due:barn": WHEN}),
    (facts(test_age_s=None), {"test-due:barn": WHEN}),
    (facts(kit={**KIT, "mist": KitFact(reason_codes=("mist-stagnant",))}), {"flush-due:mist": WHEN}),
    (facts(kit={**KIT, "fan-1": KitFact(hand_left_s=500.0, hand_lasts_s=7200.0)}), {"hand-ends:fan-1": WHEN}),
]  # fmt: skip


@pytest.mark.parametrize(("seen", "calls"), CASES, ids=["+".join(c) or "level 1 is no alarm" for _, c in CASES])
def test_each_rule_raises_its_alarm_as_urgently_as_it_is(seen: Facts, calls: dict[str, Priority]) -> None:
    assert raised(seen) == calls


def test_every_rule_was_seen_to_raise() -> None:
    seen = {key.split(":")[0] for _, calls in CASES for key in calls}
    elsewhere = {"no-fan-runs", "bus-lost", "relay-lost", "place-blind", "supply-low"}  # below
    assert seen | elsewhere == set(BY_CODE)


# --- who is where -----------------------------------------------------------------------------------


def test_heat_where_no_horse_is_calls_nobody() -> None:
    empty = {**facts().places, "stalls": PlaceFact(level=3, last_level=3, occupied=False)}
    assert raised(facts(places=empty, troubles=troubles(("stalls", "kit-at-its-end")))) == {}


def test_where_horses_are_ridden_only_level_three_calls_and_not_at_once() -> None:
    riding = dataclasses.replace(
        BARN, places=tuple(dataclasses.replace(place, kind=PlaceKind.RIDING) for place in BARN.places)
    )
    assert raised(hot(2, the_barn=riding)) == {}
    assert raised(hot(3, the_barn=riding)) == {"level-stop:stalls": SOON}


def test_a_switch_at_off_in_heat_is_more_urgent_than_on_a_cool_day() -> None:
    off = {**KIT, "fan-1": KitFact(switched_off=True)}
    found = troubles(("fan-1", "kit-not-in-auto"))
    assert raised(facts(kit=off, troubles=found))["kit-not-in-auto:fan-1"] is WHEN
    assert raised(hot(2, kit=off, troubles=found))["kit-not-in-auto:fan-1"] is SOON


def test_an_alarm_of_level_three_outlives_the_sensor_that_raised_it() -> None:
    bell = Bell()
    bell.run(hot(3), for_s=120)
    lost = troubles(("air", "sensor-lost"), ("back", "sensor-lost"))
    bell.run(hot(None, last_level=3, troubles=lost), for_s=86_400, every_s=60.0)
    assert bell.calling() == ["level-stop:stalls", "place-blind:stalls"]
    assert bell.alarm("place-blind:stalls").priority is NOW


def test_a_level_that_swings_all_afternoon_calls_three_times_and_not_twelve() -> None:
    bell = Bell()
    for _ in range(6):  # from two to three and back every half hour
        for level in (2, 3):
            bell.run(hot(level), for_s=1790, every_s=10.0)
            for key in bell.calling():
                bell.file(AlarmStep.ACKNOWLEDGED, key)
    called = [key for key, word in what(bell.journal) if word == "raised"]
    assert called == ["level-plan:stalls", "level-stop:stalls", "level-stop:stalls"]
    assert bell.alarm("level-plan:stalls").calls == 1, "it was taken once; that it is cooler again calls nobody"


# --- one cause, one alarm ---------------------------------------------------------------------------


def test_one_lost_bus_is_one_alarm() -> None:
    lost = [(name, "sensor-lost") for name in ("air", "back", "rack-air")]
    kit = [(spec.name, "kit-unreachable") for spec in BARN.kit]
    unknown = {**facts().places, **{name: PlaceFact(last_level=2) for name in ("stalls", "rack")}}
    seen = facts(
        places=unknown, troubles=troubles(*lost, *kit, ("fan-1", "kit-not-running")), kit=ASKED,
        failing=frozenset(("air", "back", "rack-air")),
    )  # fmt: skip
    bell = Bell()
    bell.run(seen, for_s=3600, every_s=5.0)
    assert bell.calling() == ["bus-lost:line"]
    assert bell.alarm("bus-lost:line").priority is SOON
    explained = {key for key, alarm in bell.state.book.alarms.items() if alarm.at is AlarmAt.SUPPRESSED}
    assert explained >= {"sensor-lost:air", "place-blind:rack", "kit-unreachable:mist", "kit-not-running:fan-1"}
    # The line is mended: everything is over, nothing rings on the way.
    bell.run(for_s=3600, every_s=5.0)
    assert bell.calling() == []
    assert [line.alarm for line in bell.journal if line.what == "raised" and line.alarm.startswith("bus")] == [
        "bus-lost:line"
    ]
    assert {key for key, alarm in bell.state.book.alarms.items() if alarm.standing} == set()


def test_what_stays_broken_after_its_cause_is_mended_calls_for_itself() -> None:
    lost = [(name, "sensor-lost") for name in ("air", "back", "rack-air")]
    kit = [(spec.name, "kit-unreachable") for spec in BARN.kit]
    bell = Bell()
    bell.run(facts(troubles=troubles(*lost, *kit)), for_s=1200, every_s=5.0)
    assert bell.calling() == ["bus-lost:line"]
    bell.run(facts(troubles=troubles(("back", "sensor-lost"))), for_s=1200, every_s=5.0)
    assert bell.calling() == ["sensor-lost:back"]


def test_one_silent_device_is_not_a_lost_bus() -> None:
    alone = barn(sensors=(sensor(),), kit=(), buses=(BusSpec(name="line", kind="serial", options={}),))
    assert raised(facts(alone, troubles=troubles(("air", "sensor-lost")))) == {"sensor-lost:air": WHEN}


def test_a_relay_block_that_is_silent_is_one_alarm() -> None:
    kit = [(spec.name, "kit-unreachable") for spec in BARN.kit]
    assert raised(facts(troubles=troubles(*kit))) == {"relay-lost:block": WHEN}
    assert raised(hot(2, troubles=troubles(*kit))) == {"relay-lost:block": SOON, "level-plan:stalls": SOON}


def test_no_fan_at_all_is_the_power() -> None:
    asked = KIT | {name: KitFact(wanted=True, asked=True) for name in ("fan-1", "fan-2")}
    dead = troubles(("fan-1", "kit-not-running"), ("fan-2", "kit-not-running"))
    assert raised(facts(kit=asked, troubles=dead)) == {"no-fan-runs:barn": NOW}


def test_a_broker_that_is_gone_explains_the_line_behind_it() -> None:
    behind = barn(
        sensors=(sensor(), sensor("back", "stalls")), kit=(), buses=(BusSpec(name="line", kind="mqtt", options={}),)
    )
    lost = troubles(("broker", "broker-lost"), ("air", "sensor-lost"), ("back", "sensor-lost"))
    unknown = {"stalls": PlaceFact(last_level=1)}
    bell = Bell()
    bell.run(facts(behind, troubles=lost, places=unknown), for_s=3600, every_s=5.0)
    assert bell.calling() == ["broker-lost:broker"]
    assert bell.alarm("broker-lost:broker").priority is SOON


# --- dead bands, delays -----------------------------------------------------------------------------


def test_the_supply_has_a_dead_band_of_two_per_cent() -> None:
    weak = dataclasses.replace(BARN, safety=Safety(supply="ups.supply_v", supply_low_v=210.0))
    bell = Bell()
    bell.run(facts(weak, supply_v=211.0), for_s=3600, every_s=10.0)
    assert bell.calling() == []
    bell.run(facts(weak, supply_v=209.0), for_s=60)
    assert bell.calling() == ["supply-low:barn"]
    bell.run(facts(weak, supply_v=213.0), for_s=7200, every_s=10.0)  # 210 * 1.02 = 214.2
    assert bell.alarm("supply-low:barn").standing
    bell.run(facts(weak, supply_v=None), for_s=7200, every_s=10.0)
    assert bell.alarm("supply-low:barn").standing, "a meter that is silent does not say that all is well"
    bell.run(facts(weak, supply_v=215.0), for_s=7200, every_s=10.0)
    assert not bell.alarm("supply-low:barn").standing


def test_a_fan_that_stands_still_calls_within_fifteen_seconds_and_is_told_as_over() -> None:
    bell = Bell()
    broken = hot(2, kit=ASKED, troubles=troubles(("fan-1", "kit-not-running")))
    bell.run(broken, for_s=15)
    assert "kit-not-running:fan-1" in bell.calling()
    bell.run(broken, for_s=1200)
    lines = bell.run(hot(2), for_s=62)
    assert ("kit-not-running:fan-1", "returned") in what(lines)


@pytest.mark.parametrize(
    ("key", "seen", "again_h"),
    [
        ("level-stop:stalls", hot(3), 2),
        ("saturated:stalls", hot(3, troubles=troubles(("stalls", "kit-at-its-end"))), 3),
    ],
)
def test_level_3_that_somebody_has_calls_again_for_as_long_as_it_stands(key: str, seen: Facts, again_h: int) -> None:
    """Own choice: from sunrise to sunset a few times, and never not at all."""
    bell = Bell()
    bell.run(seen, for_s=120)
    for _ in range(3):
        bell.file(AlarmStep.ACKNOWLEDGED, key)
        lines = bell.run(seen, for_s=again_h * 3600 - 60, every_s=30.0)
        assert (key, "again") not in what(lines) and key not in bell.calling()
        assert (key, "again") in what(bell.run(seen, for_s=120, every_s=30.0)) and key in bell.calling()


def test_a_fan_that_rests_between_two_tries_still_stands_still() -> None:
    bell = Bell()
    resting = {**KIT, "fan-1": KitFact(wanted=True, unproven=1)}
    bell.run(hot(2, kit=resting), for_s=15)
    assert bell.calling() == ["kit-not-running:fan-1"]
    unwanted = {**KIT, "fan-1": KitFact(unproven=2)}
    bell.run(facts(kit=unwanted), for_s=86_400, every_s=60.0)
    assert bell.alarm("kit-not-running:fan-1").standing, "a cool night mends no fan"
    bell.run(facts(), for_s=120)
    assert not bell.alarm("kit-not-running:fan-1").standing


def test_a_fan_that_was_never_wanted_while_it_failed_calls_nobody() -> None:
    assert raised(facts(kit={**KIT, "fan-1": KitFact(unproven=1)})) == {}


def test_ten_starts_in_ten_minutes_are_one_alarm() -> None:
    bell = Bell()
    for _ in range(10):
        bell.run(facts(up_s=1.0), for_s=10)
        bell.run(for_s=50)
    assert [line.alarm for line in bell.journal if line.what == "raised"] == ["restarted:gateway"]


def test_with_the_clock_not_set_nobody_says_that_the_test_is_due() -> None:
    assert raised(facts(clock_trusted=False, test_age_s=None)) == {"clock-unset:gateway": WHEN}


# --- the table --------------------------------------------------------------------------------------


def test_causes_stand_before_what_they_explain() -> None:
    order = [rule.code for rule in RULES]
    for later, earlier in [
        ("level-stop", "saturated"), ("level-plan", "level-stop"), ("bus-lost", "broker-lost"),
        ("relay-lost", "bus-lost"), ("place-blind", "bus-lost"), ("kit-unreachable", "relay-lost"),
        ("kit-not-running", "kit-unreachable"), ("kit-not-running", "no-fan-runs"), ("sensor-lost", "place-blind"),
        ("sensor-suspect", "sensor-lost"), ("contact-stuck", "water-stuck"), ("store-lost", "uplink-lost"),
    ]:  # fmt: skip
        assert order.index(earlier) < order.index(later), (earlier, later)


def test_every_rule_has_texts_in_both_languages_that_say_what_to_do() -> None:
    assert set(TEXTS) == set(BY_CODE)
    for code, text in TEXTS.items():
        assert set(text.say) == set(text.do) == set(LANGUAGES)
        for words in (*text.say.values(), *text.do.values()):
            assert words.strip().endswith((".", "?")), code
            assert not re.search(r"\d{2,}", words), "texts carry no numbers"
        for rule in RULES:
            assert rule.reason.endswith("."), rule.code


def test_texts_use_the_names_that_people_gave() -> None:
    labelled = dataclasses.replace(
        BARN, places=(dataclasses.replace(BARN.places[0], label={"en": "Stalls", "es": "Cuadras"}), *BARN.places[1:])
    )
    text = spoken(labelled, "kit-not-running", "fan-1")
    assert text.say == {
        "en": "Stalls: fan-1 is told to run and does not.", "es": "Cuadras: fan-1 tiene orden de andar y no anda.",
    }  # fmt: skip
    assert spoken(labelled, "level-stop", "stalls").say["es"].startswith("Cuadras: nivel 3")
    assert spoken(labelled, "a-rule-of-before", "x{y}").say["en"] == "x{y}: something is wrong."


def test_every_trouble_that_the_engine_can_find_is_known_to_the_rules() -> None:
    """Read from the sources, so that a new trouble is not left to the catch-all by accident."""
    sources = ("engine/troubles.py", "engine/loop.py", "engine/outside.py", "control/proof.py")
    text = "".join((ROOT / "gateway" / f).read_text() for f in sources)
    found = set(re.findall(r'code="([a-z-]+)"', text)) | set(OUTSIDE.values())
    found |= set(re.findall(r'found\["([a-z-]+)"\]', (ROOT / "gateway" / "store" / "writer.py").read_text()))
    assert len(found) > 14
    assert found - TROUBLES == {"signal-unreachable", "signal-not-following"}, "a lamp that is broken can wait"


def test_the_most_urgent_can_be_quiet_for_ten_minutes_only() -> None:
    assert LONGEST_SHELF_S == {NOW: 600.0, SOON: 86_400.0, WHEN: 86_400.0}


def test_a_mister_that_does_not_run_is_no_emergency() -> None:
    wet = barn(sensors=(sensor(),), kit=(mister(),))
    seen = facts(
        wet, places={"stalls": PlaceFact(level=3, last_level=3)}, troubles=troubles(("mist", "kit-not-running"))
    )
    assert wet.kit[0].kind is KitKind.MISTER
    assert raised(seen)["kit-not-running:mist"] is SOON
