"""Who is called when, by which way, how often, what ends a message: turns with a real ledger, time as an argument."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from gateway.alarms.contacts import Contact
from gateway.engine.snapshot import Snapshot, TrialView
from gateway.model import Priority
from gateway.uplink.calls_ledger import CallsReader
from gateway.uplink.message import Message
from gateway.uplink.tries import REFUSED_S, TryAt
from gateway.uplink.verdict import Outcome, Verdict
from tests.uplink.call_scenes import (
    ANA,
    AWAY,
    DELIVERED,
    LUIS,
    REFUSED,
    WALL_S,
    Desk,
    brief,
    conserved,
    kinds,
    office,
    snapshot,
    told_once,
    view,
)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def rows(desk: Desk) -> list[tuple[str, str, str, str]]:
    """Contact, way, state and why of everything on record, oldest first."""
    found = CallsReader(desk.path).latest(10_000)
    return [(row.notice.contact, row.way, str(row.state), row.why) for row in reversed(found)]


def test_a_call_goes_by_every_way_of_the_first_contact_and_after_five_minutes_to_the_next(desk: Desk) -> None:
    desk.says(view())
    assert brief(desk.run(290)) == [("Ana", "mail", "alarm.call"), ("Ana", "mqtt", "alarm.call")]
    assert brief(desk.run(30)) == [("Luis", "mqtt", "alarm.call"), ("Luis", "webhook", "alarm.call")]
    conserved(desk, CallsReader(desk.path).counts())


def test_whoever_has_it_stops_the_escalation_and_the_end_is_told_to_whoever_was_called(desk: Desk) -> None:
    desk.says(view())
    desk.run(60)
    desk.says(view(state="acknowledged", taken_by="Ana"))
    assert desk.run(3600, every_s=5.0) == []
    desk.says(view(state="normal", returned_wall_s=WALL_S + 3700))
    assert kinds(desk.run(120)) == [("Ana", "alarm.over")]
    desk.says()
    assert desk.run(1200, every_s=5.0) == []


def test_a_flood_of_a_hundred_in_a_second_is_one_message_to_each_contact(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(ANA, Contact(name="Eva", language="es")))
    alarms = []
    for number in range(100):
        alarms.append(view(f"sensor-lost:s{number}", priority="now" if number == 40 else "soon"))
        desk.says(*alarms)
        desk.run(0.01, every_s=0.01)
    sent = desk.run(900)
    assert sorted(brief(sent)) == [
        ("Ana", "mail", "alarm.call"), ("Ana", "mqtt", "alarm.call"), ("Eva", "mail", "alarm.call"),
    ]  # fmt: skip
    ana, eva = (next(m for m, _ in sent if m.contact == name) for name in ("Ana", "Eva"))
    assert ana.subject == "100 alarms, the worst: NOW: sensor-lost:s40 is wrong."
    assert eva.subject == "100 avisos, el peor: AHORA: sensor-lost:s40 anda mal."
    assert ana.data["count"] == 100 and ana.data["alarms"][0]["alarm"] == "sensor-lost:s40"
    assert "And 92 more" in ana.text and ana.text.count("\n") < 60
    assert len({message.id for message, _ in sent}) == 2
    told_once(desk)


def test_a_now_is_tried_again_with_the_same_id_until_somebody_has_it(desk: Desk) -> None:
    """After 5, 15, 30, 60 s and then every two minutes, each way by itself."""
    desk.office = office(ANA)
    desk.verdict_of = lambda message, way: AWAY if way == "mail" else DELIVERED
    times: list[float] = []
    desk.says(view())
    for _ in range(600):
        desk.run(1)
        times += [desk.now_s] * ([way for _, way in desk.sent].count("mail") - len(times))
    mails = [message for message, way in desk.sent if way == "mail"]
    assert len({message.id for message in mails}) == 1 and len(set(map(repr, mails))) == 1, "the same bytes"
    assert [round(time_s - times[0]) for time_s in times] == [0, 5, 20, 50, 110, 230, 350, 470, 590]
    assert [way for _, way in desk.sent].count("mqtt") == 1
    desk.says(view(state="acknowledged", taken_by="Luis"))
    desk.run(5)
    (mail,) = [row for row in rows(desk) if row[1:3] == ("mail", "given-up")]
    assert mail[3] == "Luis had taken it before it could be delivered"


def test_a_lesser_call_is_given_up_after_its_tries_and_says_so(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view(priority="soon"))
    assert len(desk.run(3 * 3600, every_s=5.0)) == 5
    assert rows(desk) == [("Eva", "mail", "given-up", "given up after 5 tries: nobody answers")]


def test_what_is_over_before_it_could_be_told_is_given_up_with_the_reason_and_told_as_over(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view())
    desk.run(60)
    desk.verdict_of = lambda message, way: DELIVERED
    desk.says(view(state="normal"))
    assert kinds(desk.run(120)) == [("Eva", "alarm.over")]
    assert [row[2:] for row in rows(desk)] == [
        ("given-up", "over before it could be delivered"), ("delivered", ""),
    ]  # fmt: skip


def test_a_message_of_which_a_part_still_holds_is_sent(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view(), view("fire:barn"))
    desk.run(60)
    desk.verdict_of = lambda message, way: DELIVERED
    desk.says(view(state="normal"), view("fire:barn"))
    assert kinds(desk.run(60))[0] == ("Eva", "alarm.call")


def test_an_end_that_is_late_does_not_arrive_after_the_next_call(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.says(view())
    desk.run(60)
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view(state="normal"))
    desk.run(120)
    desk.says(view(episode=2, raised_wall_s=WALL_S + 180))
    desk.run(120)
    desk.verdict_of = lambda message, way: DELIVERED
    assert kinds(desk.run(300)) == [("Eva", "alarm.call")]
    assert ("Eva", "mail", "given-up", "raised again since") in rows(desk)


def test_a_refusal_is_tried_rarely_for_a_now_and_ends_anything_less(desk: Desk) -> None:
    desk.office = office(ANA)
    desk.verdict_of = lambda message, way: REFUSED
    desk.says(view(), view("disk-low:disk", priority="soon"))
    assert len(desk.run(REFUSED_S * 3)) == 2 * 3
    desk.says(view(state="acknowledged"), view("disk-low:disk", state="acknowledged"))
    desk.run(300)
    assert [row[3] for row in rows(desk) if row[2] == "given-up"][-1] == "wrong password", "TAKEN is no NOW"


def test_a_far_end_that_asks_for_time_gets_it_up_to_ten_minutes(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: Verdict(outcome=Outcome.AWAY, why="slow down", wait_s=1e9)
    desk.says(view())
    assert len(desk.run(1300)) == 3


def test_a_way_that_works_again_brings_all_that_waits_at_once_the_urgent_first(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    soon = view("disk-low:disk", priority="soon")
    desk.says(soon)
    desk.run(100)
    desk.says(soon, view())
    desk.run(60)
    desk.verdict_of = lambda message, way: DELIVERED
    arrived = desk.run(130)
    assert [message.data["alarms"][0]["alarm"] for message, _ in arrived] == ["bus-lost:line", "disk-low:disk"]


def test_a_trial_goes_by_every_way_once_and_its_result_is_on_record(desk: Desk) -> None:
    desk.verdict_of = lambda message, way: DELIVERED if way == "mqtt" else REFUSED
    press = TrialView(number=7, contact="Luis", by="Ana", wall_s=WALL_S + 10)
    desk.says(trials=(press,))
    sent = desk.run(700, every_s=2.0)
    assert sorted(brief(sent)) == [("Luis", "mqtt", "alarm.test"), ("Luis", "webhook", "alarm.test")]
    assert sent[0][0].subject.startswith("PRUEBA, no es un aviso")
    assert sorted(rows(desk)) == [("Luis", "mqtt", "delivered", ""), ("Luis", "webhook", "given-up", "wrong password")]
    desk.power_cut()
    assert desk.run(60) == [], "not again after a restart"
    desk.says(trials=(press, TrialView(number=8, contact="Luis", by="Ana", wall_s=WALL_S + desk.now_s)))
    assert len(desk.run(10)) == 2


def test_an_old_trial_and_one_to_a_stranger_are_not_sent(desk: Desk) -> None:
    old = TrialView(number=1, contact="Ana", by="Luis", wall_s=WALL_S - 301)
    desk.says(trials=(old, TrialView(number=2, contact="Nobody", by="Luis", wall_s=WALL_S)))
    assert desk.run(30) == []


def test_a_trial_that_does_not_get_out_is_given_up_within_minutes(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    desk.says(trials=(TrialView(number=1, contact="Eva", by="Ana", wall_s=WALL_S),))
    desk.run(700, every_s=2.0)
    assert rows(desk) == [("Eva", "mail", "given-up", "the trial is over: too late to be of use")]


# --- core away --------------------------------------------------------------------------------------


def frozen(desk: Desk) -> Snapshot:
    """Core hangs: the link stays, the snapshot does not move."""
    last = desk.core()
    assert last is not None
    desk.core = lambda: last
    return last


@pytest.mark.parametrize("is_hung", [True, False])
def test_a_core_that_does_not_answer_for_two_minutes_is_called_for_and_its_return_told(
    desk: Desk, is_hung: bool
) -> None:
    desk.run(10)
    if is_hung:
        frozen(desk)
    else:
        desk.says_nothing()
    assert desk.run(118) == []
    sent = desk.run(300)
    assert kinds(sent) == [("Ana", "alarm.call")]
    assert sent[0][0].subject == "NOW: The gateway's core does not answer. Nobody steers the fans and watches the heat."
    assert "Look at the fans" in sent[0][0].text
    later = desk.run(300)
    assert kinds(later) == [("Luis", "alarm.call")]
    assert "núcleo" in later[0][0].text
    desk.power_cut()
    assert desk.run(600) == [], "a restart of ours calls nobody twice"
    desk.says()
    assert kinds(desk.run(120)) == [("Ana", "alarm.over"), ("Luis", "alarm.over")]
    desk.says_nothing()
    assert kinds(desk.run(140)) == [("Ana", "alarm.call")], "the next time is another one"
    told_once(desk)


def test_nothing_new_is_planned_from_a_stale_snapshot_but_what_was_begun_goes_on(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view())
    desk.run(30)
    last = frozen(desk)
    desk.run(60)
    desk.core = lambda: dataclasses.replace(last, alarms=(view(), view("fire:barn")))  # not one step further
    before = len(desk.sent)
    desk.run(55)
    assert {message.id for message, _ in desk.sent[before:]} == {desk.sent[0][0].id}


def test_after_a_restart_nothing_is_sent_before_core_has_spoken_or_is_plainly_away(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view())
    desk.run(30)
    desk.verdict_of = lambda message, way: DELIVERED
    desk.power_cut()
    desk.says_nothing()
    assert desk.run(60) == []
    desk.says(view(state="normal"))
    assert kinds(desk.run(90)) == [("Eva", "alarm.over")]
    desk.power_cut()
    assert desk.run(90) == []


def test_what_ended_long_ago_while_nobody_watched_is_told_only_to_whoever_was_called(desk: Desk) -> None:
    desk.says(view())
    desk.run(60)
    desk.power_cut()
    desk.says(view("supply-low:mains", state="normal"))  # neither was told of that, nor is there the first any more
    sent = desk.run(700, every_s=2.0)
    assert kinds(sent) == [("Ana", "alarm.over")]
    assert sent[0][0].subject == "OVER: Line line: nothing on it answers."


def test_a_core_that_has_lost_its_journal_is_believed_anew(tmp_path: Path) -> None:
    """It counts episodes from 1 again: the same number is not the same alarm."""
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.says(view())
    desk.run(60)
    desk.says(view(state="normal"))
    desk.run(120)
    desk.says(view(raised_wall_s=WALL_S + 5000.0))
    assert kinds(desk.run(60)) == [("Eva", "alarm.call")]
    assert len({message.id for message, _ in desk.sent}) == 3


def test_an_escalation_goes_on_where_it_was_after_a_restart(desk: Desk) -> None:
    desk.says(view(called_wall_s=WALL_S))
    desk.run(200)
    desk.power_cut()
    sent = desk.run(115)
    assert kinds(sent) == [("Luis", "alarm.call")], "five minutes after the call, not after the restart"


def test_a_clock_that_was_not_set_makes_nobody_late(desk: Desk) -> None:
    """The call says 1970: on the first sight it is as old as this run of core at most."""
    old = view(called_wall_s=3.0, raised_wall_s=3.0)
    desk.core = lambda: snapshot(desk.now_s, old, mono_s=desk.now_s)
    assert kinds(desk.run(100)) == [("Ana", "alarm.call")]


def test_a_contact_that_is_no_longer_in_the_site_file_is_settled(desk: Desk) -> None:
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view())
    desk.run(60)
    desk.office = office(LUIS)
    desk.power_cut()
    desk.run(10)
    given_up = [row for row in rows(desk) if row[0] == "Ana"]
    assert {row[2:] for row in given_up} == {("given-up", "this contact or this way is no longer in the site file")}


def test_a_message_says_since_when_what_to_do_who_has_it_and_where_to_look(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(ANA, page="https://barn.example:8460/bell"))
    desk.says(view(raised_wall_s=WALL_S - 3600, calls=2))
    (first, *_) = desk.run(60)
    text = first[0].text
    # 2026-05-28 20:26:40 UTC is 1 780 000 000 (GNU date)
    said = ["NOW: bus-lost:line is wrong.", "Do: Go there.", "Since 19:26.", "Nobody has it yet.", "Called 2 times."]
    said += ["Bell list: https://barn.example:8460/bell", '"I have it"', "Look at the horses yourself"]
    assert [words for words in said if words not in text] == []
    desk.says(view(raised_wall_s=WALL_S - 3600, state="acknowledged", taken_by="Luis", calls=2))
    taken = desk.run(90)[0][0]
    assert taken.kind == "alarm.taken" and "Luis has it." in taken.text and "Do:" not in taken.text


def test_an_emulated_barn_and_a_clock_that_is_not_set_are_said(desk: Desk) -> None:
    def core() -> Snapshot:
        return dataclasses.replace(snapshot(desk.now_s, view()), emulated=True, clock_trusted=False)

    desk.core = core
    message: Message = desk.run(30)[0][0]
    assert message.subject.startswith("EMULATED BARN, no horse: NOW")
    assert "Since" not in message.text and "clock is not set" in message.text
    assert message.data["emulated"] is True and message.data["alarms"][0]["since"] is None


def test_no_minute_while_the_clock_is_not_set_means_everybody_is_there(tmp_path: Path) -> None:
    night = Contact(name="Eva", hours=((1320, 360),))
    desk = Desk(tmp_path, office(ANA, night))
    desk.says(view(priority="soon"))
    assert {who for who, _ in kinds(desk.run(70, minute=None))} == {"Ana", "Eva"}


def test_counts_hold_whatever_happens(desk: Desk) -> None:
    desk.verdict_of = lambda message, way: AWAY if way == "mail" else DELIVERED
    desk.says(view(), view("disk-low:disk", priority="soon"))
    desk.run(600)
    counts = CallsReader(desk.path).counts()
    conserved(desk, counts)
    assert counts[TryAt.PENDING] > 0 and counts[TryAt.DELIVERED] > 0


def test_what_others_get_does_not_use_up_the_tries_of_a_lesser_message(tmp_path: Path) -> None:
    """Five tries end after 0 + 5 + 300 + 1800 + 7200 s, not earlier because the way worked for somebody else."""
    desk = Desk(tmp_path, office(Contact(name="Eva"), Contact(name="Ida")))
    desk.verdict_of = lambda message, way: AWAY if message.contact == "Eva" else DELIVERED
    desk.says(view(priority="soon"))
    desk.run(70)
    for number in range(8):
        desk.says(view(priority="soon"), view(f"fire:{number}"))
        desk.run(150)
    tries = [message for message, _ in desk.sent if message.contact == "Eva" and message.priority is Priority.SOON]
    assert len(tries) > 5 and len({message.id for message in tries}) == 1
    assert ("Eva", "mail", "given-up", "given up after 5 tries: nobody answers") not in rows(desk)
    desk.verdict_of = lambda message, way: DELIVERED
    assert tries[0].id in {message.id for message, _ in desk.run(9305, every_s=5.0)}


def test_a_lesser_message_ends_with_its_patience(tmp_path: Path) -> None:
    desk = Desk(tmp_path, office(Contact(name="Eva")))
    desk.verdict_of = lambda message, way: AWAY
    desk.says(view(priority="soon"))
    desk.run(3 * 3600, every_s=5.0)
    assert desk.state.tries == {}
