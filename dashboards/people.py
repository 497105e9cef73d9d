"""Owns: what the screens ask of whoever keeps people, keys and walls, and the sessions of those who signed in.

Must not know: files, hashes, HTTP.
How it works: `People` is a protocol; the web role brings one that keeps a file. Sessions live in memory: a restart of
web signs everybody out, but no wall. A session has only the name; its right is looked up each time, so whoever is
taken off the list is out at once. The secret itself is not kept, only its hash.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from dashboards.rights import Right, Who, right_of_scope

IDLE_S = 12 * 3600.0
LONGEST_S = 7 * 24 * 3600.0
MOST_SESSIONS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    name: str
    right: Right


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """The key of a machine, or of a wall (scope "wall")."""

    name: str
    scope: str


class People(Protocol):
    """`check` is slow on purpose and is called in a thread; all others are quick."""

    def check(self, name: str, passphrase: str) -> str | None:
        """The name as it stands on the list when the passphrase is right."""
        ...

    def right_of(self, name: str) -> Right:
        """NOBODY for a name that is not on the list."""
        ...

    def persons(self) -> Sequence[Person]: ...

    def listed_keys(self) -> Sequence[Key]: ...

    def key_of(self, secret: str) -> Key | None: ...

    def pair(self, code: str) -> str | None:
        """The secret of a new wall for a code that the console has just shown; None for any other."""
        ...

    def add(self, name: str, right: Right, passphrase: str) -> None:
        """Raises GatewayError with a sentence when it cannot be."""
        ...

    def remove(self, name: str) -> None:
        """A person or a key. Raises GatewayError."""
        ...


@dataclass(slots=True)
class _Session:
    name: str
    token: str
    born_s: float
    seen_s: float


class Sessions:
    """Who is signed in. `clock` gives monotonic seconds."""

    def __init__(self, people: People, clock: Callable[[], float]) -> None:
        self._people, self._clock = people, clock
        self._known: dict[str, _Session] = {}

    def begin(self, name: str) -> str:
        """A new session; gives its secret, for the cookie. The one that was idle longest makes room."""
        now_s = self._clock()
        self._known = {key: each for key, each in self._known.items() if not _over(each, now_s)}
        if len(self._known) >= MOST_SESSIONS:
            del self._known[min(self._known, key=lambda key: self._known[key].seen_s)]
        secret = secrets.token_urlsafe(32)
        self._known[_hash(secret)] = _Session(name, secrets.token_urlsafe(16), now_s, now_s)
        return secret

    def end(self, secret: str) -> None:
        self._known.pop(_hash(secret), None)

    def who(self, secret: str) -> Who | None:
        """Whose cookie this is: a person's or a wall's."""
        session, now_s = self._known.get(_hash(secret)), self._clock()
        if session is None:
            key = self._people.key_of(secret)
            return Who(name=key.name, right=Right.VIEWER, scope="wall") if key and key.scope == "wall" else None
        right = self._people.right_of(session.name)
        if _over(session, now_s) or right is Right.NOBODY:
            self.end(secret)
            return None
        session.seen_s = now_s
        return Who(name=session.name, right=right, token=session.token)

    def machine(self, secret: str) -> Who | None:
        """Whose key this is. A wall has a cookie and no key."""
        key = self._people.key_of(secret)
        if key is None or key.scope == "wall":
            return None
        return Who(name=key.name, right=right_of_scope(key.scope), scope=key.scope, by_key=True)


def _over(session: _Session, now_s: float) -> bool:
    return now_s - session.seen_s > IDLE_S or now_s - session.born_s > LONGEST_S


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
