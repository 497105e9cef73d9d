"""Owns: checks that no text is missing or wrong in any language, and of times as they are written.

Must not know: boards.
How it works: the shipped files are loaded; broken copies of them must stop the start and name the mistake.
"""

from __future__ import annotations

import dataclasses
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboards.clock_text import old_text, read_text, since_text, time_text
from dashboards.words import FOLDER, Words, load_words
from gateway.errors import SiteError
from gateway.model import Quality

NEW_YORK, MADRID = "America/New_York", "Europe/Madrid"


def texts_of(words: Words) -> Iterator[tuple[str, str]]:
    for field in dataclasses.fields(words):
        value = getattr(words, field.name)
        if isinstance(value, str):
            yield field.name, value
        elif isinstance(value, tuple):
            yield from ((f"{field.name}.{at}", text) for at, text in enumerate(value))
        else:
            yield from ((f"{field.name}.{key}", text) for key, text in value.items())


def placeholders(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_english_and_spanish_are_there_with_the_same_keys() -> None:
    known = load_words()
    assert set(known) == {"en", "es"}
    assert [key for key, _ in texts_of(known["en"])] == [key for key, _ in texts_of(known["es"])]


def test_both_languages_fill_in_the_same_facts() -> None:
    known = load_words()
    english, spanish = dict(texts_of(known["en"])), dict(texts_of(known["es"]))
    differing = [key for key in english if placeholders(english[key]) != placeholders(spanish[key])]
    assert differing == ["clock"]  # 2:12 pm and 14:12


def test_spanish_is_not_a_copy_of_english() -> None:
    known = load_words()
    english, spanish = dict(texts_of(known["en"])), dict(texts_of(known["es"]))
    assert [key for key in english if english[key] == spanish[key]] == ["said_head", "hands.title"]


def test_every_quality_of_a_reading_has_its_reason() -> None:
    wanted = {str(quality) for quality in Quality} - {"good"}
    for words in load_words().values():
        assert wanted <= set(words.reason)


def test_verdicts_are_short_enough_for_the_wall() -> None:
    for lang, longest in (("en", 4), ("es", 5)):
        words = load_words()[lang]
        assert all(len(word) <= longest for word in (*words.riding, *words.standing, words.unknown))


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (('no_link = "Sin red"\n', ""), "words/es.toml: missing key no_link"),
        (('torn = "Cable malo o ruido"\n', ""), "words/es.toml: missing key reason.torn"),
        (('no_link = "Sin red"', 'no_link = " "'), "no_link has an empty text"),
        (('heat = "calor"', 'heat = "calor {sun}"'), "placeholder {sun} that nobody fills"),
        (('heat = "calor"', 'heat = "calor"\nheet = "calor"'), "unknown key heet"),
        (('riding = ["LIBRE", ', "riding = ["), "riding must have 4 texts, has 3"),
        (('heat = "calor"', "heat = 3"), "heat must be a str"),
    ],
)
def test_a_wrong_language_file_stops_the_start(tmp_path: Path, change: tuple[str, str], problem: str) -> None:
    for path in FOLDER.glob("*.toml"):
        text = path.read_text(encoding="utf-8")
        broken = text.replace(*change) if path.stem == "es" else text
        assert path.stem == "en" or broken != text
        (tmp_path / path.name).write_text(broken, encoding="utf-8")
    with pytest.raises(SiteError) as caught:
        load_words(tmp_path)
    assert any(problem in line for line in caught.value.problems)


def test_an_empty_folder_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(SiteError):
        load_words(tmp_path)


# Unix seconds from the calendar (GNU date -u -d ... +%s); local times from the IANA time zone rules: New York is
# UTC-4 in July and UTC-5 in January, Madrid UTC+2 in July.
@pytest.mark.parametrize(
    ("wall_s", "zone", "english", "spanish"),
    [
        (1784052720, NEW_YORK, "2:12 pm", "14:12"),  # 2026-07-14 18:12 UTC
        (1784052720, MADRID, "8:12 pm", "20:12"),
        (1784001600, NEW_YORK, "12:00 am", "0:00"),  # 2026-07-14 04:00 UTC
        (1784044800, NEW_YORK, "12:00 pm", "12:00"),  # 2026-07-14 16:00 UTC
        (1793512740, NEW_YORK, "1:59 am", "1:59"),  # 2026-11-01 05:59 UTC, a minute before the clock goes back
        (1793512800, NEW_YORK, "1:00 am", "1:00"),  # 2026-11-01 06:00 UTC, after it
    ],
)
def test_times_follow_the_zone_of_the_barn(wall_s: float, zone: str, english: str, spanish: str) -> None:
    known = load_words()
    assert (time_text(wall_s, zone, known["en"]), time_text(wall_s, zone, known["es"])) == (english, spanish)


def test_an_unknown_zone_gives_no_time() -> None:
    words = load_words()["en"]
    assert time_text(0.0, "Nowhere/Atall", words) == "clock not set"
    assert since_text(0.0, 10.0, "../../etc/passwd", words) == "clock not set"


def test_ages_grow_in_steps_that_keep_a_row_still() -> None:
    words = load_words()["en"]
    assert [old_text(age_s, words) for age_s in (12.0, 19.9, 59.9, 60.0, 239.0)] == [
        "10 s old", "10 s old", "50 s old", "1 min old", "3 min old",
    ]  # fmt: skip
    assert [read_text(age_s, words) for age_s in (None, 8.9, 99.0, 121.0)] == [
        "nothing read", "read 8 s ago", "read 99 s ago", "read 2 min ago",
    ]  # fmt: skip
