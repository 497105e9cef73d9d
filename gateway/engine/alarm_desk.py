"""Owns: what people ask of alarms through the link: take, shelve, take out of service, a weekly test, a trial message.

Must not know: screens, who may ask, rules beyond which are about horses.
How it works: like requests by hand: checked against the newest alarms, written to the journal and handed to the step in
one go (`file` keeps the order of the journal the order of the step), then acknowledged. When the history cannot be
written it is done all the same, and the answer says that it is not recorded. A trial's number is never lower than the
time in seconds: after a lost journal it must not be that of a trial which uplink has sent long ago.

    {"do":"acknowledge","alarm":"level-stop:stalls","episode":3,"by":"Ana"}
    {"do":"shelve","alarm":"..","minutes":10,"by":"Ana","why":"vet is here"}    {"do":"unshelve","alarm":"..","by":".."}
    {"do":"out-of-service","alarm":"..","by":"..","why":".."}    {"do":"in-service","alarm":"..","by":".."}
    {"do":"weekly-test","by":"Ana","reached":["Ana","Luis"],"fail_safe":true}
    {"do":"trial","contact":"Ana","by":"Luis"}      a message to Ana, to see whether it arrives
    ->  {"done":true,"recorded":true}   or {"error":".."}
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from gateway.alarms.book import Book, apart_s
from gateway.alarms.rules import BY_CODE, LONGEST_SHELF_S
from gateway.errors import LinkError
from gateway.model import AlarmChange, AlarmStep, Priority, Stamp
from gateway.ports import Clock

RECORD_WITHIN_S = 1.0
NAME_LETTERS, WHY_LETTERS, KEY_LETTERS = 40, 120, 120
SHORTEST_SHELF_S = 60.0
LEAST_REACHED = 2
MOST_EPISODES = 1e15  # a loose plug raises an alarm a hundred thousand times in a season, and each can be taken
TRIAL_AGAIN_S = 30.0  # own choice: time for the one before to arrive, and no way to flood a telephone
REQUESTS = {
    "acknowledge": AlarmStep.ACKNOWLEDGED,
    "shelve": AlarmStep.SHELVED,
    "unshelve": AlarmStep.UNSHELVED,
    "out-of-service": AlarmStep.OUT_OF_SERVICE,
    "in-service": AlarmStep.IN_SERVICE,
    "weekly-test": AlarmStep.TESTED,
    "trial": AlarmStep.TRIED,
}


class AlarmDesk:
    """Answers requests, in the link's thread. `book` gives the alarms after the newest step.

    `file` writes a line to the journal and hands it to the step; `flush` waits until the journal is on the disk.
    `contacts` are the names that a trial may be sent to.
    """

    def __init__(
        self, clock: Clock, *, book: Callable[[], Book], file: Callable[[AlarmChange], None],
        flush: Callable[[float], bool], contacts: Sequence[str] = (),
    ) -> None:  # fmt: skip
        self._clock, self._book, self._file, self._flush = clock, book, file, flush
        self._contacts = tuple(contacts)
        self._tried: dict[str, Stamp] = {}  # of this run: the book knows them only after the next step
        self._trials = 0

    def answer(self, peer: str, request: Mapping[str, Any]) -> dict[str, Any]:
        """The answer to one request. Raises LinkError for one that cannot be understood."""
        do = request.get("do")
        if not isinstance(do, str) or do not in REQUESTS:
            raise LinkError(f"cannot do {do!r}; allowed: {', '.join(REQUESTS)}")
        by = _text(request, "by", NAME_LETTERS)
        if not by:
            raise LinkError("by must say who asks")
        what = REQUESTS[do]
        if what is AlarmStep.TESTED:
            found = self._tested(request, by)
        elif what is AlarmStep.TRIED:
            found = self._trial(request, by)
        else:
            found = self._asked(request, what, by)
        if isinstance(found, str):
            return {"error": found}
        self._file(found)
        return {"done": True, "recorded": self._flush(RECORD_WITHIN_S)}

    def _asked(self, request: Mapping[str, Any], what: AlarmStep, by: str) -> AlarmChange | str:
        key, why = _text(request, "alarm", KEY_LETTERS), _text(request, "why", WHY_LETTERS)
        lasts_s = 60.0 * _number(request, "minutes") if what is AlarmStep.SHELVED else 0.0
        alarms, stamp = self._book().alarms, self._clock.stamp()
        if key not in alarms:
            return f"there is no alarm {key}"
        alarm = alarms[key]
        episode = _number(request, "episode", MOST_EPISODES) if "episode" in request else alarm.episode
        if what is AlarmStep.ACKNOWLEDGED:
            refused = _not_taken(alarm.taken, alarm.episode == episode)
        elif what is AlarmStep.SHELVED:
            refused = _not_shelved(alarm.priority, lasts_s, why)
        elif what is AlarmStep.OUT_OF_SERVICE:
            refused = _not_out(key, why)
        else:
            held = alarm.shelf is not None if what is AlarmStep.UNSHELVED else bool(alarm.out_by)
            refused = "" if held else f"{key} is not {'shelved' if what is AlarmStep.UNSHELVED else 'out of service'}"
        if refused:
            return refused
        return AlarmChange(
            alarm=key, what=what, episode=alarm.episode, priority=alarm.priority, stamp=stamp, by=by, why=why,
            until_mono_s=stamp.mono_s + lasts_s if lasts_s else 0.0,
            until_wall_s=stamp.wall_s + lasts_s if lasts_s else 0.0,
        )  # fmt: skip

    def _tested(self, request: Mapping[str, Any], by: str) -> AlarmChange | str:
        reached = request.get("reached", [])
        if not isinstance(reached, list) or len(reached) > 20:
            raise LinkError("reached must be a list of names")
        people = {name for each in reached if (name := _text({"reached": each}, "reached", NAME_LETTERS))}
        if len(people) < LEAST_REACHED:
            return f"a test counts when it has reached {LEAST_REACHED} people, it reached {len(people)}"
        if request.get("fail_safe") is not True:
            return "a test counts when the fail-safe was tried: pull the plug of the gateway and see the fans run"
        why = f"reached {', '.join(sorted(people))}; fail-safe tried"
        return AlarmChange(
            alarm="test-due:barn", what=AlarmStep.TESTED, episode=0, priority=Priority.WHEN_YOU_CAN,
            stamp=self._clock.stamp(), by=by, why=why,
        )  # fmt: skip

    def _trial(self, request: Mapping[str, Any], by: str) -> AlarmChange | str:
        contact, stamp, before = _text(request, "contact", NAME_LETTERS), self._clock.stamp(), self._book().trials
        if contact not in self._contacts:
            known = ", ".join(self._contacts) or "none yet: put tables [[contacts]] into the site file"
            return f"there is no contact {contact or 'without a name'}; contacts are: {known}"
        on_record = next((trial.stamp for trial in reversed(before) if trial.contact == contact), None)
        ago_s = apart_s(self._tried.get(contact, on_record), stamp)
        if ago_s is not None and ago_s < TRIAL_AGAIN_S:
            return f"a trial for {contact} went out {ago_s:.0f} s ago: wait {TRIAL_AGAIN_S - ago_s:.0f} s, look there"
        self._trials = max(self._trials, before[-1].number if before else 0, int(stamp.wall_s)) + 1
        self._tried[contact] = stamp
        return AlarmChange(
            alarm=f"trial:{contact}",
            what=AlarmStep.TRIED,
            episode=self._trials,
            priority=Priority.NOW,
            stamp=stamp,
            by=by,
        )


Answer = Callable[[str, dict[str, Any]], dict[str, Any]]


def desk_of(hands: Answer, alarms: Answer) -> Answer:
    """One desk for the link: what is about alarms goes to that one, all else to the other."""

    def answer(peer: str, request: dict[str, Any]) -> dict[str, Any]:
        about_alarms = isinstance(request.get("do"), str) and request["do"] in REQUESTS
        return (alarms if about_alarms else hands)(peer, request)

    return answer


def _not_taken(taken: bool, same: bool) -> str:
    if not same:
        return "this alarm has come anew meanwhile: look again"
    return "nobody is called for this alarm now" if taken else ""


def _not_shelved(priority: Priority, lasts_s: float, why: str) -> str:
    longest_s = LONGEST_SHELF_S[priority]
    if not SHORTEST_SHELF_S <= lasts_s <= longest_s:
        bounds = f"{SHORTEST_SHELF_S / 60:g} to {longest_s / 60:g} minutes"
        return f"it can be shelved for {bounds}, asked were {lasts_s / 60:g}"
    return "" if why else "say why it may be quiet"


def _not_out(key: str, why: str) -> str:
    rule = BY_CODE.get(key.split(":")[0])
    if rule is not None and rule.horse:
        return "an alarm about horses cannot be taken out of service; shelve it for a while"
    return "" if why else "say why it is out of service"


def _text(request: Mapping[str, Any], key: str, longest: int) -> str:
    value = request.get(key, "")
    if not isinstance(value, str) or len(value) > longest or not (value.isprintable() or not value):
        raise LinkError(f"{key} must be a text of at most {longest} letters on one line")
    return value.strip()


def _number(request: Mapping[str, Any], key: str, most: float = 1e5) -> float:
    value = request.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= most:
        raise LinkError(f"{key} must be a number")
    return float(value)
