"""Owns: checks of the aisle board as people see it.

Must not know: how it is drawn.
How it works: a real browser opens pages of a real server. Letter heights are measured in pixels and turned into
minutes of arc with the size of a pixel of the panel; the rule of 16 minutes is the minimum of ISO 9241-3 as
handbooks quote it.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import Page, expect

from dashboards.words import load_words

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

Hang = Callable[..., "Wall"]
Look = Callable[..., Page]

WALL, PANEL = (1920, 1080), (800, 480)
SIZES = [WALL, PANEL, (1280, 800)]
# Height of H, 1520 of 2000 units, in both weights of B612 1.008 (from the font file).
CAP = 0.76
# Millimetres per pixel: 24-inch 1080p panel (531 mm / 1920), 7-inch 800x480 panel (153 mm / 800).
PITCH = {WALL: ("readM", 0.277), PANEL: ("readSmallM", 0.191)}

# Faces change the frame of the head, so two of them are measured as well.
QUERIES = {
    "longest sentences": ("", "?lang=es", "?one=1", "?lang=es&one=1"),
    "danger": ("", "?lang=es&one=1", "?face=glare", "?face=night&one=1"),
    "one place": ("", "?face=night"),
}


OVERFLOW = """() => {
  const out = [], w = innerWidth, h = innerHeight, d = document.documentElement;
  if (d.scrollWidth > w || d.scrollHeight > h) out.push(`page ${d.scrollWidth}x${d.scrollHeight}`);
  for (const e of document.querySelectorAll('[data-read-m], .where span, .bar, .row, .alive, .tag')) {
    const r = e.getBoundingClientRect();
    if (r.width && (r.left < -1 || r.right > w + 1 || r.top < -1 || r.bottom > h + 1))
      out.push(`${e.className} ${e.textContent.trim().slice(0, 20)} leaves the screen`);
  }
  for (const row of document.querySelectorAll('.row, .head, .foot')) {
    const parts = [...row.children]
      .filter(e => getComputedStyle(e).position !== 'absolute' && e.getBoundingClientRect().width);
    const ends = parts.map(e => {
      const r = document.createRange();
      r.selectNodeContents(e);
      const box = r.getBoundingClientRect();
      const clip = getComputedStyle(e).overflow === 'hidden' ? e.getBoundingClientRect().right : Infinity;
      const {top, bottom} = e.getBoundingClientRect();
      return {left: box.left, right: Math.min(box.right, clip), width: box.width, top, bottom};
    });
    for (let i = 1; i < ends.length; i++) {
      const level = ends[i].top < ends[i - 1].bottom - 1 && ends[i - 1].top < ends[i].bottom - 1;
      if (ends[i].width && level && ends[i - 1].right > ends[i].left + 1)
        out.push(`${parts[i - 1].className} runs into ${parts[i].className}`);
    }
    for (const [i, e] of ends.entries())
      if (e.right > w + 1) out.push(`${parts[i].className} is cut`);
  }
  for (const row of document.querySelectorAll('.row')) {
    const box = row.getBoundingClientRect();
    for (const e of row.querySelectorAll('.say span, .facts span, .note span, .age span, .pole, .thing')) {
      const {top, bottom} = e.getBoundingClientRect();
      if (top < box.top - 1 || bottom > box.bottom + 1) out.push(`${e.textContent} is cut by its row`);
    }
    const signs = [...row.querySelectorAll('.kit > *')].map(e => e.getBoundingClientRect());
    for (const e of row.querySelectorAll('.facts span, .note span, .pole, .age span')) {
      const r = e.getBoundingClientRect();
      if (signs.some(s => s.left < r.right && s.top < r.bottom - 2 && r.top < s.bottom - 2))
        out.push(`${e.textContent} runs under a sign`);
    }
  }
  for (const p of document.querySelectorAll('.bar p'))
    if (p.scrollWidth > p.clientWidth + 1) out.push('bar line is cut');
  return out;
}"""

HEAR_BOARDS = """
const Plain = window.EventSource;
window.boardsHeard = 0;
window.EventSource = class extends Plain {
  constructor(...given) { super(...given); this.addEventListener('board', () => { window.boardsHeard += 1; }); }
};
"""


def hear_boards(page: Page) -> None:
    """Count the boards of the stream: the first one replaces what the page brought, under a test that handles it."""
    page.add_init_script(HEAR_BOARDS)


def wait_for_board(page: Page) -> None:
    """Until the stream's first board is there. Not `wait_for_function`: the policy of the page forbids its eval."""
    for _ in range(500):
        if page.evaluate("window.boardsHeard"):
            return
        page.wait_for_timeout(10)
    raise AssertionError("no board came")


WORDS_FIT = """(words) => words.filter(([lang, text]) => {
  const word = document.querySelector(`.word[lang=${lang}]`), where = document.querySelector('.where');
  if (!word) return false;
  word.textContent = text;
  const range = document.createRange();
  range.selectNodeContents(word);
  const names = document.createRange();
  names.selectNodeContents(where);
  return range.getBoundingClientRect().right > names.getBoundingClientRect().left - 4;
})"""


def states(barns: type[Barns]) -> dict[str, Any]:
    late = barns.place("stalls", 30, 57, 1, freshness="late", age_s=200.0, kit=(barns.kit("f"), barns.mister()))
    dead = barns.place("outdoors", 30, 57, 1, kit=(barns.kit("f", seen=False, trouble="t"),))
    both = (barns.kit("f"), barns.mister(on=True))
    longest = [barns.split(name, 2, 0, policy="stricter", kit=both) for name in ("stalls", "arena", "rack", "outdoors")]
    six = (*barns.risky().places, barns.lost("Barn 2"), barns.place("Long barn 3", 30, 60, 1))
    return {
        "normal": barns.barn(emulated=True),
        "risk": barns.risky(),
        "danger": barns.dangerous(),
        "lost": barns.blind(),
        "late": barns.barn(late, *barns.four()[1:]),
        "asked": barns.disobeyed(),
        "two troubles": barns.barn(barns.lost(), *barns.four()[1:3], dead),
        "rule asks for more": barns.damp_morning(),
        "air asks for more": barns.hot_noon(),
        "late and asked": barns.barn(late, dead, *barns.hot_noon().places[1:3]),
        "longest sentences": barns.barn(*longest),
        "one place": barns.barn(barns.place("outdoors", 33, 59, 2)),
        "one place, roof limits": barns.barn(barns.hot_noon().places[1]),
        "one place asked": barns.barn(dataclasses.replace(barns.hot_noon().places[1], kit=dead.kit)),
        "two places": barns.barn(*barns.dangerous().places[:2]),
        "three places": barns.barn(*barns.four()[:3]),
        "six places": barns.barn(*six),
        "six quiet places": barns.barn(
            *barns.hot_noon().places, dataclasses.replace(late, name="yard", label={}), longest[3]
        ),
        "long names": barns.barn(
            barns.lost("a very long barn name", since_s=30 * 3600),
            barns.lost("back paddock", lost_code="out-of-range"),
            barns.place("covered ring", 33, 59, 2),
            barns.place("the other arena", 33, 59, 1),
        ),
        "no snapshot": None,
    }


NAMES = [
    "normal", "risk", "danger", "lost", "late", "asked", "two troubles", "rule asks for more", "air asks for more",
    "late and asked", "longest sentences", "one place", "one place, roof limits", "one place asked", "two places",
    "three places", "six places", "six quiet places", "long names", "no snapshot",
]  # fmt: skip


def seen(page: Page, selector: str) -> str:
    return page.locator(selector).inner_text()


@pytest.mark.parametrize("state", NAMES)
def test_every_state_fits_its_screen_and_can_be_read_from_its_distance(
    hang_wall: Hang, look_at: Look, barns: type[Barns], state: str
) -> None:
    wall = hang_wall(states(barns)[state])
    for query in QUERIES.get(state, ("", "?lang=es", "?lang=es&one=1")):
        page = look_at(f"{wall.url}/aisle{query}")
        for size in SIZES:
            page.set_viewport_size({"width": size[0], "height": size[1]})
            assert page.evaluate(OVERFLOW) == [], f"{size} {query}"
            if size in PITCH:
                assert too_small(page, size) == [], f"{size} {query}"
        page.close()


def too_small(page: Page, size: tuple[int, int]) -> list[str]:
    name, pitch_mm = PITCH[size]
    measured = page.evaluate(
        "(name) => [...document.querySelectorAll('[data-read-m]')].filter(e => e.getBoundingClientRect().width)"
        ".flatMap(e => (e.querySelector('p') ? [...e.querySelectorAll('p')] : [e])"
        ".map(t => [t.textContent.trim(), parseFloat(getComputedStyle(t).fontSize), Number(e.dataset[name])]))",
        name,
    )
    assert measured
    arcmin = {
        (text, metres): 2 * math.degrees(math.atan(px * CAP * pitch_mm / 1000 / 2 / metres)) * 60
        for text, px, metres in measured
    }
    return [f"{text} at {metres} m: {angle:.1f}'" for (text, metres), angle in arcmin.items() if angle < 16]


def test_the_word_is_read_at_twelve_metres_and_the_row_at_six(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    page = look_at(hang_wall(barns.risky()).url + "/aisle")
    far = page.evaluate("['.word', '.name', '.sum'].map(s => Number(document.querySelector(s).dataset.readM))")
    assert far == [12, 6, 6]


def test_letters_are_those_of_the_shipped_font(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.risky()).url + "/aisle")
    loaded = page.evaluate("[...document.fonts].filter(f => f.status === 'loaded').map(f => f.family + f.weight)")
    assert sorted(loaded) == ["B612400", "B612700"]


@pytest.mark.parametrize("query", ["", "?one=1", "?lang=es&one=1"])
def test_every_word_fits_beside_the_longest_name(
    hang_wall: Hang, look_at: Look, barns: type[Barns], query: str
) -> None:
    words = [
        [lang, word] for lang, texts in load_words().items() for word in (*texts.riding, *texts.standing, texts.unknown)
    ]
    wall = hang_wall(barns.barn(barns.place("outdoors"), barns.place("stalls")))
    for size in SIZES:
        page = look_at(wall.url + "/aisle" + query, size)
        assert page.evaluate(WORDS_FIT, words) == [], size


def test_a_phone_held_upright_scrolls_down_and_not_sideways(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    wall = hang_wall(barns.blind())
    for query in ("", "?lang=es"):
        page = look_at(wall.url + "/aisle" + query, (390, 844), hear_boards)
        wait_for_board(page)
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        cut = "[...document.querySelectorAll('#board *')].filter(e => e.getBoundingClientRect().right > 391).length"
        assert page.evaluate(cut) == 0
        # The first answer stands in the first screen.
        assert page.locator(".word").first.bounding_box()["y"] < 300  # type: ignore[index]


def test_a_lost_row_shows_no_digit_but_dashes_ghost_and_plug(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    page = look_at(hang_wall(barns.blind()).url + "/aisle")
    row = page.locator(".row").first
    assert not re.search(r"\d", row.inner_text() + (row.get_attribute("aria-label") or ""))
    assert not re.search(r"\d", "".join(row.locator("svg text").all_text_contents()))
    assert "– –" in row.inner_text()
    assert "no reading" in row.inner_text()
    assert "sin lectura" in row.inner_text()
    assert row.locator(".plug").count() == 1
    assert row.get_attribute("data-level") == "unknown"
    assert seen(page, ".head .verdict").split() == ["LOOK", "MIRE"]
    assert "since 1:12 pm" in seen(page, ".board > .bar")


def test_a_late_number_is_outlined_with_its_age(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(states(barns)["late"]).url + "/aisle")
    paint = page.evaluate(
        "['.late .sum', '.fresh .sum'].map(s => { const c = getComputedStyle(document.querySelector(s));"
        " return [c.color, parseFloat(c.webkitTextStrokeWidth)] })"
    )
    assert paint[0][0] == "rgba(0, 0, 0, 0)"
    assert paint[0][1] > 1
    assert paint[1] == ["rgb(18, 23, 26)", 0]
    assert "3 min old" in seen(page, ".late")


def test_kit_that_does_not_follow_has_a_dashed_ring_and_a_line(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    page = look_at(hang_wall(barns.disobeyed()).url + "/aisle")
    assert page.locator(".row").first.locator(".fan.asked circle[stroke-dasharray]").count() == 1
    assert page.locator(".fan.on").count() == 0
    assert "fan asked, not running" in seen(page, ".board > .bar")
    assert "ventilador con orden, no anda" in seen(page, ".board > .bar")


def test_levels_can_be_told_apart_without_colour(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    shots = []
    for level in (0, 1, 2, 3, None):
        at = barns.lost("arena") if level is None else barns.place("arena", level=level)
        page = look_at(hang_wall(barns.barn(at, languages=("en",))).url + "/aisle", PANEL, hear_boards)
        wait_for_board(page)
        page.evaluate("document.documentElement.style.filter = 'grayscale(1)'")
        page.evaluate("document.querySelector('.head').style.background = 'none'")
        page.evaluate("document.querySelector('.head').style.color = 'black'")
        shots.append(page.locator(".head .mark").screenshot())
    assert len(set(shots)) == 5


def test_emulated_air_is_marked_and_real_air_is_not(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    assert seen(look_at(hang_wall(barns.barn(emulated=True)).url + "/aisle"), ".tag") == "emulated barn"
    assert look_at(hang_wall(barns.barn()).url + "/aisle").locator(".tag").count() == 0


def test_an_unset_clock_prints_no_time(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.barn(barns.lost(since_s=760), clock_trusted=False)).url + "/aisle")
    assert "clock not set" in seen(page, ".foot")
    assert not re.search(r"\d:\d\d", page.locator("body").inner_text())


@pytest.mark.parametrize("state", ["danger", "two troubles", "late", "no snapshot"])
def test_no_english_is_left_on_the_spanish_board(
    hang_wall: Hang, look_at: Look, barns: type[Barns], state: str
) -> None:
    snapshot = states(barns)[state]
    page = look_at(hang_wall(snapshot).url + "/aisle?lang=es&one=1")
    assert page.evaluate("document.documentElement.lang") == "es"
    spoken = page.evaluate(
        "[...document.querySelectorAll('[aria-label]')].map(e => e.getAttribute('aria-label')).join(' ')"
    )
    shown = set(re.findall(r"[a-záéíóúñ]{2,}", (page.locator("body").inner_text() + " " + spoken).lower()))
    english = words_of("en") | {"stalls", "arena", "rack", "outside"}
    assert shown & (english - words_of("es")) == set()
    assert "mire" in shown or "alto" in shown or "cuide" in shown or "aire" in shown


def words_of(lang: str) -> set[str]:
    texts = load_words()[lang]
    found = " ".join(str(getattr(texts, name)) for name in texts.__slots__ if name not in ("clock", "name"))
    return set(re.findall(r"[a-záéíóúñ]{2,}", re.sub(r"\{\w+\}|'[\w-]+':", " ", found).lower()))


def test_foreign_words_carry_their_language(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.blind()).url + "/aisle")
    assert page.locator(".word").evaluate_all("all => all.map(e => e.lang)") == ["en", "es"]
    assert page.locator(".board > .bar p").evaluate_all("all => all.map(e => e.lang)") == ["en", "es"]


def test_nothing_is_asked_elsewhere_and_the_policy_is_never_broken(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    wall = hang_wall(barns.dangerous())
    asked: list[str] = []
    said: list[str] = []

    def watch(page: Page) -> None:
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.add_init_script(
            "addEventListener('securitypolicyviolation', e => console.log('CSP ' + e.violatedDirective))"
        )

    page = look_at(f"{wall.url}/aisle?face=night", prepare=watch)
    wall.publish(barns.blind())
    page.wait_for_selector(".row.lost")
    assert asked
    assert [url for url in asked if not url.startswith(wall.url)] == []
    assert said == []


def test_inline_script_would_be_refused(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.barn()).url + "/aisle")
    page.evaluate(
        "const s = document.createElement('script'); s.textContent = 'window.broken = 1'; document.body.append(s)"
    )
    assert page.evaluate("window.broken") is None


def test_a_change_comes_without_a_reload_and_is_spoken_once(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn())
    page = look_at(wall.url + "/aisle")
    page.evaluate("window.mark = 1")
    wall.publish(barns.dangerous())
    expect(page.locator(".verdict")).to_contain_text("STOP")
    assert page.evaluate("window.mark") == 1
    assert page.locator("[role=status]").inner_text() == "STOP: Arena"


def test_a_page_whose_frame_is_outdated_loads_itself_again(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    wall = hang_wall(barns.barn())
    page = look_at(wall.url + "/aisle")
    page.evaluate("window.mark = 1")
    wall.publish(barns.barn(*barns.four()[:2]))
    expect(page.locator(".row")).to_have_count(2)
    page.wait_for_load_state()
    assert page.evaluate("window.mark") is None


def test_every_row_shows_its_numbers_its_word_what_counts_and_the_sentence_in_both_languages(
    hang_wall: Hang, look_at: Look, barns: type[Barns]
) -> None:
    rows = look_at(hang_wall(barns.hot_noon()).url + "/aisle").locator(".row")
    # 27.4 °C is 81.3 °F; 38.0 °C is 100.4 °F (definition of the scale), and 100.4 + 44 is 144.4.
    arena = rows.nth(1).inner_text()
    for text in ("144", "CARE", "CUIDE", "wet bulb 81°F", "air takes 0.9× trot", "walk only"):
        assert text in arena
    assert "Rule says easy. Air: walk only. Worse counts." in arena
    assert "Regla: suave. Aire: sólo paso. Manda lo peor." in arena
    outside = rows.nth(3).inner_text()
    assert "Air: up to trot. Worse counts." in outside
    assert "Aire: hasta trote. Manda lo peor." in outside
    assert "Rule" not in outside
    assert rows.locator(".note [lang=es]").count() == rows.locator(".note [lang=en]").count() == 4


def test_a_sentence_is_bold_only_where_the_level_is_raised(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.damp_morning()).url + "/aisle")
    weights = page.evaluate(
        "[...document.querySelectorAll('.row')].map(r => [r.dataset.level, "
        "getComputedStyle(r.querySelector('.note b')).fontWeight])"
    )
    assert weights == [["0", "400"], ["2", "700"], ["0", "400"], ["2", "700"]]


@pytest.mark.parametrize("state", ["longest sentences", "six quiet places", "late"])
def test_a_board_still_fits_when_the_link_bar_stands_over_it(
    hang_wall: Hang, look_at: Look, barns: type[Barns], state: str
) -> None:
    now = [0.0]
    wall = hang_wall(states(barns)[state], clock=lambda: now[0])
    now[0] = 30.0
    for size in SIZES:
        page = look_at(wall.url + "/aisle", size)
        assert page.evaluate("document.body.dataset.link") == "bar"
        assert page.locator("#nolink").is_visible()
        assert page.evaluate(OVERFLOW) == [], size


DESCENDERS_CUT = """() => [...document.querySelectorAll('.board > .bar p span')].filter(span => {
  const font = getComputedStyle(span), pen = document.createElement('canvas').getContext('2d');
  pen.font = `${font.fontWeight} ${font.fontSize} B612`;
  const mark = document.createElement('i');
  mark.style.cssText = 'display: inline-block; width: 0; height: 0';
  span.append(mark);
  const deepest = mark.getBoundingClientRect().bottom + pen.measureText('gjpqy').actualBoundingBoxDescent;
  mark.remove();
  return deepest > Math.min(span.getBoundingClientRect().bottom, span.closest('.bar').getBoundingClientRect().bottom);
}).map(span => span.textContent)"""


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("state", ["asked", "lost", "long names"])
def test_no_letter_of_the_message_bar_is_cut_below(
    hang_wall: Hang, look_at: Look, barns: type[Barns], size: tuple[int, int], state: str
) -> None:
    page = look_at(hang_wall(states(barns)[state]).url + "/aisle", size)
    assert page.locator(".board > .bar p span").count() == 2
    assert page.evaluate(DESCENDERS_CUT) == []


@pytest.mark.parametrize("places", [("outdoors",), ("outdoors", "stalls")])
@pytest.mark.parametrize(("query", "said"), [("", ["walk only", "sólo paso"]), ("?lang=es&one=1", ["sólo paso"])])
def test_what_the_roof_limits_stands_in_the_head_of_every_board(
    hang_wall: Hang, look_at: Look, barns: type[Barns], places: tuple[str, ...], query: str, said: list[str]
) -> None:
    limited = barns.split("outdoors", 1, 2, temp_c=38, rh_pct=44)
    wall = hang_wall(barns.barn(limited, *(barns.place(name) for name in places[1:])))
    for size in SIZES:
        page = look_at(wall.url + "/aisle" + query, size)
        shown = page.locator(".head .limit")
        assert shown.all_inner_texts() == said
        assert all(shown.nth(at).is_visible() for at in range(len(said)))
        assert page.evaluate(OVERFLOW) == [], size
        if size in PITCH:
            assert too_small(page, size) == [], size


def test_the_phrase_of_the_head_is_measured_at_its_distance(hang_wall: Hang, look_at: Look, barns: type[Barns]) -> None:
    page = look_at(hang_wall(barns.barn(barns.split("arena", 1, 2), barns.place("stalls"))).url + "/aisle")
    far = page.evaluate("['readM', 'readSmallM'].map(k => Number(document.querySelector('.limit').dataset[k]))")
    assert far == [2.5, 0.7]
