"""Owns: the templates and what all pages share when they are drawn: the link's state, the beat, ages.

Must not know: HTTP, what a page says.
How it works: one jinja environment for all pages. A page that lives consists of parts; `Parts` draws them once for
each snapshot and look, for all who watch, and tells each stream only those that changed since it was last told.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Awaitable, Callable, Hashable, Mapping
from dataclasses import dataclass

from dashboards.boards import Boards, Limits, Link, Look, event_bytes, read_age_s
from dashboards.live import Live
from dashboards.past import Today
from gateway.engine.snapshot import Snapshot

BEAT_LEAST_S = 1.0
IDLE_S = 10.0
RETRY = b"retry: 3000\n\n"
IDLE = b": waiting for the core\n\n"

Draw = Callable[[Snapshot], Mapping[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What every page needs. `house` is what a page is headed with while no snapshot names the barn."""

    live: Live
    boards: Boards
    today: Today
    limits: Limits
    house: str = "Loosebox"

    def beat(self, snapshot: Snapshot, look: Look) -> bytes:
        return self.boards.beat(snapshot, look)

    def frame(self, look: Look) -> dict[str, object]:
        """What the frame around the parts of a page needs: how the link stands, how old what is shown is."""
        snapshot, link, age_s = self.live.current(), self.boards.link(), self.live.age_s()
        words = self.boards.texts(look)[0]
        return {
            "words": words,
            "snapshot": snapshot,
            "link": link,
            "alive": snapshot is not None and link is not Link.LOST,
            "clock": self.boards.clock(snapshot, look) if snapshot else "",
            "age_s": read_age_s(snapshot) if snapshot else None,
            "age_text": self.boards.age_text(snapshot, look, link),
            "silent_s": "" if age_s is None else f"{age_s:.2f}",
            "line": snapshot.steps % 60 if snapshot else 0,
            "key": self.boards.page_key(snapshot),
            "limits": self.limits,
            "emulated": snapshot is not None and snapshot.emulated,
            "asset": self.boards.assets.url,
        }


class Parts:
    """The parts of one kind of page, drawn once for each snapshot and look. Belongs to the event loop."""

    def __init__(self) -> None:
        self._drawn: dict[Hashable, tuple[Snapshot, Mapping[str, str]]] = {}

    def of(self, key: Hashable, snapshot: Snapshot, draw: Draw) -> Mapping[str, str]:
        """HTML by the id of the element that holds it."""
        known = self._drawn.get(key)
        if known is None or known[0] is not snapshot:
            known = self._drawn[key] = (snapshot, draw(snapshot))
        return known[1]

    async def stream(
        self, stage: Stage, key: Hashable, look: Look, draw: Draw, ready: Callable[[], Awaitable[None]] | None = None
    ) -> AsyncIterator[bytes]:
        """The events of one client: the parts that changed, then the beat that vouches for them.

        `ready` is waited for before each drawing, for what a page needs beside the snapshot.
        """
        told: dict[str, str] = {}
        yield RETRY
        async for snapshot in stage.live.follow(least_s=BEAT_LEAST_S, idle_s=IDLE_S):
            if snapshot is None or not stage.live.heard_within(stage.limits.ready_within_s):
                yield IDLE
                continue
            await (stage.today.refresh(snapshot) if ready is None else ready())
            parts = self.of(key, snapshot, draw)
            fresh = {name: html for name, html in parts.items() if told.get(name) != html}
            told = dict(parts)
            said = event_bytes("parts", json.dumps(fresh, ensure_ascii=False)) if fresh else b""
            yield said + stage.beat(snapshot, look)
