"""Dead letters sent once more: counted by reason, idempotent, and safe against a kill at any moment."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gateway.app.dead_letters import dead_letters
from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.model import CommandChange, Reason
from gateway.site import load
from gateway.store.outbox import Outbox
from gateway.uplink.claim import claimed
from gateway.uplink.dead import MOST_IN_A_ROW
from gateway.uplink.ledger import Ledger
from gateway.uplink.series import Store
from gateway.uplink.stream import Stream
from gateway.uplink.to_store import ToStore
from tests.conservation import Account, conserved, course_in
from tests.conservation import dead_letters as dead
from tests.uplink.store_rig import BARN, PLAIN_SITE, Hist, Peer, Say, series_at, stamp

SERIES = '\n[series]\nurl = "{url}"\norg = "yard"\nbucket = "barns"\ntoken_file = "token"\n'
ROUNDS, CHANNELS = 60, 2


class Rig:
    """A history of which the store took all but every tenth reading and the one event, once `carry` is done."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.cursors = folder, folder / "uplink-cursors.json"
        self.hist = Hist(folder / "history.db", CHANNELS)
        self.peer = Peer(lambda lines: Say())
        (folder / "barn.toml").write_text(PLAIN_SITE.format(barn=BARN.name) + SERIES.format(url=self.peer.url))
        series_at(self.peer.url, folder)
        self.site = load(folder / "barn.toml")

    def write(self) -> None:
        change = CommandChange(kit="fans", on=True, reasons=(Reason(code="c", text="t"),), stamp=stamp(1))
        self.hist.add(0, ROUNDS, events=[change])
        self.hist.close()
        bad = self.bad()
        self.peer.script = lambda lines: Say(status=400, body=b"type") if set(lines) & bad else Say()

    def lines(self) -> list[str]:
        head = r"loosebox_reading,barn=Far\,\ Field,place=stalls"
        told = ((s, name.split("_", 2)[2], v, ms) for name, _, s, _, ms, v in self.hist.points())
        return sorted(f"{head},sensor={s} {quantity}={v} {ms}" for s, quantity, v, ms in told)

    def bad(self) -> set[str]:
        event = int(stamp(1).wall_s * 1000)
        return {*self.lines()[::10], rf"loosebox_kit,barn=Far\,\ Field,kit=fans on=1.0 {event}"}

    def carry(self) -> None:
        """What uplink does, to the end."""
        outbox = Outbox(self.hist.path)
        ledger = Ledger(self.cursors, ["series"], history=outbox.identity(), clock=machine_s)
        to = ToStore(Store(series_at(self.peer.url, self.folder)), BARN.name)
        stream = Stream(outbox, ledger, to, clock=machine_s, mono_s=machine_s)
        while (standing := stream.standing()).readings + standing.events + standing.dead < ROUNDS * CHANNELS + 1:
            stream.turn()
        stream.close()

    def send(self) -> list[str]:
        return list(dead_letters(self.site, send=True, pause=lambda _: None))

    def listed(self) -> str:
        return "\n".join(dead_letters(self.site, send=False))

    def law(self) -> Account:
        found = conserved(self.hist.path, course_in(self.cursors))
        assert found.dead == len(dead(self.cursors))
        return found

    def close(self) -> None:
        self.peer.close()
        self.hist.close()


@pytest.fixture(scope="module")
def carried(tmp_path_factory: pytest.TempPathFactory) -> Rig:
    """Made once; each test gets a copy."""
    made = Rig(tmp_path_factory.mktemp("carried"))
    made.write()
    made.carry()
    made.close()
    return made


@pytest.fixture
def rig(tmp_path: Path, carried: Rig) -> Iterator[Rig]:
    shutil.copytree(carried.folder, tmp_path, dirs_exist_ok=True)
    made = Rig(tmp_path)
    made.peer.taken += carried.peer.taken
    yield made
    made.close()


def test_they_are_listed_by_reason_with_one_of_each(rig: Rig) -> None:
    assert len(rig.bad()) == 13 == rig.law().dead
    first, such, last = rig.listed().splitlines()
    assert first.split() == ["13", "series:", "400:", "type"]
    assert such.split("such as ")[1] in rig.bad()
    assert "--send" in last


def test_all_of_them_are_taken_once_the_cause_is_mended(rig: Rig) -> None:
    rig.peer.script = lambda lines: Say()
    assert rig.send() == ["13 taken, 0 left."]
    assert set(rig.peer.taken) == {*rig.lines(), *rig.bad()}
    assert rig.law() == Account(delivered=ROUNDS * CHANNELS + 1, pending=0, dead=0, dropped=0)
    course = course_in(rig.cursors)
    assert (course.readings, course.events) == (ROUNDS * CHANNELS, 1)
    assert rig.listed().startswith("No dead letters")
    assert rig.send() == ["Nothing to send."]


def test_those_still_refused_stay_with_their_new_reason(rig: Rig) -> None:
    still = {sorted(rig.bad())[n] for n in (0, 5, 12)}
    rig.peer.script = lambda lines: Say(status=422, body=b"too old") if still & set(lines) else Say()
    assert rig.send() == ["10 taken, 3 left."]
    assert dead(rig.cursors) == still
    assert rig.listed().split()[:4] == ["3", "series:", "422:", "too"]
    assert rig.law().dead == 3
    rig.peer.script = lambda lines: Say(status=400, body=b"type") if still & set(lines) else Say()
    rig.hist.add(ROUNDS, ROUNDS + 10)  # uplink goes on, and finds letters where they now are
    with_new = Ledger(rig.cursors, ["series"], history=Outbox(rig.hist.path).identity(), clock=machine_s)
    assert {letter.line for letter in with_new.dead_letters()} == still
    rig.law()


@pytest.mark.parametrize(
    ("answer", "said"), [(Say(status=503), "503"), (Say(status=401), "401"), (Say(status=200, body=b"<p>"), "200")]
)
def test_a_store_that_is_away_or_refuses_leaves_everything_as_it_was(rig: Rig, answer: Say, said: str) -> None:
    before = dead(rig.cursors)
    rig.peer.script = lambda lines: answer
    first, second = rig.send()
    assert first == "0 taken, 13 left." and said in second
    assert dead(rig.cursors) == before
    rig.law()


def test_a_store_that_was_restarted_right_after_it_took_them_keeps_them_dead(rig: Rig) -> None:
    """It acknowledges before its disk has them."""
    before = dead(rig.cursors)
    rig.peer.script = lambda lines: Say()

    def restart(_: float) -> None:
        rig.peer.close()
        rig.peer = Peer(lambda lines: Say(), port=rig.peer.port)

    with pytest.raises(GatewayError, match="send them again"):
        list(dead_letters(rig.site, send=True, pause=restart))
    assert dead(rig.cursors) == before
    rig.law()
    assert rig.send() == ["13 taken, 0 left."]
    rig.law()


def test_it_gives_up_on_a_store_that_takes_none_of_a_hundred(rig: Rig) -> None:
    ledger = Ledger(rig.cursors, ["series"], history=Outbox(rig.hist.path).identity(), clock=machine_s)
    for n in range(2 * MOST_IN_A_ROW):
        ledger.bury("series", f"loosebox_reading,barn=other temp_c={n}", "400: type")
    rig.peer.script = lambda lines: Say(status=400, body=b"type")
    before, asked = dead(rig.cursors), len(rig.peer.requests)
    first, second = rig.send()
    assert first == f"0 taken, {len(before)} left." and "type" in second
    assert len(rig.peer.requests) - asked < 3 * MOST_IN_A_ROW
    assert dead(rig.cursors) == before


def test_it_refuses_while_uplink_has_the_cursors(rig: Rig) -> None:
    asked = len(rig.peer.requests)
    with claimed(rig.cursors), pytest.raises(GatewayError, match="stop it first"):
        rig.send()
    assert len(rig.peer.requests) == asked
    rig.listed()  # looking is always allowed


def test_letters_that_were_lost_for_their_number_stay_counted_as_dead(rig: Rig) -> None:
    """The pile keeps the newest few megabytes: what is gone from it cannot have been delivered."""
    pile = rig.folder / "uplink-cursors-dead.jsonl"
    pile.write_text("".join(pile.read_text().splitlines(keepends=True)[3:]) + '{"to": "ser')
    rig.peer.script = lambda lines: Say()
    assert rig.send() == ["10 taken, 0 left."]
    assert conserved(rig.hist.path, course_in(rig.cursors)).dead == 3


def test_a_restart_that_goes_back_a_minute_counts_them_once(rig: Rig) -> None:
    rig.peer.script = lambda lines: Say()
    rig.send()
    rig.carry()
    assert rig.law() == Account(delivered=ROUNDS * CHANNELS + 1, pending=0, dead=0, dropped=0)


# --- killed in between ------------------------------------------------------------------------------

KILLED = """
import os, signal, sys
from gateway.uplink import dead, ledger
place, at = sys.argv[1], int(sys.argv[2])

def before(name, module):
    does, count = getattr(module, name), iter(range(100))
    def instead(*given):
        if next(count) == at:
            os.kill(os.getpid(), signal.SIGKILL)
        return does(*given)
    setattr(module, name, instead)

before(place.split(".")[1], {"ledger": ledger, "dead": dead}[place.split(".")[0]])
from gateway.app.dead_letters import dead_letters
from gateway.site import load
list(dead_letters(load(__import__("pathlib").Path(sys.argv[3])), send=True, pause=lambda _: None))
"""


@pytest.mark.parametrize(
    ("place", "at"),
    [
        ("ledger._replace", 0),  # the ledger, as it begins
        ("dead.read", 0),
        ("ledger._replace", 1),  # the file of those that are left
        ("ledger._replace", 2),  # the ledger that names it
        ("dead.remove", 1),  # the file before; the first removal is at the start
    ],
)
def test_a_kill_at_any_step_leaves_the_letters_or_their_delivery(rig: Rig, place: str, at: int) -> None:
    still = {sorted(rig.bad())[4]}
    rig.peer.script = lambda lines: Say(status=400, body=b"still") if still & set(lines) else Say()
    command = [sys.executable, "-c", KILLED, place, str(at), str(rig.site.path)]
    assert subprocess.run(command, check=False).returncode == -9
    assert rig.law().dead in (13, 1)
    rig.send()
    assert rig.law().dead == 1
    assert dead(rig.cursors) == still
    assert set(rig.peer.taken) >= rig.bad() - still
    assert len(list(rig.folder.glob("*-dead*"))) == 1


def test_the_command_killed_while_it_sends_loses_nothing(rig: Rig) -> None:
    """As a person starts it, killed at its first requests."""
    still = {sorted(rig.bad())[n] for n in (2, 9)}
    seen = Counter[str]()
    running: list[subprocess.Popen[bytes]] = []

    def script(kill_at: int) -> Callable[[list[str]], Say]:
        def answer(lines: list[str]) -> Say:
            seen["requests"] += 1
            if seen["requests"] == kill_at:
                running[-1].kill()
            return Say(status=400, body=b"still") if still & set(lines) else Say()

        return answer

    for kill_at in (1, 2, 4):
        seen.clear()
        rig.peer.script = script(kill_at)
        command = [sys.executable, "-m", "gateway.cli", "dead-letters", str(rig.site.path), "--send"]
        running.append(subprocess.Popen(command))
        assert running[-1].wait(60) == -9
        assert rig.law().dead == 13
    assert rig.send() == ["11 taken, 2 left."]
    assert rig.law().dead == 2
    told = [json.loads(line) for line in next(rig.folder.glob("*-dead*")).read_text().splitlines()]
    assert {letter["line"] for letter in told} == still
    assert {letter["why"] for letter in told} == {"400: still"}
