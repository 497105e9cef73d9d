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

VERSION = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class KitView:
    """One fan or mister. `seen` is what the hardware reads back: True, False, or None when it cannot tell."""

    name: str
    kind: str
    asked: bool
    seen: bool | None
    reasons: tuple[str, ...]
    reason_codes: tuple[str, ...]
    trouble: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceView:
    """One place. `freshness` is fresh, late or lost; a lost place has no numbers and no level.

    `level` follows from `rule_level` (the sum) and `air_level` (carry and roof) by `policy`. `carries` holds, by pace,
    what the air can take from a wet horse over what must go; `roof` is the fastest pace with at least 1, "none" when
    not even standing has it, empty when unknown. `carry` is that of `carry_pace` (standing where horses stand, else
    the first pace that is not carried), between `carry_low` and `carry_high` under the stated assumptions.

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


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultView:
    subject: str
    code: str
    text: str
    since_wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The barn at one step. `steps` counts the steps of this run; `emulated` marks the bench."""

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
