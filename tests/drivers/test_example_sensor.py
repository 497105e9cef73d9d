"""The example of DEVELOPERS.md is the tested file, keeps the contract, and refuses what is torn."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.wire import SerialWire
from gateway.errors import ChecksumError, FrameError
from tests.contract.sensor_contract import SensorContract
from tests.drivers.example_sensor import Ask, PuffAir
from tests.drivers.far_end import Peer, Pty
from tests.drivers.specs import sensor as spec_of
from tests.drivers.specs import serial_line

ROOT = Path(__file__).parents[2]
ANSWER = b"31.2 64.5 D1\r\n"  # 51+49+46+50+32+54+52+46+53+32 = 465 = 0x1D1, added by hand


class TestPuffAir(SensorContract):
    @pytest.fixture
    def sensor(self, tmp_path: Path) -> Iterator[PuffAir]:
        pty = Pty(tmp_path / "line")
        peer = Peer(pty, lambda _: [(0.0, ANSWER)], request_bytes=1)
        wire = SerialWire(serial_line(pty.link))
        yield PuffAir(spec_of("puff", {}), wire)
        wire.close()
        peer.stop()
        pty.vanish()

    @pytest.fixture
    def lost_sensor(self, tmp_path: Path) -> Iterator[PuffAir]:
        wire = SerialWire(serial_line(tmp_path / "nowhere"))
        yield PuffAir(spec_of("puff", {}), wire)
        wire.close()


def test_an_answer_is_two_numbers() -> None:
    assert Ask("puff").parse(ANSWER) == (31.2, 64.5)


def test_every_single_flipped_bit_is_refused() -> None:
    for bit in range(8 * len(ANSWER)):
        bent = bytearray(ANSWER)
        bent[bit // 8] ^= 1 << bit % 8
        with pytest.raises((FrameError, ChecksumError)):
            Ask("puff").parse(bytes(bent))


@given(st.binary(max_size=40))
def test_any_bytes_are_an_answer_or_a_frame_error(raw: bytes) -> None:
    try:
        Ask("puff").parse(raw)
    except FrameError:
        return
    assert raw.endswith(b"\r\n")


def test_the_page_for_developers_shows_this_very_file() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text()
    shown = page.split("```python\n")[1].split("```")[0]
    assert shown == (ROOT / "tests/drivers/example_sensor.py").read_text()
