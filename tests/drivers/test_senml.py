"""SenML: the examples of RFC 8428, what it forbids, and bytes that are broken in every way."""

from __future__ import annotations

import json
import math
import string
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.senml import UNITS, Record, decode, encode, measured
from gateway.errors import BadText, EmptyText, FrameError, Implausible, ReadError
from gateway.model import Quantity

DEVICE = "urn:dev:ow:10e2073a01080063"

# RFC 8428 (2018), sections 5.1.1, 5.1.2 (both; bver is 5 there), 5.1.3 (shortened), 5.1.5 to 5.1.7.
SINGLE = [{"n": DEVICE, "u": "Cel", "v": 23.1}]
NOW = [{"bn": f"{DEVICE}:", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}]
PAST = [
    {"bn": f"{DEVICE}:", "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
    {"n": "current", "t": -5, "v": 1.2},
    {"n": "current", "t": -4, "v": 1.3},
    {"n": "current", "t": -3, "v": 1.4},
    {"n": "current", "t": -2, "v": 1.5},
    {"n": "current", "t": -1, "v": 1.6},
    {"n": "current", "v": 1.7},
]
MOBILE = [
    {"bn": DEVICE, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
    {"u": "lon", "v": 24.30621},
    {"u": "lat", "v": 60.07965},
    {"t": 60, "v": 20.3},
    {"u": "lon", "t": 60, "v": 24.30622},
    {"u": "%EL", "t": 150, "v": 98},
    {"t": 180, "v": 21.2},
]
# Section 5.1.4 gives the same resolved.
MOBILE_RESOLVED = [
    (DEVICE, "%RH", 1.320067464e09, 20),
    (DEVICE, "lon", 1.320067464e09, 24.30621),
    (DEVICE, "lat", 1.320067464e09, 60.07965),
    (DEVICE, "%RH", 1.320067524e09, 20.3),
    (DEVICE, "lon", 1.320067524e09, 24.30622),
    (DEVICE, "%EL", 1.320067614e09, 98),
    (DEVICE, "%RH", 1.320067644e09, 21.2),
]
KINDS = [
    {"bn": f"{DEVICE}:", "n": "temp", "u": "Cel", "v": 23.1},
    {"n": "label", "vs": "Machine Room"},
    {"n": "open", "vb": False},
    {"n": "nfc-reader", "vd": "aGkgCg"},
]
COLLECTION = [
    {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
    {"n": "humidity", "u": "%RH", "v": 30},
    {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
    {"n": "humidity", "u": "%RH", "v": 67},
]
ACTUATOR = [{"bn": f"{DEVICE}:"}, {"n": "temp", "u": "Cel", "v": 23.1}, {"n": "heat", "u": "/", "v": 1}]


def pack(*records: Any) -> bytes:
    return json.dumps(list(records)).encode()


def test_a_single_datapoint() -> None:
    assert decode(pack(*SINGLE)) == (Record(name=DEVICE, unit="Cel", time_s=0, value=23.1),)


def test_base_name_unit_and_time_hold_from_record_to_record() -> None:
    assert [(r.name, r.unit, r.value) for r in decode(pack(*NOW))] == [
        (f"{DEVICE}:voltage", "V", 120.1),
        (f"{DEVICE}:current", "A", 1.2),
    ]
    records = decode(pack(*PAST))
    assert [r.unit for r in records] == ["V", *["A"] * 6]
    assert [r.time_s for r in records[1:]] == pytest.approx([1276020076.001 - ago for ago in (5, 4, 3, 2, 1, 0)])
    assert all(r.is_absolute for r in records)
    assert [(r.name, r.unit, r.time_s, r.value) for r in decode(pack(*MOBILE))] == MOBILE_RESOLVED


def test_a_later_base_replaces_the_earlier_one_and_leaves_the_others() -> None:
    assert [(r.name, r.time_s, r.value) for r in decode(pack(*COLLECTION))] == [
        ("2001:db8::2/temperature", 1.320078429e09, 25.2),
        ("2001:db8::2/humidity", 1.320078429e09, 30),
        ("2001:db8::1/temperature", 1.320078429e09, 12.3),
        ("2001:db8::1/humidity", 1.320078429e09, 67),
    ]


def test_every_kind_of_value() -> None:
    assert [r.value for r in decode(pack(*KINDS))] == [23.1, "Machine Room", False, b"hi \n"]


def test_a_record_of_base_fields_only_is_no_measurement() -> None:
    assert [r.name for r in decode(pack(*ACTUATOR))] == [f"{DEVICE}:temp", f"{DEVICE}:heat"]


def test_base_value_and_base_sum_are_added() -> None:
    """Section 4.5.2 and 4.5.4."""
    first, second = decode(pack({"n": "a", "bv": 20, "v": 1.5, "bs": 100, "s": 2}, {"n": "b", "v": -1}))
    assert (first.value, first.total) == (21.5, 102)
    assert (second.value, second.total) == (19, 100)
    assert decode(pack({"n": "a", "s": 3})) == (Record(name="a", value=None, total=3),)


@pytest.mark.parametrize(
    ("time_s", "absolute"), [(-60, False), (0, False), (268_435_455, False), (268_435_456, True), (1.78e9, True)]
)
def test_a_time_is_absolute_from_two_to_the_28th_on(time_s: float, absolute: bool) -> None:
    """Section 4.5.3; it is the sum of base time and time that counts."""
    (record,) = decode(pack({"n": "a", "bt": time_s - 5, "t": 5, "v": 1}))
    assert (record.time_s, record.is_absolute) == (time_s, absolute)


@pytest.mark.parametrize("version", [1, 5, 10, 10.0, 26])
def test_versions_that_are_understood(version: float) -> None:
    """10 is RFC 8428; 26 has secondary units besides (RFC 9100, section 3 and RFC 8798)."""
    assert decode(pack({"bver": version, "n": "a", "v": 1}))


@pytest.mark.parametrize(
    ("record", "why"),
    [
        ({"bver": 11, "n": "a", "v": 1}, "version 11"),
        ({"bver": 42, "n": "a", "v": 1}, "version 42"),
        ({"bver": 0, "n": "a", "v": 1}, "version 0"),
        ({"bver": 9.5, "n": "a", "v": 1}, "version 9.5"),
        ({"bver": 10**400, "n": "a", "v": 1}, "version 1000"),
        ({"n": "a", "v": 1, "unit_": "Cel"}, "must be understood"),
        ({"n": "a"}, "0 values"),
        ({"n": "a", "v": 1, "vs": "x"}, "2 values"),
        ({"n": "a", "v": "1"}, "wrong type"),
        ({"n": "a", "v": True}, "wrong type"),
        ({"n": "a", "vb": 1}, "wrong type"),
        ({"n": 7, "v": 1}, "wrong type"),
        ({"n": "a", "v": 1, "t": "now"}, "wrong type"),
        ({"n": "a", "vd": "?"}, "vd"),
        ({"v": 1}, "no SenML name"),
        ({"n": "-a", "v": 1}, "no SenML name"),
        ({"n": "a b", "v": 1}, "no SenML name"),
        ({"n": "ä", "v": 1}, "no SenML name"),
        ({"n": "a", "v": 1e308, "bv": 1e308}, "beyond all measure"),
        ({"n": "a", "v": 10**400}, "beyond all measure"),
        ({}, "not an object"),
        (7, "not an object"),
    ],
)
def test_what_the_standard_forbids_spoils_the_pack(record: Any, why: str) -> None:
    with pytest.raises(FrameError, match=why):
        decode(pack({"n": "good", "v": 1}, record))


def test_the_version_may_not_change_within_a_pack() -> None:
    with pytest.raises(FrameError, match="version changes"):
        decode(pack({"bver": 10, "n": "a", "v": 1}, {"bver": 5, "n": "a", "v": 1}))


def test_unknown_labels_without_underscore_are_passed_over() -> None:
    """Section 4.4."""
    assert decode(pack({"n": "a", "v": 1, "colour": "bay", "ut": 60})) == (Record(name="a", value=1),)


@pytest.mark.parametrize("raw", [b"{}", b"[]", b"7", b'"a"'])
def test_a_pack_is_an_array_with_records(raw: bytes) -> None:
    with pytest.raises(FrameError, match="not an array"):
        decode(raw)
    with pytest.raises(EmptyText):
        decode(b"")


# --- units -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "value", "quantity", "expected"),
    [
        ("Cel", 23.1, Quantity.TEMP, 23.1),
        ("K", 296.25, Quantity.TEMP, 23.1),  # 0 °C is 273.15 K: SI brochure, 9th edition, 2.3.1
        ("%RH", 64.5, Quantity.RH, 64.5),
        ("m/s", 1.5, Quantity.WIND, 1.5),
        ("km/h", 36, Quantity.WIND, 10),
        ("rad", math.pi, Quantity.DIRECTION, 180),
        ("hPa", 1013.25, Quantity.PRESSURE, 101325),
        ("W/m2", 812, Quantity.SUN, 812),
        ("mA", 1500, Quantity.CURRENT, 1.5),
        ("1/s", 24, Quantity.SPEED, 1440),
        ("l/s", 0.1, Quantity.FLOW, 6),
        ("m3/s", 0.0001, Quantity.FLOW, 6),
        ("", 7, Quantity.FLOW, 7),
    ],
)
def test_a_unit_is_brought_to_ours(unit: str, value: float, quantity: Quantity, expected: float) -> None:
    assert measured(Record(name="a", unit=unit, value=value), quantity) == pytest.approx(expected)


def test_another_unit_is_implausible_and_no_number_is_bad_text() -> None:
    with pytest.raises(Implausible, match=r"'%RH'.*Cel, K"):
        measured(Record(name="a", unit="%RH", value=23.1), Quantity.TEMP)
    for value in (True, "23.1", b"", None):
        with pytest.raises(BadText):
            measured(Record(name="a", value=value), Quantity.TEMP)


def test_every_quantity_of_a_number_has_a_unit() -> None:
    assert set(Quantity) - UNITS.keys() == {Quantity.CONTACT, Quantity.SWITCH}


# --- round trip, broken bytes --------------------------------------------------------------------------

_FIRST, _REST = string.ascii_letters + string.digits, string.ascii_letters + string.digits + "-:./_"
_names = st.builds(str.__add__, st.sampled_from(_FIRST), st.text(alphabet=_REST, max_size=12))
_numbers = st.floats(allow_nan=False, allow_infinity=False)
_records = st.builds(
    Record,
    name=_names,
    unit=st.sampled_from(["", "Cel", "%RH"]),
    time_s=_numbers,
    value=_numbers | st.booleans() | st.text(max_size=8) | st.binary(max_size=8),
    total=st.none() | _numbers,
)


@settings(max_examples=300)
@given(st.lists(_records, min_size=1, max_size=5))
def test_what_is_encoded_is_decoded_as_it_was(records: list[Record]) -> None:
    assert decode(encode(records)) == tuple(records)


WHOLE = pack({"bn": "node-7/", "bt": 1.78e9, "n": "temp", "u": "Cel", "v": 23.1}, {"n": "rh", "u": "%RH", "v": 64.5})


def test_a_cut_pack_or_one_with_junk_is_refused() -> None:
    assert len(decode(WHOLE)) == 2
    for size in range(len(WHOLE)):
        with pytest.raises(ReadError):
            decode(WHOLE[:size])
    for junk in (b"x", b"\x00", b"[", b"]", b"1"):
        with pytest.raises(ReadError):
            decode(junk + WHOLE)
        with pytest.raises(ReadError):
            decode(WHOLE + junk)


def test_every_flipped_bit_ends_in_records_or_a_read_error() -> None:
    """SenML has no checksum: TCP and TLS carry that. A flipped bit must not do anything else than spoil the pack."""
    for at in range(8 * len(WHOLE)):
        broken = bytearray(WHOLE)
        broken[at // 8] ^= 1 << at % 8
        with suppress(ReadError):
            assert decode(bytes(broken))


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["bn", "bt", "bv", "bver", "n", "u", "v", "vb", "vd", "vs", "s", "t", "x_"]), inner
        )
    ),
    max_leaves=12,
)


@settings(max_examples=3000)
@given(st.binary(max_size=80) | _json.map(lambda found: json.dumps(found).encode()) | st.just(WHOLE))
def test_any_bytes_end_in_records_or_a_read_error(raw: bytes) -> None:
    with suppress(ReadError):
        for record in decode(raw):
            assert record.name
            assert math.isfinite(record.time_s)
            assert not isinstance(record.value, float) or math.isfinite(record.value)
