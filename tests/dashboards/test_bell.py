"""Owns: checks of the bell list, of what a person does there, and of alarms on the wall and the yard sheet.

Must not know: how core decides, how a message travels.
How it works: made-up alarms with the core's own texts (`made_bells.py`); a real server, a real client that keeps
cookies as browsers do, a real browser for what moves and for what must be seen.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from playwright.sync_api import Page, expect

from dashboards.alarm_text import shortened
from dashboards.bell_view import bell_of
from dashboards.messages import worst_message
from dashboards.words import load_words
from gateway.alarms.rules import BY_CODE, RULES
from gateway.engine.alarm_views import WORDS
from gateway.engine.snapshot import AlarmView, Snapshot
from gateway.errors import LinkError
from tests.dashboards.made_bells import (
    BELLS,
    CONTACTS,
    FANS,
    LINE,
    STOP,
    MadeCalls,
    barn,
    every_state,
    explained,
    flood,
    over,
    ring,
    shelved,
    taken,
    trials,
)
from tests.dashboards.pages import WORDS as PASSPHRASE
from tests.dashboards.pages import people_file

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]
Look = Callable[..., Page]
PHONE = (390, 844)
EN, ES = load_words()["en"], load_words()["es"]
KEY = f"{STOP.episode} {STOP.alarm}"


def text_of(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html.split("<main>")[1].split("<footer")[0]).split())


@pytest.fixture
def asks() -> Iterator[Callable[..., httpx.Client]]:
    """A client of a wall, signed in as somebody."""
    made: list[httpx.Client] = []

    def sign_in(wall: Wall, name: str = "") -> httpx.Client:
        client = httpx.Client(base_url=wall.url, trust_env=False, timeout=20, headers={"Origin": wall.url})
        made.append(client)
        if name:
            assert client.post("/sign-in", data={"name": name, "passphrase": PASSPHRASE}).status_code == 303
        return client

    yield sign_in
    for client in made:
        client.close()


def open_wall(hang_wall: Hang, snapshot: Snapshot, **how: Any) -> Wall:
    return hang_wall(snapshot, **{"people": people_file(), "contacts": CONTACTS, "calls": MadeCalls(), **how})


def token_of(client: httpx.Client) -> str:
    return client.get("/bell").text.split('name="form" value="')[1].split('"')[0]


# --- what the list says -------------------------------------------------------------------------------


def test_groups_stand_by_priority_and_in_each_the_horses_before_the_kit() -> None:
    bell = bell_of(flood(), EN)
    assert [(group.word, [ring.gate is not None for ring in group.rings]) for group in bell.groups] == [
        ("NOW", [True, True, True, False]),
        ("SOON", [True, False, False, False]),
        ("WHEN YOU CAN", [False, False, False, False]),
    ]
    assert bell.said == "11 need somebody. 1 is taken."
    assert [group.word for group in bell_of(flood(), ES).groups] == ["AHORA", "PRONTO", "CUANDO PUEDA"]


def test_a_row_says_what_since_when_what_to_do_and_who_has_it() -> None:
    row = bell_of(barn(taken(STOP)), EN).groups[0].rings[0]
    assert row.say == "Stalls: level 3, too hot for a horse."
    assert row.do == "Stop all work. Water on the horses. See that every fan runs."
    assert (row.since, row.has) == ("since 1:52 pm, 20 min", "Luis has it 2:07 pm")  # 20 and 5 min before 2:12 pm
    assert bell_of(barn(taken(STOP)), ES).groups[0].rings[0].has == "Lo atiende Luis 14:07"


def test_each_state_has_its_place_its_reason_and_its_end() -> None:
    bell = bell_of(every_state(), EN)
    assert [ring.say for ring in bell.over] == ["Stalls: stall fans is told to run and does not."]
    assert bell.over[0].since == "over since 2:08 pm"
    assert [ring.note for ring in bell.quiet] == ["quiet till 2:20 pm · Ana: The vet is here"]
    assert [ring.note for ring in bell.out] == ["out of service · Luis: waits for a part"]
    line = bell.groups[1].rings[0]
    assert (line.because, len(line.others)) == ("2 more because of this", 2)
    assert [ring.note for ring in bell.explained] == ["because of: sensor-lost:gone"]


def test_what_is_explained_by_something_explained_stands_beside_the_root() -> None:
    middle = explained(ring("relay-lost", "block"), LINE.alarm)
    bell = bell_of(barn(LINE, middle, explained(ring("kit-unreachable", "rack-fan"), middle.alarm)), EN)
    assert bell.groups[0].rings[0].because == "2 more because of this"
    round_about = (explained(LINE, "relay-lost:block"), explained(middle, LINE.alarm))
    assert len(bell_of(barn(*round_about), EN).explained) == 2  # a circle loses nothing


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ("quiet barn", "Nothing for a day or longer. Newest line of the record: Sat 2:12 pm."),
        ("last one", "Last: Stalls: level 3, too hot for a horse. Over since 2:08 pm."),
        ("never rung", "Nothing has ever rung here."),
    ],
)
def test_an_empty_list_says_so_and_when_the_last_was(hang_wall: Hang, state: str, said: str) -> None:
    page = httpx.get(open_wall(hang_wall, BELLS[state]()).url + "/bell?lang=en", trust_env=False).text
    assert "Nobody is needed." in text_of(page) and said in text_of(page)
    assert "read 3 s ago" in page


def test_without_a_trusted_clock_no_time_is_written() -> None:
    untimed = dataclasses.replace(every_state(), clock_trusted=False)
    bell = bell_of(untimed, EN)
    rings = [*(each for group in bell.groups for each in group.rings), *bell.over, *bell.quiet]
    assert not re.search(r"\d:\d\d", " ".join(f"{each.since} {each.note} {each.has}" for each in rings))


# --- who may do what ----------------------------------------------------------------------------------


def test_without_signing_in_there_is_the_list_and_no_button(hang_wall: Hang, asks: Callable[..., httpx.Client]) -> None:
    html = asks(open_wall(hang_wall, every_state())).get("/bell?lang=en").text
    assert "Stop all work." in html and "To take one, sign in." in html
    assert "<button" not in html and 'name="form"' not in html


@pytest.mark.parametrize(("name", "may"), [("Ana", False), ("Luis", True)])
def test_only_a_keeper_puts_back_in_service(
    hang_wall: Hang, asks: Callable[..., httpx.Client], name: str, may: bool
) -> None:
    wall = open_wall(hang_wall, every_state())
    client = asks(wall, name)
    assert ('formaction="/bell/back"' in client.get("/bell").text) is may
    form = {"form": token_of(client), "alarm": "3 sensor-lost:outdoor-air", "own": "it is gone"}
    assert client.post("/bell/back", data=form).status_code == (303 if may else 403)
    assert client.post("/bell/out", data={**form, "alarm": "3 bus-lost:line-2"}).status_code == (303 if may else 403)
    assert [asked["do"] for asked in wall.core.asked] == (["in-service", "out-of-service"] if may else [])


FORMS = [
    ("take", {"alarm": KEY}, {"do": "acknowledge", "alarm": STOP.alarm, "episode": 3}),
    ("quiet", {"alarm": KEY, "why": "why_vet"},
     {"do": "shelve", "alarm": STOP.alarm, "minutes": 10, "why": "The vet is here"}),
    ("quiet", {"alarm": f"3 {LINE.alarm}", "own": " the  farrier "},
     {"do": "shelve", "alarm": LINE.alarm, "minutes": 60, "why": "the farrier"}),
    ("loud", {"alarm": "3 level-plan:arena"}, {"do": "unshelve", "alarm": "level-plan:arena"}),
    ("try", {"contact": "Luis"}, {"do": "trial", "contact": "Luis"}),
    ("test", {"reached.1": "Ana", "reached.3": "Dr. Vera", "others": "Ana, Eva ,", "fail_safe": "yes"},
     {"do": "weekly-test", "reached": ["Ana", "Dr. Vera", "Eva"], "fail_safe": True}),
]  # fmt: skip


@pytest.mark.parametrize(("to", "fields", "asked"), FORMS)
def test_a_form_asks_core_under_the_name_of_the_session(
    hang_wall: Hang, asks: Callable[..., httpx.Client], to: str, fields: dict[str, str], asked: dict[str, Any]
) -> None:
    wall = open_wall(hang_wall, barn(STOP, LINE, shelved(ring("level-plan", "arena"))))
    wall.core.then = lambda: wall.live.publish(
        dataclasses.replace(barn(taken(STOP)), trials=trials(7), tested_wall_s=1.0)
    )
    client = asks(wall, "Ana")
    answer = client.post(f"/bell/{to}", data={"form": token_of(client), "by": "Luis", **fields})
    assert (answer.status_code, answer.headers["location"].split("#")[0]) == (303, "/bell")
    assert wall.core.asked == [{**asked, "by": "Ana"}]


@pytest.mark.parametrize(("to", "fields", "asked"), FORMS)
def test_a_forged_form_asks_core_nothing(
    hang_wall: Hang, asks: Callable[..., httpx.Client], to: str, fields: dict[str, str], asked: dict[str, Any]
) -> None:
    wall = open_wall(hang_wall, barn(STOP, LINE, shelved(ring("level-plan", "arena"))))
    stranger, ana, luis = asks(wall), asks(wall, "Ana"), asks(wall, "Luis")
    token = token_of(ana)
    assert stranger.post(f"/bell/{to}", data={"form": token, **fields}).status_code in (401, 403)
    assert luis.post(f"/bell/{to}", data={"form": token, **fields}).status_code == 403
    assert ana.post(f"/bell/{to}", data=fields).status_code == 403
    foreign = {"Origin": "https://evil.example"}
    assert ana.post(f"/bell/{to}", data={"form": token, **fields}, headers=foreign).status_code == 403
    assert wall.core.asked == []


@pytest.mark.parametrize("old", ["2 level-stop:stalls", "4 level-stop:stalls", "3 level-stop:moon", "", "x y"])
@pytest.mark.parametrize("to", ["take", "quiet", "loud"])
def test_an_old_page_never_takes_a_new_alarm(
    hang_wall: Hang, asks: Callable[..., httpx.Client], old: str, to: str
) -> None:
    wall = open_wall(hang_wall, barn(STOP))
    client = asks(wall, "Ana")
    answer = client.post(f"/bell/{to}?lang=en", data={"form": token_of(client), "alarm": old})
    assert (answer.status_code, EN.bell["gone"] in answer.text) == (409, True)
    assert wall.core.asked == []


def test_what_somebody_else_has_is_not_taken_twice(hang_wall: Hang, asks: Callable[..., httpx.Client]) -> None:
    wall = open_wall(hang_wall, barn(taken(STOP)))
    client = asks(wall, "Ana")
    answer = client.post("/bell/take", data={"form": token_of(client), "alarm": KEY})
    assert (answer.status_code, "Luis has it" in answer.text) == (409, True)
    assert wall.core.asked == []


@pytest.mark.parametrize(
    ("answer", "status", "said"),
    [
        ({"error": "nobody is called for this alarm now"}, 409, "nobody is called for this alarm now"),
        ({"done": True, "recorded": False}, 200, "the history could not record it"),
        (LinkError("core has not answered"), 502, "did not answer"),
        ({}, 409, "refuses"),
    ],
)
def test_what_core_did_not_do_is_never_shown_as_done(
    hang_wall: Hang, asks: Callable[..., httpx.Client], answer: dict[str, Any] | Exception, status: int, said: str
) -> None:
    wall = open_wall(hang_wall, barn(STOP))
    wall.core.answer = answer
    client = asks(wall, "Ana")
    told = client.post("/bell/take", data={"form": token_of(client), "alarm": KEY})
    assert (told.status_code, said in told.text) == (status, True)


@pytest.mark.parametrize(
    "fields", [{"reached.1": "Ana", "fail_safe": "yes"}, {"reached.1": "Ana", "others": "Luis"}, {"others": " , ,"}]
)
def test_a_test_that_reached_one_or_left_the_plug_in_is_none(
    hang_wall: Hang, asks: Callable[..., httpx.Client], fields: dict[str, str]
) -> None:
    wall = open_wall(hang_wall, barn(STOP))
    client = asks(wall, "Ana")
    answer = client.post("/bell/test", data={"form": token_of(client), **fields})
    assert (answer.status_code, EN.bell["few"] in answer.text) == (422, True)
    assert wall.core.asked == []


def test_the_page_of_quiet_knows_its_alarm_and_sends_an_old_one_back(
    hang_wall: Hang, asks: Callable[..., httpx.Client]
) -> None:
    client = asks(open_wall(hang_wall, barn(STOP, FANS)), "Luis")
    shown = client.get(f"/bell/quiet/3/{STOP.alarm}")
    assert "Quiet 10 min" in shown.text and "cannot be taken out of service" in shown.text
    assert 'action="/bell/out"' in client.get(f"/bell/quiet/3/{FANS.alarm}").text
    assert EN.bell["gone"] in client.get(f"/bell/quiet/2/{STOP.alarm}").text
    assert client.get("/bell/take?lang=es").headers["location"] == "/bell?lang=es"  # a language link of an answer


# --- messages, tries, the weekly test -----------------------------------------------------------------


def test_who_was_told_and_what_came_of_it(hang_wall: Hang) -> None:
    text = text_of(httpx.get(open_wall(hang_wall, barn(STOP)).url + "/bell?lang=en", trust_env=False).text)
    assert "Ana · mail · call handed over, 1:52 pm" in text
    assert "Luis · message · call not yet, tried again, 3 tries, 2:11 pm (connection refused)" in text
    assert "Dr. Vera · mail · call given up, 5 tries, 1:52 pm (550 no such mailbox)" in text
    assert "A try" not in text  # tries stand beside the people


def test_a_try_shows_the_result_of_each_way_of_its_own_number(hang_wall: Hang) -> None:
    wall = open_wall(hang_wall, barn(trials=trials(7, 8, 9)))
    people = text_of(httpx.get(wall.url + "/bell?lang=en", trust_env=False).text).split("People to call")[1]
    ana, luis, vera = re.split(r"Luis Try|Dr\. Vera Try", people.split("Weekly test")[0])
    assert "On its way." in ana
    assert "broker not yet, tried again, 3 tries, 2:11 pm (broker is away)" in luis and "message handed over" in luis
    assert "mail given up, 5 tries" in vera
    wall.publish(barn(trials=trials(17)))
    again = text_of(httpx.get(wall.url + "/bell?lang=en", trust_env=False).text)
    assert "broker is away" not in again and "On its way." in again  # another try, the same way


def test_without_a_record_of_messages_that_part_is_absent_and_an_unreadable_one_says_so(hang_wall: Hang) -> None:
    none = open_wall(hang_wall, barn(STOP), calls=None, contacts=())
    assert "Who was told" not in httpx.get(none.url + "/bell?lang=en", trust_env=False).text
    broken = open_wall(hang_wall, barn(STOP), calls=MadeCalls(readable=False))
    assert EN.bell["told_unread"] in httpx.get(broken.url + "/bell?lang=en", trust_env=False).text


def test_a_weekly_test_is_due_after_a_week(hang_wall: Hang) -> None:
    wall = open_wall(hang_wall, barn(STOP))
    assert "It is due." not in httpx.get(wall.url + "/bell?lang=en", trust_env=False).text
    wall.publish(BELLS["test due"]())
    assert "It is due. Last one: 9 days ago, Luis." in text_of(
        httpx.get(wall.url + "/bell?lang=en", trust_env=False).text.replace("</b>", " ")
    )


# --- in a browser -------------------------------------------------------------------------------------


def sign_in(page: Page, wall: Wall, name: str = "Ana") -> None:
    page.goto(wall.url + "/sign-in?to=/bell")
    page.locator("#name").fill(name)
    page.locator("#passphrase").fill(PASSPHRASE)
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: "/sign-in" not in url)
    page.wait_for_load_state()


@pytest.mark.parametrize("scripts", [True, False])
def test_taking_and_quieting_work_by_keyboard_with_and_without_scripts(
    hang_wall: Hang, browser: Any, scripts: bool
) -> None:
    wall = open_wall(hang_wall, barn(STOP))
    wall.core.then = lambda: wall.live.publish(barn(taken(STOP, "Ana", 0.0)))
    with browser.new_context(java_script_enabled=scripts) as context:
        page = context.new_page()
        sign_in(page, wall)
        page.locator("#take-a-level-stop-stalls").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/bell#a-level-stop-stalls")
        expect(page.locator(".who")).to_have_text("Ana has it 2:12 pm")
        wall.core.then = lambda: wall.live.publish(barn(shelved(STOP)))
        page.locator("#quiet-a-level-stop-stalls").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/bell/quiet/3/**")
        page.locator("#hush").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/bell#a-level-stop-stalls")
        expect(page.locator(".small .cap")).to_contain_text("quiet till 2:20 pm · Ana")
    assert [asked["do"] for asked in wall.core.asked] == ["acknowledge", "shelve"]


def test_a_new_alarm_comes_by_itself_is_spoken_once_and_leaves_the_focus(hang_wall: Hang, browser: Any) -> None:
    wall = open_wall(hang_wall, barn(LINE))
    with browser.new_context() as context:
        page = context.new_page()
        sign_in(page, wall)
        page.evaluate("window.mark = 1")
        page.locator("#take-a-bus-lost-line-2").focus()
        wall.publish(dataclasses.replace(barn(STOP, LINE), steps=101))
        expect(page.locator(".p-now .matter")).to_have_text("Stalls: level 3, too hot for a horse.", timeout=10_000)
        assert page.evaluate("[window.mark, document.activeElement.id]") == [1, "take-a-bus-lost-line-2"]
        assert page.locator("[role=status]").inner_text() == "2 need somebody."


FITS = """(selector) => [...document.querySelectorAll(selector)].filter(e => {
  const r = e.getBoundingClientRect();
  return r.width && (r.left < -1 || r.right > innerWidth + 1 || e.scrollWidth > e.clientWidth + 1);
}).map(e => e.textContent.trim().slice(0, 40))"""


@pytest.mark.parametrize("size", [(320, 568), PHONE, (800, 480), (1280, 800)])
@pytest.mark.parametrize("lang", ["en", "es"])
def test_a_flood_fits_every_screen_and_the_first_button_is_seen_at_once(
    hang_wall: Hang, browser: Any, size: tuple[int, int], lang: str
) -> None:
    wall = open_wall(hang_wall, flood())
    with browser.new_context(viewport={"width": size[0], "height": size[1]}) as context:
        page = context.new_page()
        sign_in(page, wall)
        page.goto(f"{wall.url}/bell?lang={lang}")
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        assert page.evaluate(FITS, "main p:not(.unseen), main h2, main button, main .button") == []
        # In one go: the stream may put the same row in anew between two questions.
        bottom = page.evaluate("document.querySelector('.acts button').getBoundingClientRect().bottom")
        assert 0 < bottom <= size[1], bottom


def test_without_colour_a_horse_is_told_from_kit_and_taken_from_alone(hang_wall: Hang, look_at: Look) -> None:
    horse_soon = dataclasses.replace(STOP, priority="soon")
    kit_soon = dataclasses.replace(FANS, priority="soon")
    shots = []
    for alarm in (horse_soon, kit_soon, taken(horse_soon), taken(kit_soon)):
        page = look_at(open_wall(hang_wall, barn(alarm)).url + "/bell?lang=en", PHONE)
        page.evaluate("document.documentElement.style.filter = 'grayscale(1)'")
        shots.append(page.locator(".rings .post").screenshot())
    assert len(set(shots)) == 4


# --- the wall -----------------------------------------------------------------------------------------


def bar_of(snapshot: Snapshot, *langs: str) -> Any:
    return worst_message(snapshot, tuple(load_words()[lang] for lang in langs or ("en", "es")))


def test_the_bar_says_the_worst_alarm_what_to_do_and_who_has_it() -> None:
    bar = bar_of(barn(taken(STOP), LINE, ring("disk-low", "disk")))
    assert [(u.text, line.text) for u, line in zip(bar.urgency, bar.lines, strict=True)] == [
        ("NOW", "Stalls: level 3, too hot for a horse."),
        ("AHORA", "Cuadras: nivel 3, demasiado calor para un caballo."),
    ]
    assert [line.text for line in bar.taken] == ["Luis has it 2:07 pm", "Lo atiende Luis 14:07"]
    assert bar.orders[0].text.startswith("Stop all work. Water on the horses.")
    assert (bar.more[0].text, bar.gate) == ("+1 more", 3)  # the disk can wait and is not for the wall


def test_what_waits_is_quiet_over_or_explained_is_not_on_the_wall() -> None:
    calm = barn(ring("disk-low", "disk"), over(STOP), shelved(LINE), explained(FANS, LINE.alarm))
    assert bar_of(calm) is None


def test_a_fire_without_its_alarm_stands_before_any_alarm_and_a_now_before_any_other_trouble(
    barns: type[Barns],
) -> None:
    fire, history = barns.fault("barn", "fire"), barns.fault("history", "history-unwritten")
    assert bar_of(barn(STOP, faults=(fire,))).lines[0].text == "Fire contact is closed"
    assert bar_of(barn(STOP, faults=(history,))).lines[0].text == STOP.say["en"]
    end = barns.fault("rack", "kit-at-its-end")
    assert bar_of(barn(LINE, faults=(end,))).lines[0].text == "rack: all fans on, not enough".replace("rack", "Rack")
    assert bar_of(barn(LINE, faults=(history,))).lines[0].text == LINE.say["en"]


def test_a_trouble_that_an_alarm_tells_is_not_told_twice(barns: type[Barns]) -> None:
    blind = dataclasses.replace(barns.blind(), alarms=(ring("place-blind", "stalls"),))
    bar = bar_of(blind)
    assert (bar.lines[0].text, bar.more) == ("Stalls: nobody knows the air there.", ()) or bar.more == ()
    unexplained = dataclasses.replace(blind, alarms=(ring("place-blind", "arena"),))
    assert bar_of(unexplained).more[0].text == "+1 more"


def test_a_quiet_alarm_hides_nothing_and_its_trouble_is_still_told(barns: type[Barns]) -> None:
    kit = barns.kit("stall-fans", seen=False, trouble="dead")
    places = (barns.place("stalls", 30.0, 57.0, 2, kit=(kit,)), *barns.four()[1:])
    asleep = barn(LINE, shelved(FANS), places=places)
    assert bar_of(asleep).lines[0].text == LINE.say["en"]
    assert bar_of(dataclasses.replace(asleep, alarms=asleep.alarms[1:])).lines[0].text == (
        "Stalls: fan asked, not running"
    )


def test_a_fan_that_failed_and_rests_before_the_next_try_is_still_told(barns: type[Barns]) -> None:
    kit = barns.kit("stall-fans", asked=False, seen=False, trouble="stall-fans: did not run when it was started")
    resting = dataclasses.replace(kit, running=False, wanted=True)
    snapshot = barns.barn(barns.place("stalls", kit=(resting,)), faults=(barns.fault("stall-fans", "kit-not-running"),))
    assert bar_of(snapshot, "en").lines[0].text == "Stalls: fan asked, not running"


@pytest.mark.parametrize(
    ("text", "letters", "shown"),
    [
        ("Stop all work. Water on the horses.", 99, "Stop all work. Water on the horses."),
        ("Stop all work. Water on the horses.", 20, "Stop all work."),
        ("Look at the plug, then at its power, then along the cable.", 40, "Look at the plug, then at its power."),
        ("Nothing that can be cut", 3, "Nothing that can be cut"),
    ],
)
def test_what_to_do_is_shortened_by_whole_pieces(text: str, letters: int, shown: str) -> None:
    assert shortened(text, letters) == shown


CUT = """() => [...document.querySelectorAll('.board > .bar p > *')]
  .filter(e => e.scrollWidth > e.clientWidth + 1 || e.getBoundingClientRect().right > innerWidth + 1)
  .map(e => e.textContent)"""


def alarms_of_the_wall() -> list[AlarmView]:
    return [ring(rule.code, "outdoors") for rule in RULES if WORDS[rule.priority] != "when-you-can"]


@pytest.mark.parametrize("size", [(1920, 1080), (800, 480), (1280, 800)])
def test_every_alarm_of_the_wall_fits_its_lines_whoever_has_it(
    hang_wall: Hang, look_at: Look, size: tuple[int, int]
) -> None:
    """The bar of every rule in turn, put into one page as the stream would."""
    wall = hang_wall(barn(*alarms_of_the_wall()[:1]))
    for query in ("", "?lang=es&one=1", "?lang=en&one=1"):
        page = look_at(wall.url + "/aisle" + query, size)
        for alarm in alarms_of_the_wall():
            wall.publish(barn(taken(alarm, "Guadalupe"), *alarms_of_the_wall()))
            html = httpx.get(wall.url + "/aisle" + query, trust_env=False).text
            board = html.split('<div id="board">')[1].split("</div>\n<p id=")[0]
            page.evaluate("html => { document.getElementById('board').innerHTML = html; }", board)
            assert page.evaluate(CUT) == [], f"{alarm.alarm} {query}"


@pytest.mark.parametrize("state", ["four", "six", "one", "lost"])
def test_the_wall_with_an_alarm_fits_and_is_read_from_its_distance(
    hang_wall: Hang, look_at: Look, barns: type[Barns], state: str
) -> None:
    from tests.dashboards.test_browser import OVERFLOW, PITCH, SIZES, too_small

    six = (*barns.risky().places, barns.lost("Barn 2"), barns.place("Long barn 3", 30, 60, 1))
    places = {"four": barns.hot_noon().places, "six": six, "one": six[1:2], "lost": barns.blind().places}[state]
    wall = hang_wall(dataclasses.replace(barn(taken(STOP), LINE), places=places))
    for query in ("", "?lang=es&one=1"):
        page = look_at(wall.url + "/aisle" + query)
        for size in SIZES:
            page.set_viewport_size({"width": size[0], "height": size[1]})
            assert page.evaluate(OVERFLOW) == [], f"{size} {query}"
            assert page.evaluate(CUT) == [], f"{size} {query}"
            if size in PITCH:
                assert too_small(page, size) == [], f"{size} {query}"


# --- the yard sheet -----------------------------------------------------------------------------------


def test_the_yard_sheet_tells_the_worst_three_counts_the_rest_and_leads_to_the_list(
    hang_wall: Hang, barns: type[Barns], look_at: Look
) -> None:
    wall = open_wall(hang_wall, dataclasses.replace(flood(), faults=(barns.fault("barn", "supply-low"),)))
    page = look_at(wall.url + "/yard?lang=en", PHONE)
    told = page.locator(".broken li").all_inner_texts()
    assert [" ".join(each.split())[:16] for each in told] == [
        "NOW Rack: too ho",
        "NOW Stalls: leve",
        "NOW Arena: level",
    ]
    assert "Stop all work." in told[1]
    assert page.locator(".more").inner_text() == "9 more on the bell list"
    assert page.locator("#to-bell").inner_text().split()[:3] == ["11", "11", "need"]
    page.locator("#to-a-level-stop-stalls").click()
    page.wait_for_url("**/bell#a-level-stop-stalls")


def test_the_yard_sheet_still_tells_what_no_alarm_tells(hang_wall: Hang, barns: type[Barns]) -> None:
    both = barn(LINE, faults=(barns.fault("line-2", "bus-stuck"), barns.fault("line-3", "bus-stuck")))
    text = text_of(httpx.get(open_wall(hang_wall, both).url + "/yard?lang=en", trust_env=False).text)
    assert "line-3: cable line hangs" in text and "line-2: cable line hangs" not in text
    assert "Line line-2: nothing on it answers." in text


def test_every_rule_of_the_core_can_be_shown() -> None:
    for code in BY_CODE:
        for words in (EN, ES):
            (group,) = bell_of(barn(ring(code)), words).groups
            assert group.rings[0].say and group.rings[0].do
