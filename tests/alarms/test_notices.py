"""Who is told what and when: order, hours, escalation, floods, never twice, the same id after a restart."""

from __future__ import annotations

import dataclasses
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarms.book import AlarmAt
from gateway.alarms.contacts import Contact, called_after_s, is_there
from gateway.alarms.notices import (
    Calling,
    Item,
    News,
    Notice,
    NoticeState,
    plan,
    retry_after_s,
    told_by,
    trial,
)
from gateway.model import Priority

NOW, SOON, WHEN = Priority.NOW, Priority.SOON, Priority.WHEN_YOU_CAN
ANA, LUIS = Contact(name="Ana", order=1), Contact(name="Luis", order=2, language="es")


def alarm(key: str = "fire:barn", at: AlarmAt = AlarmAt.UNACKNOWLEDGED, **changes: object) -> Calling:
    standing = at not in (AlarmAt.NORMAL, AlarmAt.RETURNED)
    given = Calling(
        alarm=key, at=at, standing=standing, episode=1, calls=1, priority=NOW, calling_s=0.0,
        taken_by="Luis" if at is AlarmAt.ACKNOWLEDGED else "",
    )  # fmt: skip
    return dataclasses.replace(given, **changes)  # type: ignore[arg-type]


class Post:
    """The planner stepped through time."""

    def __init__(self, *contacts: Contact) -> None:
        self.contacts, self.now_s, self.state = contacts, 0.0, NoticeState()
        self.sent: list[tuple[float, Notice]] = []

    def run(self, *alarms: Calling, for_s: float, minute: int | None = 720, every_s: float = 1.0) -> list[Notice]:
        """The same alarms for a while; those that call do so for longer and longer."""
        before = len(self.sent)
        start_s = self.now_s
        for _ in range(round(for_s / every_s)):
            self.now_s += every_s
            aged = [dataclasses.replace(a, calling_s=a.calling_s + self.now_s - start_s) for a in alarms]
            self.state, notices = plan(self.state, aged, self.contacts, now_s=self.now_s, minute=minute)
            self.sent += [(self.now_s, notice) for notice in notices]
        return [notice for _, notice in self.sent[before:]]


def news(notices: list[Notice]) -> list[tuple[str, list[str]]]:
    return [(notice.contact, [str(item.news) for item in notice.items]) for notice in notices]


def test_a_now_is_told_after_five_seconds_and_goes_on_to_the_next_after_five_minutes() -> None:
    post = Post(ANA, LUIS)
    assert news(post.run(alarm(), for_s=299)) == [("Ana", ["call"])]
    assert post.sent[0][0] <= 6.0
    assert news(post.run(alarm(calling_s=299.0), for_s=10)) == [("Luis", ["call"])]


def test_somebody_has_it_stops_the_escalation_and_the_end_is_told_to_all_who_were_called() -> None:
    post = Post(ANA, LUIS)
    post.run(alarm(), for_s=20)
    taken = alarm(at=AlarmAt.ACKNOWLEDGED, taken_by="Ana")
    assert post.run(taken, for_s=3600) == []
    assert news(post.run(alarm(at=AlarmAt.NORMAL), for_s=120)) == [("Ana", ["over"])]


def test_whoever_was_called_hears_that_another_has_taken_it() -> None:
    post = Post(ANA, LUIS)
    post.run(alarm(), for_s=400)
    taken = alarm(at=AlarmAt.ACKNOWLEDGED, taken_by="Luis")
    assert news(post.run(taken, for_s=600)) == [("Ana", ["taken"])]


def test_a_new_call_of_the_same_episode_is_told_again() -> None:
    post = Post(ANA)
    post.run(alarm(), for_s=20)
    post.run(alarm(at=AlarmAt.ACKNOWLEDGED, taken_by="Ana"), for_s=900)
    assert news(post.run(alarm(calls=2), for_s=20)) == [("Ana", ["call"])]


def test_what_calls_again_goes_to_the_first_and_on_to_the_next_whoever_took_it_before() -> None:
    post = Post(ANA, LUIS)
    post.run(alarm(), for_s=400)
    post.run(alarm(at=AlarmAt.ACKNOWLEDGED, taken_by="Luis"), for_s=3 * 3600, every_s=10.0)
    assert news(post.run(alarm(calls=2, taken_by="Luis"), for_s=299)) == [("Ana", ["call"])]
    assert news(post.run(alarm(calls=2, taken_by="Luis", calling_s=299.0), for_s=10)) == [("Luis", ["call"])]


def test_a_flood_of_a_hundred_in_a_second_is_one_message_for_each_contact() -> None:
    post = Post(ANA, Contact(name="Eva", order=1))
    flood: list[Calling] = []
    for number in range(100):
        flood.append(alarm(f"sensor-lost:s{number}", priority=NOW if number == 40 else SOON))
        post.run(*flood, for_s=0.01, every_s=0.01)
    assert post.sent == []
    notices = post.run(*flood, for_s=900)
    assert [(notice.contact, len(notice.items)) for notice in notices] == [("Ana", 100), ("Eva", 100)]
    assert all(notice.items[0].alarm == "sensor-lost:s40" for notice in notices), "the worst comes first"
    assert len({notice.id for notice in notices}) == 2


def test_one_new_alarm_a_minute_for_a_day_is_gathered_more_and_more() -> None:
    """More than six messages within an hour: then one in ten minutes."""
    post = Post(ANA)
    standing: list[Calling] = []
    for minute in range(24 * 60):
        standing.append(alarm(f"sensor-lost:s{minute}", priority=SOON))
        post.run(*standing, for_s=60, every_s=30.0)
    per_hour = Counter(int(at_s // 3600) for at_s, _ in post.sent)
    assert max(per_hour.values()) <= 12
    assert sum(len(notice.items) for _, notice in post.sent) >= 24 * 60 - 10, "nothing is forgotten"


def test_a_now_does_not_wait_for_the_quiet_after_a_lesser_message() -> None:
    post = Post(ANA)
    lesser = alarm("bus-lost:line", priority=SOON)
    post.run(lesser, for_s=61)
    begun_s = post.now_s
    post.run(lesser, alarm(), for_s=60)
    assert post.sent[-1][0] - begun_s <= 30.0


def test_when_you_can_is_kept_for_whoever_wants_it_and_rides_along_or_waits_for_hours() -> None:
    post = Post(ANA, Contact(name="Eva", least=WHEN))
    small = alarm("clock-unset:gateway", priority=WHEN)
    assert post.run(small, for_s=4 * 3600 - 60, every_s=30.0) == []
    assert news(post.run(small, for_s=300, every_s=30.0)) == [("Eva", ["call"])]
    other = alarm("disk-low:disk", priority=WHEN)
    assert news(post.run(small, other, alarm(), for_s=60)) == [("Ana", ["call"]), ("Eva", ["call", "call"])]


@pytest.mark.parametrize("quiet", [AlarmAt.SHELVED, AlarmAt.SUPPRESSED, AlarmAt.OUT_OF_SERVICE])
def test_what_is_quiet_calls_nobody_but_its_end_is_told(quiet: AlarmAt) -> None:
    post = Post(ANA)
    assert post.run(alarm(at=quiet), for_s=3600, every_s=10.0) == []
    post.run(alarm(), for_s=20)
    assert post.run(alarm(at=quiet), for_s=3600, every_s=10.0) == []
    assert news(post.run(alarm(at=quiet, standing=False), for_s=120)) == [("Ana", ["over"])]


# --- hours ------------------------------------------------------------------------------------------

DAY = Contact(name="Day", order=1, hours=((6 * 60, 22 * 60),))
NIGHT = Contact(name="Night", order=2, hours=((22 * 60, 6 * 60),))


@pytest.mark.parametrize(
    ("minute", "priority", "first"),
    [
        (12 * 60, NOW, {"Day": 0.0}),
        (23 * 60, NOW, {"Night": 0.0}),
        (5 * 60 + 59, NOW, {"Night": 0.0}),
        (None, NOW, {"Day": 0.0, "Night": 300.0}),
    ],
)
def test_whose_hour_it_is_is_called_first(minute: int | None, priority: Priority, first: dict[str, float]) -> None:
    assert called_after_s((DAY, NIGHT), priority, minute, {NOW: 300.0}) == first


def test_in_nobodys_hours_a_now_goes_to_everybody_and_the_rest_waits() -> None:
    assert called_after_s((DAY,), NOW, 3 * 60, {NOW: 300.0}) == {"Day": 0.0}
    assert called_after_s((DAY,), SOON, 3 * 60, {NOW: 300.0}) == {}
    post = Post(DAY)
    night = alarm(priority=SOON)
    assert post.run(night, for_s=600, minute=3 * 60) == []
    assert news(post.run(night, for_s=120, minute=6 * 60)) == [("Day", ["call"])]


def test_without_an_escalation_only_the_first_order_is_called() -> None:
    assert called_after_s((ANA, dataclasses.replace(LUIS, least=WHEN)), WHEN, 720, {NOW: 300.0}) == {"Luis": 0.0}
    assert called_after_s((ANA, LUIS), SOON, 720, {}) == {"Ana": 0.0}


def test_hours_over_midnight() -> None:
    assert [is_there(NIGHT, minute) for minute in (21 * 60 + 59, 22 * 60, 0, 359, 360)] == [
        False,
        True,
        True,
        True,
        False,
    ]


# --- never twice, the same id -----------------------------------------------------------------------

KEYS = ("fire:barn", "bus-lost:line", "sensor-lost:air")
CHANGES = st.lists(
    st.tuples(
        st.sampled_from(KEYS), st.sampled_from(AlarmAt), st.integers(0, 2), st.sampled_from((1.0, 7.0, 61.0, 400.0))
    ),
    max_size=40,
)


@settings(max_examples=150, deadline=None)
@given(CHANGES, st.integers(0, 40))
def test_no_news_is_told_twice_to_a_contact_even_over_a_restart(
    changes: list[tuple[str, AlarmAt, int, float]], cut: int
) -> None:
    post = Post(ANA, LUIS)
    alarms: dict[str, Calling] = {}
    for number, (key, at, more, seconds) in enumerate(changes):
        last = alarms.get(key, alarm(key, AlarmAt.NORMAL))
        calls = last.calls + 1 if at is AlarmAt.UNACKNOWLEDGED and more == 1 else last.calls
        episode = last.episode + 1 if at is AlarmAt.UNACKNOWLEDGED and more == 2 else last.episode
        alarms[key] = alarm(key, at, calls=calls, episode=episode)
        post.run(*alarms.values(), for_s=seconds, every_s=seconds)
        if number == cut:  # only the messages on record are left
            post.state = told_by(notice for _, notice in post.sent)
    told = Counter((notice.contact, item) for _, notice in post.sent for item in notice.items)
    assert all(count == 1 for count in told.values())
    over = [(n.contact, i.alarm, i.episode) for _, n in post.sent for i in n.items if i.news is News.OVER]
    called = {(n.contact, i.alarm, i.episode) for _, n in post.sent for i in n.items if i.news is News.CALL}
    assert set(over) <= called, "an end is told only to whoever was called"


def test_the_same_news_makes_the_same_id_after_a_restart() -> None:
    first, second = Post(ANA), Post(ANA)
    assert [n.id for n in first.run(alarm(), for_s=20)] == [n.id for n in second.run(alarm(), for_s=20)]
    assert first.sent[0][1].id != second.run(alarm(calls=2), for_s=60)[0].id


def test_retries_go_on_for_ever_for_a_now_and_end_for_the_rest() -> None:
    """Growing waits, the first at once; common practice of signed webhooks, shortened for a NOW."""
    now = [retry_after_s(attempt, NOW) for attempt in range(20)]
    assert now[:6] == [0.0, 5.0, 15.0, 30.0, 60.0, 120.0] and now[-1] == 120.0
    rest = [retry_after_s(attempt, SOON) for attempt in range(6)]
    assert rest[0] == 0.0 and rest[-1] is None


def test_the_test_button_makes_a_message_that_says_so() -> None:
    notice = trial("Ana", 7)
    assert notice.items == (Item(alarm="test", episode=7, calls=1, news=News.TEST, priority=NOW),)
    assert notice.id != trial("Ana", 8).id != trial("Luis", 8).id
