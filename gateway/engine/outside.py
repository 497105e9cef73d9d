"""Owns: what is wrong outside core, as far as core can know: uplink, and what uplink says of the world beyond it.

Must not know: sockets, networks, what an alarm is.
How it works: pure, on the machine's own clock, which both roles share. Uplink gives its word every few seconds. When
it has gone, or its word is old, that is the trouble, and what it said before counts no more: nobody knows.
"""

from __future__ import annotations

from collections.abc import Iterator

from gateway.engine.link import AtUplink
from gateway.engine.troubles import Trouble

WORD_WITHIN_S = 30.0  # it comes every 5 s: five may be missed


def outside_troubles(uplink: AtUplink, now_s: float) -> Iterator[Trouble]:
    """What is wrong at `now_s`, in a barn that expects an uplink."""
    silent_s = now_s - uplink.word_s
    if uplink.here is False:
        yield _lost("the uplink role has gone: no alarm leaves the barn; see whether it runs")
    elif silent_s > WORD_WITHIN_S:
        yield _lost("the uplink role says nothing: no alarm leaves the barn; see whether it runs, start it anew")
    else:
        for told in uplink.troubles:
            yield Trouble(subject=told.subject, code=told.code, text=told.text)


def _lost(text: str) -> Trouble:
    return Trouble(subject="uplink", code="uplink-lost", text=text)
