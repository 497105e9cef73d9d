"""Owns: signatures of Standard Webhooks 1.0.0, symmetric, and the secrets for them.

Must not know: HTTP, who receives.
How it works: HMAC-SHA256 over "id.timestamp.body" of the exact bytes, one signature a secret, so that a receiver can
change to a new secret while the old one still counts. The file holds one line of secrets, divided by blanks.

Reference: github.com/standard-webhooks/standard-webhooks, spec/standard-webhooks.md, "Signature scheme".
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Sequence
from pathlib import Path

from gateway.errors import GatewayError
from gateway.uplink.credentials import password_of

FEWEST_BYTES, MOST_BYTES = 24, 64
_MARK = "whsec_"


def secrets_of(path: Path) -> tuple[bytes, ...]:
    """The secrets in a file. Raises GatewayError, which never quotes one."""
    words = password_of(path).split()
    if not words:
        raise GatewayError(f"{path} holds no secret")
    return tuple(_secret(word, f"{path}, secret {count} of {len(words)},") for count, word in enumerate(words, 1))


def signatures(secrets: Sequence[bytes], message_id: str, timestamp: int, body: bytes) -> str:
    """The value of the header webhook-signature."""
    signed = f"{message_id}.{timestamp}.".encode() + body
    made = (hmac.new(secret, signed, hashlib.sha256).digest() for secret in secrets)
    return " ".join(f"v1,{base64.b64encode(each).decode()}" for each in made)


def _secret(word: str, which: str) -> bytes:
    cure = 'make one with: echo "whsec_$(openssl rand -base64 32)"'
    if not word.startswith(_MARK):
        raise GatewayError(f"{which} does not begin with {_MARK}; {cure}")
    bare = word.removeprefix(_MARK).rstrip("=")
    try:
        secret = base64.b64decode(bare + "=" * (-len(bare) % 4), validate=True)
    except ValueError:
        raise GatewayError(f"{which} is not base64 after {_MARK}; {cure}") from None
    if not FEWEST_BYTES <= len(secret) <= MOST_BYTES:
        raise GatewayError(f"{which} has {len(secret)} bytes, {FEWEST_BYTES} to {MOST_BYTES} are allowed; {cure}")
    return secret
