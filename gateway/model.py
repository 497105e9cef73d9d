"""Owns: the frozen values that rooms hand to one another.

Must not know: anything else in this program.
How it works: plain frozen dataclasses; units stand in the names. `now_s`, `mono_s` are seconds of the
monotonic clock; `wall_s` is Unix time as believed and is a label only, never used for a duration.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum


class Quantity(StrEnum):
    """What a channel measures. The unit is fixed by the quantity and stands in its name.

    CONTACT is 1 closed, 0 open. SWITCH is the position of a hand/off/auto switch, a `SwitchAt`.
    """

    TEMP = "temp_c"
    RH = "rh_pct"
    WIND = "wind_mps"
    DIRECTION = "direction_deg"
    GLOBE = "globe_c"
    SKIN = "skin_c"
    PRESSURE = "pressure_pa"
    SUN = "sun_w_m2"
    CURRENT = "current_a"
    SPEED = "speed_rpm"
    FLOW = "flow_lpm"
    SUPPLY = "supply_v"
    CONTACT = "contact"
    SWITCH = "switch"

    @property
    def key(self) -> str:
        """The word for it in the site file: "temp", "rh", "wind", ..."""
        return self.value.split("_")[0]


AIR = (Quantity.TEMP, Quantity.RH)  # a sensor that has both tells the air of its place


class SwitchAt(IntEnum):
    """Where a hand/off/auto switch stands. Only in AUTO does the gateway have a say."""

    OFF = 0
    AUTO = 1
    HAND = 2


class Quality(StrEnum):
    """Why a reading counts, or why it has no value."""

    GOOD = "good"
    SILENT = "silent"
    PORT_GONE = "port-gone"
    TORN = "torn"
    REFUSED = "refused"
    EMPTY = "empty"
    NOT_A_NUMBER = "not-a-number"
    POWER_ON = "power-on-value"
    OUT_OF_RANGE = "out-of-range"
    STUCK = "stuck"
    OLD = "old"
    BUS_STUCK = "bus-stuck"
    DEVICE_FAULT = "device-fault"
    DRYING = "drying"
    NEVER = "never-read"


class PlaceKind(StrEnum):
    """What horses do at a place. It chooses the words on the wall."""

    RIDING = "riding"
    STANDING = "standing"


class Policy(StrEnum):
    """Which input decides the level of a place: the sum, the air (carry and roof), or the stricter of both."""

    RULE = "rule"
    AIR = "air"
    STRICTER = "stricter"


class KitKind(StrEnum):
    """A valve is the master valve of the misters of its place: a second way to stop water."""

    FAN = "fan"
    MISTER = "mister"
    VALVE = "valve"


class SignalKind(StrEnum):
    """What calls people in the barn itself: a lamp that shines, a chime that sounds now and then."""

    LAMP = "lamp"
    CHIME = "chime"


class Level(IntEnum):
    """Rails of the gate, 0 open to 3 shut."""

    FREE = 0
    WATCH = 1
    PLAN = 2
    STOP = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One number of one sensor. `name` is `sensor.quantity`, unique in a barn."""

    name: str
    sensor: str
    place: str
    quantity: Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """One number as the device gave it, in the unit of its quantity, not yet judged."""

    channel: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """When something was, on every clock that we have."""

    mono_s: float
    wall_s: float
    boot: str
    trusted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A value with its time, or no value and the reason why. `raw` is what the device gave, if it was corrected."""

    channel: str
    value: float | None
    quality: Quality
    stamp: Stamp
    detail: str = ""
    raw: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Latest:
    """The newest reading of a channel, the newest that had a value, and since when that value stands."""

    last: Reading
    good: Reading | None = None
    same_since_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a command or a level is as it is: a code for the screens, a sentence for the log."""

    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """What a piece of kit shall do, at which share of full speed. `changed`: `on` differs from the step before.

    `wanted` is what demand or a person asked for; `wait_s` is how long a timer still keeps it from that.
    """

    kit: str
    on: bool
    reasons: tuple[Reason, ...]
    changed: bool
    speed: float = 1.0
    wanted: bool | None = None
    wait_s: float = 0.0

    def __post_init__(self) -> None:
        if not self.reasons:
            raise ValueError(f"command for {self.kit} has no reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class KitSeen:
    """What the hardware says of one piece of kit. `on` is None when it cannot tell."""

    on: bool | None
    at_s: float
    error: str = ""


# --- what the step hands to the history -------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChange:
    place: str
    before: int | None
    after: int | None
    sum_f_pct: float | None
    reason: Reason
    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandChange:
    kit: str
    on: bool
    reasons: tuple[Reason, ...]
    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultChange:
    """A fault began (`active`) or ended. `subject` is a sensor, a kit item, a bus, or the history."""

    subject: str
    code: str
    text: str
    active: bool
    stamp: Stamp


class HandKind(StrEnum):
    """What a person asked for: a kit on or off, a horse being cooled at a place, or the end of either."""

    ON = "on"
    OFF = "off"
    COOL_OUT = "cool-out"
    AUTO = "auto"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandChange:
    """A person took `subject` (a kit, or for a cool-out a place) by hand until a time, or gave it back (AUTO)."""

    subject: str
    kind: HandKind
    until_mono_s: float
    until_wall_s: float
    by: str
    why: str
    stamp: Stamp


class Priority(IntEnum):
    """How soon a person must act on an alarm."""

    WHEN_YOU_CAN = 1
    SOON = 2
    NOW = 3


class AlarmStep(StrEnum):
    """What happened to an alarm. RETURNED waits to be read by a person, ENDED does not.

    TESTED and TRIED are of no alarm: a weekly test on record, and a message to a contact to see whether it arrives.
    """

    RAISED = "raised"
    WORSE = "worse"
    AGAIN = "again"
    RETURNED = "returned"
    ENDED = "ended"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    RELEASED = "released"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"
    TESTED = "tested"
    TRIED = "tried"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChange:
    """One line of the alarm journal. `alarm` is RULE:SUBJECT, `episode` counts how often it was raised.

    `by` is empty where no person did it. `why` is the finding, a person's reason, or the alarm that explains this one.
    The ends are those of a shelf, else 0.
    """

    alarm: str
    what: AlarmStep
    episode: int
    priority: Priority
    stamp: Stamp
    by: str = ""
    why: str = ""
    until_mono_s: float = 0.0
    until_wall_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """How many steps this run has made: proof in the history that the step was not interrupted."""

    steps: int
    late: int
    stamp: Stamp


Event = LevelChange | CommandChange | FaultChange | HandChange | AlarmChange
Record = Event | Beat
