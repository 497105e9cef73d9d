"""Owns: messages by mail, through the one server that takes ours.

Must not know: who is told when, how often it is tried, what a message says.
How it works: one connection a message, verified TLS or none at all. The password is read anew for each try. What the
server says is kept for whoever reads the verdict, unless it repeats the password.

    250 at the end   delivered: the server has taken it over
    4xx              away: greylisting, a full disk
    5xx              refused: password, mailbox, sender; no STARTTLS; a certificate that does not hold
    all else         away: no connection, no answer in time, no SMTP
"""

from __future__ import annotations

import base64
import smtplib
from collections.abc import Sequence

from gateway.errors import GatewayError
from gateway.site_alarms import Mail, Way
from gateway.uplink.credentials import password_of, tls_context
from gateway.uplink.mail_letter import letter
from gateway.uplink.message import Message
from gateway.uplink.reach import Connect, Hurry, Resolve, addresses_of, by_system, connected, directly, short, tried
from gateway.uplink.smtp_line import SmtpLine
from gateway.uplink.verdict import Outcome, Verdict

WITHIN_S = 30.0
_REFUSALS = range(500, 600)
_TELLING = 6  # letters in a row


class ByMail:
    """Any thread."""

    name = "mail"

    def __init__(
        self, mail: Mail, *, resolve: Resolve = by_system, connect: Connect = directly, within_s: float = WITHIN_S
    ) -> None:
        self._mail, self._resolve, self._connect, self._within_s = mail, resolve, connect, within_s

    def reaches(self, way: Way) -> bool:
        return bool(way.mail)

    def send(self, message: Message, way: Way) -> Verdict:
        return tried(self._place, lambda: self._once(message, way))

    def close(self) -> None:
        """Every try has a connection of its own."""

    @property
    def _place(self) -> str:
        return f"{self._mail.host}:{self._mail.port}"

    def _once(self, message: Message, way: Way) -> Verdict:
        server = self._mail
        mail = letter(message, name=way.contact, mailbox=way.mail, sender=server.sender)
        password = password_of(server.password_file) if server.password_file else ""
        tls = tls_context(server.ca_file)
        hurry = Hurry(self._within_s)
        addresses = addresses_of(server.host, server.port, hurry, self._resolve)
        line = SmtpLine(connected(addresses, server.port, hurry, self._connect), hurry)
        try:
            line.open(tls, server.host, starttls=server.starttls)
            if server.user:
                line.enter(server.user, password)
            line.sendmail(server.sender, [way.mail], mail.as_bytes())
        except smtplib.SMTPException as error:
            return _judged(self._place, error, _secrets(server.user, password))
        finally:
            line.cut()
        return Verdict(outcome=Outcome.DELIVERED)


def _judged(place: str, error: smtplib.SMTPException, secrets: Sequence[str]) -> Verdict:
    if isinstance(error, smtplib.SMTPNotSupportedError):
        raise GatewayError(f"{place} cannot do what is asked of it: {short(error)}") from None
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        code, answer = next(iter(error.recipients.values()))
    elif isinstance(error, smtplib.SMTPResponseException):
        code, raw = error.smtp_code, error.smtp_error
        answer = raw if isinstance(raw, bytes) else raw.encode()
    else:
        return Verdict(outcome=Outcome.AWAY, why=f"{place}: {short(error)}")
    what = "refuses the user or the password" if isinstance(error, smtplib.SMTPAuthenticationError) else "answers"
    outcome = Outcome.REFUSED if code in _REFUSALS else Outcome.AWAY
    return Verdict(outcome=outcome, why=short(f"{place} {what}: {code} {_without(secrets, short(answer))}"))


def _secrets(user: str, password: str) -> tuple[str, ...]:
    """What must not come back to us in a verdict: the password, and the forms in which it travels."""
    if not password:
        return ()
    forms = (password, f"\0{user}\0{password}")
    return password, *(base64.b64encode(form.encode()).decode() for form in forms)


def _without(secrets: Sequence[str], said: str) -> str:
    """Some servers repeat what they do not understand."""
    runs = (secret[at : at + _TELLING] for secret in secrets for at in range(max(1, len(secret) - _TELLING + 1)))
    return "(its words repeat a part of the password)" if any(run in said for run in runs) else said
