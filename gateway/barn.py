"""Owns: the barn as the site file describes it: places, posts, sensors, kit, wiring, rules.

Must not know: the site file, drivers, anything that changes while a barn runs.
How it works: plain frozen dataclasses, fixed from start to stop; units stand in the names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gateway.model import AIR, Channel, KitKind, PlaceKind, Policy, Priority, Quantity, SignalKind

# Where horses are ridden both count. Where they stand the air alone: on mild humid nights the sum is high although a
# standing horse is comfortable.
DEFAULT_POLICY = {PlaceKind.RIDING: Policy.STRICTER, PlaceKind.STANDING: Policy.AIR}


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


Span = tuple[int, int]  # minutes of the day, from and to


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """`air_mps` is the air speed at the horses with the fans off, as measured there; it goes into carry.

    `occupied` and `hot` are spans of minutes of the day, the second of which may lie before the first (over midnight):
    when horses are here (empty: always), and when they come in from work. `vents` is the channel of a contact that is
    closed while the outside air can come in; empty: nobody watches that. With `rotates`, its fans change stages daily.
    """

    name: str
    kind: PlaceKind
    label: Mapping[str, str]
    policy: Policy
    air_mps: float = DEFAULT_AIR_MPS
    occupied: tuple[Span, ...] = ()
    hot: tuple[Span, ...] = ()
    vents: str = ""
    rotates: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSpec:
    name: str
    kind: str
    options: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSpec:
    """A sensor as ordered. A reading older than `late_after_s` is shown with its age, than `lost_after_s` removed.

    `options` has, beside the keys of its kind, one entry by `Quantity.key` for each quantity that needs saying where
    it stands.
    """

    name: str
    place: str
    kind: str
    bus: str
    every_s: float
    late_after_s: float
    lost_after_s: float
    stuck_after_s: float
    quantities: tuple[Quantity, ...]
    options: Mapping[str, Any]

    @property
    def channels(self) -> tuple[Channel, ...]:
        """One for each quantity, in order."""
        return tuple(
            Channel(name=f"{self.name}.{quantity}", sensor=self.name, place=self.place, quantity=quantity)
            for quantity in self.quantities
        )

    @property
    def tells_air(self) -> bool:
        """Whether it gives temperature and humidity of the same air."""
        return all(quantity in self.quantities for quantity in AIR)


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaySpec:
    name: str
    kind: str
    bus: str
    refresh_s: float
    options: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What is added to a channel, since `on` (a date), found by `by` against `reference`."""

    channel: str
    offset: float
    on: str
    by: str
    reference: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """Kit runs when `channel` shows `at_least`, looked at `within_s` after it was switched."""

    channel: str
    at_least: float
    within_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KitSpec:
    """A fan, mister or valve on one output of a relay block, a port or a drive. `safe_on` follows from `contact`.

    `on_level` is also its stage: fans of a later one join when the earlier do not bring enough. `output` is what the
    relay's kind calls it: a coil, line, register, channel or node name. `least_speed` is the slowest share of full
    speed at which it may run, 1 when it knows only on and off. `air_mps` is the air speed at the horses with it at full
    speed, as measured there; 0 when nobody has. `switch` is the channel of its hand/off/auto switch.
    """

    name: str
    place: str
    kind: KitKind
    relay: str
    output: int | str
    contact: str
    on_level: int
    min_on_s: float
    min_off_s: float
    least_speed: float = 1.0
    air_mps: float = 0.0
    proof: Proof | None = None
    switch: str = ""
    starts_per_h: int = 4
    power_w: float = 0.0
    water_lpm: float = 0.0

    @property
    def safe_on(self) -> bool:
        """Whether the kit runs when nobody holds its output, by the wiring."""
        return self.contact in ("normally-closed", "full-on-loss")


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSpec:
    """A lamp or a chime on one output of a relay block, behind a normally-open contact: a dead board calls nobody.

    `least` is the least urgent alarm that it calls for; in the `quiet` spans of the day a chime calls for a NOW only.
    """

    name: str
    kind: SignalKind
    relay: str
    output: int | str
    least: Priority = Priority.NOW
    quiet: tuple[Span, ...] = ()

    @property
    def safe_on(self) -> bool:
        return False

    @property
    def least_speed(self) -> float:
        """It knows only on and off."""
        return 1.0


Switched = KitSpec | SignalSpec  # whatever hangs on an output


@dataclass(frozen=True, slots=True, kw_only=True)
class MistRules:
    """When misters may run at all. `hours` are minutes of the day. Practice, not published for horses."""

    from_c: float = 28.0
    start_below_pct: float = 65.0
    stop_above_pct: float = 72.0
    least_depression_k: float = 6.0
    pulse_s: float = 60.0
    every_s: float = 300.0
    hours: Span = (8 * 60, 19 * 60 + 30)
    litres_per_day: float = 500.0
    flush_after_s: float = 72 * 3600.0
    flush_s: float = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Safety:
    """Channels that watch the barn itself; empty where nothing is fitted."""

    fire: str = ""
    supply: str = ""
    supply_low_v: float = 0.0
    freeze_c: float = 4.0


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
    corrections: tuple[Correction, ...] = ()
    mist: MistRules = MistRules()
    safety: Safety = Safety()
    stagger_s: float = 7.0
    languages: tuple[str, ...] = ("en", "es")
    signals: tuple[SignalSpec, ...] = ()
