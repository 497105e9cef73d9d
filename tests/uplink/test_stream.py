"""The stream against real histories and far ends that take, refuse, forget and vanish.

The law that every test here checks: what the history acknowledged = delivered + pending + dead-lettered + dropped.
"""

from __future__ import annotations

import json
import random
import sqlite3

import pytest

from gateway.model import CommandChange, FaultChange, LevelChange, Reason
from gateway.uplink.ledger import START, Ledger
from gateway.uplink.stream import MOST_DEAD
from tests.uplink.store_rig import Peer, Say, stamp
from tests.uplink.stream_rig import Rig

WHY = Reason(code="c", text="t")


def test_readings_and_events_arrive_once(rig: Rig) -> None:
    events = (
        LevelChange(place="stalls", before=None, after=1, sum_f_pct=131.0, reason=WHY, stamp=stamp(1)),
        CommandChange(kit="fans", on=True, reasons=(WHY,), stamp=stamp(1)),
        FaultChange(subject="air-0", code="lost", text="x", active=True, stamp=stamp(2)),
    )
    rig.hist.add(0, 50, events=events)
    rig.run()
    rig.same()
    assert set(rig.taken().values()) == {1}
    told = [line.split(",")[0] for line in rig.peer.taken if not line.startswith("loosebox_reading")]
    assert told == ["loosebox_level", "loosebox_kit", "loosebox_fault"]
    rig.law()
    rig.hist.add(50, 60)
    rig.run()
    rig.same()
    assert set(rig.taken().values()) == {1}


def test_a_bad_row_is_found_and_put_aside_with_its_reason_and_the_rest_arrives(rig: Rig) -> None:
    rig.hist.add(0, 400)
    bad = {sorted(rig.lines())[n] for n in (0, 399, 400, 799)}
    rig.peer.script = lambda lines: Say(status=400, body=b'{"message": "no"}') if bad & set(lines) else Say()
    rig.run()
    assert {line["line"] for line in rig.dead()} == bad
    assert {(line["to"], line["why"]) for line in rig.dead()} == {("series", "400: no")}
    assert set(rig.taken()) == rig.lines() - bad
    assert len(rig.peer.requests) < 200
    rig.law()


@pytest.mark.parametrize("most", [1, 3, 100])
def test_a_store_that_takes_small_batches_only_gets_small_ones(rig: Rig, most: int) -> None:
    rig.hist.add(0, 60)
    rig.peer.script = lambda lines: Say(status=413) if len(lines) > most else Say()
    rig.run()
    rig.same()
    assert rig.dead() == []
    rig.law()


def test_a_store_that_takes_nothing_any_more_is_held_before_everything_is_dead(rig: Rig) -> None:
    rig.hist.add(0, 200)
    rig.peer.script = lambda lines: Say(status=400)
    rig.run(lambda: rig.stream.standing().state == "refused")
    assert len(rig.dead()) == MOST_DEAD
    rig.law()
    for _ in range(5):
        assert rig.turn() >= 60.0
    assert len(rig.dead()) == MOST_DEAD
    rig.peer.script = lambda lines: Say()
    rig.run()
    assert len(rig.taken()) == 400 - MOST_DEAD
    rig.law()


@pytest.mark.parametrize("status", [401, 403, 404])
def test_a_refusal_is_held_said_and_tried_once_a_minute(rig: Rig, status: int) -> None:
    rig.hist.add(0, 10)
    rig.peer.script = lambda lines: Say(status=status)
    waits = [rig.turn() for _ in range(5)]
    assert all(60.0 <= wait_s <= 72.0 for wait_s in waits)
    assert rig.stream.standing().state == "refused" and str(status) in rig.stream.standing().why
    assert len(rig.peer.requests) == 5
    rig.law()
    rig.peer.script = lambda lines: Say()
    rig.run()
    rig.same()
    assert rig.stream.standing().state == "ok"
    rig.law()


def test_a_store_that_is_away_is_asked_ever_more_slowly_and_never_at_the_same_pace(rig: Rig) -> None:
    rig.hist.add(0, 10)
    rig.peer.script = lambda lines: Say(status=503)
    waits = [rig.turn() for _ in range(10)]
    for wait_s, whole_s in zip(waits, (1, 2, 4, 8, 16, 32, 60, 60, 60, 60), strict=True):
        assert whole_s / 2 <= wait_s <= whole_s
    assert len(set(waits)) == 10
    assert rig.stream.standing().state == "away"
    rig.law()
    rig.peer.script = lambda lines: Say()
    rig.run()
    rig.same()
    assert set(rig.taken().values()) == {1}  # it was there all the time: nothing is sent again
    rig.law()


def test_the_store_s_own_wish_to_wait_is_obeyed(rig: Rig) -> None:
    rig.hist.add(0, 10)
    rig.peer.script = lambda lines: Say(status=429, headers=(("Retry-After", "300"),))
    assert rig.turn() == 300.0
    rig.law()
    rig.peer.script = lambda lines: Say()
    rig.run()
    rig.same()
    rig.law()


def test_live_readings_go_first_while_a_backlog_drains(small: Rig) -> None:
    small.hist.add(0, 200)
    small.turn()  # more than a batch is behind: the backlog gets a lane of its own
    assert small.ledger.course("series").lanes[0].at == START
    for n in range(200, 210):
        small.hist.add(n, n + 1)
        small.at_s += 2.5
        small.turn()
        newest = max(int(line.rsplit(" ", 1)[1]) for line in small.peer.requests[-1][2])
        assert newest == int(stamp(n * 5.0).wall_s * 1000)
        small.turn()
        oldest = min(int(line.rsplit(" ", 1)[1]) for line in small.peer.requests[-1][2])
        assert oldest < int(stamp(200 * 5.0).wall_s * 1000)
        small.law()
    small.run()
    small.same()
    assert set(small.taken().values()) == {1}
    small.law()


def test_outages_again_and_again_do_not_make_more_lanes_than_fit(small: Rig) -> None:
    first = 0
    for _ in range(12):
        small.hist.add(first, first + 40)
        first += 40
        small.at_s += 100
        small.peer.script = lambda lines: Say(status=503)
        for _ in range(3):
            small.turn()
        small.peer.script = lambda lines: Say()
        small.turn()
        assert len(small.ledger.course("series").lanes) <= 8
        small.law()
    small.run()
    small.same()
    small.law()


@pytest.mark.parametrize("anew", [False, True])
def test_after_a_restart_of_the_store_its_last_minute_is_sent_again_and_no_more(small: Rig, anew: bool) -> None:
    for n in range(100):  # one round a second of the machine
        small.hist.add(n, n + 1)
        small.run()
        small.at_s += 1.0
    held = small.peer.taken[:]
    small.peer.close()
    small.hist.add(100, 101)
    if anew:  # uplink was started anew meanwhile: it cannot know whether the store was
        small.stream.close()
        small.start()
    small.run(lambda: small.stream.standing().state == "away", turns=5)
    small.law()
    back = small.peer = Peer(lambda lines: Say(), port=small.peer.port)
    small.run()
    again = {line for line in back.taken if line in set(held)}
    ages = {100 - (int(line.rsplit(" ", 1)[1]) - int(stamp(0).wall_s * 1000)) // 5000 for line in again}
    assert 60 <= max(ages) <= 70
    assert set(held) | set(back.taken) == small.lines()
    small.law()


def test_a_line_that_drops_all_the_time_still_comes_forward(small: Rig) -> None:
    small.hist.add(0, 200)
    count = iter(range(10_000))
    small.peer.script = lambda lines: Say(cut=0) if next(count) % 3 == 2 else Say()
    small.run()
    small.same()
    small.law()


def test_an_uplink_that_dies_at_any_moment_goes_on_where_it_was(small: Rig) -> None:
    chance = random.Random(20261125)
    first = 0
    for _ in range(60):
        more = chance.randrange(0, 12)
        small.hist.add(first, first + more)
        first += more
        status = chance.choice([204, 204, 204, 503, 400])
        small.peer.script = lambda lines, status=status: Say(status=status if len(lines) > 3 else 204)  # type: ignore[misc]
        for _ in range(chance.randrange(0, 6)):
            small.turn()
        small.at_s += chance.choice([0.0, 0.5, 30.0])
        small.start()  # the old one is dropped as it is, as by kill -9; only what is on the disk counts
        small.law()
    small.peer.script = lambda lines: Say()
    small.run()
    small.same()
    assert small.dead() == []
    small.law()


def test_cursors_that_cannot_be_read_are_set_aside_and_all_is_sent_again(rig: Rig) -> None:
    rig.hist.add(0, 20)
    rig.run()
    rig.stream.close()
    path = rig.folder / "cursors.json"
    for rubbish in (b"", b"{", b"[]", b"\xff", b'{"history": 5}', b'{"courses": {"series": {"lanes": []}}}'):
        path.write_bytes(rubbish)
        rig.start()
        rig.run()
        rig.law()
    rig.same()


def test_another_file_of_history_begins_at_its_start(rig: Rig) -> None:
    rig.hist.add(0, 20)
    rig.run()
    rig.stream.close()
    ledger = Ledger(rig.folder / "cursors.json", ["series"], history="another", clock=lambda: 0.0)
    assert ledger.course("series").live.at == START
    assert json.loads((rig.folder / "cursors.json").read_text())["history"] == "another"


def test_a_destination_that_leaves_the_site_file_leaves_the_cursors_and_is_remembered(rig: Rig) -> None:
    rig.hist.add(0, 20)
    rig.run()
    rig.stream.close()
    path, identity = rig.folder / "cursors.json", rig.outbox.identity()
    Ledger(path, [], history=identity, clock=lambda: 0.0)
    assert json.loads(path.read_text())["cursors"] == {}
    ledger = Ledger(path, ["series"], history=identity, clock=lambda: 0.0)
    assert ledger.course("series").readings == 40
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_history_that_is_locked_or_gone_stops_the_stream_until_it_is_back(rig: Rig) -> None:
    rig.hist.add(0, 10)
    rig.hist.close()
    aside = rig.hist.path.with_name("aside.db")
    rig.hist.path.rename(aside)
    assert rig.turn() > 0
    assert rig.stream.standing().state == "stopped"
    aside.rename(rig.hist.path)
    rig.run()
    rig.same()
    rig.law()


def test_what_the_disk_budget_dropped_is_part_of_the_law(rig: Rig) -> None:
    rig.hist.add(0, 20)
    rig.run()
    rig.peer.script = lambda lines: Say(status=503)
    rig.hist.add(20, 40)
    rig.turn()
    with sqlite3.connect(rig.hist.path) as connection:  # as the store's own keeper does when nothing else is left
        gone = connection.execute("DELETE FROM readings WHERE mono_ms BETWEEN 100000 AND 124999").rowcount
        connection.execute(
            "INSERT INTO dropped (what, why, wanted, boot, first_mono_ms, last_mono_ms, rows)"
            " VALUES ('readings', 'budget', 1, 1, 100000, 124999, ?)",
            (gone,),
        )
    connection.close()
    rig.peer.script = lambda lines: Say()
    rig.run()
    rig.same()
    assert gone == 10
    rig.law()
