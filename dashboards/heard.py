"""Owns: what one message of a gateway says, as far as it can be believed.

Must not know: brokers, clocks, other messages, what a board shows.
How it works: topic and bytes in, a frozen value out, or None for what is not understood. A message is a stranger's:
its size, its depth, its names and its numbers are checked before anything is made of them, and a number that is none
(NaN, a text, a truth value) makes a place without a reading, never one that is fine.

    PREFIX/state   PREFIX/faults   PREFIX/places/NAME   PREFIX/kit/NAME
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

MOST_BYTES = 16_384
LONGEST_TOPIC = 400
MOST_FAULTS = 200
LONGEST_TITLE = 40
LANGS = ("en", "es")
_NAME = re.compile(r"[a-z][a-z0-9-]{0,30}")
_LAST_S = 4e9  # Unix time of the year 2096


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A place. Without a level it has no number either."""

    name: str
    kind: str
    label: Mapping[str, str]
    level: int | None
    late: bool
    sum_f_pct: float | None
    temp_c: float | None
    rh_pct: float | None
    age_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A piece of kit: whether it does not do what it shall, and whether a person has it."""

    name: str
    troubled: bool
    by_hand: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How the gateway itself stands: `here`, or gone by its last will or its own farewell."""

    here: bool
    barn: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Faulty:
    """What needs a person, by subject."""

    subjects: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """`time_s` is the gateway's own, of the step that it tells of; None when its core was away."""

    prefix: str
    what: Placed | Fitted | Standing | Faulty
    time_s: float | None
    trusted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleared:
    """An empty message: the broker forgets this topic. `kind` is places, kit, state or faults."""

    prefix: str
    kind: str
    name: str


def address(topic: str) -> tuple[str, str, str] | None:
    """Prefix, kind and name of a topic, or None when it is none of ours. `state` and `faults` have no name."""
    if len(topic) > LONGEST_TOPIC:
        return None
    head, _, last = topic.rpartition("/")
    if last in ("state", "faults") and head:
        return head, last, ""
    prefix, _, kind = head.rpartition("/")
    if kind in ("places", "kit") and prefix and _NAME.fullmatch(last):
        return prefix, kind, last
    return None


def understood(topic: str, payload: bytes) -> Message | Cleared | None:
    """What a message says."""
    found = address(topic)
    if found is None or len(payload) > MOST_BYTES:
        return None
    prefix, kind, name = found
    if not payload:
        return Cleared(prefix=prefix, kind=kind, name=name)
    said = _object(payload)
    what = None if said is None else _READ[kind](name, said)
    if said is None or what is None:
        return None
    time_s = number(said.get("time"), 0.0, _LAST_S)
    return Message(prefix=prefix, what=what, time_s=time_s, trusted=said.get("time_trusted") is True)


def number(value: Any, low: float, high: float) -> float | None:
    """A finite number of a range, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if low <= value <= high and math.isfinite(value) else None


def title(value: Any) -> str:
    """A text that may stand on a page: one line, visible letters, cut to size; else empty."""
    if not isinstance(value, str):
        return ""
    return " ".join("".join(c if c.isprintable() else " " for c in value[:400]).split())[:LONGEST_TITLE]


def _object(payload: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(payload, parse_constant=_refuse)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _place(name: str, said: dict[str, Any]) -> Placed | None:
    kind = said.get("kind")
    if kind not in ("riding", "standing"):
        return None
    label = said.get("label")
    label = label if isinstance(label, dict) else {}
    level = said.get("level")
    known = isinstance(level, int) and not isinstance(level, bool) and 0 <= level <= 3
    known = known and said.get("freshness") in ("fresh", "late")
    numbers = [number(said.get(key), low, high) for key, low, high in _NUMBERS]
    known = known and all(each is not None for each in numbers)
    sum_f_pct, temp_c, rh_pct, age_s = numbers if known else (None, None, None, None)
    return Placed(
        name=name,
        kind=kind,
        label={lang: title(label.get(lang)) or name for lang in LANGS},
        level=level if known else None,
        late=said.get("freshness") == "late",
        sum_f_pct=sum_f_pct,
        temp_c=temp_c,
        rh_pct=rh_pct,
        age_s=age_s or 0.0,
    )


_NUMBERS = (("sum_f_pct", -100.0, 400.0), ("temp_c", -60.0, 90.0), ("rh_pct", 0.0, 110.0), ("age_s", 0.0, 1e7))


def _kit(name: str, said: dict[str, Any]) -> Fitted:
    """Whatever stands at trouble, unless it is an empty text, is one."""
    return Fitted(name=name, troubled=said.get("trouble") != "", by_hand=said.get("hand") in ("on", "off"))


def _state(_: str, said: dict[str, Any]) -> Standing | None:
    if said.get("state") not in ("here", "gone"):
        return None
    return Standing(here=said["state"] == "here", barn=title(said.get("barn")))


def _faults(_: str, said: dict[str, Any]) -> Faulty | None:
    faults = said.get("faults")
    if not isinstance(faults, list):
        return None
    return Faulty(subjects=tuple(title(each.get("subject")) for each in faults[:MOST_FAULTS] if isinstance(each, dict)))


_READ = {"places": _place, "kit": _kit, "state": _state, "faults": _faults}
