"""Owns: people to call, alarms to call them for, and senders that do what a test says.

Must not know: how calling works inside.
How it works: snapshots are made of plain values, one for each alarm, so that a test can say in one line how things
stand. `Desk` takes turns with a real ledger file and can lose its power at any point: what is left is what was on the
disk. All names and addresses are invented.
"""

from __future__ import annotations

import dataclasses
import shutil
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from gateway.alarms.contacts import Contact
from gateway.alarms.notices import News
from gateway.engine.snapshot import VERSION, AlarmView, Snapshot, TrialView
from gateway.model import Priority, Stamp
from gateway.site_alarms import AlarmPlan, Way, Webhook
from gateway.uplink.calls_turn import CallState, Office, Turn, restored, start, take_answer, turn
from gateway.uplink.kept_calls import KeptCalls
from gateway.uplink.message import Message
from gateway.uplink.tries import Try, TryAt
from gateway.uplink.verdict import Outcome, Verdict
from tests.alarms.scenes import BARN

WALL_S = 1_780_000_000.0  # an invented day in 2026, where the machine's clock shows 0
NOON = 720
ANA, LUIS = Contact(name="Ana", order=1), Contact(name="Luis", order=2, language="es")
HOOK = Webhook(url="https://calls.example/luis", secret_file=Path("secret"))
WAYS = {
    "Ana": Way(contact="Ana", mail="ana@example.org", mqtt="ana"),
    "Luis": Way(contact="Luis", webhook=HOOK, mqtt="luis"),
}
BY = {"Ana": ("mail", "mqtt"), "Luis": ("webhook", "mqtt")}
DELIVERED = Verdict(outcome=Outcome.DELIVERED)
AWAY = Verdict(outcome=Outcome.AWAY, why="nobody answers")
REFUSED = Verdict(outcome=Outcome.REFUSED, why="wrong password")


def office(*contacts: Contact, page: str = "", **changes: Any) -> Office:
    """Whom to call. Contacts without a way of their own here are reached by mail."""
    people = contacts or (ANA, LUIS)
    ways = {one.name: WAYS.get(one.name, Way(contact=one.name, mail="x@example.org")) for one in people}
    by = {one.name: BY.get(one.name, ("mail",)) for one in people}
    plan = AlarmPlan(contacts=people, ways=ways, escalate_s={Priority.NOW: 300.0, Priority.SOON: 1800.0})
    return Office(plan=plan, ways=by, barn=BARN, page=page, **changes)


def view(alarm: str = "bus-lost:line", state: str = "unacknowledged", **changes: Any) -> AlarmView:
    """One alarm, NOW unless said otherwise."""
    rule, _, subject = alarm.partition(":")
    given = AlarmView(
        alarm=alarm, rule=rule, subject=subject, place="", horse=False, priority="now", state=state,
        standing=state not in ("normal", "returned"), episode=1, calls=1,
        say={"en": f"{alarm} is wrong.", "es": f"{alarm} anda mal."}, do={"en": "Go there.", "es": "Vaya."},
        detail="", raised_wall_s=WALL_S, called_wall_s=None, returned_wall_s=None,
        taken_by="Luis" if state == "acknowledged" else "", shelved_until_wall_s=None, shelved_by="", shelved_why="",
        longest_shelf_s=600.0, cause="", out_by="", out_why="", marks=(),
    )  # fmt: skip
    return dataclasses.replace(given, **changes)


def snapshot(now_s: float, *alarms: AlarmView, trials: Sequence[TrialView] = (), **changes: Any) -> Snapshot:
    """The barn at a moment; its steps count seconds."""
    made = Snapshot(
        version=VERSION, barn=BARN.name, zone="UTC", emulated=False, boot="boot-1", steps=int(now_s * 100),
        mono_s=now_s, wall_s=WALL_S + now_s, clock_trusted=True, posts=(130.0, 150.0, 180.0), languages=("en", "es"),
        places=(), faults=(), alarms=tuple(alarms), trials=tuple(trials),
    )  # fmt: skip
    return dataclasses.replace(made, **changes)


def stamp(now_s: float) -> Stamp:
    return Stamp(mono_s=now_s, wall_s=WALL_S + now_s, boot="boot-1", trusted=True)


class Cut(Exception):
    """The power is gone."""


class Desk:
    """Calling by hand: turns, a real ledger, and senders that answer by `verdict_of`.

    `sent` has every message that left, by its way; `cut_at` counts steps until the power goes, at each of which the
    disk has what it has.
    """

    def __init__(self, folder: Path, the_office: Office | None = None) -> None:
        self.office, self.now_s, self.folder = the_office or office(), 0.0, folder
        self.path = folder / "uplink-calls.db"
        self.sent: list[tuple[Message, str]] = []
        self.verdict_of: Callable[[Message, str], Verdict] = lambda message, way: DELIVERED
        self.core: Callable[[], Snapshot | None] = lambda: snapshot(self.now_s)
        self.cut_in: int | None = None
        self.boots = 0
        self._boot()

    def _boot(self) -> None:
        self.boots += 1
        self.kept = KeptCalls(self.path, stamp=lambda: stamp(self.now_s), clock=lambda: self.now_s)
        self.state: CallState = restored(start(self.now_s), *self.kept.on_record(), self.now_s)
        self.held: list[Try] = []

    def power_cut(self) -> None:
        """Everything in memory is gone; the file is as a cut leaves it, with its log."""
        self.cut_in = None
        folder = self.folder / f"boot-{self.boots}"
        folder.mkdir()
        for suffix in ("", "-wal"):
            source = self.path.with_name(self.path.name + suffix)
            if source.exists():
                shutil.copy(source, folder / source.name)
        self.kept.close()
        self.path = folder / self.path.name
        self._boot()

    def _step(self) -> None:
        if self.cut_in is not None:
            self.cut_in -= 1
            if self.cut_in < 0:
                raise Cut

    def turn(self, minute: int | None = NOON) -> Turn:
        """One turn, in the order of `Caller`; every send is answered at once."""
        self._step()
        wanted = turn(self.state, self.office, self.core(), now_s=self.now_s, minute=minute, stamp=stamp(self.now_s))
        self._step()
        if wanted.entries or wanted.changes:
            self.kept.write(wanted.entries, wanted.changes)
        self._step()
        self.state = wanted.state
        for one in wanted.sends:
            self._step()
            self.sent.append((one.message, one.way))
            self._step()
            verdict = self.verdict_of(one.message, one.way)
            self._step()
            self.answer(one, verdict)
        return wanted

    def answer(self, one: Try, verdict: Verdict) -> None:
        self.state, change = take_answer(
            self.state, one.key, verdict, now_s=self.now_s, wall_s=stamp(self.now_s).wall_s
        )
        if change is not None:
            self.kept.write((), (change,))
        self._step()

    def run(self, for_s: float, every_s: float = 1.0, minute: int | None = NOON) -> list[tuple[Message, str]]:
        """Turns for a while; what left."""
        before = len(self.sent)
        for _ in range(round(for_s / every_s)):
            self.now_s += every_s
            self.turn(minute)
        return self.sent[before:]

    def says(self, *alarms: AlarmView, **changes: Any) -> None:
        """What core says from now on."""
        self.core = lambda: snapshot(self.now_s, *alarms, **changes)

    def says_nothing(self) -> None:
        self.core = lambda: None


def brief(sent: Sequence[tuple[Message, str]]) -> list[tuple[str, str, str]]:
    """Who, by which way, what."""
    return [(message.contact, way, message.kind) for message, way in sent]


def kinds(sent: Sequence[tuple[Message, str]]) -> list[tuple[str, str]]:
    """Who was told what, each message once."""
    return list(dict.fromkeys((message.contact, message.kind) for message, _ in sent))


def conserved(desk: Desk, counts: dict[TryAt, int]) -> None:
    """messages by way = pending + delivered + given up, in the file and beside what is in memory."""
    notices, pending = desk.kept.on_record()
    by_way = sum(len(desk.office.ways[notice.contact]) for notice in notices)
    assert by_way == sum(counts.values())
    assert counts[TryAt.PENDING] == len(pending)
    assert {(one.notice.id, one.way) for one in pending} == set(desk.state.tries)


def told_once(desk: Desk) -> None:
    """No piece of news stands in two messages to a contact."""
    notices, _ = desk.kept.on_record()
    told = Counter((notice.contact, item) for notice in notices for item in notice.items if item.news is not News.TEST)
    assert [item for item, count in told.items() if count > 1] == []
