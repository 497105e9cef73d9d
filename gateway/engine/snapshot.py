"""Owns: the snapshot, the one value that screens and uplink see, and its JSON form.

Must not know: how it is carried, who reads it, how it is drawn.
How it works: frozen dataclasses; `to_json` and `from_json` round-trip exactly. A reader refuses another
`VERSION`, so a half-upgraded board says so instead of guessing.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args, get_origin, get_type_hints

from gateway.errors import LinkError

VERSION = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class KitView:
    """One fan, mister or valve.

    `wanted` is what demand or a person asked for, `asked` what was sent after timers and interlocks, `seen` what the
    hardware reads back, `running` what its proof of run shows, `switch` where its hand/off/auto switch stands; None or
    empty where that is not known. `speed` is a share of full speed. `since_s` is for how long `asked` has been so,
    `wait_s` how long a timer still keeps it from `wanted`. `hand` is on or off while a person has it, until a time.
    """

    name: str
    kind: str
    asked: bool
    seen: bool | None
    reasons: tuple[str, ...]
    reason_codes: tuple[str, ...]
    trouble: str
    wanted: bool | None = None
    running: bool | None = None
    switch: str = ""
    speed: float = 1.0
    since_s: float = 0.0
    wait_s: float = 0.0
    hand: str = ""
    hand_by: str = ""
    hand_why: str = ""
    hand_until_wall_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceView:
    """One place. `freshness` is fresh, late or lost; a lost place has no numbers and no level.

    `level` follows from `rule_level` (the sum) and `air_level` (carry and roof) by `policy`. `carries` holds, by pace,
    what the air can take from a wet horse over what must go; `roof` is the fastest pace with at least 1, "none" when
    not even standing has it, empty when unknown. `carry` is that of `carry_pace` (standing where horses stand, else
    the first pace that is not carried), between `carry_low` and `carry_high` under the stated assumptions.

    `wind_mps` and `globe_c` are measured there. `cooled_by` names who is cooling a horse there, until a time.

    `last_level` is the last level that was known; `lost_code` is a Quality word; `good_wall_s` is when the
    last good reading was taken.
    """

    name: str
    kind: str
    label: Mapping[str, str]
    freshness: str
    policy: str
    level: int | None
    rule_level: int | None
    air_level: int | None
    last_level: int | None
    sum_f_pct: float | None
    temp_c: float | None
    rh_pct: float | None
    wet_bulb_c: float | None
    dew_point_c: float | None
    roof: str
    carry_pace: str
    carry: float | None
    carry_low: float | None
    carry_high: float | None
    carries: Mapping[str, float]
    age_s: float | None
    good_wall_s: float | None
    lost_code: str
    lost_text: str
    kit: tuple[KitView, ...]
    wind_mps: float | None = None
    globe_c: float | None = None
    occupied: bool = True
    cooled_by: str = ""
    cooled_until_wall_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultView:
    subject: str
    code: str
    text: str
    since_wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkView:
    """One step of an alarm's present episode, numbered from 1."""

    number: int
    what: str
    wall_s: float
    priority: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm, in words of every language. `alarm` is RULE:SUBJECT, `place` is empty when it is about none.

    `priority` is now, soon or when-you-can. `state` is normal (it ended within a day), unacknowledged, acknowledged,
    returned (over, still to be read), shelved, suppressed (`cause` is the alarm that explains it) or out-of-service.
    `standing`: its condition stands. `episode` counts how often it was raised, `calls` how often that episode has
    asked for a person. `horse`: about a horse, not about kit.
    """

    alarm: str
    rule: str
    subject: str
    place: str
    horse: bool
    priority: str
    state: str
    standing: bool
    episode: int
    calls: int
    say: Mapping[str, str]
    do: Mapping[str, str]
    detail: str
    raised_wall_s: float | None
    called_wall_s: float | None
    returned_wall_s: float | None
    taken_by: str
    shelved_until_wall_s: float | None
    shelved_by: str
    shelved_why: str
    longest_shelf_s: float
    cause: str
    out_by: str
    out_why: str
    marks: tuple[MarkView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialView:
    """A message that `by` had sent to `contact` to see whether it arrives. `number` counts all that were ever tried."""

    number: int
    contact: str
    by: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalView:
    """A lamp or a chime in the barn: `asked` what was sent, `seen` what its relay reads back, None where unknown."""

    name: str
    kind: str
    asked: bool
    seen: bool | None
    trouble: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The barn at one step. `steps` counts the steps of this run; `emulated` marks the bench.

    `alarms` come worst first. `alarms_wall_s` is when the newest line of their journal was written, `tested_wall_s`
    when the newest weekly test was; None: never. `trials` are the newest few, the last one last. `step_s` is how long
    the step took on the machine's own clock; 0 where nobody has measured it, as in a replay.
    """

    version: int
    barn: str
    zone: str
    emulated: bool
    boot: str
    steps: int
    mono_s: float
    wall_s: float
    clock_trusted: bool
    posts: tuple[float, ...]
    languages: tuple[str, ...]
    places: tuple[PlaceView, ...]
    faults: tuple[FaultView, ...]
    alarms: tuple[AlarmView, ...] = ()
    alarms_wall_s: float | None = None
    tested_wall_s: float | None = None
    tested_by: str = ""
    trials: tuple[TrialView, ...] = ()
    signals: tuple[SignalView, ...] = ()
    step_s: float = 0.0


def to_json(snapshot: Snapshot) -> dict[str, Any]:
    """Plain JSON values of a snapshot."""
    return dataclasses.asdict(snapshot)


def from_json(data: Any) -> Snapshot:
    """The snapshot of `to_json`. Raises LinkError when the form or the version is another."""
    if not isinstance(data, dict) or data.get("version") != VERSION:
        found = data.get("version") if isinstance(data, dict) else type(data).__name__
        raise LinkError(f"snapshot version {found!r}, this program reads {VERSION}: upgrade all roles together")
    try:
        snapshot = _build(Snapshot, data)
    except (KeyError, TypeError, ValueError) as error:
        raise LinkError(f"snapshot has another form: {error}") from error
    assert isinstance(snapshot, Snapshot)
    return snapshot


def encode(snapshot: Snapshot) -> bytes:
    """One line of JSON without the newline."""
    return json.dumps(to_json(snapshot), separators=(",", ":"), allow_nan=False).encode()


def _build(kind: Any, value: Any) -> Any:
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(**{f.name: _build(hints[f.name], value[f.name]) for f in dataclasses.fields(kind)})
    if get_origin(kind) is tuple:
        item = get_args(kind)[0]
        return tuple(_build(item, v) for v in value)
    return value
