"""Who is there and who is lost, from messages in every order, with every age, and from hostile ones."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.heard import LONGEST_TOPIC as MOST_TOPIC
from dashboards.heard import MOST_BYTES, Placed, understood
from dashboards.roster import FORGET_AFTER_S, LOST_AFTER_S, MOST_BARNS, MOST_KIT, MOST_PLACES, BarnNow, Lost, Roster
from gateway.engine.snapshot import Snapshot
from gateway.uplink.states import CALM_S
from tests.dashboards.conftest import AFTERNOON_S, Barns
from tests.dashboards.site_wall import state, told

NORTH = "loosebox/north"


class Org:
    """A roster and what a test says to it."""

    def __init__(self, *expected: str) -> None:
        self.roster = Roster(is_ours=lambda prefix: prefix.startswith("loosebox/"), expected=expected)

    def hear(self, topic: str, payload: bytes, at_s: float = 0.0, **how: Any) -> None:
        given_: dict[str, Any] = {"retained": False, "wall_s": AFTERNOON_S, "heard_s": at_s}
        self.roster.hear(topic, payload, **(given_ | how))

    def tell(
        self, snapshot: Snapshot, at_s: float = 0.0, *, prefix: str = NORTH, moved: bool = True, **how: Any
    ) -> None:
        """All that a gateway publishes; its own time moves on with ours."""
        if moved:
            snapshot = dataclasses.replace(snapshot, wall_s=AFTERNOON_S + at_s)
        for topic, payload in told(prefix, snapshot):
            self.hear(topic, payload, at_s, **how)

    def one(self, now_s: float) -> BarnNow:
        [barn] = self.roster.barns(now_s)
        return barn


def test_a_barn_is_shown_by_its_worst_place_with_the_age_of_its_reading() -> None:
    org = Org()
    org.tell(Barns.risky())
    barn = org.one(4.0)
    assert (barn.name, barn.lost, barn.level, barn.places[0].name) == ("Cedar Bend", None, 2, "arena")
    assert [place.level for place in barn.places] == [2, 2, 1, 1]
    assert barn.places[0].age_s == pytest.approx(3.0 + 4.0)  # 3 s at the step, 4 s since
    assert not barn.places[0].at_least


def test_a_gateway_that_repeats_its_states_is_never_lost_and_one_that_falls_silent_is_within_thirty_seconds() -> None:
    org = Org()
    for n in range(9):
        org.tell(Barns.risky(), n * CALM_S)
        assert org.one(n * CALM_S + CALM_S - 0.1).lost is None
    last_s = 8 * CALM_S
    assert org.one(last_s + LOST_AFTER_S).lost is None
    lost = org.one(last_s + LOST_AFTER_S + 0.1)
    assert lost.lost is Lost.SILENT
    assert LOST_AFTER_S > CALM_S + 5 and LOST_AFTER_S + 2 < 30  # a beat of the board is 1 s


def test_a_lost_gateway_has_no_numbers_and_the_last_will_takes_them_at_once() -> None:
    org = Org()
    org.tell(Barns.dangerous())
    org.hear(*state(NORTH, "Cedar Bend", here=False), 1.0)
    barn = org.one(1.0)
    assert barn.lost is Lost.GONE and barn.level is None
    assert (barn.troubles, barn.by_hand) == (0, 0)
    for place in barn.places:
        assert place.level is place.sum_f_pct is place.temp_c is place.rh_pct is place.age_s is None
    assert barn.counted == 3  # its last known level
    org.tell(Barns.dangerous(), 20.0)
    assert org.one(20.0).level == 3


def test_a_core_that_hangs_is_lost_although_its_uplink_speaks_on() -> None:
    org = Org()
    org.tell(Barns.risky(), 0.0)
    for at_s in (15.0, 30.0, 45.0):
        org.tell(Barns.risky(), at_s, moved=False)  # one and the same step again and again
    assert org.one(46.0).lost is Lost.CORE_AWAY
    for at_s in (60.0, 75.0, 90.0):
        org.hear(*state(NORTH, "", time_s=None), at_s)
    assert org.one(91.0).lost is Lost.CORE_AWAY


def test_what_the_broker_kept_is_believed_only_by_trusted_clocks() -> None:
    sure, unsure = Org(), Org()
    sure.tell(Barns.risky(), 100.0, moved=False, retained=True, wall_s=AFTERNOON_S + 8)
    barn = sure.one(101.0)
    assert barn.lost is None
    assert barn.places[0].age_s == pytest.approx(3 + 8 + 1)
    assert sure.one(118.0).lost is Lost.SILENT  # 8 s old when it came, 18 s since
    unsure.tell(Barns.risky(), 100.0, moved=False, retained=True, wall_s=None)
    assert unsure.one(101.0).lost is Lost.KEPT
    assert unsure.one(101.0).at_least
    unsure.tell(Barns.risky(), 103.0, retained=False)
    assert unsure.one(103.0).level == 2


@pytest.mark.parametrize(("ahead_s", "lost"), [(4.0, None), (60.0, Lost.KEPT)])
def test_a_clock_ahead_of_ours_proves_nothing(ahead_s: float, lost: Lost | None) -> None:
    org = Org()
    org.tell(Barns.risky(), 0.0, moved=False, retained=True, wall_s=AFTERNOON_S - ahead_s)
    assert org.one(0.0).lost is lost


def test_one_who_must_be_there_and_was_never_heard_is_lost() -> None:
    org = Org("loosebox/far")
    barn = org.one(0.0)
    assert (barn.name, barn.lost, barn.counted) == ("far", Lost.NEVER, 2)


def test_worst_first_and_the_unknown_never_among_the_fine() -> None:
    org = Org("loosebox/never")
    for prefix, snapshot in (("a", Barns.barn()), ("b", Barns.blind()), ("c", Barns.risky()), ("d", Barns.dangerous()),
                             ("e", Barns.disobeyed()), ("f", Barns.barn())):  # fmt: skip
        org.tell(dataclasses.replace(snapshot, barn=prefix), prefix=f"loosebox/{prefix}")
    org.hear(*state("loosebox/f", "f", here=False))
    barns = org.roster.barns(1.0)
    assert [barn.name for barn in barns] == ["d", "f", "never", "c", "b", "e", "a"]
    assert [barn.level for barn in barns] == [3, None, None, 2, None, 1, 0]
    assert [barn.troubles for barn in barns if barn.name == "e"] == [1]


def test_a_place_that_left_the_site_file_leaves_the_board_and_a_cleared_topic_too() -> None:
    org = Org()
    org.tell(Barns.risky())
    fewer = dataclasses.replace(Barns.risky(), places=Barns.risky().places[:2])
    for at_s in (15.0, 30.0, 45.0, 60.0, 75.0):
        org.tell(fewer, at_s)
    at_30 = {place.name: place.level for place in org.one(61.0).places}
    assert set(at_30) == {"stalls", "arena"}
    org.hear(f"{NORTH}/places/arena", b"", 76.0)
    assert [place.name for place in org.one(76.0).places] == ["stalls"]
    assert FORGET_AFTER_S > LOST_AFTER_S


def test_a_barn_that_only_the_broker_remembers_goes_when_its_state_is_cleared() -> None:
    org = Org("loosebox/far")
    org.hear(*state(NORTH, "Old", here=False), retained=True)
    assert len(org.roster.barns(0.0)) == 2
    org.hear(f"{NORTH}/state", b"", 1.0)
    org.hear("loosebox/far/state", b"", 1.0)
    assert [barn.name for barn in org.roster.barns(1.0)] == ["far"]


def test_foreign_prefixes_and_topics_are_not_heard() -> None:
    org = Org()
    for topic in ("other/north/state", "loosebox/north", "loosebox/north/readings/stalls/air", "state", "/state",
                  "loosebox/north/places/Bad Name", "loosebox/north/places/a/b"):  # fmt: skip
        org.hear(topic, state(NORTH, "x")[1])
    assert org.roster.barns(0.0) == ()


PLACE = {
    "kind": "riding", "label": {"en": "Arena"}, "freshness": "fresh", "level": 1, "sum_f_pct": 140.0, "temp_c": 30.0,
    "rh_pct": 54.0, "age_s": 3.0, "time": AFTERNOON_S, "time_trusted": True,
}  # fmt: skip


def place_of(**changed: Any) -> Placed | None:
    message = understood(f"{NORTH}/places/arena", json.dumps(PLACE | changed).encode())
    return message.what if message is not None and isinstance(message.what, Placed) else None  # type: ignore[union-attr]


def test_a_good_place_is_understood() -> None:
    place = place_of()
    assert place is not None and (place.level, place.sum_f_pct, place.label) == (
        1,
        140.0,
        {"en": "Arena", "es": "arena"},
    )


@pytest.mark.parametrize(
    "changed",
    [
        {"level": True}, {"level": 4}, {"level": -1}, {"level": "0"}, {"level": 0.0}, {"level": None}, {"level": [0]},
        {"freshness": "lost"}, {"freshness": "golden"}, {"freshness": None}, {"sum_f_pct": None}, {"sum_f_pct": "12"},
        {"sum_f_pct": 1e9}, {"temp_c": True}, {"rh_pct": -3}, {"age_s": None}, {"age_s": -1}, {"temp_c": 10**400},
    ],
)  # fmt: skip
def test_a_place_that_cannot_be_believed_has_no_level_and_no_number(changed: dict[str, Any]) -> None:
    place = place_of(**changed)
    assert place is not None
    assert place.level is place.sum_f_pct is place.temp_c is place.rh_pct is None


@pytest.mark.parametrize(
    "payload",
    [
        b"{", b"[]", b"7", b'"here"', b"\xff\xfe", b"[" * 9000, b'{"kind": "riding", "sum_f_pct": NaN}',
        b'{"kind": "riding", "sum_f_pct": Infinity}', b'{"kind": "castle"}', b'{"a":' * 5000, b"1" * 9000,
        b"{" + b" " * MOST_BYTES + b"}",
    ],
)  # fmt: skip
def test_what_is_no_message_is_counted_and_changes_nothing(payload: bytes) -> None:
    org = Org()
    org.hear(f"{NORTH}/places/arena", payload)
    assert org.roster.barns(0.0) == ()  # nor does it make a barn
    org.tell(Barns.barn(Barns.place("arena", 33.3, 59.0, 2)))
    org.hear(f"{NORTH}/places/arena", payload, 1.0)
    assert (org.one(1.0).level, org.one(1.0).refused) == (2, 1)


def test_thousands_of_places_kit_and_barns_have_a_bound() -> None:
    org = Org()
    org.tell(Barns.barn())
    for n in range(2 * MOST_PLACES):
        org.hear(f"{NORTH}/places/p{n}", json.dumps(PLACE).encode())
    for n in range(2 * MOST_KIT):
        org.hear(f"{NORTH}/kit/k{n}", json.dumps(PLACE | {"trouble": "x" * 9000, "hand": 7}).encode())
    barn = org.one(1.0)
    assert len(barn.places) == MOST_PLACES and barn.troubles <= MOST_KIT
    for n in range(MOST_BARNS + 10):
        org.hear(*state(f"loosebox/b{n}", "x" * 9000))
    barns = org.roster.barns(1.0)
    assert len(barns) == MOST_BARNS and org.roster.turned_away == 11
    assert max(len(each.name) for each in barns) <= 40


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
KEYS = (*PLACE, "state", "barn", "trouble", "hand", "faults")
TOPICS = ("state", "faults", "places/arena", "places/stalls", "kit/fan")
HOSTILE = st.tuples(
    st.sampled_from(TOPICS),
    st.binary(max_size=40) | st.fixed_dictionaries({}, optional=dict.fromkeys(KEYS, JSON)).map(
        lambda said: json.dumps({**PLACE, **said}).encode()
    ),
    st.booleans(),
    st.floats(0, 100),
)  # fmt: skip


@given(st.lists(HOSTILE, max_size=25), st.floats(100, 300))
def test_whatever_is_heard_every_number_is_finite_and_unknown_is_never_fine(
    messages: list[tuple[str, bytes, bool, float]], now_s: float
) -> None:
    org = Org("loosebox/far")
    for tail, payload, retained, at_s in messages:
        org.hear(f"{NORTH}/{tail}", payload, at_s, retained=retained)
    barns = org.roster.barns(now_s)
    assert [barn.counted for barn in barns] == sorted((barn.counted for barn in barns), reverse=True)
    for barn in barns:
        assert barn.name and (barn.level is not None or barn.counted >= 1)
        assert barn.lost is None or (barn.level is None and barn.counted >= 2)
        for place in barn.places:
            numbers = (place.sum_f_pct, place.temp_c, place.rh_pct, place.age_s)
            assert all((number is None) is (place.level is None) for number in numbers)
            assert all(number is None or math.isfinite(number) for number in numbers)
            assert place.age_s is None or place.age_s >= 0
            assert place.level is not None or place.counted >= 1


@given(st.lists(st.floats(0.1, 60.0), min_size=1, max_size=20), st.floats(0, 200))
def test_lost_is_exactly_silence_longer_than_its_limit(gaps_s: list[float], after_s: float) -> None:
    org, at_s = Org(), 0.0
    for gap_s in gaps_s:
        at_s += gap_s
        org.hear(*state(NORTH, "Cedar Bend", time_s=AFTERNOON_S + at_s), at_s)
    assert (org.one(at_s + after_s).lost is not None) is (at_s + after_s - at_s > LOST_AFTER_S)


def test_a_name_made_of_a_topic_is_one_short_line_and_a_topic_without_end_is_not_heard() -> None:
    org = Org()
    said = b'{"state": "here", "barn": ""}'
    org.hear("loosebox/" + "a\u202e" * 60 + "/state", said)
    assert org.one(0.0).name.split() == ["a"] * 20, "40 letters, of which none turns the page around"
    org.hear("loosebox/" + "b" * MOST_TOPIC + "/state", said)
    assert org.one(0.0).name.startswith("a")
