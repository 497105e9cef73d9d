"""Owns: the table of all alarm rules, causes before what they explain.

Must not know: the life cycle, texts, who is told.
How it works: data. Delays run on the monotonic clock. An alarm once raised stands for at least ten minutes, and one
that comes again within an hour of its end must be gone for half an hour: a bell that flutters is not believed. All
figures are our own choice with the reason beside them; where practice has a usual value it is near it. What calls
again calls as it did first, in the order of the contacts and on to the next until it is taken anew: whoever took it
before may have gone home.
"""

from __future__ import annotations

from gateway.alarms import find_gateway, find_horse, find_kit
from gateway.alarms.rule import Rule
from gateway.model import Priority

NOW, SOON, WHEN_YOU_CAN = Priority.NOW, Priority.SOON, Priority.WHEN_YOU_CAN
LEAST_STANDING_S = 600.0
RESTLESS_OFF_S = 1800.0
MIN_S, HOUR_S = 60.0, 3600.0
_OF_THE_LEVEL = "that of the level: the posts' dead band, held"

RULES = (
    Rule(
        code="fire", priority=NOW, on_s=0.0, off_s=60.0, again_s=5 * MIN_S, stays=True, horse=True, dead_band="",
        reason="The contact has its own delay; every second counts.", find=find_horse.fire,
    ),
    Rule(
        code="water-stuck", priority=NOW, on_s=0.0, off_s=60.0, again_s=15 * MIN_S, stays=True, horse=True,
        dead_band="", reason="Control has waited 20 s already. A wet floor brings horses down.",
        find=find_horse.water_stuck,
    ),
    Rule(
        code="saturated", priority=NOW, on_s=30.0, off_s=15 * MIN_S, again_s=3 * HOUR_S, stays=False, horse=True,
        dead_band=_OF_THE_LEVEL, reason="Nothing more can be switched on: only people can help these horses now. "
        "Somebody has it and it stands all day: what rings hourly then is not believed; what breaks rings by itself.",
        find=find_horse.saturated,
    ),
    Rule(
        code="level-stop", priority=NOW, on_s=60.0, off_s=15 * MIN_S, again_s=2 * HOUR_S, stays=False, horse=True,
        dead_band=_OF_THE_LEVEL, reason="A standing horse cannot give off its heat; where horses are ridden: soon. "
        "Again sooner than `saturated`: a fan that is still off may be put on.", find=find_horse.level_stop,
    ),
    Rule(
        code="level-plan", priority=SOON, on_s=5 * MIN_S, off_s=30 * MIN_S, again_s=0.0, stays=False, horse=True,
        dead_band=_OF_THE_LEVEL, reason="There is still time to open up and to prepare water.",
        find=find_horse.level_plan,
    ),
    Rule(
        code="no-fan-runs", priority=NOW, on_s=5.0, off_s=60.0, again_s=15 * MIN_S, stays=True, horse=True,
        dead_band="", reason="All at once means power. A closed barn heats up within minutes.",
        find=find_kit.no_fan_runs,
    ),
    Rule(
        code="uplink-lost", priority=SOON, on_s=2 * MIN_S, off_s=60.0, again_s=0.0, stays=False, horse=False,
        dead_band="", reason="Without it no alarm leaves the barn; the wall still shows it.",
        find=find_gateway.trouble("uplink", SOON, "uplink-lost"),
    ),
    Rule(
        code="broker-lost", priority=WHEN_YOU_CAN, on_s=5 * MIN_S, off_s=2 * MIN_S, again_s=0.0, stays=False,
        horse=False, dead_band="", reason="Short breaks mend themselves; soon when kit or sensors hang on it.",
        find=find_gateway.broker_lost,
    ),
    Rule(
        code="calls-lost", priority=SOON, on_s=15 * MIN_S, off_s=2 * MIN_S, again_s=0.0, stays=False, horse=False,
        dead_band="", reason="Each message is tried again for minutes; after that people must be reached otherwise.",
        find=find_gateway.trouble("calls", SOON, "calls-lost"),
    ),
    Rule(
        code="contact-lost", priority=SOON, on_s=2 * MIN_S, off_s=2 * MIN_S, again_s=0.0, stays=False, horse=False,
        dead_band="", reason="It has failed for an hour. Whoever is called next must not be one whom nothing reaches.",
        find=find_gateway.trouble("contacts", SOON, "contact-lost"),
    ),
    Rule(
        code="bus-lost", priority=SOON, on_s=10.0, off_s=60.0, again_s=4 * HOUR_S, stays=True, horse=False,
        dead_band="", reason="One cut line takes many devices; told before they are, and as urgent as the worst.",
        find=find_kit.bus_lost,
    ),
    Rule(
        code="relay-lost", priority=SOON, on_s=30.0, off_s=60.0, again_s=4 * HOUR_S, stays=True, horse=False,
        dead_band="", reason="All kit of one block at once is the block.", find=find_kit.relay_lost,
    ),
    Rule(
        code="place-blind", priority=SOON, on_s=60.0, off_s=2 * MIN_S, again_s=4 * HOUR_S, stays=False, horse=False,
        dead_band="", reason="Nobody knows the air at horses; now when it was last known at level 3.",
        find=find_horse.place_blind,
    ),
    Rule(
        code="kit-unreachable", priority=SOON, on_s=60.0, off_s=60.0, again_s=4 * HOUR_S, stays=False, horse=False,
        dead_band="", reason="A fan falls back to running by its wiring, if that wiring is right: go and see.",
        find=find_kit.kit_unreachable,
    ),
    Rule(
        code="kit-not-running", priority=SOON, on_s=10.0, off_s=60.0, again_s=15 * MIN_S, stays=True, horse=False,
        dead_band="", reason="Its proof of run has waited already. Now from level 2 where horses are.",
        find=find_kit.kit_not_running,
    ),
    Rule(
        code="contact-stuck", priority=WHEN_YOU_CAN, on_s=60.0, off_s=60.0, again_s=0.0, stays=True, horse=False,
        dead_band="", reason="A fan that runs harms nobody; water that runs does: soon.", find=find_kit.contact_stuck,
    ),
    Rule(
        code="kit-not-in-auto", priority=WHEN_YOU_CAN, on_s=10 * MIN_S, off_s=60.0, again_s=0.0, stays=False,
        horse=False, dead_band="", reason="Ten minutes of work at a fan are no fault. Soon when off in heat.",
        find=find_kit.not_in_auto,
    ),
    Rule(
        code="sensor-lost", priority=WHEN_YOU_CAN, on_s=20.0, off_s=2 * MIN_S, again_s=0.0, stays=False,
        horse=False, dead_band="", reason="It is lost after several missed reads; another still tells the air.",
        find=find_kit.sensor_lost,
    ),
    Rule(
        code="sensor-suspect", priority=WHEN_YOU_CAN, on_s=10 * MIN_S, off_s=HOUR_S, again_s=0.0, stays=False,
        horse=False, dead_band="that of each check", reason="Doubt needs time to be more than a fog or a hose.",
        find=find_kit.sensor_suspect,
    ),
    Rule(
        code="supply-low", priority=SOON, on_s=10.0, off_s=5 * MIN_S, again_s=4 * HOUR_S, stays=True, horse=False,
        dead_band="2 % of its limit", reason="A motor start dips for seconds; fans that turn slowly do not cool.",
        find=find_gateway.supply_low,
    ),
    Rule(
        code="disk-low", priority=WHEN_YOU_CAN, on_s=60.0, off_s=10 * MIN_S, again_s=0.0, stays=False, horse=False,
        dead_band="a fifth of its limit", reason="Old detail is thinned out first, so there are days; full: soon.",
        find=find_gateway.disk_low,
    ),
    Rule(
        code="history-lost", priority=SOON, on_s=60.0, off_s=60.0, again_s=0.0, stays=True, horse=False,
        dead_band="", reason="Nothing is recorded; what waits is kept in memory for a while.",
        find=find_gateway.history_lost,
    ),
    Rule(
        code="history-damaged", priority=SOON, on_s=0.0, off_s=60.0, again_s=0.0, stays=True, horse=False,
        dead_band="", reason="A card that has damaged a file does so again. It stands until the next start.",
        find=find_gateway.trouble("history", SOON, "history-damaged"),
    ),
    Rule(
        code="store-lost", priority=WHEN_YOU_CAN, on_s=HOUR_S, off_s=5 * MIN_S, again_s=0.0, stays=False,
        horse=False, dead_band="", reason="The history waits and is sent later; an hour is more than a restart.",
        find=find_gateway.store_lost,
    ),
    Rule(
        code="clock-unset", priority=WHEN_YOU_CAN, on_s=15 * MIN_S, off_s=60.0, again_s=0.0, stays=False,
        horse=False, dead_band="", reason="After a start the clock is set within minutes; hours of the day do not "
        "count until then, cooling does.", find=find_gateway.clock_unset,
    ),
    Rule(
        code="restarted", priority=WHEN_YOU_CAN, on_s=0.0, off_s=0.0, again_s=0.0, stays=True, horse=False,
        dead_band="", reason="Nobody watched for a while. Ten starts in ten minutes are one alarm.",
        find=find_gateway.restarted,
    ),
    Rule(
        code="flush-due", priority=WHEN_YOU_CAN, on_s=60.0, off_s=60.0, again_s=0.0, stays=False, horse=False,
        dead_band="", reason="Told only when water is wanted: warm standing water must not be breathed.",
        find=find_kit.flush_due,
    ),
    Rule(
        code="hand-ends", priority=WHEN_YOU_CAN, on_s=0.0, off_s=0.0, again_s=0.0, stays=False, horse=False,
        dead_band="", reason="Ten minutes before it ends, if it was for more than twenty.", find=find_kit.hand_ends,
    ),
    Rule(
        code="test-due", priority=WHEN_YOU_CAN, on_s=HOUR_S, off_s=0.0, again_s=0.0, stays=False, horse=False,
        dead_band="", reason="Seven days after the last test on record: an alarm that nobody tries is not there.",
        find=find_gateway.weekly_test_due,
    ),
    Rule(
        code="other", priority=WHEN_YOU_CAN, on_s=60.0, off_s=10 * MIN_S, again_s=0.0, stays=False, horse=False,
        dead_band="", reason="A trouble without a rule of its own is not kept from people.",
        find=find_gateway.other_trouble,
    ),
)  # fmt: skip
BY_CODE = {rule.code: rule for rule in RULES}
LONGEST_SHELF_S = {NOW: 10 * MIN_S, SOON: 24 * HOUR_S, WHEN_YOU_CAN: 24 * HOUR_S}
