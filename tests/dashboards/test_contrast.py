"""Owns: checks of the colours of all faces.

Must not know: pages.
How it works: the tokens are read from the style sheet; contrast is computed as WCAG 2.2 defines it (relative
luminance and contrast ratio, in its glossary).
"""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from dashboards.assets import FOLDER

FACES = ("day", "night", "glare")


def tokens(face: str, sheet: str = "aisle.css") -> dict[str, str]:
    """The variables of a face; what a face does not set it takes from the day."""
    css = (FOLDER / sheet).read_text(encoding="utf-8")
    found: dict[str, str] = {}
    for selector in (":root", rf"\[data-face={face}\]"):
        block = re.search(rf"^{selector} \{{(.*?)\}}", css, re.DOTALL | re.MULTILINE)
        if block:
            found |= dict(re.findall(r"--([\w-]+): (#[0-9A-F]{6})", block.group(1)))
    return found


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_measure_itself() -> None:
    # WCAG 2.2: black on white is 21:1. #767676 is widely given as the lightest grey that passes 4.5:1 on white.
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#767676", "#FFFFFF") >= 4.5 > contrast("#777777", "#FFFFFF")


@pytest.mark.parametrize("face", FACES)
def test_text_reaches_seven_to_one(face: str) -> None:
    colours = tokens(face)
    for text in ("ink", "ink2"):
        assert contrast(colours[text], colours["paper"]) >= 7, text
    assert contrast(colours["ink"], colours["paper2"]) >= 7


@pytest.mark.parametrize("face", FACES)
def test_signs_on_level_colours_reach_their_minimum(face: str) -> None:
    # WCAG 2.2, 1.4.3 large text and 1.4.11 graphics ask 3:1; we ask 4.5 of gates and words.
    colours = tokens(face)
    for level in ("1", "2", "3"):
        assert contrast(colours[f"level{level}"], colours[f"on-level{level}"]) >= 4.5, level


@pytest.mark.parametrize("face", FACES)
def test_lines_and_ghosts_can_be_seen(face: str) -> None:
    # WCAG 2.2, 1.4.11: 3:1.
    colours = tokens(face)
    for drawn in ("line", "lost"):
        assert contrast(colours[drawn], colours["paper"]) >= 3, drawn


@pytest.mark.parametrize("face", ["day", "glare"])
def test_levels_darken_step_by_step_so_grey_print_keeps_the_order(face: str) -> None:
    colours = tokens(face)
    steps = [luminance(colours[name]) for name in ("paper", "level1", "level2", "level3")]
    assert steps == sorted(steps, reverse=True)
    assert all(before / after > 1.2 for before, after in pairwise(steps))


@pytest.mark.parametrize("face", FACES)
def test_by_hand_can_be_read_and_its_marks_seen(face: str) -> None:
    colours = tokens(face)
    assert contrast(colours["info"], colours["on-info"]) >= 4.5
    assert contrast(colours["info"], colours["paper"]) >= 4.5


@pytest.mark.parametrize("face", FACES)
def test_all_pages_have_the_colours_that_are_checked_here(face: str) -> None:
    assert tokens(face, "tokens.css") == tokens(face)
