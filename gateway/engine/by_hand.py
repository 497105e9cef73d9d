"""Owns: what people ask core for through the link, and what is still by hand after a restart.

Must not know: screens, who may ask, how control uses it.
How it works: a request is checked, written to the history, and only then handed to the step and acknowledged. When the
history cannot be written it is done all the same, for the animal's sake, and the answer says that it is not recorded.

    {"do":"hand","subject":"stall-fans","kind":"off","minutes":30,"by":"Ana","why":"farrier","sure":false}
    ->  {"done":true,"until_wall_s":..,"recorded":true}   or {"question":".."}   or {"error":".."}
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol

from gateway.barn import Barn
from gateway.control.hands import LONGEST_S, refusal, second_question
from gateway.engine.snapshot import Snapshot
from gateway.errors import LinkError
from gateway.model import Event, HandChange, HandKind, Stamp
from gateway.ports import Clock

RECORD_WITHIN_S = 1.0
NAME_LETTERS, WHY_LETTERS = 40, 120


class Journal(Protocol):
    """Where events go, with a way to know that they have arrived."""

    def events(self, events: tuple[Event, ...]) -> None: ...

    def flush(self, timeout_s: float) -> bool: ...


class ByHand:
    """Answers requests, in the link's thread. `take` hands an accepted one to the step."""

    def __init__(
        self, barn: Barn, clock: Clock, journal: Journal, *,
        take: Callable[[HandChange], None], newest: Callable[[], Snapshot | None],
    ) -> None:  # fmt: skip
        self._barn, self._clock, self._journal = barn, clock, journal
        self._take, self._newest = take, newest

    def answer(self, peer: str, request: Mapping[str, Any]) -> dict[str, Any]:
        """The answer to one request. Raises LinkError for one that cannot be understood."""
        if request.get("do") != "hand":
            raise LinkError(f"cannot do {request.get('do')!r}; allowed: hand")
        subject, by = _text(request, "subject", NAME_LETTERS), _text(request, "by", NAME_LETTERS)
        if not by:
            raise LinkError("by must say who asks")
        kind, lasts_s = _kind(request), 60.0 * _minutes(request)
        why_not = refusal(self._barn, subject, kind, lasts_s)
        if why_not:
            return {"error": why_not}
        question = self._question(subject, kind)
        if question and request.get("sure") is not True:
            return {"question": question}
        stamp = self._clock.stamp()
        change = HandChange(
            subject=subject,
            kind=kind,
            until_mono_s=stamp.mono_s + lasts_s,
            until_wall_s=stamp.wall_s + lasts_s,
            by=by,
            why=_text(request, "why", WHY_LETTERS),
            stamp=stamp,
        )
        self._journal.events((change,))
        recorded = self._journal.flush(RECORD_WITHIN_S)
        self._take(change)
        return {"done": True, "until_wall_s": change.until_wall_s, "recorded": recorded}

    def _question(self, subject: str, kind: HandKind) -> str:
        place_of = {kit.name: kit.place for kit in self._barn.kit}
        snapshot = self._newest()
        places = snapshot.places if snapshot else ()
        place = next((each for each in places if each.name == place_of.get(subject)), None)
        level, occupied = (None, True) if place is None else (place.level, place.occupied)
        return second_question(self._barn, subject, kind, level, occupied)


def restored(changes: Iterable[HandChange], stamp: Stamp) -> dict[str, HandChange]:
    """What is still by hand at a start, from the history in the order of asking.

    Within one boot the monotonic end counts. After a reboot the wall time does, if it was right then and is right now;
    else nobody knows how much is left, and the automatic decides.
    """
    newest = {change.subject: change for change in changes}
    kept = {}
    for subject, change in newest.items():
        if change.kind is HandKind.AUTO:
            continue
        if change.stamp.boot == stamp.boot:
            left_s = change.until_mono_s - stamp.mono_s
        elif change.stamp.trusted and stamp.trusted:
            left_s = change.until_wall_s - stamp.wall_s
        else:
            continue
        left_s = min(left_s, LONGEST_S[change.kind])
        if left_s > 0:
            kept[subject] = HandChange(
                subject=subject,
                kind=change.kind,
                until_mono_s=stamp.mono_s + left_s,
                until_wall_s=stamp.wall_s + left_s,
                by=change.by,
                why=change.why,
                stamp=change.stamp,
            )
    return kept


def _text(request: Mapping[str, Any], key: str, longest: int) -> str:
    value = request.get(key, "")
    if not isinstance(value, str) or len(value) > longest or not (value.isprintable() or not value):
        raise LinkError(f"{key} must be a text of at most {longest} letters on one line")
    return value.strip()


def _kind(request: Mapping[str, Any]) -> HandKind:
    try:
        return HandKind(request.get("kind", ""))
    except ValueError as error:
        raise LinkError(f"kind must be one of {', '.join(HandKind)}") from error


def _minutes(request: Mapping[str, Any]) -> float:
    value = request.get("minutes", 0)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1e5:
        raise LinkError("minutes must be a number")
    return float(value)
