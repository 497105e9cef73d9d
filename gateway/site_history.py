"""Owns: the form of [history], and the rules by which the history is kept.

Must not know: SQLite, how the rules are carried out.
How it works: days are days of running: a board that is off grows no older, and no clock that jumps can empty the file.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, Field

from gateway.site_words import STRICT, File, span


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """How long what is kept, in days of running, and how large the file may grow.

    `cursors` is the file in which uplink says how far it has delivered; None: nothing is delivered anywhere.
    """

    raw_days: float = 30.0
    minute_days: float = 400.0
    quarter_days: float = 3660.0
    event_days: float = 400.0
    budget_mb: int = 4000
    cursors: Path | None = None


KEEP = Keep()
CURSORS = "uplink-cursors.json"


class HistoryForm(BaseModel):
    model_config = STRICT
    file: File
    cursors: File | None = Field(None, description="a path; left out: uplink-cursors.json beside the history")
    raw_days: Annotated[float, span(1, 3660)] = KEEP.raw_days
    minute_days: Annotated[float, span(1, 3660)] = KEEP.minute_days
    quarter_days: Annotated[float, span(1, 36600)] = KEEP.quarter_days
    event_days: Annotated[float, span(30, 36600)] = KEEP.event_days
    budget_mb: Annotated[int, span(100, 1_000_000, "a whole number")] = KEEP.budget_mb


def keep(form: HistoryForm, folder: Path) -> Keep:
    """The rules of a form that stands in a file in `folder`."""
    given = form.model_dump(exclude={"file", "cursors"})
    beside = (folder / form.file).with_name(CURSORS)
    return Keep(**given, cursors=folder / form.cursors if form.cursors else beside)
