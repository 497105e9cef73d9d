"""Owns: what a message to a contact says: its subject, its text, and the same for machines.

Must not know: when it is sent, by which way, files.
How it works: pure. In the language of the contact, the worst first; of a flood the first `LISTED` and how many more
there are. A message is true when it is made and says when that was. Times are those of the barn, and are left out
while the clock is not set. An emulated barn says so before anything else.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from gateway.alarms.notices import Item, News, Notice
from gateway.alarms.texts import spoken
from gateway.barn import Barn
from gateway.engine.snapshot import AlarmView, Snapshot
from gateway.model import Stamp
from gateway.uplink.call_words import WORDS, CallWords
from gateway.uplink.callings import CORE_LOST, episode_of
from gateway.uplink.message import Message
from gateway.uplink.tries import urgency

LISTED = 8
FOR_MACHINES = 20
SUBJECT_LETTERS = 160
_PRIORITY_WORDS = {3: "now", 2: "soon", 1: "when-you-can"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What there is to be told from. `page` is the address of the bell list, empty when nobody outside reaches it."""

    barn: Barn
    page: str
    snapshot: Snapshot | None
    stamp: Stamp

    @property
    def views(self) -> Mapping[str, AlarmView]:
        return {} if self.snapshot is None else {view.alarm: view for view in self.snapshot.alarms}

    @property
    def is_emulated(self) -> bool:
        return self.snapshot is not None and self.snapshot.emulated

    @property
    def made_wall_s(self) -> float:
        """In the barn's own time, as it was at the newest step."""
        return self.stamp.wall_s if self.snapshot is None or not self.is_emulated else self.snapshot.wall_s

    @property
    def has_time(self) -> bool:
        return self.stamp.trusted if self.snapshot is None else self.snapshot.clock_trusted


def compose(notice: Notice, language: str, scene: Scene) -> Message:
    """The message of a notice."""
    words = WORDS[language]
    told = [_Told(item, language, scene) for item in notice.items]
    first = notice.items[0]
    is_trial = first.news is News.TEST
    subject = words.trial.format(barn=scene.barn.name) if is_trial else _subject(told, words)
    lines = [words.trial_text.format(name=notice.contact)] if is_trial else list(_lines(told, words, scene))
    before = words.emulated if scene.is_emulated else ""
    return Message(
        id=notice.id,
        contact=notice.contact,
        language=language,
        kind=f"alarm.{first.news}",
        priority=urgency(notice) if not is_trial else first.priority,
        made_wall_s=scene.made_wall_s,
        subject=_one_line(before + subject),
        text="\n".join([before.rstrip(": "), "", *lines] if before else lines)
        + f"\n\n{words.signed.format(barn=scene.barn.name)}\n",
        data=_data(notice, told, scene),
    )


def _subject(told: list[_Told], words: CallWords) -> str:
    worst = f"{told[0].headline}"
    return worst if len(told) == 1 else words.many.format(n=len(told), worst=worst)


def _lines(told: list[_Told], words: CallWords, scene: Scene) -> Iterator[str]:
    if len(told) > 1:
        yield _subject(told, words)
        yield ""
    for one in told[:LISTED]:
        yield from one.lines()
        yield ""
    if len(told) > LISTED:
        yield words.more.format(n=len(told) - LISTED)
    yield words.where.format(where=scene.page) if scene.page else words.list_
    if told[0].item.news is News.CALL and told[0].item.alarm != CORE_LOST:
        yield words.take
    if not scene.has_time:
        yield words.clock


class _Told:
    """One piece of news in one language."""

    def __init__(self, item: Item, language: str, scene: Scene) -> None:
        self.item, self._words, self._scene = item, WORDS[language], scene
        view = scene.views.get(item.alarm)
        self._view = view if view is not None and episode_of(view) == item.episode else None
        self.say, self.do = self._texts(language)

    @property
    def headline(self) -> str:
        """The priority, or that it is over, and what is the matter."""
        if self.item.news is News.OVER:
            return f"{self._words.over}: {self.say}"
        return f"{self._words.priority[self.item.priority]}: {self.say}"

    def lines(self) -> Iterator[str]:
        yield self.headline
        if self.item.news is News.CALL and self.do:
            yield self._words.do.format(do=self.do)
        if facts := " ".join(self._facts()):
            yield facts

    def _facts(self) -> Iterator[str]:
        view, words = self._view, self._words
        if view is None:
            return
        if raised := self._clock(view.raised_wall_s):
            yield words.since.format(time=raised)
        if self.item.news is News.OVER:
            if over := self._clock(view.returned_wall_s):
                yield words.over_since.format(time=over)
        elif view.taken_by:
            yield words.taken.format(name=view.taken_by)
        elif self.item.news is News.CALL:
            yield words.nobody
            if self.item.calls > 1:
                yield words.again.format(n=self.item.calls)

    def _texts(self, language: str) -> tuple[str, str]:
        if self.item.alarm == CORE_LOST:
            is_over = self.item.news is News.OVER
            return (self._words.core_over, "") if is_over else (self._words.core_say, self._words.core_do)
        if self._view is not None and language in self._view.say:
            return self._view.say[language], self._view.do.get(language, "")
        rule, _, subject = self.item.alarm.partition(":")
        text = spoken(self._scene.barn, rule, subject)
        return text.say[language], text.do[language]

    def _clock(self, wall_s: float | None) -> str:
        """The time in the barn, with the day when it is another."""
        if wall_s is None or not self._scene.has_time:
            return ""
        zone = ZoneInfo(self._scene.barn.zone)
        there = datetime.datetime.fromtimestamp(wall_s, zone)
        today = datetime.datetime.fromtimestamp(self._scene.made_wall_s, zone).date()
        return f"{there:%H:%M}" if there.date() == today else f"{there:%Y-%m-%d %H:%M}"

    def for_machines(self) -> dict[str, Any]:
        view = self._view
        return {
            "alarm": self.item.alarm,
            "news": str(self.item.news),
            "episode": 0 if view is None else view.episode,
            "call": self.item.calls,
            "priority": _PRIORITY_WORDS[self.item.priority],
            "place": "" if view is None else view.place,
            "say": self.say,
            "since": None if view is None or not self._scene.has_time else view.raised_wall_s,
            "taken_by": "" if view is None else view.taken_by,
        }


def _data(notice: Notice, told: list[_Told], scene: Scene) -> dict[str, Any]:
    """Plain JSON values. `count` is of all alarms, of which the worst are listed."""
    alarms = [] if notice.items[0].news is News.TEST else [one.for_machines() for one in told[:FOR_MACHINES]]
    return {
        "barn": scene.barn.name,
        "emulated": scene.is_emulated,
        "count": 0 if notice.items[0].news is News.TEST else len(told),
        "alarms": alarms,
        "page": scene.page,
    }


def _one_line(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= SUBJECT_LETTERS else line[: SUBJECT_LETTERS - 1] + "…"
