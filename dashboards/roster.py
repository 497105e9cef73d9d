"""Owns: the roster: which barns there are, how each stands, how old that is, which gateways are lost.

Must not know: brokers, clocks, pages, stores.
How it works: messages go in with the moment at which they were heard; `barns` gives all of them, worst first. Time is
an argument and counts on one monotonic clock. A gateway lives by its steps: a message heard live whose own time has
moved on. So neither a message that the broker kept, nor a gateway that repeats one and the same step, keeps it alive.

    lost        gone       its last will or its farewell says so
                silent     nothing heard of it for LOST_AFTER_S: gateways repeat everything every 15 s
                core-away  it is heard, but its core has made no step for LOST_AFTER_S
                kept       only what the broker kept is known, and its age cannot be
                never      it must be there and has never been heard
    rank        3, then 2, 1, 0 of the worst place. A place without a reading counts as its last level or 1, all of a
                lost gateway as its last level or 2, whichever is worse, and both lead those of the same level: nobody
                knows them, and of a lost gateway nobody sees whether its fans run. So unknown is never fine, and only
                a known 3 stands above a lost gateway that was below 3.
    age         of the reading when its gateway told it, and the time since. For a message that the broker kept the
                latter is taken from its own time where that clock and ours are trusted; else it is the time since it
                came here, and marked as "at least".
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from dashboards.heard import Cleared, Faulty, Fitted, Message, Placed, Standing, address, title, understood

LOST_AFTER_S = 25.0
FORGET_AFTER_S = 60.0  # a place that a living gateway has not told for so long is no longer in its site file
AHEAD_S = 5.0  # so far may a trusted clock be ahead of ours
MOST_BARNS, MOST_PLACES, MOST_KIT = 5_000, 64, 256


class Lost(StrEnum):
    """Why nothing is known of a gateway."""

    GONE = "gone"
    SILENT = "silent"
    CORE_AWAY = "core-away"
    KEPT = "kept"
    NEVER = "never"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceNow:
    """A place as it is known now. Without a level it has no number; `counted` is the level at which it ranks."""

    name: str
    kind: str
    label: Mapping[str, str]
    level: int | None
    counted: int
    late: bool
    sum_f_pct: float | None
    temp_c: float | None
    rh_pct: float | None
    age_s: float | None
    at_least: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BarnNow:
    """A barn as it is known now, its places worst first.

    `silent_s` is the time since its last step; None when there never was one. `troubles` counts kit and other subjects
    that need a person, `by_hand` kit that a person has; both are 0 for a lost gateway, where nobody knows them.
    `refused` counts messages that were not understood.
    """

    prefix: str
    name: str
    lost: Lost | None
    silent_s: float | None
    at_least: bool
    places: tuple[PlaceNow, ...]
    counted: int
    troubles: int
    by_hand: int
    refused: int

    @property
    def level(self) -> int | None:
        """Of the place that leads; None when that is unknown."""
        return self.places[0].level if self.places and self.lost is None else None


@dataclass(slots=True)
class _Place:
    told: Placed
    moment_s: float  # of the step that it tells of, on our clock, as well as it is known
    exact: bool
    last_level: int | None


@dataclass(slots=True)
class _Barn:
    prefix: str
    name: str = ""
    gone: bool = False
    kept_only: bool = True
    heard_s: float | None = None
    step_s: float | None = None
    step_time_s: float | None = None
    refused: int = 0
    places: dict[str, _Place] = field(default_factory=dict)
    kit: dict[str, tuple[Fitted, float]] = field(default_factory=dict)
    faults: tuple[str, ...] = ()


class Roster:
    """`is_ours` judges a prefix. Barns that are `expected` are there from the start."""

    def __init__(self, *, is_ours: Callable[[str], bool], expected: Iterable[str] = ()) -> None:
        self._is_ours = is_ours
        self._expected = tuple(expected)
        self._barns = {prefix: _Barn(prefix) for prefix in self._expected}
        self.turned_away: int = 0  # messages of barns for which there is no room

    def hear(self, topic: str, payload: bytes, *, retained: bool, heard_s: float, wall_s: float | None) -> None:
        """Take a message. `wall_s` is our own wall time then, None while it is not trusted."""
        found = address(topic)
        if found is None or not self._is_ours(found[0]):
            return
        said = understood(topic, payload)
        barn = self._barns.get(found[0])
        if said is None:
            if barn is not None:
                barn.refused += 1
        elif isinstance(said, Cleared):
            if barn is not None:
                self._clear(barn, said)
        elif barn is not None or self._has_room():
            barn = self._barns.setdefault(said.prefix, _Barn(said.prefix))
            _take(barn, said, retained=retained, heard_s=heard_s, wall_s=wall_s)

    def barns(self, now_s: float) -> tuple[BarnNow, ...]:
        """All barns, worst first; in a tie the unknown ones, then by name."""
        found = [_now(barn, now_s) for barn in self._barns.values()]
        found.sort(key=lambda b: (-b.counted, b.level is not None, b.name.casefold(), b.prefix))
        return tuple(found)

    def _has_room(self) -> bool:
        if len(self._barns) < MOST_BARNS:
            return True
        self.turned_away += 1
        return False

    def _clear(self, barn: _Barn, what: Cleared) -> None:
        if what.kind == "places":
            barn.places.pop(what.name, None)
        elif what.kind == "kit":
            barn.kit.pop(what.name, None)
        elif what.kind == "faults":
            barn.faults = ()
        elif barn.prefix not in self._expected and barn.kept_only:
            del self._barns[barn.prefix]


# --- taking a message -------------------------------------------------------------------------------


def _take(barn: _Barn, said: Message, *, retained: bool, heard_s: float, wall_s: float | None) -> None:
    moment_s, exact = _moment(said, retained=retained, heard_s=heard_s, wall_s=wall_s)
    if not retained:
        barn.kept_only, barn.heard_s = False, heard_s
    _note_step(barn, said, retained=retained, moment_s=moment_s if exact else None)
    match said.what:
        case Standing(here=here, barn=name):
            barn.gone = not here
            barn.name = name or barn.name
        case Placed() as place:
            before = barn.places.get(place.name)
            last = place.level if place.level is not None else before.last_level if before else None
            if before is not None or len(barn.places) < MOST_PLACES:
                barn.places[place.name] = _Place(place, moment_s, exact, last)
        case Fitted() as kit:
            if kit.name in barn.kit or len(barn.kit) < MOST_KIT:
                barn.kit[kit.name] = kit, heard_s
        case Faulty(subjects=subjects):
            barn.faults = subjects


def _moment(said: Message, *, retained: bool, heard_s: float, wall_s: float | None) -> tuple[float, bool]:
    """When the step of a message was, on our clock, and whether that is known."""
    if not retained:
        return heard_s, True
    if said.time_s is None or not said.trusted or wall_s is None or said.time_s > wall_s + AHEAD_S:
        return heard_s, False
    return heard_s - max(0.0, wall_s - said.time_s), True


def _note_step(barn: _Barn, said: Message, *, retained: bool, moment_s: float | None) -> None:
    """A step proves life when it is another than the one before. What says `gone` proves none."""
    if said.time_s is None or (isinstance(said.what, Standing) and not said.what.here):
        return
    moved = said.time_s != barn.step_time_s
    if not retained and moved:
        barn.gone = False
    if moment_s is not None and moved and (barn.step_s is None or moment_s >= barn.step_s):
        barn.step_s = moment_s
    if not retained or barn.step_time_s is None or said.time_s > barn.step_time_s:
        barn.step_time_s = said.time_s


# --- as it is now -----------------------------------------------------------------------------------


def _now(barn: _Barn, now_s: float) -> BarnNow:
    lost = _lost(barn, now_s)
    places = sorted(
        _places(barn, lost, now_s), key=lambda p: (-p.counted, p.level is not None, p.kind != "riding", p.name)
    )
    worst = max((place.counted for place in places), default=0)
    kit = [fitted for fitted, heard_s in barn.kit.values() if now_s - heard_s <= FORGET_AFTER_S]
    return BarnNow(
        prefix=barn.prefix,
        name=barn.name or title(barn.prefix.rpartition("/")[2]) or "?",
        lost=lost,
        silent_s=None if barn.step_s is None else max(0.0, now_s - barn.step_s),
        at_least=barn.step_s is None,
        places=tuple(places),
        counted=max(worst, 2) if lost else worst if places else 1,
        troubles=0 if lost else len({fitted.name for fitted in kit if fitted.troubled} | set(barn.faults)),
        by_hand=0 if lost else sum(fitted.by_hand for fitted in kit),
        refused=barn.refused,
    )


def _lost(barn: _Barn, now_s: float) -> Lost | None:
    stepped = barn.step_s is not None and now_s - barn.step_s <= LOST_AFTER_S
    if barn.gone:
        return Lost.GONE
    if stepped:
        return None
    if barn.heard_s is not None:
        return Lost.CORE_AWAY if now_s - barn.heard_s <= LOST_AFTER_S else Lost.SILENT
    if barn.step_s is not None:
        return Lost.SILENT
    return Lost.KEPT if barn.places or barn.name else Lost.NEVER


def _places(barn: _Barn, lost: Lost | None, now_s: float) -> Iterator[PlaceNow]:
    for place in barn.places.values():
        since_s = max(0.0, now_s - place.moment_s)
        if lost is None and since_s > FORGET_AFTER_S:
            continue
        told, silent = place.told, lost is not None or since_s > LOST_AFTER_S
        known = told.level is not None and not silent
        least = 2 if lost is not None else 1
        yield PlaceNow(
            name=told.name,
            kind=told.kind,
            label=told.label,
            level=told.level if known else None,
            counted=told.level if known and told.level is not None else max(place.last_level or 0, least),
            late=known and told.late,
            sum_f_pct=told.sum_f_pct if known else None,
            temp_c=told.temp_c if known else None,
            rh_pct=told.rh_pct if known else None,
            age_s=told.age_s + since_s if known else None,
            at_least=not place.exact,
        )
