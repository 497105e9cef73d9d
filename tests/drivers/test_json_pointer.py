"""Numbers out of JSON: the pointer of RFC 6901, and texts that are not plainly JSON."""

from __future__ import annotations

import json
import string
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.json_pointer import document, number_at, tokens
from gateway.errors import BadText, EmptyText, FrameError, ReadError

# RFC 6901 (2013), section 5: the document and what each pointer gives; those that give a number.
RFC_DOCUMENT = rb"""
{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}
"""
RFC_NUMBERS = [
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


def number(raw: bytes, pointer: str) -> float:
    return number_at(document(raw), tokens(pointer), pointer)


@pytest.mark.parametrize(("pointer", "value"), RFC_NUMBERS)
def test_the_examples_of_the_standard(pointer: str, value: int) -> None:
    assert number(RFC_DOCUMENT, pointer) == value


def test_the_whole_document_and_the_items_of_an_array() -> None:
    assert number(b" 21.5 ", "") == 21.5
    assert number(b'{"air": [20, {"temp": -3.5}]}', "/air/1/temp") == -3.5
    # section 4: ~01 is ~1, never /
    assert tokens("/~01") == ("~1",)


@pytest.mark.parametrize(
    "pointer", ["/foo", "/foo/0", "/nothing", "/foo/2", "/foo/-", "/foo/00", "/foo/1e0", "/m~0n/0"]
)
def test_a_pointer_that_leads_to_no_number_says_so(pointer: str) -> None:
    with pytest.raises(BadText, match=r"nothing there|is not a number"):
        number(RFC_DOCUMENT, pointer)


@pytest.mark.parametrize("pointer", ["temp", "~", "/~", "/~2", "/a~", "/~~0"])
def test_a_text_that_is_no_pointer_is_refused(pointer: str) -> None:
    with pytest.raises(ValueError, match=r"~|start"):
        tokens(pointer)


@pytest.mark.parametrize("value", ["true", "false", '"21.5"', "{}", "[]", "1e999", "-1e999", "9" * 4000])
def test_what_is_no_number_of_ours_is_refused(value: str) -> None:
    with pytest.raises(BadText):
        number(b'{"t": ' + value.encode() + b"}", "/t")


def test_null_and_nothing_are_empty_never_zero() -> None:
    for raw in (b'{"t": null}', b"", b" \r\n"):
        with pytest.raises(EmptyText):
            number(raw, "/t")


@pytest.mark.parametrize(
    "raw",
    [
        b"{",
        b"t=21",
        b'{"t": 21} x',
        b'{"t": NaN}',
        b'{"t": Infinity}',
        b'{"t": 1, "t": 2}',
        b'{"t": 01}',
        b"\xff\xfe{\x00}\x00",
        b'{"t": "\xff"}',
        b"[" * 100_000,
        b'{"a":' * 50_000,
        b'{"t": ' + b"9" * 5000 + b"}",  # more digits than Python turns into a number
    ],
)
def test_what_is_not_plainly_json_is_refused(raw: bytes) -> None:
    with pytest.raises(FrameError) as caught:
        number(raw, "/t")
    assert len(caught.value.raw) <= 64


@given(st.text(max_size=8), st.text(max_size=8))
def test_any_name_can_be_pointed_at(outer: str, inner: str) -> None:
    def token(name: str) -> str:
        return name.replace("~", "~0").replace("/", "~1")

    found = document(json.dumps({outer: {inner: 7}}).encode())
    pointer = f"/{token(outer)}/{token(inner)}"
    assert number_at(found, tokens(pointer), pointer) == 7


@settings(max_examples=3000)
@given(
    st.binary(max_size=60) | st.text(alphabet=string.printable, max_size=60).map(str.encode),
    st.sampled_from(["", "/", "/t", "/a/0"]),
)
def test_any_bytes_end_in_a_number_or_a_read_error(raw: bytes, pointer: str) -> None:
    with suppress(ReadError):
        assert isinstance(number(raw, pointer), float)
