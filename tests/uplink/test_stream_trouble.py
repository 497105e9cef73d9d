"""The stream when disks, clocks and stores misbehave: it says so, loses nothing and goes on."""

from __future__ import annotations

import json
from collections import Counter

import pytest

from gateway.errors import GatewayError
from gateway.model import Quality, Reading
from tests.uplink.store_rig import BEGAN_S, BOOT, Say, stamp
from tests.uplink.stream_rig import Rig


def test_core_is_told_cursors_of_a_minute_ago_since_the_store_may_forget_what_came_after(small: Rig) -> None:
    """Core drops by them; what is sent again after a restart must still be there."""
    at_s = {}
    for n in range(100):
        small.hist.add(n, n + 1)
        small.run()
        at_s[n] = small.at_s
        small.at_s += 1.0
    small.ledger.save()
    ((boot_id, mono_ms, _, _),) = told_to_core(small)
    assert 60.0 <= small.at_s - at_s[mono_ms // 5000] <= 70.0
    small.stream.close()
    small.start()
    assert small.ledger.course("series").live.at[:2] == (boot_id, mono_ms)


def told_to_core(rig: Rig) -> list[list[int]]:
    found: list[list[int]] = json.loads((rig.folder / "cursors.json").read_text())["cursors"]["series"]["readings"]
    return found


def test_cursors_that_cannot_be_read_stay_until_they_are_replaced(rig: Rig) -> None:
    """Without any file core would take it that nobody waits, and drop."""
    (rig.folder / "cursors.json").write_bytes(b"{")
    (rig.folder / "cursors.json.new").mkdir()  # the new ones cannot be written
    with pytest.raises(GatewayError):
        rig.start()
    assert (rig.folder / "cursors.json").read_bytes() == b"{" == (rig.folder / "cursors.json.damaged").read_bytes()


def test_a_disk_that_takes_no_cursor_stops_the_stream_and_loses_nothing(rig: Rig) -> None:
    rig.hist.add(0, 20)
    path = rig.folder / "cursors.json"
    (rig.folder / "cursors.json.new").mkdir()  # as a full disk or one that cannot be written would
    rig.run(lambda: rig.stream.standing().state == "stopped", turns=10)
    assert "cannot be written" in rig.stream.standing().why
    with pytest.raises(GatewayError):
        rig.ledger.save()
    (rig.folder / "cursors.json.new").rmdir()
    rig.run()
    rig.same()
    rig.ledger.save()
    assert json.loads(path.read_text())["courses"]["series"]["readings"] == 40
    rig.law()


def test_a_disk_that_takes_no_dead_letter_lets_no_row_pass(rig: Rig) -> None:
    rig.hist.add(0, 5)
    bad = sorted(rig.lines())[3]
    rig.peer.script = lambda lines: Say(status=400, body=b"no") if bad in lines else Say()
    rig.ledger.dead_file.mkdir()
    rig.run(lambda: rig.stream.standing().state == "stopped")
    assert "cannot be written" in rig.stream.standing().why
    rig.law_without_dead()
    rig.ledger.dead_file.rmdir()
    rig.run()
    assert [line["line"] for line in rig.dead()] == [bad]
    assert set(rig.taken()) == rig.lines() - {bad}
    rig.law()


@pytest.mark.parametrize(
    "answer",
    [
        Say(
            status=200, headers=(("Content-Type", "text/html"),), body=b"<html>Welcome. Sign in for the internet</html>"
        ),
        Say(status=200, headers=(("Content-Type", "application/json"),), body=b'{"ok": true}'),
        Say(status=200, body=bytes(range(256)) * 40),
        Say(status=200),
        Say(status=302, headers=(("Location", "http://127.0.0.1:9/"),)),
    ],
    ids=["a page", "json", "bytes", "nothing", "elsewhere"],
)
def test_a_store_that_answers_nonsense_has_taken_nothing(rig: Rig, answer: Say) -> None:
    rig.hist.add(0, 10)
    rig.peer.script = lambda lines: answer
    for _ in range(5):
        assert rig.turn() > 0
    assert rig.stream.standing().state == "away" and str(answer.status) in rig.stream.standing().why
    assert rig.stream.standing().readings == 0
    rig.law()
    rig.peer.script = lambda lines: Say()
    rig.run()
    rig.same()
    rig.law()


@pytest.mark.parametrize("jump_s", [-3600.0, 365 * 86_400.0, -BEGAN_S], ids=["an hour back", "a year ahead", "1970"])
def test_a_step_of_the_wall_clock_holds_up_nothing_and_loses_nothing(rig: Rig, jump_s: float) -> None:
    """What was measured goes out with the time that its clock told, in the order in which it was measured."""
    name = rig.hist.channels[0].name
    for n in range(40):
        at = stamp(n * 5.0)
        wall_s = at.wall_s + (jump_s if n >= 20 else 0.0)
        at = type(at)(mono_s=at.mono_s, wall_s=wall_s, boot=BOOT, trusted=True)
        rig.hist.reading(Reading(channel=name, value=float(n), quality=Quality.GOOD, stamp=at))
        if n % 10 == 9:
            rig.run()
            rig.law()
    told = [line.rsplit("=", 1)[1].split(" ") for line in rig.peer.taken]
    expected = [(float(n), BEGAN_S + n * 5.0 + (jump_s if n >= 20 else 0.0)) for n in range(40)]
    assert [(float(value), int(ms) / 1000) for value, ms in told] == expected


def test_readings_of_a_clock_that_is_not_set_wait_for_it_and_go_out_corrected(rig: Rig) -> None:
    def read(mono_s: float, wall_s: float, *, trusted: bool) -> None:
        at = stamp(mono_s, trusted=trusted)
        at = type(at)(mono_s=at.mono_s, wall_s=wall_s, boot=BOOT, trusted=trusted)
        name = rig.hist.channels[0].name
        rig.hist.reading(Reading(channel=name, value=mono_s, quality=Quality.GOOD, stamp=at))

    for n in range(5):
        read(900.0 + n, 1000.0 + n, trusted=False)  # 1970
    for _ in range(5):
        rig.turn()
    assert rig.taken() == Counter()
    assert rig.stream.standing().state == "waiting"
    rig.law()
    read(910.0, 1_780_000_910.0, trusted=True)
    rig.run()
    times = sorted(int(line.rsplit(" ", 1)[1]) for line in rig.taken())
    assert times == [1_780_000_900_000 + 1000 * n for n in (0, 1, 2, 3, 4, 10)]
    assert not any("unsure" in line for line in rig.taken())
    rig.law()


def test_readings_whose_clock_never_is_set_go_out_flagged_after_a_day(rig: Rig) -> None:
    at = stamp(900.0, trusted=False)
    rig.hist.reading(Reading(channel=rig.hist.channels[0].name, value=1.0, quality=Quality.GOOD, stamp=at))
    rig.turn()
    assert rig.taken() == Counter()
    rig.at_s = 900.0 + 24 * 3600.0 + 1
    rig.run()
    assert [line.split(" ")[-2].split(",")[1] for line in rig.taken()] == ["unsure=1.0"]
