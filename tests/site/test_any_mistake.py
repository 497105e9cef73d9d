"""Owns: the proof that no mistake escapes, whatever key it is in, and that only our own words are spoken.

Must not know: how mistakes are found.
How it works: every key of the bench's file and of the files to copy from is misspelt in turn, every value replaced in
turn; random values and random gaps must end in a loaded site or in lines of our form, never in another exception.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.site.conftest import EXAMPLE

Problems = Callable[[str | bytes], list[str]]

FREE = "transducers"  # a table of free keys, told at its own key
KEY = re.compile(r"(?:^|[{,] )([a-z_]+) = ")


def keys_of(example: str) -> list[tuple[int, re.Match[str]]]:
    """Every key of the example with its line, inner ones too; a comment's words are none."""
    return [
        (number, match)
        for number, line in enumerate(example.split("\n"), 1)
        for match in KEY.finditer(line.partition("  #")[0])
        if not line.startswith("#") and not (line.startswith(FREE) and match.start() > 0)
    ]


FILES = [EXAMPLE, *sorted((EXAMPLE.parents[1] / "examples").glob("*.toml"))]
TEXTS = {path.stem: path.read_text(encoding="utf-8") for path in FILES}
KEYS = [(name, number, match) for name, text in TEXTS.items() for number, match in keys_of(text)]
each_file = pytest.mark.parametrize("example", TEXTS.values(), ids=TEXTS)


def with_line(example: str, number: int, line: str) -> str:
    lines = example.split("\n")
    lines[number - 1] = line
    return "\n".join(lines)


@each_file
def test_every_misspelt_key_is_told_with_its_line_and_what_was_meant(example: str, problems_of: Problems) -> None:
    keys = keys_of(example)
    assert len(keys) >= 50, "the search for keys finds them no longer"
    for number, match in keys:
        word = match[1]
        wrong = word + word[-1]
        text = with_line(example, number, match.string[: match.start(1)] + wrong + match.string[match.end(1) :])
        said = [line for line in problems_of(text) if f'key "{wrong}"' in line]
        assert len(said) == 1
        assert said[0].startswith(f"barn.toml line {number}: ")
        assert f'not known here; did you mean "{word}"? allowed: ' in said[0]
        assert not any("missing" in line for line in problems_of(text))


@each_file
def test_every_value_of_a_wrong_type_is_told_with_its_line(example: str, problems_of: Problems) -> None:
    for number, match in keys_of(example):
        wrong, shown = ("true", "true") if match[1] == "on" else ("2024-07-01", "a date or time")
        text = with_line(example, number, f"{match.string[: match.end()]}{wrong}{spared(match)}")
        said = [line for line in problems_of(text) if line.startswith(f"barn.toml line {number}: ")]
        assert len(said) == 1, said
        assert f'key "{match[1]}": found {shown}; allowed: ' in said[0]


def spared(match: re.Match[str]) -> str:
    """What stands in the line behind the value: of an inline table the rest, else nothing."""
    rest = match.string[match.end() :]
    inside = match.start() > 0
    return rest[re.match(r"[^,}]*", rest).end() :] if inside else ""  # type: ignore[union-attr]


NUMBERS = ["-1", "0", "1", "1e308", "1e-300", "nan", "-inf", "9223372036854775807", "0x" + "f" * 5000]
WORDS = ['""', '"1"', '"x"', '"stalls"', '"fan"', '"é\\u202e"', '"\\u0000"', '"' + "a" * 500 + '"']
OTHERS = ["true", "[]", "[[]]", "{}", "[{}]", "00:00:00", '["a", 1]', "{ name = 1 }"]
STRANGE = st.sampled_from(NUMBERS + WORDS + OTHERS)
LINE = re.compile(r'barn\.toml line \d+: (\S+( "[^"]*")? )?([a-z]+ )?key "[a-z_]+": .+; ?.*allowed: .+')
PYDANTIC = re.compile(r"Input|should be|Field required|Extra inputs|valid |instance|dictionary|pydantic|validat")


@given(place=st.sampled_from(KEYS), value=STRANGE)
def test_any_value_is_taken_or_told_in_our_words(
    problems_of: Problems, place: tuple[str, int, re.Match[str]], value: str
) -> None:
    name, line, match = place
    for said in problems_of(with_line(TEXTS[name], line, f"{match.string[: match.end()]}{value}{spared(match)}")):
        assert LINE.fullmatch(said), said
        assert not PYDANTIC.search(said), said


@given(name=st.sampled_from(sorted(TEXTS)), gone=st.sets(st.integers(1, 350), max_size=60))
def test_a_file_with_lines_left_out_is_taken_or_told_in_our_words(
    problems_of: Problems, name: str, gone: set[int]
) -> None:
    kept = [line for number, line in enumerate(TEXTS[name].split("\n"), 1) if number not in gone]
    for said in problems_of("\n".join(kept)):
        assert LINE.fullmatch(said) or "not TOML" in said, said
        assert not PYDANTIC.search(said), said
