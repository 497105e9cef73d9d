"""Owns: checks of what the board says.

Must not know: HTML, browsers.
How it works: hand-made snapshots in, views out. Words are those of the agreed table; times of day are computed by
hand from the time zone table.
"""

from __future__ import annotations

import dataclasses
import re
from typing import TYPE_CHECKING, Any

import pytest

from dashboards.air_text import shown_carry
from dashboards.messages import Message
from dashboards.present import Board, live_board, lost_board
from dashboards.rows import shown_sum, temp_f_of
from dashboards.words import Words, load_words
from gateway.engine.snapshot import Snapshot

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns

# The agreed words, riding and standing, levels 0 to 3, then unknown.
TABLE = {
    ("riding", "en"): ("GO", "EASY", "CARE", "STOP", "LOOK"),
    ("riding", "es"): ("LIBRE", "SUAVE", "CUIDE", "ALTO", "MIRE"),
    ("standing", "en"): ("FINE", "AIR", "HOT", "HOSE", "LOOK"),
    ("standing", "es"): ("BIEN", "AIRE", "CALOR", "AGUA", "MIRE"),
}


def texts(*langs: str) -> tuple[Words, ...]:
    known = load_words()
    return tuple(known[lang] for lang in langs or ("en", "es"))


def verdict(board: Board) -> tuple[str, ...]:
    return tuple(line.text for line in board.head.verdict)


def bar(snapshot: Snapshot, *langs: str) -> Message:
    message = live_board(snapshot, texts(*langs)).message
    assert message is not None
    return message


@pytest.mark.parametrize("level", [0, 1, 2, 3, None])
@pytest.mark.parametrize(("kind", "name"), [("riding", "arena"), ("standing", "stalls")])
def test_head_and_row_say_the_word_of_the_table(barns: type[Barns], level: int | None, kind: str, name: str) -> None:
    at = barns.lost(name) if level is None else barns.place(name, level=level)
    board = live_board(barns.barn(at), texts())
    at_table = 4 if level is None else level
    wanted = (TABLE[kind, "en"][at_table], TABLE[kind, "es"][at_table])
    assert verdict(board) == wanted
    assert tuple(line.text for line in board.rows[0].verdict) == wanted
    assert board.head.level == level


def test_head_shows_the_worst_known_place(barns: type[Barns]) -> None:
    board = live_board(barns.risky(), texts())
    assert verdict(board) == ("CARE", "CUIDE")
    assert board.head.where == ("Arena",)


def test_head_names_every_place_that_shares_the_word(barns: type[Barns]) -> None:
    places = [barns.place(name, 30, 60, 1, kind="riding") for name in ("arena", "outdoors", "track", "lane")]
    stalls = barns.place("stalls", 30, 60, 1)
    assert live_board(barns.barn(*places[:2], stalls), texts()).head.where == ("Arena", "Outside")
    assert live_board(barns.barn(*places), texts()).head.where == ("Arena", "Outside", "+2 more")


@pytest.mark.parametrize(
    ("last_level", "other_level", "word"),
    [
        (None, 0, "LOOK"),  # never known counts as 1
        (0, 0, "LOOK"),
        (0, 1, "LOOK"),  # a tie: unknown is never shown as fine
        (0, 2, "CARE"),  # a known place is worse
        (2, 2, "LOOK"),
        (2, 3, "STOP"),
        (3, 3, "LOOK"),
    ],
)
def test_a_lost_place_counts_as_its_last_level_or_one(
    barns: type[Barns], last_level: int | None, other_level: int, word: str
) -> None:
    board = live_board(barns.barn(barns.lost("stalls", last_level), barns.place("arena", level=other_level)), texts())
    assert verdict(board)[0] == word


def test_a_lost_row_holds_no_digit(barns: type[Barns]) -> None:
    board = live_board(barns.barn(barns.lost(last_level=2), barns.place()), texts())
    shown = dataclasses.replace(board.rows[0], fit="")
    assert not re.search(r"\d", repr(dataclasses.replace(shown, signs=())).replace("level=None", ""))
    assert [line.text for line in shown.note] == ["no reading", "sin lectura"]


def test_a_lost_place_says_why_and_since_when_in_both_languages(barns: type[Barns]) -> None:
    message = bar(barns.blind())
    assert [line.text for line in message.lines] == [
        "Stalls: no reading since 1:12 pm. Sensor does not answer",
        "Cuadras: sin lectura desde 13:12. El sensor no contesta",
    ]
    assert message.more == ()


def test_since_yesterday_names_the_day(barns: type[Barns]) -> None:
    # 2026-07-14 is a Tuesday (ISO 8601 calendar), so 20 hours before 2:12 pm is Monday evening.
    message = bar(barns.barn(barns.lost(since_s=20 * 3600)))
    assert "since Mon 6:12 pm" in message.lines[0].text
    assert "desde lun 18:12" in message.lines[1].text


def test_without_a_trusted_clock_there_are_ages_and_no_times(barns: type[Barns]) -> None:
    message = bar(barns.barn(barns.lost(since_s=760), clock_trusted=False))
    assert "no reading for 12 min" in message.lines[0].text
    assert ":12" not in message.lines[0].text


def test_a_place_that_was_never_read_says_so(barns: type[Barns]) -> None:
    never = barns.lost(good_wall_s=None, age_s=None, lost_code="never-read", last_level=None)
    assert bar(barns.barn(never)).lines[0].text == "Stalls: no reading. Not read yet"


def test_a_late_row_keeps_its_number_and_tells_its_age(barns: type[Barns]) -> None:
    row = live_board(barns.barn(barns.place("stalls", 30, 57, 1, freshness="late", age_s=200.0)), texts()).rows[0]
    assert (row.freshness, row.sum_text, row.level) == ("late", "143", 1)
    assert [line.text for line in row.age] == ["3 min old", "hace 3 min"]


@pytest.mark.parametrize("kits", [0, 1, 2])
@pytest.mark.parametrize("freshness", ["fresh", "late"])
def test_a_row_has_all_numbers_and_both_inputs_in_each_language_whatever_else_it_shows(
    barns: type[Barns], kits: int, freshness: str
) -> None:
    kit = (barns.kit("fans"), barns.mister())[:kits]
    # 20 °C is 68 °F by definition of the scale.
    at = barns.split(
        "rack", 2, 1, temp_c=30, rh_pct=60, wet_bulb_c=20.0, carry=1.58, kit=kit, freshness=freshness, age_s=600.0
    )
    row = live_board(barns.barn(at), texts()).rows[0]
    assert [(f.before, f.value, f.after) for f in row.facts] == [
        ("wet bulb", "68°F", ""), ("air takes", "1.5×", "rest"), ("", "up to trot", ""),
    ]  # fmt: skip
    assert [line.text for line in row.note] == ["Rule says hot. Air: enough.", "Regla: calor. Aire: alcanza."]
    assert [line.text for line in row.policy] == ["Air counts.", "Manda el aire."]
    assert bool(row.age) == (freshness == "late")


def test_a_row_is_spoken_with_all_that_it_shows(barns: type[Barns]) -> None:
    at = barns.split("arena", 1, 2, temp_c=30, rh_pct=57, wet_bulb_c=20.0, carry=0.93)
    in_english, in_spanish = (live_board(barns.barn(at), texts(lang)).rows[0].said for lang in ("en", "es"))
    assert in_english == (
        "Arena: CARE, heat number 143, 86 degrees, 57 percent, wet bulb 68 degrees, air takes 0.9 times the heat of a "
        "horse (trot), walk only. Rule says easy. Air: walk only. Worse counts."
    )
    assert in_spanish == (
        "Pista: CUIDE, número de calor 143, 86 grados, 57 por ciento, bulbo húmedo 68 grados, el aire quita 0.9 veces "
        "el calor de un caballo (trote), sólo paso. Regla: suave. Aire: sólo paso. Manda lo peor."
    )
    late = dataclasses.replace(at, freshness="late", age_s=600.0)
    said = live_board(barns.barn(late), texts("en")).rows[0].said
    assert said.startswith("Arena: CARE, heat number 143, 10 min old, wet bulb 68 degrees, air takes 0.9 times")


@pytest.mark.parametrize("missing", ["sum_f_pct", "temp_c", "rh_pct", "wet_bulb_c", "carry"])
def test_a_place_without_one_of_its_numbers_shows_none(barns: type[Barns], missing: str) -> None:
    none: dict[str, Any] = {missing: None}
    at = dataclasses.replace(barns.place("rack", 30, 57, 1), **none)
    row = live_board(barns.barn(at), texts()).rows[0]
    assert (row.freshness, row.sum_text, row.facts, row.policy) == ("lost", "", (), ())


@pytest.mark.parametrize(
    ("carry", "shown"),
    [(0.97, "0.9"), (1.0, "1.0"), (1.19, "1.1"), (1.2, "1.2"), (2.3, "2.3"), (0.04, "0.0"), (10, "10.0")],
)
def test_a_shown_carry_is_cut_and_never_says_more_than_there_is(carry: float, shown: str) -> None:
    assert shown_carry(carry) == shown


@pytest.mark.parametrize(
    ("heat", "shown"),
    [(142.4, 142), (142.6, 143), (129.6, 129), (130.0, 130), (149.99, 149), (150.4, 150), (179.5, 179), (-3.6, -4)],
)
def test_a_shown_sum_never_passes_a_post_before_the_sum_does(heat: float, shown: int) -> None:
    assert shown_sum(heat, (130.0, 150.0, 180.0)) == shown


def test_degrees_are_those_of_the_scale() -> None:
    # Fixed points of the Fahrenheit scale.
    assert [temp_f_of(c) for c in (-40.0, 0.0, 37.0, 100.0)] == [-40, 32, 99, 212]


def test_kit_that_does_not_follow_is_asked_and_not_running(barns: type[Barns]) -> None:
    board = live_board(barns.disobeyed(), texts())
    assert board.rows[0].signs[0].state == "asked"
    assert board.message is not None
    assert [line.text for line in board.message.lines] == [
        "Stalls: fan asked, not running",
        "Cuadras: ventilador con orden, no anda",
    ]
    assert board.message.more == ()


@pytest.mark.parametrize(
    ("asked", "seen", "state"),
    [(True, True, "on"), (True, False, "asked"), (True, None, "asked"), (False, False, "off"), (False, True, "on")],
)
def test_only_kit_that_is_seen_counts_as_running(
    barns: type[Barns], asked: bool, seen: bool | None, state: str
) -> None:
    board = live_board(barns.barn(barns.place(kit=(barns.kit("fan-1", asked=asked, seen=seen),))), texts())
    assert board.rows[0].signs[0].state == state
    assert board.message is None


def test_one_dead_fan_among_running_ones_is_shown(barns: type[Barns]) -> None:
    fans = (barns.kit("fan-1"), barns.kit("fan-2", seen=False), barns.kit("fan-3"))
    assert [sign.state for sign in live_board(barns.barn(barns.place(kit=fans)), texts()).rows[0].signs] == ["asked"]


def test_the_worst_trouble_is_told_and_the_others_are_counted(barns: type[Barns]) -> None:
    dead = barns.place("stalls", 30, 57, 1, kit=(barns.kit("stall-fans", seen=False, trouble="dead"),))
    snapshot = barns.barn(
        barns.lost("rack"),
        dead,
        faults=(
            barns.fault("history", "history-unwritten"),
            barns.fault("line-a", "bus-stuck"),
            barns.fault("stall-fans", "kit-not-following"),
            barns.fault("rack-air", "sensor-lost"),
        ),
    )
    message = bar(snapshot)
    assert message.lines[0].text == "Stalls: fan asked, not running"
    assert [line.text for line in message.more] == ["+3 more", "y 3 más"]


@pytest.mark.parametrize(
    ("fault", "line"),
    [
        (("history", "history-unwritten"), "History is not being written"),
        (("line-a", "bus-stuck"), "line-a: cable line hangs. Go and look"),
        (("stalls-air-2", "sensor-lost"), "stalls-air-2: sensor gives no reading"),
        (("gadget", "a-code-of-tomorrow"), "gadget: go and look"),
    ],
)
def test_each_fault_has_its_line(barns: type[Barns], fault: tuple[str, str], line: str) -> None:
    assert bar(barns.barn(faults=(barns.fault(*fault),))).lines[0].text == line


def test_a_quiet_barn_has_no_message(barns: type[Barns]) -> None:
    assert live_board(barns.barn(), texts()).message is None


def test_more_than_six_places_show_the_worst_and_say_that_some_are_missing(barns: type[Barns]) -> None:
    places = [barns.place(f"p{n}", 30, 60, 1) for n in range(6)] + [barns.place("calm"), barns.lost("dark")]
    board = live_board(barns.barn(*places), texts())
    assert [row.name for row in board.rows] == ["P0", "P1", "P2", "P3", "P4", "Dark"]
    assert board.hidden == "2 more places do not fit here"


def test_the_lost_board_keeps_names_and_nothing_else(barns: type[Barns]) -> None:
    board = lost_board(barns.risky(), texts())
    assert verdict(board) == ("LOOK", "MIRE")
    assert [(row.name, row.level, row.sum_text, row.temp_f) for row in board.rows] == [
        (name, None, "", None) for name in ("Stalls", "Arena", "Rack", "Outside")
    ]


def test_the_first_language_leads(barns: type[Barns]) -> None:
    board = live_board(barns.risky(), texts("es", "en"))
    assert verdict(board) == ("CUIDE", "CARE")
    assert board.rows[0].name == "Cuadras"


def test_a_view_changes_only_when_what_is_seen_changes(barns: type[Barns]) -> None:
    first = barns.risky()
    later = dataclasses.replace(first, steps=101, mono_s=101.0, wall_s=first.wall_s + 1)
    assert live_board(first, texts()) == live_board(later, texts())
    hotter = dataclasses.replace(first, places=(barns.place("stalls", 31.0, 57.0, 1), *first.places[1:]))
    assert live_board(first, texts()) != live_board(hotter, texts())
