"""What uplink tells core of the world outside, over a real socket: what is taken, what is refused, how old it gets."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.engine.clock import machine_s
from gateway.engine.link import LinkServer
from gateway.engine.link_words import (
    LONGEST_FROM_PEER,
    LONGEST_WHY,
    OUTSIDE,
    OutsideTrouble,
    troubles_from,
    troubles_line,
    words,
)
from gateway.errors import LinkError
from tests.engine.fakes import until
from tests.engine.test_link import Peer

STORE = {"subject": "store", "code": "store-lost", "text": "refuses the key"}
CALLS = {"subject": "calls", "code": "calls-lost", "text": "no mail goes out"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "link.sock"


@pytest.fixture
def server(path: Path) -> Iterator[LinkServer]:
    made = LinkServer(path)
    yield made
    made.close()


def codes(server: LinkServer) -> list[str]:
    return [told.code for told in server.at_uplink().troubles]


def test_the_newest_list_takes_the_place_of_the_one_before(server: LinkServer, path: Path) -> None:
    assert server.at_uplink().here is None
    with Peer(path) as peer:
        peer.hello("uplink")
        until(lambda: server.at_uplink().here is True)
        for told in ([STORE], [STORE, CALLS], [CALLS], []):
            peer.say(troubles=told)
            until(lambda told=told: codes(server) == [each["code"] for each in told])  # type: ignore[misc]
    until(lambda: server.at_uplink().here is False)


def test_each_list_is_a_sign_of_life_and_an_end_takes_what_was_said_with_it(server: LinkServer, path: Path) -> None:
    with Peer(path) as peer:
        peer.hello("uplink")
        until(lambda: server.at_uplink().here is True)
        first_s = server.at_uplink().word_s
        peer.say(troubles=[STORE])
        until(lambda: server.at_uplink().word_s > first_s)
        assert machine_s() - server.at_uplink().word_s < 60
    until(lambda: server.at_uplink().here is False)
    assert codes(server) == []


@pytest.mark.parametrize(
    "told",
    [
        "store-lost",
        {"subject": "store"},
        [{"subject": "store", "code": "store-lost"}],
        [{**STORE, "more": 1}],
        [{**STORE, "code": "fire"}],
        [{**STORE, "subject": "stalls"}],
        [{**STORE, "subject": "broker"}],
        [{**STORE, "text": 3}],
        [{**STORE, "text": ""}],
        [STORE] * (len(OUTSIDE) + 1),
        [[]],
        None,
    ],
    ids=lambda told: json.dumps(told)[:40],
)
def test_anything_else_ends_the_connection_with_the_reason(server: LinkServer, path: Path, told: Any) -> None:
    with Peer(path) as peer:
        peer.hello("uplink")
        peer.say(troubles=told)
        assert "trouble" in peer.lines(9)[-1]["refused"]
    assert codes(server) == []


@pytest.mark.parametrize("name", ["web", "uplink-2"])
def test_nobody_else_may_tell_of_troubles(server: LinkServer, path: Path, name: str) -> None:
    with Peer(path) as peer:
        peer.hello(name)
        peer.say(troubles=[STORE])
        assert "only what its role may say" in peer.lines(9)[-1]["refused"]
    assert server.at_uplink().here is None


def test_a_second_uplink_takes_the_place_of_the_first(server: LinkServer, path: Path) -> None:
    with Peer(path) as first, Peer(path) as second:
        first.hello("uplink")
        first.say(troubles=[STORE])
        until(lambda: codes(server) == ["store-lost"])
        second.hello("uplink")
        assert "another uplink" in first.lines(9)[-1]["refused"]
        until(lambda: len(server._peers) == 1)
        until(lambda: server.at_uplink().here is True)  # for a moment, between the two, there is none
        assert codes(server) == []


def test_a_line_holds_what_was_told_on_one_line_and_never_too_much() -> None:
    long = [OutsideTrouble(subject="store", code="store-lost", text="two\nlines  " + "é" * 5000)] * 9
    raw = troubles_line(long)
    assert raw.count(b"\n") == 1 and len(raw) < LONGEST_FROM_PEER
    back = troubles_from(words(raw)["troubles"])
    assert len(back) == len(OUTSIDE)
    assert back[0].text.startswith("two lines éé") and len(back[0].text) == LONGEST_WHY


def test_every_pair_can_be_told() -> None:
    told = tuple(OutsideTrouble(subject=subject, code=code, text="x") for subject, code in OUTSIDE.items())
    assert troubles_from(words(troubles_line(told))["troubles"]) == told
    with pytest.raises(LinkError):
        troubles_from([{"subject": "store", "code": "calls-lost", "text": "x"}])
