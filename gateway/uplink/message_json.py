"""Owns: a message as JSON, for a receiver of webhooks and for the broker; the same bytes at every try.

Must not know: how it travels.
How it works: what does not fit, or is no JSON, must not keep an alarm from going out: then `data` stays behind, the
words are shortened, and `shortened` says so.

    webhook   {"type": "alarm.call", "timestamp": "2026-07-01T12:00:00.000Z", "data": {"subject", "text", ...}}
    broker    {"id", "kind", "time", "priority", "subject", "text", "data": {...}}
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from gateway.uplink.message import Message

log = logging.getLogger(__name__)

MOST_BYTES = 20_000  # what Standard Webhooks recommends
_SUBJECT, _TEXT, _WORD = 200, 2_000, 100  # letters that always fit, six bytes each at most


def for_webhook(message: Message) -> bytes:
    """The body of a webhook. Words of the message stand beside its data; the data's own come first."""

    def form(words: Mapping[str, Any], data: Mapping[str, Any]) -> dict[str, Any]:
        return {
            "type": message.kind[:_WORD],
            "timestamp": utc(message.made_wall_s),
            "data": {**words, **data},
        }

    return _fitting(message, form)


def for_broker(message: Message) -> bytes:
    """The payload of a letter."""

    def form(words: Mapping[str, Any], data: Mapping[str, Any]) -> dict[str, Any]:
        known = {"id": message.id, "kind": message.kind[:_WORD], "time": round(message.made_wall_s, 3)}
        return {**known, **words, "data": dict(data)}

    return _fitting(message, form)


def utc(wall_s: float) -> str:
    """RFC 3339."""
    return datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _fitting(message: Message, form: Callable[[Mapping[str, Any], Mapping[str, Any]], dict[str, Any]]) -> bytes:
    try:
        body = _bytes(form(_words(message), message.data))
        why = f"{len(body)} bytes are too many"
        if len(body) < MOST_BYTES:
            return body
    except (TypeError, ValueError, RecursionError) as error:
        why = f"its data are no JSON ({type(error).__name__})"
    log.warning("message %s goes out without its data: %s", message.id, why)
    return _bytes(form(_words(message, subject=_SUBJECT, text=_TEXT), {"shortened": True}))


def _words(message: Message, *, subject: int | None = None, text: int | None = None) -> dict[str, str]:
    priority = message.priority.name.lower().replace("_", "-")
    return {"priority": priority, "subject": message.subject[:subject], "text": message.text[:text]}


def _bytes(value: Mapping[str, Any]) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8", "replace")
