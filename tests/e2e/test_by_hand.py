"""What a person takes by hand, asked over the link as web asks it, with the whole program running."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator

import pytest

from tests.e2e.barn import Barn, running_barn
from tests.e2e.test_fault_table import DRY, SITE, weather

pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def barn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Barn]:
    """At the stalls it is level 2: the site's own limit of carry is moved to where the weather is."""
    folder = tmp_path_factory.mktemp("hands")
    (folder / "site.toml").write_text(SITE.read_text() + "\n[carry]\nplan = 1.8\n")
    options = ("--bench", str(folder / "site.toml"), "--weather", weather(folder, DRY))
    with running_barn(folder / "bench", speed=20, options=options) as made:
        made.wait(
            lambda: made.place("stalls")["level"] == 2 and made.kit("fan-1")["running"], 300, "heat at the stalls"
        )
        yield made


def test_at_level_two_a_fan_goes_off_only_when_asked_twice(barn: Barn) -> None:
    asked = barn.hand("fan-1", "off", 2)
    assert "Level 2 at stalls and horses are there" in asked["question"] and "done" not in asked
    barn.stays(lambda: barn.running()["fan-1"], 20, "the fan running while it is not sure")
    assert barn.hand("fan-1", "off", 2, sure=True)["done"]
    barn.wait(lambda: not barn.running()["fan-1"], 120, "the fan standing still")
    assert barn.hand("fan-1", "auto")["done"]
    barn.wait(lambda: barn.running()["fan-1"], 120, "the fan back before its time")


def test_off_for_two_minutes_comes_back_by_itself(barn: Barn) -> None:
    answer = barn.hand("fan-1", "off", 2, sure=True)
    assert answer["done"] and answer["recorded"]
    barn.wait(lambda: not barn.running()["fan-1"], 60, "the fan standing still")
    barn.wait(lambda: barn.running()["fan-1"], 120 + 120, "the fan coming back by itself")
    off, on = barn.commands("fan-1")[-2:]
    assert (off.on, off.reasons[0].code, on.on) == (False, "by-hand", True)
    assert on.reasons[0].code != "by-hand"
    hand = barn.history.hands()[-1]
    assert hand.until_mono_s - hand.stamp.mono_s == pytest.approx(120.0, abs=0.01)
    # It may come back a few steps late on a busy machine, never before its time.
    assert 0 <= on.stamp.mono_s - hand.until_mono_s <= 30


def test_the_end_of_a_time_by_hand_survives_a_killed_core(barn: Barn) -> None:
    until_wall_s = barn.hand("fan-1", "off", 6, sure=True)["until_wall_s"]
    barn.wait(lambda: not barn.running()["fan-1"], 60, "the fan standing still")
    core = barn.child("core")
    os.kill(core, signal.SIGKILL)
    barn.wait(lambda: barn.child("core") not in (0, core), 120, "another core")
    kit = barn.wait(lambda: (k := barn.kit("fan-1")).get("hand") == "off" and k, 200, "the new core knowing of it")
    assert kit["hand_by"] == "Ana"
    assert kit["hand_until_wall_s"] == pytest.approx(until_wall_s, abs=1)
    barn.wait(lambda: not barn.running()["fan-1"], 120, "the fan standing still again")
    barn.wait(lambda: barn.running()["fan-1"], 6 * 60 + 120, "the fan coming back by itself")
    assert barn.now()["wall_s"] >= until_wall_s
    back = barn.commands("fan-1")[-1]
    assert back.on and back.stamp.wall_s >= until_wall_s - 1


def test_a_horse_being_cooled_turns_the_fan_of_the_wash_rack_on(barn: Barn) -> None:
    barn.wait(lambda: not barn.running()["rack-fan"], 120, "the fan of an empty wash rack being held off")
    assert barn.hand("wash-rack", "cool-out", 20)["done"]
    barn.wait(lambda: barn.running()["rack-fan"], 120, "the fan")
    assert barn.kit("rack-fan")["reason_codes"] == ["cool-out"]
    assert barn.place("wash-rack")["cooled_by"] == "Ana"
    assert barn.hand("wash-rack", "auto")["done"]
    barn.wait(lambda: not barn.running()["rack-fan"], 120, "the fan going off when the horse has left")


def test_what_cannot_be_granted_is_refused_with_the_reason(barn: Barn) -> None:
    assert "must last" in barn.hand("fan-1", "off", 60 * 24, sure=True)["error"]
    assert "there is no kit" in barn.hand("fan-9", "on", 5)["error"]
    assert barn.history.hands()[-1].subject != "fan-9"
