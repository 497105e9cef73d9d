"""Owns: what a look has found in one corner: lines for a person, and blocks for the site file.

Must not know: how anything is found.
How it works: `Paste` gives every block a name that is not taken and the bus that it needs: one that the site file has
already, or a new block. The result is text that `loosebox check` accepts inside a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from gateway.site import Site
from gateway.site_lines import shown

PLACE: Final = "stalls"  # when no site file says a better one

Value = str | int | float | bool


def words(value: Value) -> str:
    """A value as the site file writes it. Letters that cannot be printed are for the caller to refuse."""
    if not isinstance(value, str):
        return str(value).lower()
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """One heading and what stands under it; without lines nothing was found."""

    title: str
    lines: tuple[str, ...] = ()

    def text(self) -> str:
        return "\n".join((f"{self.title}:", *(f"  {line}" for line in self.lines or ("none found",))))


@dataclass(slots=True)
class Paste:
    """The blocks so far, and what they may not collide with."""

    site: Site | None = None
    blocks: list[str] = field(default_factory=list)
    _taken: set[str] = field(default_factory=set)
    _buses: dict[tuple[str, Value], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.site is None:
            return
        barn = self.site.barn
        self._taken |= {spec.name for specs in (barn.buses, barn.sensors, barn.relays, barn.kit) for spec in specs}
        for bus in barn.buses:
            for key in ("port", "device", "root", "chip"):
                if key in bus.options:
                    self._buses[key, bus.options[key]] = bus.name
            self._buses.setdefault((bus.kind, ""), bus.name)

    @property
    def place(self) -> str:
        return self.site.barn.places[0].name if self.site else PLACE

    def bus(self, stem: str, kind: str, key: str, value: str, **more: Value) -> str:
        """The name of the bus with this `key`, made when the site file has none. An empty key: of this kind."""
        claim = (key, value) if key else (kind, "")
        if claim not in self._buses:
            told = {key: value} if key else {}
            self._buses[claim] = self._block("buses", stem, {"kind": kind, **told, **more})
        return self._buses[claim]

    def sensor(self, stem: str, bus: str, kind: str, told: Mapping[str, Value], note: str = "") -> None:
        self._block("sensors", stem, {"place": self.place, "bus": bus, "kind": kind, **told}, note)

    def relay(self, stem: str, bus: str, kind: str, told: Mapping[str, Value], note: str = "") -> None:
        self._block("relays", stem, {"bus": bus, "kind": kind, **told}, note)

    def has(self, section: str, key: str, value: str) -> bool:
        """Whether the site file describes this device already."""
        specs = () if self.site is None else getattr(self.site.barn, section)
        return any(spec.options.get(key) == value for spec in specs)

    def _block(self, section: str, stem: str, told: Mapping[str, Value], note: str = "") -> str:
        name, number = stem, 1
        while name in self._taken:
            number += 1
            name = f"{stem}-{number}"
        self._taken.add(name)
        lines = [f"{key} = {value if isinstance(value, Table) else words(value)}" for key, value in told.items()]
        comment = [f"# {note}"] if note else []
        self.blocks.append("\n".join((*comment, f"[[{section}]]", f'name = "{name}"', *lines)))
        return name


class Table(str):
    """An inner table, ready as text."""

    __slots__ = ()

    @classmethod
    def of(cls, **told: Value) -> Table:
        return cls("{ " + ", ".join(f"{key} = {words(value)}" for key, value in told.items()) + " }")


def device_ok(name: str) -> bool:
    """Whether the site file can name a device so: no blanks, no slash."""
    return bool(name) and not any(letter.isspace() or letter == "/" or not letter.isprintable() for letter in name)


def quoted(text: str) -> str:
    """What a device says of itself, safe to print."""
    return shown(text)
