"""Owns: the proof that no mistake escapes, whatever key it is in, and that only our own words are spoken.

Must not know: how mistakes are found.
How it works: every key of the example is misspelt in turn, every value replaced in turn; random values and random
gaps in the file must end in a loaded site or in lines of our form, never in another exception.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from hypothesis import given
from hypothesis import strategies as st

Problems = Callable[[str | bytes], list[str]]

KEY = re.compile(r"(?:^|[{,] )([a-z_]+) = ")
KEY_COUNT = 152


def keys_of(example: str) -> list[tuple[int, re.Match[str]]]:
    """Every key of the example with its line, inner ones too; a comment's words are none."""
    lines = enumerate(example.split("\n"), 1)
    return [(number, match) for number, line in lines for match in KEY.finditer(line) if not line.startswith("#")]


def with_line(example: str, number: int, line: str) -> str:
    lines = example.split("\n")
    lines[number - 1] = line
    return "\n".join(lines)


def test_every_misspelt_key_is_told_with_its_line_and_what_was_meant(example: str, problems_of: Problems) -> None:
    keys = keys_of(example)
    assert len(keys) == KEY_COUNT
    for number, match in keys:
        word = match[1]
        wrong = word + word[-1]
        text = with_line(example, number, match.string[: match.start(1)] + wrong + match.string[match.end(1) :])
        said = [line for line in problems_of(text) if f'key "{wrong}"' in line]
        assert len(said) == 1
        assert said[0].startswith(f"barn.toml line {number}: ")
        assert f'not known here; did you mean "{word}"? allowed: ' in said[0]
        assert not any("missing" in line for line in problems_of(text))


def test_every_value_of_a_wrong_type_is_told_with_its_line(example: str, problems_of: Problems) -> None:
    for number, match in keys_of(example):
        text = with_line(example, number, f"{match.string[: match.end()]}2024-07-01{spared(match)}")
        said = [line for line in problems_of(text) if line.startswith(f"barn.toml line {number}: ")]
        assert len(said) == 1, said
        assert f'key "{match[1]}": found a date or time; allowed: ' in said[0]


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


@given(number=st.integers(0, KEY_COUNT - 1), value=STRANGE)
def test_any_value_is_taken_or_told_in_our_words(example: str, problems_of: Problems, number: int, value: str) -> None:
    line, match = keys_of(example)[number]
    for said in problems_of(with_line(example, line, f"{match.string[: match.end()]}{value}{spared(match)}")):
        assert LINE.fullmatch(said), said
        assert not PYDANTIC.search(said), said


@given(gone=st.sets(st.integers(1, 170), max_size=60))
def test_a_file_with_lines_left_out_is_taken_or_told_in_our_words(
    example: str, problems_of: Problems, gone: set[int]
) -> None:
    kept = [line for number, line in enumerate(example.split("\n"), 1) if number not in gone]
    for said in problems_of("\n".join(kept)):
        assert LINE.fullmatch(said) or "not TOML" in said, said
        assert not PYDANTIC.search(said), said
