"""Owns: the check that every value comes back from the disk as it was handed in.

Must not know: the tables.
How it works: hypothesis makes values in whole milliseconds, a real writer writes them, a real reader reads them.
"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.model import Beat, CommandChange, FaultChange, LevelChange, Quality, Reading, Reason, Stamp
from gateway.store import rows
from gateway.store.queries import History
from gateway.store.writer import Writer

if TYPE_CHECKING:
    from tests.store.conftest import Samples

CHANNEL = "air-1.temp_c"
words = st.text(max_size=20)
numbers = st.none() | st.floats(allow_nan=False)
ms = st.integers(0, 4 * 10**12)


@st.composite
def stamps(draw: st.DrawFn) -> Stamp:
    mono_ms, wall_ms = draw(ms), draw(ms)
    return Stamp(mono_s=mono_ms / 1000, wall_s=wall_ms / 1000, boot=draw(words), trusted=draw(st.booleans()))


reasons = st.builds(Reason, code=words, text=words)
some_level = st.none() | st.integers(0, 3)
levels = st.builds(
    LevelChange, place=words, before=some_level, after=some_level, sum_f_pct=numbers, reason=reasons, stamp=stamps()
)
commands = st.builds(
    CommandChange,
    kit=words,
    on=st.booleans(),
    reasons=st.lists(reasons, min_size=1, max_size=3).map(tuple),
    stamp=stamps(),
)
faults = st.builds(FaultChange, subject=words, code=words, text=words, active=st.booleans(), stamp=stamps())
bad = st.sampled_from([q for q in Quality if q is not Quality.GOOD])
readings = st.builds(Reading, channel=st.just(CHANNEL), value=numbers, quality=st.just(Quality.GOOD), stamp=stamps())
missing = st.builds(Reading, channel=st.just(CHANNEL), value=st.none(), quality=bad, detail=words, stamp=stamps())


def instant(reading: Reading) -> tuple[str, float]:
    return reading.stamp.boot, reading.stamp.mono_s


@settings(max_examples=40, deadline=None)
@given(
    events=st.lists(levels | commands | faults, max_size=8),
    measured=st.lists(readings | missing, max_size=8, unique_by=instant),
    steps=st.integers(0, 2**40),
    at=stamps(),
)
def test_every_record_comes_back_as_it_was(
    samples: Samples, events: list[Any], measured: list[Reading], steps: int, at: Stamp
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.db"
        writer = Writer(path, samples.barn, samples.channels)
        writer.events(events)
        for reading in measured:
            writer.reading(reading)
        writer.beat(steps, 3, at)
        assert writer.close(10), writer.trouble()
        history = History(path)
        assert list(history.levels()) == [e for e in events if isinstance(e, LevelChange)]
        assert list(history.commands()) == [e for e in events if isinstance(e, CommandChange)]
        assert list(history.faults()) == [e for e in events if isinstance(e, FaultChange)]
        assert history.beats() == (Beat(steps=steps, late=3, stamp=at),)
        found = history.readings(channel=CHANNEL)
        assert sorted(found, key=instant) == sorted(measured, key=instant)


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_any_time_fits_a_column(seconds: float) -> None:
    # Signed 64 bits: "Storage Classes and Datatypes", sqlite.org/datatype3.html.
    assert -(2**63) <= rows.whole_ms(seconds) < 2**63


@given(st.text(alphabet=st.characters(exclude_categories=())))
def test_any_text_becomes_utf8(text: str) -> None:
    safe = rows.text(text)
    assert safe.encode("utf-8").decode("utf-8") == safe
    assert len(safe) == len(text)


def test_not_a_number_is_stored_as_empty() -> None:
    assert rows.number(math.nan) is None
