"""Owns: alarms as Common Alerting Protocol 1.2 documents, and the Atom index of them.

Must not know: HTTP, where a snapshot comes from, rules.
How it works: each step of an episode that people are told of is one message: raised an Alert, worse, again or taken an
Update, over a Cancel. A message names all earlier ones of its episode as references. What was once published never
changes: identifiers and times come from the journal's marks. An alarm that has never called anybody is not published.

The scope is Restricted: these are matters of one barn. There is no `expires`: an alarm stands until its Cancel, and a
message that had run out by itself would look like safety. Names of people stay out.

Reference: OASIS, Common Alerting Protocol Version 1.2, 2010; RFC 4287, The Atom Syndication Format.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from xml.etree import ElementTree as Xml

from gateway.engine.snapshot import AlarmView, MarkView, Snapshot

CAP = "urn:oasis:names:tc:emergency:cap:1.2"
ATOM = "http://www.w3.org/2005/Atom"
KIND = "application/cap+xml"
MSG_TYPES = {
    "raised": "Alert",
    "worse": "Update",
    "again": "Update",
    "acknowledged": "Update",
    "returned": "Cancel",
    "ended": "Cancel",
}
URGENCY = {"now": "Immediate", "soon": "Expected", "when-you-can": "Future"}
SEVERITY = {"now": "Severe", "soon": "Moderate", "when-you-can": "Minor"}
OVER = {"en": "Over", "es": "Terminó"}
HEADLINE_LETTERS = 160  # what the standard advises


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One CAP message: one mark of one episode, and the marks before it."""

    identifier: str
    sent: str
    msg_type: str
    alarm: AlarmView
    mark: MarkView
    earlier: tuple[tuple[str, str], ...]


def messages(snapshot: Snapshot) -> dict[str, Message]:
    """Every message that can be asked for now, by identifier; within an alarm the oldest first."""
    made = (message for alarm in snapshot.alarms for message in _of(snapshot, alarm))
    return {message.identifier: message for message in made}


def document(snapshot: Snapshot, message: Message) -> bytes:
    """The CAP document of a message."""
    alert = Xml.Element("alert", xmlns=CAP)
    alarm, sender = message.alarm, _sender(snapshot)
    _leaf(alert, "identifier", message.identifier)
    _leaf(alert, "sender", sender)
    _leaf(alert, "sent", message.sent)
    _leaf(alert, "status", "Test" if snapshot.emulated else "Actual")
    _leaf(alert, "msgType", message.msg_type)
    _leaf(alert, "scope", "Restricted")
    _leaf(alert, "restriction", "For the people who look after the horses of this barn")
    if message.mark.what == "acknowledged":
        _leaf(alert, "note", "Somebody has it")
    if message.earlier:
        _leaf(alert, "references", " ".join(f"{sender},{name},{sent}" for name, sent in message.earlier))
    _leaf(alert, "incidents", _incident(snapshot, alarm))
    for language in alarm.say:
        _info(alert, snapshot, message, language)
    return _bytes(alert)


def index(snapshot: Snapshot, *, self_url: str, document_url: str) -> bytes:
    """The Atom feed: the newest message of each alarm, newest first. Documents are at `document_url` + identifier."""
    newest: Mapping[str, Message] = {message.alarm.alarm: message for message in messages(snapshot).values()}
    ordered = sorted(newest.values(), key=lambda message: message.mark.wall_s, reverse=True)
    updated_s = snapshot.alarms_wall_s or 0.0
    feed = Xml.Element("feed", xmlns=ATOM)
    _leaf(feed, "id", f"urn:loosebox:{_slug(snapshot.barn)}:alarms")
    _leaf(feed, "title", f"Alarms of {snapshot.barn}")
    _leaf(feed, "updated", _time(max([updated_s, *(message.mark.wall_s for message in ordered)])))
    _leaf(Xml.SubElement(feed, "author"), "name", snapshot.barn)
    Xml.SubElement(feed, "link", rel="self", href=self_url)
    for message in ordered:
        entry = Xml.SubElement(feed, "entry")
        _leaf(entry, "id", f"urn:loosebox:{_incident(snapshot, message.alarm)}")
        _leaf(entry, "title", _headline(message, next(iter(message.alarm.say))))
        _leaf(entry, "updated", message.sent)
        Xml.SubElement(entry, "link", rel="alternate", type=KIND, href=f"{document_url}{message.identifier}")
        _leaf(entry, "summary", " / ".join(message.alarm.do.values()))
    return _bytes(feed)


def _of(snapshot: Snapshot, alarm: AlarmView) -> Iterator[Message]:
    earlier: list[tuple[str, str]] = []
    if not alarm.calls:
        return
    for mark in alarm.marks:
        msg_type = MSG_TYPES[mark.what]
        identifier, sent = f"{_incident(snapshot, alarm)}.{mark.number}", _time(mark.wall_s)
        yield Message(
            identifier=identifier, sent=sent, msg_type=msg_type, alarm=alarm, mark=mark, earlier=tuple(earlier)
        )
        if msg_type == "Cancel":
            return  # that somebody has read it afterwards is no news to others
        earlier.append((identifier, sent))


def _info(alert: Xml.Element, snapshot: Snapshot, message: Message, language: str) -> None:
    info, alarm, over = Xml.SubElement(alert, "info"), message.alarm, message.msg_type == "Cancel"
    _leaf(info, "language", language)
    _leaf(info, "category", "Fire" if alarm.rule == "fire" else "Health" if alarm.horse else "Infra")
    _leaf(info, "event", alarm.rule)
    _leaf(info, "responseType", "AllClear" if over else "Execute")
    _leaf(info, "urgency", "Past" if over else URGENCY[message.mark.priority])
    _leaf(info, "severity", "Minor" if over else "Extreme" if alarm.rule == "fire" else SEVERITY[message.mark.priority])
    _leaf(info, "certainty", "Observed")
    _leaf(info, "senderName", snapshot.barn)
    _leaf(info, "headline", _headline(message, language))
    _leaf(info, "description", alarm.say[language])
    if not over:
        _leaf(info, "instruction", alarm.do[language])
    for name, value in (("priority", message.mark.priority), ("step", message.mark.what)):
        parameter = Xml.SubElement(info, "parameter")
        _leaf(parameter, "valueName", name)
        _leaf(parameter, "value", value)
    where = [name for name in (snapshot.barn, _place(snapshot, alarm, language)) if name]
    _leaf(Xml.SubElement(info, "area"), "areaDesc", ", ".join(where))


def _headline(message: Message, language: str) -> str:
    said = message.alarm.say[language]
    text = f"{OVER.get(language, OVER['en'])}: {said}" if message.msg_type == "Cancel" else said
    return text[:HEADLINE_LETTERS]


def _place(snapshot: Snapshot, alarm: AlarmView, language: str) -> str:
    place = next((place for place in snapshot.places if place.name == alarm.place), None)
    return "" if place is None else place.label.get(language, place.name)


def _incident(snapshot: Snapshot, alarm: AlarmView) -> str:
    """One episode of one alarm, by when it began: a new history, which counts episodes anew, does not repeat it."""
    begun_s = 0 if alarm.raised_wall_s is None else int(alarm.raised_wall_s)
    return f"{_slug(snapshot.barn)}.{_slug(alarm.rule)}.{_slug(alarm.subject)}.{begun_s}.{alarm.episode}"


def _sender(snapshot: Snapshot) -> str:
    return f"loosebox.{_slug(snapshot.barn)}"


def _slug(text: str) -> str:
    """Letters that an identifier may have: no blank, comma, < or &."""
    return re.sub("[^a-z0-9-]+", "-", text.lower()).strip("-") or "x"


def _time(wall_s: float) -> str:
    """The form that CAP wants: whole seconds, UTC as -00:00, never Z."""
    when = datetime.datetime.fromtimestamp(int(wall_s), datetime.UTC)
    return f"{when:%Y-%m-%dT%H:%M:%S}-00:00"


def _leaf(parent: Xml.Element, name: str, text: str) -> None:
    Xml.SubElement(parent, name).text = "".join(letter for letter in text if letter.isprintable())


def _bytes(root: Xml.Element) -> bytes:
    made: bytes = Xml.tostring(root, encoding="utf-8", xml_declaration=True)
    return made
