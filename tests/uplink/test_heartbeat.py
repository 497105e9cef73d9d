"""Beats at a real watcher: how often, what they say, and what happens when they are not heard."""

from __future__ import annotations

import itertools
import json
import logging
import time
from collections.abc import Iterator
from typing import Any

import pytest

from gateway.site_alarms import Heartbeat
from gateway.uplink.heartbeat import SOONEST_S, Heart, Pulse
from gateway.uplink.verdict import Outcome, Verdict
from tests.uplink.far_ends import NAME, Papers, Receiver, make_papers, open_peer

KEY = "a-key-in-the-path-7"


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Papers:
    return make_papers(tmp_path_factory.mktemp("papers"))


@pytest.fixture
def watcher(papers: Papers) -> Iterator[Receiver]:
    made = Receiver(papers)
    yield made
    made.close()


def heart(papers: Papers, port: int, *, every_s: float = 300.0, inside: bool = True, **changed: Any) -> Heart:
    settings: dict[str, Any] = {
        "barn": "North",
        "wall_s": lambda: 1_782_907_200.0,
        "resolve": lambda *_: ["127.0.0.1"],
        "within_s": 10.0,
        "chance": lambda: 1.0,
    }
    beat = Heartbeat(url=f"https://localhost:{port}/{KEY}", every_s=every_s, ca_file=papers.ca_file)
    return Heart(beat, frozenset({f"localhost:{port}"} if inside else ()), **(settings | changed))


def test_it_beats_at_once_and_then_each_time_it_is_due(papers: Papers, watcher: Receiver) -> None:
    beating = heart(papers, watcher.port)
    assert beating.pulse == Pulse()
    verdicts = {now_s: beating.beat(now_s) for now_s in (7.0, 8.0, 306.9, 307.0, 606.0, 607.0)}
    good = Verdict(outcome=Outcome.DELIVERED)
    assert verdicts == {7.0: good, 8.0: None, 306.9: None, 307.0: good, 606.0: None, 607.0: good}
    assert beating.pulse == Pulse(well_s=607.0)
    assert len(watcher.got) == 3
    got = watcher.got[0]
    assert (got.path, got.headers["Content-Type"]) == (f"/{KEY}", "application/json")
    assert json.loads(got.body) == {"barn": "North", "time": "2026-07-01T12:00:00.000Z", "ok": True}


def test_what_was_missed_is_not_made_up_for(papers: Papers, watcher: Receiver) -> None:
    """Whoever calls it stops while core is silent."""
    beating = heart(papers, watcher.port)
    beating.beat(0.0)
    assert beating.beat(10_000.0) is not None and beating.beat(10_001.0) is None
    assert len(watcher.got) == 2


def test_a_failure_is_tried_again_sooner_and_then_ever_later(papers: Papers, watcher: Receiver) -> None:
    watcher.status = 503
    beating = heart(papers, watcher.port, every_s=100.0)
    beats = [now_s for now_s in range(1000) if beating.beat(float(now_s)) is not None]
    pauses = [after - before for before, after in itertools.pairwise(beats)]
    assert pauses[:5] == [2 * SOONEST_S, 4 * SOONEST_S, 8 * SOONEST_S, 100, 100]
    assert len(watcher.got) == len(beats)
    assert beating.pulse.failed == len(beats) and "answers 503" in beating.pulse.why
    watcher.status = 200
    assert beating.beat(2000.0) == Verdict(outcome=Outcome.DELIVERED)
    assert beating.pulse == Pulse(well_s=2000.0)
    watcher.status = 500
    assert beating.beat(2099.0) is None and beating.beat(2100.0) is not None
    assert beating.pulse.well_s == 2000.0 and beating.pulse.failed == 1
    assert beating.beat(2100.0 + 2 * SOONEST_S) is not None, "short pauses begin anew"


@pytest.mark.parametrize("every_s", [1.0, 5.0, 60.0])
def test_there_is_no_flood_whatever_chance_says(papers: Papers, every_s: float) -> None:
    nobody = heart(papers, 1, every_s=every_s, chance=lambda: 0.0)
    beats = sum(nobody.beat(now_s / 10) is not None for now_s in range(6000))  # ten minutes
    assert beats <= 600 / min(every_s / 2, SOONEST_S) + 1


def test_a_refusal_and_a_wish_to_wait_are_honoured(papers: Papers, watcher: Receiver) -> None:
    watcher.status, watcher.headers = 429, {"Retry-After": "500"}
    beating = heart(papers, watcher.port, every_s=100.0)
    assert beating.beat(0.0) is not None
    assert beating.beat(499.0) is None and beating.beat(500.0) is not None
    watcher.status, watcher.headers = 404, {}
    refused = beating.beat(1000.0)
    assert refused is not None and refused.outcome is Outcome.REFUSED
    assert beating.beat(1099.0) is None and beating.beat(1121.0) is not None


def test_the_rules_of_the_webhook_hold(papers: Papers, watcher: Receiver) -> None:
    verdict = heart(papers, watcher.port, inside=False).beat(0.0)
    assert verdict is not None and verdict.outcome is Outcome.REFUSED and "[alarms] inside" in verdict.why
    plain = Heart(
        Heartbeat(url=f"http://{NAME}/", every_s=60.0), frozenset(), barn="North", wall_s=time.time,
        resolve=lambda *_: ["8.8.8.8"],
    ).beat(0.0)  # fmt: skip
    assert plain is not None and plain.outcome is Outcome.REFUSED and "http without TLS" in plain.why
    assert watcher.got == []


def test_it_never_raises_and_never_tells_the_key(
    papers: Papers, watcher: Receiver, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    watcher.status = 404
    with open_peer(lambda sock: sock.close()) as peer:
        hearts = [
            heart(papers, watcher.port),
            heart(papers, peer.port),
            heart(papers, watcher.port, wall_s=lambda: float("nan")),
        ]
        for one in hearts:
            verdict = one.beat(0.0)
            assert verdict is not None and verdict.outcome is not Outcome.DELIVERED
            assert one.pulse.why == verdict.why and verdict.why
            assert KEY not in repr(verdict) + repr(one) + repr(one.pulse)
    assert KEY not in caplog.text
