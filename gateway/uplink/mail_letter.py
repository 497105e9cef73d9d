"""Owns: a message as a mail: its headers and its text; the same at every try.

Must not know: servers, passwords, who is told when.
How it works: `EmailMessage` folds and encodes; what a header must not hold, a line's end above all, becomes a blank, so
that a name or a subject cannot add a header of its own. The Message-ID follows from the id of the message: a mail that
came twice is shown once. Mails on the same single alarm refer to one invented parent, so that they stand together.

Reference: RFC 5322 for the headers, RFC 3834 for Auto-Submitted, RFC 3282 for Content-Language.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from typing import Any

from gateway.errors import GatewayError
from gateway.uplink.message import Message

LONGEST_LINE = 200
_MAILBOX = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})*")


def letter(message: Message, *, name: str, mailbox: str, sender: str) -> EmailMessage:
    """A mail to a person. Raises GatewayError when a mailbox is none."""
    mail = EmailMessage(policy=SMTP)
    text = message.text.encode("utf-8", "replace").decode()
    mail.set_content(text, cte="quoted-printable")  # comes first, for it sweeps headers away
    domain = address(sender).domain
    mail["From"] = address(sender)
    mail["To"] = address(mailbox, _one_line(name))
    mail["Subject"] = _one_line(message.subject)
    mail["Date"] = datetime.fromtimestamp(message.made_wall_s, UTC)
    mail["Message-ID"] = _reference(f"message {message.id}", domain)
    if alarm := _only_alarm(message.data):
        mail["References"] = _reference(f"alarm {alarm}", domain)
    mail["Auto-Submitted"] = "auto-generated"
    mail["Content-Language"] = _one_line(message.language)
    return mail


def address(mailbox: str, name: str = "") -> Address:
    """Raises GatewayError unless it is one plain mailbox."""
    if not _MAILBOX.fullmatch(mailbox):
        raise GatewayError(f"{_one_line(mailbox)!r} is no mailbox; write one as name@example.org, in ASCII letters")
    try:
        return Address(display_name=name, addr_spec=mailbox)
    except Exception as error:  # the library raises errors of several kinds here
        raise GatewayError(f"{mailbox!r} is no mailbox: {error}") from error


def _one_line(text: str) -> str:
    printable = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(printable.split())[:LONGEST_LINE]


def _reference(of: str, domain: str) -> str:
    return f"<{hashlib.sha256(of.encode('utf-8', 'replace')).hexdigest()[:32]}@{domain}>"


def _only_alarm(data: Mapping[str, Any]) -> str:
    """The alarm that a message is about, when it is about one."""
    alarms = data.get("alarms")
    if not isinstance(alarms, list | tuple) or len(alarms) != 1:
        return ""
    alarm = alarms[0].get("alarm") if isinstance(alarms[0], Mapping) else alarms[0]
    return alarm if isinstance(alarm, str) else ""
