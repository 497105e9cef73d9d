"""Owns: the proof that the site files to copy from are good, and that no kind and no key is missing from them.

Must not know: any driver.
How it works: the forms are asked which kinds and keys there are; the raw TOML of all examples together must use each.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from gateway.site import load
from gateway.site_buses import Bus, BusForm
from gateway.site_form import FileForm
from gateway.site_kit import Kit, KitForm, Relay, RelayForm
from gateway.site_sensors import PLACED, Sensor, SensorForm
from gateway.site_signals import Signal, SignalForm
from tests.e2e.barn import loosebox

FILES = sorted((Path(__file__).parents[2] / "drivers" / "examples").glob("*.toml"))
RAW = [tomllib.loads(path.read_text(encoding="utf-8")) for path in FILES]
UNIONS: dict[str, tuple[Any, type[BaseModel]]] = {
    "buses": (Bus, BusForm),
    "sensors": (Sensor, SensorForm),
    "relays": (Relay, RelayForm),
    "kit": (Kit, KitForm),
    "signals": (Signal, SignalForm),
}


def forms(section: str) -> list[type[BaseModel]]:
    union, _ = get_args(UNIONS[section][0])
    return list(get_args(union))


def kind_of(form: type[BaseModel]) -> str:
    (kind,) = get_args(form.model_fields["kind"].annotation)
    return str(kind)


def rows(section: str, kind: str = "") -> list[dict[str, Any]]:
    found = [row for file in RAW for row in file.get(section, [])]
    return [row for row in found if not kind or row["kind"] == kind]


def keys(form: type[BaseModel]) -> set[str]:
    return {field.alias or name for name, field in form.model_fields.items()}


def inner_forms(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from inner_forms(part)


KINDS = [(section, form) for section in UNIONS for form in forms(section)]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_check_accepts_the_example(path: Path) -> None:
    run = loosebox("check", str(path))
    assert run.returncode == 0, run.stderr
    assert load(path).barn.name in run.stdout


def test_there_are_examples() -> None:
    assert len(FILES) >= 3 and len(KINDS) >= 31  # or the tests below would ask for nothing


@pytest.mark.parametrize(("section", "form"), KINDS, ids=lambda part: part if isinstance(part, str) else part.__name__)
def test_every_kind_is_there_with_every_key_of_its_own(section: str, form: type[BaseModel]) -> None:
    there = rows(section, kind_of(form))
    own = keys(form) - keys(UNIONS[section][1]) - set(PLACED if section == "sensors" else ())
    assert own <= {key for row in there for key in row}
    assert there


@pytest.mark.parametrize("section", UNIONS)
def test_every_key_that_kinds_share_is_there(section: str) -> None:
    assert keys(UNIONS[section][1]) <= {key for row in rows(section) for key in row}


def test_every_quantity_is_measured_somewhere() -> None:
    said = {word for row in rows("sensors") for word in (row.get("measures") or [])}
    said |= {row["measures"] for row in rows("sensors", "w1")}
    assert set(PLACED) <= {key for row in rows("sensors") for key in row} | said


def test_every_key_of_an_inner_table_is_there() -> None:
    """Of the rows of all kinds that may hold such a table together."""
    used: dict[type[BaseModel], set[str]] = {}
    for section, form in KINDS:
        for field in form.model_fields.values():
            for inner in inner_forms(field.annotation):
                tables = [table for row in rows(section, kind_of(form)) for table in row.values()]
                used.setdefault(inner, set()).update(key for t in tables if isinstance(t, dict) for key in t)
    assert len(used) >= 14
    assert {inner.__name__: keys(inner) - there for inner, there in used.items() if keys(inner) - there} == {}


@pytest.mark.parametrize("name", [n for n in FileForm.model_fields if n not in UNIONS])
def test_every_other_table_is_there_with_every_key(name: str) -> None:
    there = [file[name] for file in RAW if name in file]
    tables = [row for table in there for row in (table if isinstance(table, list) else [table])]
    (form,) = set(inner_forms(FileForm.model_fields[name].annotation))
    assert keys(form) <= {key for row in tables for key in row}


def test_the_words_that_people_look_for_are_shown() -> None:
    text = "\n".join(path.read_text(encoding="utf-8") for path in FILES)
    for word in ("pull-up", "normally-closed", "normally-open", "full-on-loss", "senml", "json", "MWV", "XDR"):
        assert f'"{word}"' in text
