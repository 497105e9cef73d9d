"""Owns: the frozen values that rooms hand to one another.

Must not know: anything else in this program.
How it works: plain frozen dataclasses; units stand in the names. `now_s`, `mono_s` are seconds of the
monotonic clock; `wall_s` is Unix time as believed and is a label only, never used for a duration.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Any


class Quantity(StrEnum):
    """What a channel measures. The unit is fixed by the quantity: °C, %, m/s, °C, °C."""

    TEMP = "temp_c"
    RH = "rh_pct"
    WIND = "wind_mps"
    GLOBE = "globe_c"
    SKIN = "skin_c"


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


# Where horses are ridden both count. Where they stand the air alone: on mild humid nights the sum is high although a
# standing horse is comfortable.
DEFAULT_POLICY = {PlaceKind.RIDING: Policy.STRICTER, PlaceKind.STANDING: Policy.AIR}


class KitKind(StrEnum):
    FAN = "fan"
    MISTER = "mister"


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
    """A raw value with its time, or no value and the reason why."""

    channel: str
    value: float | None
    quality: Quality
    stamp: Stamp
    detail: str = ""


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
    """What a piece of kit shall do. `changed` is true when this differs from the step before."""

    kit: str
    on: bool
    reasons: tuple[Reason, ...]
    changed: bool

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """How many steps this run has made: proof in the history that the step was not interrupted."""

    steps: int
    late: int
    stamp: Stamp


Event = LevelChange | CommandChange | FaultChange
Record = Event | Beat


# --- the barn, as the site file describes it --------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """A number of the sum at which a level begins. `source` says who published it."""

    at: float
    source: str


_GUIDANCE = "US equestrian federation, heat alert clarification, 2024: sum of °F and % RH"

# The posts that most people in the trade know. A site file may move them.
DEFAULT_POSTS = (
    Post(at=130.0, source=_GUIDANCE),
    Post(at=150.0, source=_GUIDANCE),
    Post(at=180.0, source=_GUIDANCE),
)


# Carry of a standing horse below which level 1, 2, 3 begins. Our proposal, not published.
DEFAULT_CARRY_LIMITS = (2.0, 1.2, 1.0)
DEFAULT_HORSE_MASS_KG = 500.0
DEFAULT_AIR_MPS = 0.2  # air in a closed barn where nobody has measured it: own choice, on the careful side


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """`air_mps` is the air speed at the horses with the fans off, as measured there; it goes into carry."""

    name: str
    kind: PlaceKind
    label: Mapping[str, str]
    policy: Policy
    air_mps: float = DEFAULT_AIR_MPS


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSpec:
    name: str
    kind: str
    options: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSpec:
    """A sensor as ordered. A reading older than `late_after_s` is shown with its age, than `lost_after_s` removed."""

    name: str
    place: str
    kind: str
    bus: str
    every_s: float
    late_after_s: float
    lost_after_s: float
    stuck_after_s: float
    options: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaySpec:
    name: str
    kind: str
    bus: str
    refresh_s: float
    options: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class KitSpec:
    """A fan or a mister on one relay contact. `safe_on` follows from the wiring of `contact`."""

    name: str
    place: str
    kind: KitKind
    relay: str
    coil: int
    contact: str
    on_level: int
    min_on_s: float
    min_off_s: float

    @property
    def safe_on(self) -> bool:
        """Whether the kit runs when nobody holds its relay: yes behind a normally-closed contact."""
        return self.contact == "normally-closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Barn:
    """Everything that the step needs to know about a barn; fixed from start to stop."""

    name: str
    zone: str
    pressure_pa: float
    posts: tuple[Post, ...]
    carry_limits: tuple[float, ...]
    horse_mass_kg: float
    dead_band: float
    hold_s: float
    places: tuple[Place, ...]
    sensors: tuple[SensorSpec, ...]
    kit: tuple[KitSpec, ...]
    buses: tuple[BusSpec, ...] = ()
    relays: tuple[RelaySpec, ...] = ()
    languages: tuple[str, ...] = ("en", "es")
