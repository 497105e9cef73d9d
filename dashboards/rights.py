"""Owns: who may do what: the rights, and the one table that says which address asks for which.

Must not know: cookies, passphrases, files, what a page shows.
How it works: rights are ordered; a person with a higher one has the lower ones. What is not in the table is for
keepers alone, so a route that somebody forgot is shut, not open. A key of a machine has a scope instead, which is one
right or a single address.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum


class Right(IntEnum):
    """NOBODY is whoever has not signed in."""

    NOBODY = 0
    VIEWER = 1  # may look
    HAND = 2  # may take kit by hand
    KEEPER = 3  # may change people and settings

    @property
    def word(self) -> str:
        """As it is written in files, on the command line and on pages."""
        return self.name.lower()


GIVEN = {right.word: right for right in (Right.VIEWER, Right.HAND, Right.KEEPER)}

# What a key of a machine is for. `metrics` opens that one page and nothing else.
SCOPES = ("read", "hand", "metrics")
SCOPE_RIGHT = {"read": Right.VIEWER, "hand": Right.HAND, "metrics": Right.NOBODY}
SCOPE_PATH = {"metrics": "/metrics"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Who asks. `token` ties a form to the session that it was shown to; empty without a session."""

    name: str = ""
    right: Right = Right.NOBODY
    token: str = ""
    scope: str = ""
    by_key: bool = field(default=False)


# The first that fits counts; a path that ends in / stands for all below it.
Rule = tuple[str, str, Right]
RULES: tuple[Rule, ...] = (
    ("GET", "/", Right.NOBODY),
    ("GET", "/livez", Right.NOBODY),
    ("GET", "/readyz", Right.NOBODY),
    ("GET", "/static/", Right.NOBODY),
    ("GET", "/manifest.webmanifest", Right.NOBODY),
    ("GET", "/sign-in", Right.NOBODY),
    ("POST", "/sign-in", Right.NOBODY),
    ("GET", "/pair", Right.NOBODY),
    ("POST", "/pair", Right.NOBODY),
    ("POST", "/sign-out", Right.NOBODY),
    ("GET", "/aisle", Right.VIEWER),
    ("GET", "/aisle/stream", Right.VIEWER),
    ("GET", "/gateside", Right.VIEWER),
    ("GET", "/gateside/stream", Right.VIEWER),
    ("GET", "/yard", Right.VIEWER),
    ("GET", "/yard/stream", Right.VIEWER),
    ("GET", "/device", Right.VIEWER),
    ("GET", "/book", Right.VIEWER),
    ("GET", "/book/", Right.VIEWER),
    ("GET", "/bell", Right.VIEWER),
    ("GET", "/bell/quiet/", Right.HAND),
    ("GET", "/bell/", Right.VIEWER),
    ("POST", "/bell/take", Right.HAND),
    ("POST", "/bell/quiet", Right.HAND),
    ("POST", "/bell/loud", Right.HAND),
    ("POST", "/bell/try", Right.HAND),
    ("POST", "/bell/test", Right.HAND),
    ("POST", "/bell/out", Right.KEEPER),
    ("POST", "/bell/back", Right.KEEPER),
    ("GET", "/api/v1/now", Right.VIEWER),
    ("GET", "/api/v1/history", Right.VIEWER),
    ("GET", "/api/v1/openapi.json", Right.VIEWER),
    ("GET", "/metrics", Right.VIEWER),
    ("GET", "/kit/", Right.HAND),
    ("POST", "/kit/", Right.HAND),
    ("POST", "/api/v1/hand", Right.HAND),
    ("GET", "/people", Right.KEEPER),
    ("POST", "/people", Right.KEEPER),
    ("POST", "/people/", Right.KEEPER),
)


def needed(method: str, path: str, more: tuple[Rule, ...] = ()) -> Right:
    """The right that a request asks for. HEAD is GET."""
    method = "GET" if method == "HEAD" else method
    for asked, known, right in (*RULES, *more):
        under = known.endswith("/") and known != "/" and path.startswith(known) and path != known
        if asked == method and (path == known or under):
            return right
    return Right.KEEPER


def allowed(who: Who, method: str, path: str, more: tuple[Rule, ...] = ()) -> bool:
    """Whether somebody may do that."""
    if who.scope and SCOPE_PATH.get(who.scope) == path and method in ("GET", "HEAD"):
        return True
    return who.right >= needed(method, path, more)


def right_of_scope(scope: str) -> Right:
    """What the key of a machine may do beside the one address of its scope."""
    return SCOPE_RIGHT.get(scope, Right.NOBODY)
