"""Owns: letters to the broker for which its word is wanted, until it has given it.

Must not know: connections, what letters mean, cursors.
How it works: a `Post` is a batch of letters that stands or falls as one. Each letter sent has the number of its
message, and the broker's answer to it counts it off. When the connection ends, every post in the bag has failed:
whether the broker took a part of it is not known, so all of it is sent again by whoever posted it.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from gateway.uplink.session import Answer
from gateway.uplink.verdict import Outcome, Verdict

MOST_FLYING = 16
_NOT_TAKEN = {0x90, 0x95, 0x99}  # topic, size, form: MQTT 5.0, section 2.4
_NO_RIGHT = {0x87, 0x86, 0x8C}


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    topic: str
    payload: bytes


class Post:
    """A batch on its way. `verdict` waits for the end of it."""

    def __init__(self, left: int) -> None:
        self._left, self._verdict = left, Verdict(outcome=Outcome.DELIVERED)
        self._over = threading.Event()
        if not left:
            self._over.set()

    def verdict(self, within_s: float) -> Verdict:
        if self._over.wait(within_s):
            return self._verdict
        self.fail(Verdict(outcome=Outcome.AWAY, why=f"the broker has not acknowledged within {within_s:g} s"))
        return self._verdict

    @property
    def over(self) -> bool:
        return self._over.is_set()

    def fail(self, verdict: Verdict) -> None:
        if not self.over:
            self._verdict = verdict
            self._over.set()

    def count_off(self) -> None:
        self._left -= 1
        if self._left == 0:
            self._over.set()


class Mailbag:
    """Any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[tuple[Letter, Post]] = deque()
        self._flying: dict[int, Post] = {}
        self._in_hand: Post | None = None

    def put(self, letters: Iterable[Letter]) -> Post:
        batch = tuple(letters)
        post = Post(len(batch))
        with self._lock:
            self._waiting.extend((letter, post) for letter in batch)
        return post

    @property
    def flying(self) -> int:
        """Letters that are sent and not answered."""
        return len(self._flying)

    @property
    def waiting(self) -> int:
        """Letters that are not sent yet."""
        return len(self._waiting)

    def next(self) -> Letter | None:
        """The next letter to send; follow it up with `sent`. Those of a post that has failed are left out."""
        with self._lock:
            while self._waiting:
                letter, post = self._waiting.popleft()
                if not post.over:
                    self._in_hand = post
                    return letter
        return None

    def sent(self, number: int) -> None:
        with self._lock:
            if self._in_hand is not None:
                self._flying[number] = self._in_hand

    def answered(self, answer: Answer) -> None:
        """The broker's word for one message; one that is not of ours is none of our business."""
        with self._lock:
            post = self._flying.pop(answer.number, None)
            if post is None or post.over:
                return
            if answer.code:
                post.fail(_refusal(answer))
            else:
                post.count_off()

    def lose(self, why: str) -> None:
        """The connection has ended, or is not there."""
        with self._lock:
            posts = {*self._flying.values(), *(post for _, post in self._waiting)}
            self._flying.clear()
            self._waiting.clear()
            for post in posts:
                post.fail(Verdict(outcome=Outcome.AWAY, why=why))


def _refusal(answer: Answer) -> Verdict:
    outcome = Outcome.AWAY
    if answer.code in _NOT_TAKEN:
        outcome = Outcome.BAD
    elif answer.code in _NO_RIGHT:
        outcome = Outcome.REFUSED
    return Verdict(outcome=outcome, why=f"the broker takes a message not: {answer.why}")
