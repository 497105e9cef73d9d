"""Owns: the form of [[signals]]: lamps and chimes that call people in the barn, and what it becomes.

Must not know: drivers, when a signal is on, what must agree between tables.
How it works: as for kit: one form for each kind. Whoever calls people must be silent when the board is dead, so only
the normally-open contact is allowed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, Field

from gateway.barn import SignalSpec
from gateway.model import Priority, SignalKind
from gateway.site_kit import OUTPUT_OF
from gateway.site_words import STRICT, Device, Name, Number16, Spans

LEAST = {"now": Priority.NOW, "soon": Priority.SOON}


class SignalForm(BaseModel):
    """`least`: the least urgent alarm that it calls for."""

    model_config = STRICT
    name: Name
    relay: Name
    coil: Number16 | None = Field(None, description="a whole number from 0 to 65535")
    line: Device | None = Field(None, description="the name of a GPIO line")
    node: Name | None = Field(None, description="a name in the topic of its relay")
    contact: Literal["normally-open"] = Field(
        "normally-open",
        description='"normally-open" for a signal: behind a normally-closed contact a dead board would let it call',
    )
    least: Literal["now", "soon"] = "now"


class LampForm(SignalForm):
    kind: Literal["lamp"]


class ChimeForm(SignalForm):
    """`quiet` are hours in which it sounds for a NOW only."""

    kind: Literal["chime"]
    quiet: Spans = []


Signal = Annotated[LampForm | ChimeForm, Field(discriminator="kind")]


def signals_of(forms: Sequence[LampForm | ChimeForm], relays: Mapping[str, str]) -> tuple[SignalSpec, ...]:
    """The parameters of the forms; `relays` are their kinds by name."""
    return tuple(
        SignalSpec(
            name=form.name,
            kind=SignalKind(form.kind),
            relay=form.relay,
            output=form.model_dump()[OUTPUT_OF[relays[form.relay]]],
            least=LEAST[form.least],
            quiet=tuple(_minutes(hours) for hours in form.quiet) if isinstance(form, ChimeForm) else (),
        )
        for form in forms
    )


def signal_lines(signals: Sequence[SignalSpec], relays: Mapping[str, str]) -> Iterator[str]:
    """What a person who wires and checks the barn reads of them."""
    for each in signals:
        least = "every alarm that cannot wait for the next round" if each.least is Priority.SOON else "NOW alarms only"
        wiring = f"normally-open, {OUTPUT_OF[relays[each.relay]]} {each.output} of {each.relay}"
        yield f"Signal {each.name}: {each.kind}; {wiring}; on for {least}; board dead: STAYS OFF"
    if signals:
        yield "  Horses are there: no siren and no strobe in the aisle, a chime of at most 65 dBA at 1 m."


def _minutes(hours: str) -> tuple[int, int]:
    """Minutes of the day of "21:00-06:00"."""
    begin, end = (int(clock[:2]) * 60 + int(clock[3:]) for clock in hours.split("-"))
    return begin, end
