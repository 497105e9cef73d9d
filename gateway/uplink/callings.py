"""Owns: the alarms of a snapshot as the planner sees them, and the one alarm that core cannot raise: that it is gone.

Must not know: contacts, messages, files.
How it works: pure. For how long a call has been unanswered is counted here, on the machine's own clock, from the
moment at which it was first seen; only at a first sight the barn's wall clock says how old it already is, never older
than this run of core. Whether core is there is told by its steps: when they do not move, the newest snapshot is old,
whatever its clock says.

An episode is known by when it was raised, not by its number alone: a core that has lost its journal counts from 1
again, and what it raises then must not pass for something that was told long ago.

An alarm of which somebody was told and that is gone from the snapshot (it ended more than a day ago, while nobody
could tell) is over, once it has been missing for `MISSING_S`: by then a core without a journal has raised what stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from gateway.alarms.book import AlarmAt
from gateway.alarms.notices import Calling, Item, News
from gateway.engine.snapshot import AlarmView, Snapshot
from gateway.model import Priority

STALE_S = 60.0  # nothing new is planned from a snapshot that is older
LOST_S = 120.0
MISSING_S = 600.0
CORE_LOST = "core-lost:gateway"
_AT = {at.name.lower().replace("_", "-"): at for at in AlarmAt}
_PRIORITIES = {"now": Priority.NOW, "soon": Priority.SOON, "when-you-can": Priority.WHEN_YOU_CAN}

Call = tuple[str, int, int]  # alarm, episode, calls
Told = Mapping[tuple[str, str], Item]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """When core last moved, and which of its calls and missing alarms have been seen since when [machine s].

    `step` names the newest step; None: not heard of yet in this run. `has_moved`: a second one was seen, so that core
    lives; the first may have lain there for hours.
    """

    at_s: float
    begun_s: float
    step: tuple[str, int] | None = None
    has_moved: bool = False
    calls: Mapping[Call, float] = field(default_factory=dict)
    missing: Mapping[str, float] = field(default_factory=dict)

    def age_s(self, now_s: float) -> float:
        """For how long core has not moved; of a core never heard, since we began to listen."""
        return now_s - self.at_s

    def is_fresh(self, now_s: float) -> bool:
        return self.has_moved and self.age_s(now_s) <= STALE_S

    def knows(self, now_s: float) -> bool:
        """Whether what was begun before a restart may go on: core has moved, or is plainly away."""
        return self.has_moved or now_s - self.begun_s > STALE_S


def listen(now_s: float) -> Heard:
    return Heard(at_s=now_s, begun_s=now_s)


def heard(before: Heard, snapshot: Snapshot | None, told: Told, now_s: float) -> Heard:
    """With the newest snapshot. One that has not moved changes nothing."""
    step = None if snapshot is None else (snapshot.boot, snapshot.steps)
    if snapshot is None or step == before.step:
        return before
    if before.step is None:
        return replace(before, step=step, begun_s=now_s)  # in a second we know
    calls = {
        _call(view): before.calls.get(_call(view), now_s - _age_s(snapshot, view))
        for view in snapshot.alarms
        if view.state == "unacknowledged"
    }
    there = {view.alarm for view in snapshot.alarms}
    missing = {
        item.alarm: before.missing.get(item.alarm, now_s) for item in open_items(told) if item.alarm not in there
    }
    return Heard(at_s=now_s, begun_s=before.begun_s, step=step, has_moved=True, calls=calls, missing=missing)


def callings(now: Heard, snapshot: Snapshot | None, told: Told, now_s: float) -> list[Calling]:
    """What there is to be told of. Of a stale snapshot nothing, only that core is gone."""
    found = list(_of_core(now, told, now_s))
    if snapshot is not None and now.is_fresh(now_s):
        found += [_calling(now, view, now_s) for view in snapshot.alarms]
        ripe = {alarm for alarm, since_s in now.missing.items() if now_s - since_s >= MISSING_S}
        gone = {item.alarm: item for item in open_items(told) if item.alarm in ripe}
        found += [_over(item) for item in gone.values()]
    return found


def episode_of(view: AlarmView) -> int:
    """A number for this episode that no other has, before or after."""
    return view.episode if view.raised_wall_s is None else round(view.raised_wall_s * 1000) * 1000 + view.episode % 1000


def open_items(told: Told) -> Iterable[Item]:
    """What somebody was called for by core and has not been told the end of."""
    return (item for item in told.values() if item.news in (News.CALL, News.TAKEN) and item.alarm != CORE_LOST)


def _call(view: AlarmView) -> Call:
    return view.alarm, episode_of(view), view.calls


def _age_s(snapshot: Snapshot, view: AlarmView) -> float:
    """How old a call is at its first sight, by the barn's clock if it is right."""
    if view.called_wall_s is None or not snapshot.clock_trusted:
        return 0.0
    return min(max(0.0, snapshot.wall_s - view.called_wall_s), max(0.0, snapshot.mono_s))


def _calling(now: Heard, view: AlarmView, now_s: float) -> Calling:
    since_s = now.calls.get(_call(view), now_s)
    return Calling(
        alarm=view.alarm,
        at=_AT[view.state],
        standing=view.standing,
        episode=episode_of(view),
        calls=view.calls,
        priority=_PRIORITIES[view.priority],
        calling_s=now_s - since_s,
        taken_by=view.taken_by,
    )


def _over(item: Item) -> Calling:
    return Calling(
        alarm=item.alarm, at=AlarmAt.NORMAL, standing=False, episode=item.episode, calls=item.calls,
        priority=item.priority, calling_s=0.0,
    )  # fmt: skip


def _of_core(now: Heard, told: Told, now_s: float) -> Iterable[Calling]:
    """Core is lost, or back. Its episode follows from what was told, so that a restart of ours calls nobody again."""
    items = [item for (_, alarm), item in told.items() if alarm == CORE_LOST]
    newest = max((item.episode for item in items), default=0)
    is_over = any(item.news is News.OVER for item in items if item.episode == newest)
    away_s = now.age_s(now_s)
    is_lost = away_s >= LOST_S
    if not is_lost and not (newest and now.is_fresh(now_s)):
        return
    yield Calling(
        alarm=CORE_LOST,
        at=AlarmAt.UNACKNOWLEDGED if is_lost else AlarmAt.NORMAL,
        standing=is_lost,
        episode=newest + 1 if is_lost and (is_over or not newest) else newest,
        calls=1,
        priority=Priority.NOW,
        calling_s=max(0.0, away_s - LOST_S),
    )
