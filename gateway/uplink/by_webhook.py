"""Owns: messages to a receiver of signed webhooks (Standard Webhooks 1.0.0).

Must not know: who is told when, how often it is tried, what a message says.
How it works: the id and the body are the same at every try, the timestamp is that of the try, and the signature covers
all three. The secret is read anew for each try, so that a changed one works without a restart.

Receivers refuse a timestamp more than five minutes from their own clock: while ours is not set, every webhook fails.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from gateway.errors import GatewayError
from gateway.site_alarms import Way
from gateway.uplink.https_post import WITHIN_S, Poster
from gateway.uplink.message import Message
from gateway.uplink.message_json import for_webhook
from gateway.uplink.reach import Connect, Resolve, by_system, directly, tried
from gateway.uplink.signature import secrets_of, signatures
from gateway.uplink.verdict import Verdict

_ID = re.compile(r"[A-Za-z0-9_:+=/-]{1,200}")  # no full stop: it divides what is signed


class ByWebhook:
    """`wall_s` tells the wall clock. Any thread."""

    name = "webhook"

    def __init__(
        self,
        inside: frozenset[str],
        *,
        wall_s: Callable[[], float],
        resolve: Resolve = by_system,
        connect: Connect = directly,
        within_s: float = WITHIN_S,
    ) -> None:
        self._wall_s = wall_s
        self._poster = Poster(inside, resolve=resolve, connect=connect, within_s=within_s)

    def reaches(self, way: Way) -> bool:
        return way.webhook is not None

    def send(self, message: Message, way: Way) -> Verdict:
        return tried("webhook", lambda: self._once(message, way))

    def close(self) -> None:
        """Every try has a connection of its own."""

    def _once(self, message: Message, way: Way) -> Verdict:
        webhook = way.webhook
        if webhook is None:
            raise GatewayError(f"{way.contact} has no webhook")
        if not _ID.fullmatch(message.id):
            raise GatewayError("the id of a message may hold letters, digits and _ : + = / - only")
        secrets = secrets_of(webhook.secret_file)
        body, timestamp = for_webhook(message), int(self._wall_s())
        headers = {
            "webhook-id": message.id,
            "webhook-timestamp": str(timestamp),
            "webhook-signature": signatures(secrets, message.id, timestamp, body),
        }
        return self._poster.post(webhook.url, webhook.ca_file, body, headers)
