"""Owns: checks of the signs and the pole as drawings.

Must not know: pages, CSS.
How it works: the SVG is parsed with the standard library and measured; what must be different is compared.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import pictures

POSTS = (130.0, 150.0, 180.0)


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def draw_pole(temp_f: float | None, rh_pct: float | None, *, outline: bool = False) -> str:
    labels = ("", "") if temp_f is None else (f"{temp_f:.0f}°", f"{rh_pct:.0f}%")
    return pictures.pole(
        temp_f=temp_f, rh_pct=rh_pct, posts=POSTS, labels=labels, outline=outline, width=400, height=100
    )


@pytest.mark.parametrize("level", [0, 1, 2, 3])
def test_gate_has_as_many_rails_as_its_level(level: int) -> None:
    rails = [r for r in parsed(pictures.gate(level, 110)).iter("rect") if r.get("width") == "126"]
    assert len(rails) == level


def test_only_the_shut_gate_has_a_brace_and_only_the_open_one_stands_on_ground() -> None:
    paths = [len(list(parsed(pictures.gate(level, 110)).iter("path"))) for level in (0, 1, 2, 3)]
    assert paths == [1, 0, 0, 1]


def test_unknown_gate_has_no_rail_and_no_solid_post() -> None:
    unknown = parsed(pictures.gate(None, 110))
    assert not list(unknown.iter("rect"))
    assert any(group.get("stroke-dasharray") for group in unknown.iter("g"))


def test_gaps_between_rails_can_be_told_apart_at_twelve_metres() -> None:
    # 4 minutes of arc at 12 m are 14.0 mm (tan); 400 px of a 24-inch 1080p screen are 0.277 mm each, the sign has
    # 110 units. Common practice for the 4 minutes, no published source.
    gap_mm = (pictures.RAILS_Y[1] - pictures.RAILS_Y[0] - 14) / 110 * 400 * 0.277
    assert gap_mm >= 13.96


def test_all_signs_differ() -> None:
    drawn = [pictures.gate(level, 100) for level in (None, 0, 1, 2, 3)]
    drawn += [sign(state, 100) for sign in (pictures.fan, pictures.mist) for state in pictures.SIGN_STATES]
    drawn += [pictures.plug(100)]
    assert len({re.sub(r'class="[^"]*"', "", svg) for svg in drawn}) == len(drawn)


def test_running_is_filled_asked_is_dashed_off_has_no_ring() -> None:
    on, asked, off = (pictures.fan(state, 100) for state in pictures.SIGN_STATES)
    assert on.count('fill="currentColor"') > asked.count('fill="currentColor"')
    assert "stroke-dasharray" in asked
    assert "stroke-dasharray" not in on + off
    assert 'r="44"' in on
    assert 'r="44"' not in off


@given(st.floats(40, 120), st.floats(20, 80))
def test_the_tip_of_the_pole_stands_at_the_sum(temp_f: float, rh_pct: float) -> None:
    ends = [float(r.get("x", 0)) + float(r.get("width", 0)) for r in parsed(draw_pole(temp_f, rh_pct)).iter("rect")
            if r.get("stroke") == "currentColor"]  # fmt: skip
    assert max(ends) + 2 == pytest.approx(min(temp_f + rh_pct, 200) * 2, abs=0.2)


@given(st.floats(-60, 200), st.floats(0, 100), st.booleans())
def test_no_air_breaks_the_pole_or_leaves_its_frame(temp_f: float, rh_pct: float, outline: bool) -> None:
    svg = draw_pole(temp_f, rh_pct, outline=outline)
    assert "nan" not in svg
    for rect in parsed(svg).iter("rect"):
        assert float(rect.get("width", 0)) >= 0
        assert float(rect.get("height", 0)) >= 0
        if rect.get("stroke"):
            assert float(rect.get("x", 0)) + float(rect.get("width", 0)) <= 400


def test_posts_stand_where_their_numbers_are() -> None:
    posts = [r for r in parsed(draw_pole(80, 50)).iter("rect") if r.get("width") == "10"]
    assert [float(p.get("x", 0)) + 5 for p in posts] == [260, 300, 360]


def test_a_ghost_pole_has_no_text_and_one_length_for_all() -> None:
    ghost = draw_pole(None, None)
    assert not list(parsed(ghost).iter("text"))
    assert "stroke-dasharray" in ghost


def test_an_old_pole_is_one_empty_rod_without_figures() -> None:
    old = parsed(draw_pole(90, 60, outline=True))
    assert not list(old.iter("text"))


@pytest.mark.parametrize(("temp_f", "rh_pct", "texts"), [(90, 60, ["90°", "60%"]), (95, 8, ["95° + 8%"])])
def test_figures_stand_in_their_rods_or_together_behind(temp_f: float, rh_pct: float, texts: list[str]) -> None:
    assert [t.text for t in parsed(draw_pole(temp_f, rh_pct)).iter("text")] == texts


def test_every_picture_is_hidden_from_screen_readers() -> None:
    for svg in (pictures.gate(1, 10), draw_pole(80, 50), pictures.plug(10), pictures.swatch(hatched=True, height=10)):
        assert parsed(svg).get("aria-hidden") == "true"


@pytest.mark.parametrize("draw", [pictures.bell, pictures.parcel])
def test_the_states_of_a_bell_and_of_a_message_differ_in_outline_and_fill(draw: Callable[[str, int], str]) -> None:
    states = ("delivered", "pending", "given-up") if draw is pictures.parcel else pictures.SIGN_STATES
    drawn = [re.sub(r'class="[^"]*"', "", draw(state, 40)) for state in states]
    assert len(set(drawn)) == 3
    assert ['fill="currentColor"/>' in each for each in drawn] == [True, False, False]
