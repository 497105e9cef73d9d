"""Owns: the proof that every key and list item is found on its line.

Must not know: which keys a barn has.
How it works: the property test writes random TOML in which each number is the number of the line it stands on.
`tomllib`, which knows nothing of lines, then gives the expected line of each key as its value.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.site_lines import Key, find_lines

HERE = "@@"  # becomes the number of its line

BARE = st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True)
QUOTED = st.sampled_from(['"a.b"', "'c d'", '"#"', '"\\u00e9"', "'['", '"q\\"="', '""', "'k = 1'"])
WORD = st.one_of(BARE, QUOTED)
GAP = st.sampled_from(["", "\n", " # [no] = 1\n", "\n# k = 1 ]\n\n", " "])
DECOY = st.sampled_from(
    [
        '"# [x]"',
        "'a \\'",
        '"\\"]"',
        '"""\n[fake]\nk = 1\n"""',
        "'''\n[[fake]]\n# '' no\n'''",
        '"""a\\\n  b"" """',
        '"""x"""""',
        "''''quoted''''",
        '""',
        '""""""',
        "1979-05-27 07:32:00",
        "true",
        "-inf",
    ]
)


def lists(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    item = st.tuples(GAP, inner, GAP).map("".join)
    return st.tuples(st.lists(item, max_size=3).map(",".join), GAP).map(lambda parts: f"[{''.join(parts)}]")


def inline_tables(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    entries = st.dictionaries(WORD, inner, max_size=3)
    return entries.map(lambda e: "{ " + ", ".join(f"{key} = {value}" for key, value in e.items()) + " }")


VALUE = st.recursive(st.one_of(st.just(HERE), DECOY), lambda inner: st.one_of(lists(inner), inline_tables(inner)))
PAIR = st.tuples(st.lists(WORD, min_size=1, max_size=3).map(" . ".join), VALUE).map(" = ".join)
HEADER = st.one_of(
    st.lists(WORD, min_size=1, max_size=3).map(lambda words: f"[ {'.'.join(words)} ]"),
    st.lists(WORD, min_size=1, max_size=2).map(lambda words: f"[[{' . '.join(words)}]] # [no]"),
)
LINE = st.one_of(PAIR, PAIR, HEADER, st.just("# k = 1"), st.just(""))


def numbered(parts: list[str]) -> str:
    """The parts that are valid TOML together, one that clashes with those before it left out, with line numbers."""
    kept: list[str] = []
    for part in parts:
        try:
            tomllib.loads("\n".join([*kept, part]).replace(HERE, "0"))
        except tomllib.TOMLDecodeError:
            continue
        kept.append(part)
    lines = "\n".join(kept).split("\n")
    return "\n".join(line.replace(HERE, str(number)) for number, line in enumerate(lines, 1))


def leaves(value: Any, path: Key = ()) -> Iterator[tuple[Key, Any]]:
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if pairs is None:
        yield path, value
        return
    for step, inner in pairs:
        yield from leaves(inner, (*path, step))


def every_path(value: Any, path: Key = ()) -> Iterator[Key]:
    if path:
        yield path
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, inner in pairs:
        yield from every_path(inner, (*path, step))


@given(st.lists(LINE, max_size=12))
def test_each_number_is_found_on_the_line_that_it_names(parts: list[str]) -> None:
    text = numbered(parts)
    lines = find_lines(text)
    tree = tomllib.loads(text)
    for path, value in leaves(tree):
        if type(value) is int:
            assert lines[path] == value, (path, text)
    assert set(lines) == set(every_path(tree))


TEXT = '''\
top = 1
[a.b]
c = [
  1, # ]
  """
[x]
y = 1
""",
  { d = 1 },
]
e.f = 2
[a]
g = 3
[[t]]
n = "1"
[t.u]
v = 1
[[t.w]]
[[t.w]]
x = 1
[[t]]
u.v = 2
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 1),
        (("a", "b"), 2),
        (("a", "b", "c"), 3),
        (("a", "b", "c", 0), 4),
        (("a", "b", "c", 1), 5),
        (("a", "b", "c", 2), 9),
        (("a", "b", "c", 2, "d"), 9),
        (("a", "b", "e", "f"), 11),
        (("a",), 12),
        (("a", "g"), 13),
        (("t",), 14),
        (("t", 0), 14),
        (("t", 0, "u"), 16),
        (("t", 0, "u", "v"), 17),
        (("t", 0, "w", 1), 19),
        (("t", 0, "w", 1, "x"), 20),
        (("t", 1), 21),
        (("t", 1, "u", "v"), 22),
    ],
)
def test_tables_arrays_dotted_keys_and_long_strings_keep_their_lines(path: Key, line: int) -> None:
    assert find_lines(TEXT)[path] == line


def test_the_example_has_a_line_for_every_value(example: str) -> None:
    lines = find_lines(example)
    rows = example.split("\n")
    for path in every_path(tomllib.loads(example)):
        last = next(step for step in reversed(path) if isinstance(step, str))
        if not (len(path) > 1 and path[-2] == "languages"):
            assert re.search(rf"\b{last}\b", rows[lines[path] - 1]), path
