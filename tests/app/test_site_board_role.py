"""What lies between the broker's thread and the board: the inbox, and what is asked for in which turn."""

from __future__ import annotations

from pathlib import Path

from gateway.app.site_board import MOST_TOPICS, TURNS, Inbox, filters
from gateway.org import Org, load_org
from gateway.uplink.session import Message


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        self.now_s += 1.0
        return self.now_s


def message(topic: str, payload: bytes = b"{}", *, retained: bool = False) -> Message:
    return Message(topic=topic, payload=payload, retained=retained)


def test_of_each_topic_the_newest_is_kept_and_what_was_kept_by_the_broker_never_covers_what_was_heard() -> None:
    inbox = Inbox(Clock(), lambda: None)
    for topic, payload, retained in (
        ("a", b"1", True), ("a", b"2", False), ("a", b"3", True), ("b", b"4", True), ("a", b"5", False),
    ):  # fmt: skip
        inbox.take(message(topic, payload, retained=retained))
    assert [(one.topic, one.payload, one.retained) for one in inbox.empty()] == [("b", b"4", True), ("a", b"5", False)]
    assert inbox.empty() == []
    assert inbox.kept_s == 4.0


def test_a_flood_of_topics_has_a_bound() -> None:
    inbox = Inbox(lambda: 1.0, lambda: 2.0)
    for n in range(MOST_TOPICS + 5):
        inbox.take(message(f"t{n}"))
    assert len(inbox.empty()) == MOST_TOPICS


def org_of(folder: Path, lines: str) -> Org:
    text = f'[organisation]\nname = "x"\nzone = "Europe/Madrid"\n[mqtt]\nhost = "h"\n{lines}\n'
    (folder / "org.toml").write_text(text)
    return load_org(folder / "org.toml")


def test_how_gateways_stand_is_asked_for_first_and_readings_never(tmp_path: Path) -> None:
    under = org_of(tmp_path, 'root = "loosebox"')
    assert [filters(under, turn) for turn in TURNS] == [
        ["loosebox/+/state"], ["loosebox/+/places/+"], ["loosebox/+/faults", "loosebox/+/kit/+"],
    ]  # fmt: skip
    listed = org_of(tmp_path, 'prefixes = ["a/b", "c"]')
    assert filters(listed, TURNS[1]) == ["a/b/places/+", "c/places/+"]
    assert not any("readings" in each or "#" in each for turn in TURNS for each in filters(listed, turn))
