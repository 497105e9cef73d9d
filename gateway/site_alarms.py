"""Owns: the forms of [alarms], [mail] and [[contacts]]: who is called, in which order, when, by which ways.

Must not know: how a message travels, the rules of alarms.
How it works: pydantic models in, frozen values out. Hours are minutes of the barn's own day. Secrets stand alone in
files of their own; here are only the paths. An address may have a secret in its path, so that only its host is shown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, Field

from gateway.alarms.contacts import ESCALATE_S, Contact
from gateway.model import Priority
from gateway.site_lines import Document, Problem, one_of, shown, text_of
from gateway.site_words import STRICT, File, Host, IpPort, Name, Spans, Title, span, table

LEAST = {"now": Priority.NOW, "soon": Priority.SOON, "when-you-can": Priority.WHEN_YOU_CAN}
MOST_CONTACTS = 20
MAIL_PORT = 587
LONGEST_LOCAL = 64  # RFC 5321, section 4.5.3.1.1
BEAT_MIN = 5.0
_CA = "a path; left out: the certificates that the system trusts"
_ATOM = "[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL = "[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Webhook:
    """A receiver of signed messages. `ca_file` is None when the certificates that the system trusts shall do."""

    url: str
    secret_file: Path
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a contact is reached: any of a mailbox, a receiver, the last word of a topic at the broker."""

    contact: str
    mail: str = ""
    webhook: Webhook | None = None
    mqtt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """The server that takes our mail. `starttls`: TLS begins after the greeting, else with the first byte."""

    host: str
    port: int
    starttls: bool
    ca_file: Path | None
    user: str
    password_file: Path | None
    sender: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Heartbeat:
    """An outside watcher that calls people itself when we have been silent."""

    url: str
    every_s: float
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmPlan:
    """Whom to call and how, and how long an alarm waits for one contact before the next is called, by priority.

    `inside` are hosts with ports ("192.168.1.20:8443") of the barn's own network that messages may go to.
    """

    contacts: tuple[Contact, ...] = ()
    escalate_s: Mapping[Priority, float]
    ways: Mapping[str, Way] = field(default_factory=dict)  # by the contact's name
    mail: Mail | None = None
    heartbeat: Heartbeat | None = None
    inside: frozenset[str] = frozenset()


NOBODY = AlarmPlan(escalate_s=ESCALATE_S)


def _target(text: str) -> str:
    """An address with a host and no name, password or fragment in it. Raises ValueError."""
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.port == 0:  # .port raises when it is none
        raise ValueError("no address of a receiver")
    if parts.username is not None or parts.password is not None or "#" in text:
        raise ValueError("what proves who we are stands in a file of its own")
    return text


Target = Annotated[
    str,
    AfterValidator(_target),
    Field(max_length=500, pattern="^[!-~]+$", description='an address such as "https://calls.example/barn"'),
]


def _mailbox(text: str) -> str:
    if len(text.partition("@")[0]) > LONGEST_LOCAL:
        raise ValueError("no server takes a name that long")
    return text


MailAddress = Annotated[
    str,
    AfterValidator(_mailbox),
    Field(
        max_length=254,
        pattern=f"^{_ATOM}([.]{_ATOM})*@{_LABEL}([.]{_LABEL})*$",
        description='one plain mail address such as "ana@example.org"',
    ),
]
Inside = Annotated[
    str,
    Field(
        max_length=260,
        pattern=r"^([A-Za-z0-9][A-Za-z0-9.-]*|\[[0-9A-Fa-f:.]+\]):[1-9][0-9]{0,4}$",
        description='a host of the barn\'s own network with its port, such as "192.168.1.20:8443"',
    ),
]


class HeartbeatForm(BaseModel):
    """A watcher elsewhere that calls people itself when it has not heard from us."""

    model_config = STRICT
    url: Target
    every_min: Annotated[float, span(1, 60)] = BEAT_MIN
    ca_file: File | None = Field(None, description=_CA)


class AlarmsForm(BaseModel):
    """After how many minutes without an answer the next contact is called, and who watches over the gateway."""

    model_config = STRICT
    escalate_now_min: Annotated[float, span(1, 120)] = ESCALATE_S[Priority.NOW] / 60
    escalate_soon_min: Annotated[float, span(5, 1440)] = ESCALATE_S[Priority.SOON] / 60
    inside: Annotated[list[Inside], Field(description='a list of hosts such as ["192.168.1.20:8443"]')] = []
    heartbeat: Annotated[HeartbeatForm | None, table('{ url = "https://watch.example/barn" }')] = None


class MailForm(BaseModel):
    """The server that takes our mail. The password stands alone in a file that only the gateway may read."""

    model_config = STRICT
    host: Host
    port: IpPort = MAIL_PORT
    tls: Literal["starttls", "tls"] = "starttls"
    ca_file: File | None = Field(None, description=_CA)
    user: Annotated[str, Field(max_length=254, pattern=r"^[^\s\p{C}]+$")] | None = Field(
        None, description="1 to 254 letters without blanks"
    )
    password_file: File | None = Field(None, description="a path")
    from_: MailAddress = Field(alias="from")


class WebhookForm(BaseModel):
    """A receiver of signed messages. The secret stands alone in a file that only the gateway may read."""

    model_config = STRICT
    url: Target
    secret_file: File
    ca_file: File | None = Field(None, description=_CA)


class ContactForm(BaseModel):
    """A person. `order` 1 is called first, equal orders together; without `hours` always."""

    model_config = STRICT
    name: Title
    order: Annotated[int, span(1, 9, "a whole number")] = 1
    hours: Spans = []
    least: Literal["now", "soon", "when-you-can"] = "soon"
    language: Literal["en", "es"] = "en"
    mail: MailAddress | None = Field(None, description='one plain mail address such as "ana@example.org"')
    webhook: Annotated[
        WebhookForm | None, table('{ url = "https://calls.example/barn", secret_file = "/etc/loosebox/hook" }')
    ] = None
    mqtt: Name | None = Field(
        None, description="a to z, 0 to 9 and -, a letter first, at most 31: the last word of the topic"
    )


Contacts = Annotated[
    list[ContactForm],
    Field(max_length=MOST_CONTACTS, description=f"up to {MOST_CONTACTS} tables [[contacts]]"),
]


def alarm_plan(
    form: AlarmsForm, contacts: Sequence[ContactForm], mail: MailForm | None = None, folder: Path = Path()
) -> AlarmPlan:
    """The parameters of the forms; relative paths start at `folder`."""
    return AlarmPlan(
        contacts=tuple(
            Contact(
                name=each.name,
                order=each.order,
                hours=tuple(_minutes(hours) for hours in each.hours),
                least=LEAST[each.least],
                language=each.language,
            )
            for each in contacts
        ),
        escalate_s={Priority.NOW: form.escalate_now_min * 60, Priority.SOON: form.escalate_soon_min * 60},
        ways={each.name: _way(each, folder) for each in contacts},
        mail=_mail(mail, folder) if mail else None,
        heartbeat=_heartbeat(form.heartbeat, folder) if form.heartbeat else None,
        inside=frozenset(host.lower() for host in form.inside) | _on_this_machine(form, contacts),
    )


def _on_this_machine(form: AlarmsForm, contacts: Sequence[ContactForm]) -> frozenset[str]:
    """Receivers on the board itself: whoever writes a loopback address means it."""
    urls = [each.webhook.url for each in contacts if each.webhook] + ([form.heartbeat.url] if form.heartbeat else [])
    return frozenset(place for _, host, place in map(_parts, urls) if host in LOOPBACK)


def _way(form: ContactForm, folder: Path) -> Way:
    hook = form.webhook
    return Way(
        contact=form.name,
        mail=form.mail or "",
        webhook=Webhook(url=hook.url, secret_file=folder / hook.secret_file, ca_file=_path(hook.ca_file, folder))
        if hook
        else None,
        mqtt=form.mqtt or "",
    )


def _mail(form: MailForm, folder: Path) -> Mail:
    return Mail(
        host=form.host,
        port=form.port,
        starttls=form.tls == "starttls",
        ca_file=_path(form.ca_file, folder),
        user=form.user or "",
        password_file=_path(form.password_file, folder),
        sender=form.from_,
    )


def _heartbeat(form: HeartbeatForm, folder: Path) -> Heartbeat:
    return Heartbeat(url=form.url, every_s=form.every_min * 60, ca_file=_path(form.ca_file, folder))


def _path(file: str | None, folder: Path) -> Path | None:
    return folder / file if file else None


def _minutes(hours: str) -> tuple[int, int]:
    """Minutes of the day of "18:00-08:00"."""
    begin, end = (int(clock[:2]) * 60 + int(clock[3:]) for clock in hours.split("-"))
    return begin, end


# --- what must agree --------------------------------------------------------------------------------

LOOPBACK = ("127.0.0.1", "localhost", "::1")
WAYS = 'mail = "NAME@HOST", webhook = { url = "https://...", secret_file = "..." }, or mqtt = "NAME"'


def alarm_checks(document: Document) -> Iterator[Problem]:
    """Whoever is called is reached, and nothing that matters travels readable to a stranger."""
    inside = document.table("alarms").get("inside")
    hosts = [host.lower() for host in inside if isinstance(host, str)] if isinstance(inside, list) else []
    for i, row in document.rows("contacts"):
        yield from _way_checks(document, i, row)
        if isinstance(row.get("webhook"), dict):
            yield from _may_go(("contacts", i, "webhook", "url"), text_of(row["webhook"], "url"), hosts)
    beat = document.table("alarms").get("heartbeat")
    if isinstance(beat, dict):
        yield from _may_go(("alarms", "heartbeat", "url"), text_of(beat, "url"), hosts)
    mail = document.table("mail")
    named = [key for key in ("user", "password_file") if text_of(mail, key)]
    if len(named) == 1:
        yield ("mail", named[0]), f"{named[0]} stands alone; allowed: user and password_file together, or neither"


def _way_checks(document: Document, i: int, row: dict[str, Any]) -> Iterator[Problem]:
    if not any(key in row for key in ("mail", "webhook", "mqtt")):
        yield ("contacts", i, "name"), f"no way to reach this contact; allowed: with at least one of {WAYS}"
    for key, table_for in (("mail", "mail"), ("mqtt", "mqtt")):
        if text_of(row, key) and table_for not in document.data:
            what = f"found {shown(row[key])}, and there is no table [{table_for}]"
            yield ("contacts", i, key), f"{what}; allowed: with a table [{table_for}] that says through which server"


def _may_go(key: tuple[str | int, ...], url: str, hosts: Sequence[str]) -> Iterator[Problem]:
    """Through TLS or within the barn; and into the barn's own network only where a person has said so."""
    try:
        scheme, host, place = _parts(url)
    except ValueError:
        return  # the form tells that
    if not host or place in hosts or host in LOOPBACK:
        return
    here = f", here {one_of(hosts)}" if hosts else ""
    cure = f"with {shown(place)} in the list inside of [alarms]{here}"
    if _is_private(host):
        yield key, f"found {shown(place)}, an address of the barn's own network; allowed: {cure}"
    elif scheme == "http":
        yield key, f"found http:// to {shown(place)}; allowed: https://, or if it is in the barn's own network {cure}"


def _parts(url: str) -> tuple[str, str, str]:
    """Scheme, host, and "host:port" as in the list inside. Raises ValueError."""
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port or (80 if parts.scheme == "http" else 443)
    return parts.scheme, host, f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _is_private(host: str) -> bool:
    try:
        return not ip_address(host).is_global
    except ValueError:
        return False  # a name: where it leads is seen when it is called


# --- plain language ---------------------------------------------------------------------------------


def alarm_lines(plan: AlarmPlan, prefix: str) -> Iterator[str]:
    """Who is called, how and when, for the person who checks the barn. `prefix` begins the topics at the broker."""
    if not plan.contacts:
        yield "Nobody is called: there are no [[contacts]], alarms stand on the pages only"
    for contact in sorted(plan.contacts, key=lambda contact: contact.order):
        hours = ", ".join(_clock(*span) for span in contact.hours) or "at any hour"
        least = next(word for word, priority in LEAST.items() if priority is contact.least)
        yield f"Called, order {contact.order}: {contact.name}, {hours}, from {least} upwards, in {contact.language}"
        yield f"  by {', '.join(_ways(plan.ways[contact.name], prefix))}"
    if len({contact.order for contact in plan.contacts}) > 1:
        waits = [f"{plan.escalate_s[priority] / 60:g} min for {word}" for word, priority in LEAST.items()
                 if priority in plan.escalate_s]  # fmt: skip
        yield f"The next order is called when nobody has taken it: after {', '.join(waits)}"
    if plan.mail is not None:
        yield f"Mail goes through {plan.mail.host}:{plan.mail.port} from {plan.mail.sender}, never without TLS"
    if plan.heartbeat is not None:
        every = f"every {plan.heartbeat.every_s / 60:g} min"
        yield f"A sign of life goes to {_host(plan.heartbeat.url)} {every}; whoever watches there calls when it stops"


def _ways(way: Way, prefix: str) -> Iterator[str]:
    if way.mail:
        yield f"mail to {way.mail}"
    if way.webhook is not None:
        yield f"webhook at {_host(way.webhook.url)}"
    if way.mqtt:
        yield f"MQTT at {prefix}/calls/{way.mqtt}"


def _host(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}"


def _clock(begin: int, end: int) -> str:
    return f"{begin // 60:02d}:{begin % 60:02d}-{end // 60:02d}:{end % 60:02d}"
