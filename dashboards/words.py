"""Owns: the texts of the screens in every language, and the check that none is missing.

Must not know: what is shown when.
How it works: one TOML file for each language fills one frozen `Words`. A missing, empty or unknown key, or a
placeholder that nobody fills, stops the start with one line for each mistake.
"""

from __future__ import annotations

import dataclasses
import string
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.errors import SiteError

FOLDER = Path(__file__).parent / "words"

# What the screens may fill into a text.
PLACEHOLDERS = frozenset(
    (
        "age",
        "air",
        "barn",
        "half",
        "hour12",
        "hour24",
        "kit",
        "minute",
        "n",
        "name",
        "pace",
        "place",
        "rh",
        "rule",
        "state",
        "subject",
        "sum",
        "temp",
        "time",
        "word",
    )
)

# How many texts a list must have: levels 0 to 3, days of the week.
LENGTHS = {"riding": 4, "standing": 4, "rule_riding": 4, "rule_standing": 4, "air_standing": 4, "days": 7}


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """All texts of one language. The fields are the keys of its file; `lang` is the name of the file."""

    lang: str
    name: str
    clock: str
    am: str
    pm: str
    days: tuple[str, ...]
    riding: tuple[str, ...]
    standing: tuple[str, ...]
    unknown: str
    rule_riding: tuple[str, ...]
    rule_standing: tuple[str, ...]
    air_standing: tuple[str, ...]
    agree: str
    differ: str
    wet_bulb: str
    carry: str
    times: str
    title: str
    no_link: str
    link_lost: str
    last_word: str
    clock_unset: str
    read_s: str
    read_min: str
    read_none: str
    old_s: str
    old_min: str
    no_reading: str
    place_lost_since: str
    place_lost_for: str
    place_lost: str
    kit_not_running: str
    kit_not_stopping: str
    kit_unreachable: str
    kit_other: str
    by_hand: str
    hand_line: str
    fault_other: str
    more: str
    places_not_shown: str
    heat: str
    damp: str
    posts: str
    emulated: str
    said_row: str
    said_row_late: str
    said_air: str
    said_row_lost: str
    said_head: str
    policy: Mapping[str, str]
    pace: Mapping[str, str]
    roof: Mapping[str, str]
    kit: Mapping[str, str]
    kit_state: Mapping[str, str]
    kit_short: Mapping[str, str]
    reason: Mapping[str, str]
    fault: Mapping[str, str]
    yard: Mapping[str, str]
    todo: Mapping[str, str]
    why: Mapping[str, str]
    hands: Mapping[str, str]
    sign: Mapping[str, str]
    side: Mapping[str, str]
    book: Mapping[str, str]
    device: Mapping[str, str]
    bell: Mapping[str, str]
    site: Mapping[str, str]

    def verdict(self, kind: str, level: int | None) -> str:
        """The word for a level at a place of this kind; an unknown level has its own word."""
        if level is None:
            return self.unknown
        return (self.riding if kind == "riding" else self.standing)[level]


def load_words(folder: Path = FOLDER) -> Mapping[str, Words]:
    """Every language of the folder by its two letters. Raises SiteError naming each mistake."""
    files = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.toml"))}
    if not files:
        raise SiteError((f"no language file in {folder}",))
    problems = [problem for lang, data in files.items() for problem in _problems(lang, data, files)]
    if problems:
        raise SiteError(tuple(problems))
    return {lang: Words(lang=lang, **{k: _frozen(v) for k, v in data.items()}) for lang, data in files.items()}


def _problems(lang: str, data: Mapping[str, Any], files: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    wanted = {field.name: str(field.type) for field in dataclasses.fields(Words) if field.name != "lang"}
    yield from (f"words/{lang}.toml: missing key {key}" for key in wanted if key not in data)
    yield from (f"words/{lang}.toml: unknown key {key}" for key in data if key not in wanted)
    for key, value in data.items():
        yield from (f"words/{lang}.toml: {problem}" for problem in _value_problems(key, value, wanted.get(key, "")))
        if isinstance(value, dict):
            keys = {inner for other in files.values() if isinstance(other.get(key), dict) for inner in other[key]}
            yield from (f"words/{lang}.toml: missing key {key}.{inner}" for inner in sorted(keys - value.keys()))


def _value_problems(key: str, value: Any, kind: str) -> Iterator[str]:
    form = {"str": str, "tuple[str, ...]": list, "Mapping[str, str]": dict}.get(kind)
    if form is not None and not isinstance(value, form):
        yield f"{key} must be a {form.__name__}"
        return
    if isinstance(value, list) and len(value) != LENGTHS.get(key):
        yield f"{key} must have {LENGTHS.get(key)} texts, has {len(value)}"
    texts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else (value,)
    for text in texts:
        if not isinstance(text, str) or not text.strip():
            yield f"{key} has an empty text"
        else:
            foreign = {name for _, name, _, _ in string.Formatter().parse(text) if name} - PLACEHOLDERS
            yield from (f"{key} has a placeholder {{{name}}} that nobody fills" for name in sorted(foreign))


def _frozen(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value
