"""Owns: taking kit by hand from the board's own console, for people without a screen.

Must not know: control; what core makes of it.
How it works: one request over the link, and its answer as a sentence. Whoever may open the link's socket on this board
may switch; that is the right of the console, as it is of the switch on the wall.
"""

from __future__ import annotations

import asyncio
import datetime
from zoneinfo import ZoneInfo

from gateway.engine.link import ask
from gateway.errors import LinkError
from gateway.site import Site


def by_hand(site: Site, subject: str, kind: str, *, minutes: float, by: str, why: str, sure: bool) -> str:
    """Ask core, and say what came of it. Raises LinkError with the reason when it was not done."""
    request = {
        "do": "hand", "subject": subject, "kind": kind, "minutes": minutes, "by": by, "why": why, "sure": sure,
    }  # fmt: skip
    answer = asyncio.run(ask(site.link_socket, request))
    if "question" in answer:
        raise LinkError(f"{answer['question']} If so, ask again with --sure.")
    if not answer.get("done"):
        raise LinkError(str(answer.get("error", "core gave no answer that this program knows")))
    recorded = "" if answer.get("recorded") else " The history could not be written: note it by hand."
    if kind == "auto":
        return f"{subject}: the automatic decides again.{recorded}"
    until = datetime.datetime.fromtimestamp(answer["until_wall_s"], ZoneInfo(site.barn.zone))
    return f"{subject}: {kind} by hand until {until:%H:%M}, {by}.{recorded}"
