"""Owns: `loosebox dead-letters`: what a store did not take, by reason, and sending it once more.

Must not know: how a letter is kept, what an answer of the store means.
How it works: looking needs nothing. To send, the claim on the cursors must be free, so uplink is stopped first; and the
caller must be the user of uplink, or uplink could not write its own files afterwards. A store acknowledges before its
disk has the rows: after the last of them some seconds pass, and one batch is sent once more to see that it was not
restarted meanwhile. Only then do the letters leave the pile.
"""

from __future__ import annotations

import os
import pwd
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Protocol

from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.site import Site
from gateway.store.outbox import Outbox
from gateway.uplink.claim import claimed
from gateway.uplink.dead import DeadLetter, Sent, send_again
from gateway.uplink.ledger import Ledger, dead_letters_of
from gateway.uplink.verdict import Outcome, Restart, Verdict

SETTLE_S = 20.0
LONGEST_EXAMPLE = 160


class Far(Protocol):
    """The store."""

    batch: int

    def deliver(self, parts: Sequence[str]) -> Verdict: ...

    def close(self) -> None: ...


def dead_letters(
    site: Site, *, send: bool, settle_s: float = SETTLE_S, pause: Callable[[float], None] = time.sleep
) -> Iterator[str]:
    """Do it; gives the lines to print. Raises GatewayError."""
    cursors = site.history.cursors or site.history_file.with_name("uplink-cursors.json")
    if not send:
        yield from told(dead_letters_of(cursors))
        return
    if site.series is None:
        raise GatewayError(f"{site.path.name} names no store: add a [series] table to send anything")
    _same_user(cursors)
    with claimed(cursors):
        names = ["series", *(["mqtt"] if site.broker and site.broker.publish else [])]
        ledger = Ledger(cursors, names, history=Outbox(site.history_file).identity(), clock=machine_s)
        letters = [letter for letter in ledger.dead_letters() if letter.to == "series"]
        if not letters:
            yield "Nothing to send."
            return
        far = _store(site)
        try:
            sent = send_again(letters, far.deliver, far.batch)
            if sent.taken:
                pause(settle_s)
                _still_there(far, sent)
            ledger.revive("series", sent)
        finally:
            far.close()
        yield from _done(sent)


def told(letters: Sequence[DeadLetter]) -> Iterator[str]:
    """How many for each reason, with the newest of each."""
    if not letters:
        yield "No dead letters: everything that was carried was taken."
        return
    newest = {(letter.to, letter.why): letter.line for letter in letters}
    for (to, why), count in Counter((letter.to, letter.why) for letter in letters).most_common():
        yield f"{count:7}  {to}: {why}"
        yield f"         such as {newest[to, why][:LONGEST_EXAMPLE]}"
    yield "Send them once more, with uplink stopped: loosebox dead-letters SITE --send"


def _done(sent: Sent) -> Iterator[str]:
    yield f"{len(sent.taken)} taken, {len(sent.left)} left."
    if sent.stopped:
        yield f"It ended early: {sent.stopped}"


def _still_there(far: Far, sent: Sent) -> None:
    verdict = far.deliver([letter.line for letter in sent.taken[-far.batch :]])
    if verdict.outcome is not Outcome.DELIVERED or verdict.restarted is not Restart.NO:
        why = verdict.why or "it may have been restarted"
        raise GatewayError(f"the store did not stay long enough to be sure ({why}); all letters stay, send them again")


def _store(site: Site) -> Far:
    from gateway.uplink.series import Store  # 30 MB of memory, which looking is spared
    from gateway.uplink.to_store import ToStore

    assert site.series is not None  # the caller has looked
    return ToStore(Store(site.series), site.barn.name)


def _same_user(cursors: Path) -> None:
    if cursors.exists() and (owner := cursors.stat().st_uid) != os.geteuid():
        name = pwd.getpwuid(owner).pw_name
        raise GatewayError(f"{cursors} belongs to {name}; send as that user: sudo -u {name} loosebox dead-letters ...")
