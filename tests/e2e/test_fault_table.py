"""Every row of the table "fault, then safe reaction" that the program is built to, against the real processes.

Each test is named for its row and says in its first line what is asked. What only hardware can do (timers, thermostats,
a power supply that watches itself) is not here: hardware/first-start.md has it tried by two people, once, at the wall.
The barn is invented (faults.toml), its weather stands still: hot and dry, so that the stalls want air and water, and
where horses are away by day fans are held off.
"""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from tests.conservation import unbroken
from tests.e2e.barn import Barn, running_barn

pytestmark = pytest.mark.timeout(300)

SITE = Path(__file__).with_name("faults.toml")
DRY, DAMP = (35, 26), (40, 70)  # °C and % outdoors
LOST_S = 60  # `lost_after_s` of the site file
WATCHDOG_S = 60  # of its relay block
PULSE_S, STAGGER_S = 30, 7
WITHIN_S = 120  # barn time that a busy machine may need for what takes a step or two


def weather(folder: Path, air: tuple[float, float]) -> str:
    """A file in which it is always the same; repeats for ever."""
    rows = (f"2026-07-14T{hour:02}:00:00-04:00,{air[0]},{air[1]},1,300\n" for hour in (0, 12))
    path = folder / "weather.csv"
    path.write_text("time,temp_c,rh_pct,wind_mps,ghi_wm2\n" + "".join(rows))
    return str(path)


@pytest.fixture(scope="module")
def manager(tmp_path_factory: pytest.TempPathFactory) -> Iterator[socket.socket]:
    """The socket on which a service manager hears whether core is alive."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path_factory.mktemp("manager") / "notify"))
        sock.setblocking(False)
        yield sock


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory, manager: socket.socket) -> Iterator[Barn]:
    folder = tmp_path_factory.mktemp("faults")
    options = ("--bench", str(SITE), "--weather", weather(folder, DRY))
    with running_barn(folder / "bench", speed=20, options=options, notify=Path(manager.getsockname())) as made:
        made.wait(lambda: made.kit("fan-1")["running"], WITHIN_S, "the stall fan running")
        assert made.hand("mist", "on", 1)["done"], "a line that stood idle is flushed by hand first"
        made.wait(
            lambda: made.kit("mist")["reason_codes"][0] in ("mist-pulse", "mist-pause"), WITHIN_S, "mist in pulses"
        )
        yield made
    unbroken(folder / "bench" / "history.db")


@pytest.fixture
def barn(running: Barn) -> Iterator[Barn]:
    """The barn with nothing wrong: one fan runs at the stalls, the others are held off by their relays."""
    running.wait(lambda: at_rest(running), 600, "everything being well before the test")
    yield running
    running.mend()


def at_rest(barn: Barn) -> bool:
    now = barn.now()
    kit = {k["name"]: k for p in now.get("places", []) for k in p["kit"]}
    return (
        bool(kit)
        and not now["faults"]
        and {name: kit[name]["asked"] for name in ("fan-1", "fan-2", "pony-fan", "rack-fan")}
        == {"fan-1": True, "fan-2": False, "pony-fan": False, "rack-fan": False}
        and all(kit[name]["running"] == kit[name]["asked"] for name in ("fan-1", "fan-2", "pony-fan"))
        and not any(each["hand"] for each in kit.values())
    )


def wait_for_water(barn: Barn) -> None:
    barn.wait(lambda: barn.running()["mist"], 600, "a pulse of water at the stalls")


def safe_by_wiring(barn: Barn) -> bool:
    """Every fan turns and no water runs, whatever anybody asked."""
    runs = barn.running()
    fans, water = ("fan-1", "fan-2", "pony-fan", "rack-fan"), ("mist", "pony-mist", "pony-water")
    return all(runs[name] for name in fans) and not any(runs[name] for name in water)


def alive(manager: socket.socket) -> int:
    """How often core has fed the manager's watchdog since the last look."""
    count = 0
    while True:
        try:
            count += manager.recv(4096).startswith(b"WATCHDOG=1\nSTATUS=step ")
        except BlockingIOError:
            return count


def test_row_gateway_process_hung(barn: Barn, manager: socket.socket) -> None:
    """The manager's watchdog is not fed, so it restarts core; meanwhile fans on, misters off."""
    wait_for_water(barn)
    alive(manager)
    barn.wait(lambda: alive(manager), WITHIN_S, "a healthy core feeding the watchdog")
    core = barn.child("core")
    os.kill(core, signal.SIGSTOP)
    alive(manager)
    barn.wait(lambda: safe_by_wiring(barn), WATCHDOG_S + WITHIN_S, "the block letting go by itself")
    assert alive(manager) == 0
    os.kill(core, signal.SIGKILL)  # what the manager does
    barn.wait(lambda: barn.child("core") not in (0, core) and at_rest(barn), 600, "a new core holding fans off again")


def test_row_board_dead(barn: Barn) -> None:
    """Fans on by the normally-closed contact, misters off. The thermostat and the outside watch are no software."""
    wait_for_water(barn)
    os.kill(barn.process.pid, signal.SIGSTOP)  # else it would start the roles again
    try:
        for role in ("core", "web", "uplink"):
            os.kill(barn.child(role), signal.SIGKILL)
        barn.wait(lambda: safe_by_wiring(barn), WATCHDOG_S + WITHIN_S, "the block letting go by itself")
        assert barn.now() == {}
    finally:
        os.kill(barn.process.pid, signal.SIGCONT)
    barn.wait(lambda: at_rest(barn), 600, "the board coming back")


def test_row_all_air_of_a_zone_lost(barn: Barn) -> None:
    """Fans of stage 1 and 2 on, misters off, alarm."""
    wait_for_water(barn)
    barn.put(stalls_air="silence", stalls_air_2="silence")
    place = barn.wait(lambda: (p := barn.place("stalls")).get("freshness") == "lost" and p, LOST_S + WITHIN_S, "lost")
    assert place["level"] is None and place["temp_c"] is None
    barn.wait(lambda: (r := barn.running())["fan-1"] and r["fan-2"] and not r["mist"], WITHIN_S, "all fans, no water")
    barn.stays(lambda: not barn.running()["mist"], 3 * PULSE_S, "no water")
    assert {("stalls-air", "sensor-lost"), ("stalls-air-2", "sensor-lost")} <= set(barn.faults())
    assert barn.kit("fan-2")["reason_codes"] == ["air-unknown"]


def test_row_one_of_two_sensors_lost(barn: Barn) -> None:
    """The other is used and the loss told; with the humidity of both gone, no water."""
    barn.put(stalls_air="silence")
    barn.wait(lambda: ("stalls-air", "sensor-lost") in barn.faults(), LOST_S + WITHIN_S, "the loss being told")
    place = barn.place("stalls")
    assert place["freshness"] == "fresh" and place["level"] == 1
    assert barn.kit("fan-1")["reason_codes"] == ["carry-low"]
    barn.put(stalls_air="wet", stalls_air_2="wet")  # temperature is told, humidity is impossible
    barn.wait(lambda: barn.place("stalls").get("lost_code") == "out-of-range", LOST_S + WITHIN_S, "no humidity")
    barn.wait(lambda: (r := barn.running())["fan-2"] and not r["mist"], WITHIN_S, "all fans, no water")


def test_row_humidity_suspect_high(barn: Barn) -> None:
    """Misters off, fans on, at once. The suspicion itself needs half an hour: see below."""
    wait_for_water(barn)
    barn.put(stalls_air="pegged")
    barn.wait(lambda: barn.place("stalls").get("rh_pct") == 100, WITHIN_S, "the wetter of two sensors counting")
    barn.wait(lambda: (r := barn.running())["fan-1"] and not r["mist"], WITHIN_S, "fans and no water")
    barn.stays(lambda: not barn.running()["mist"], 3 * PULSE_S, "no water")
    assert barn.kit("mist")["reason_codes"][0] in ("mist-damp", "mist-doubt")


def test_row_commanded_on_no_current(barn: Barn) -> None:
    """One more try after the least time off, the next fan, alarm; no water while no fan of the zone is proven."""
    before = len(barn.commands("fan-1"))
    barn.put(fan_1="belt-gone")  # turns, but draws a fifth of its current and moves no air
    barn.wait(lambda: barn.kit("fan-2")["running"], WITHIN_S, "the next fan")
    barn.wait(lambda: ("fan-1", "kit-not-running") in barn.faults(), WITHIN_S, "the alarm")
    barn.wait(lambda: barn.kit("fan-1")["reason_codes"] == ["not-running"], WITHIN_S, "the second try failing as well")
    tries = barn.commands("fan-1")[before:]
    assert [(c.on, c.reasons[0].code) for c in tries] == [(False, "retry-start"), (True, "carry-low")]
    assert tries[1].stamp.mono_s - tries[0].stamp.mono_s >= 20  # `min_off_s`
    barn.put(fan_2="tripped")
    barn.wait(lambda: not barn.kit("fan-2")["running"], WITHIN_S, "no fan being proven")
    barn.wait(lambda: not barn.kit("mist")["asked"], WITHIN_S, "water ending")
    barn.stays(lambda: not barn.running()["mist"], 4 * PULSE_S, "no water")
    assert barn.kit("mist")["reason_codes"][0] in ("mist-no-fan", "mist-doubt")


def test_row_commanded_off_current_flows(barn: Barn) -> None:
    """In hand: information. Else "contactor stuck", and it is not cycled."""
    barn.put(pony_switch="hand")
    barn.wait(lambda: ("pony-fan", "kit-not-in-auto") in barn.faults(), WITHIN_S, "the switch being told")
    barn.wait(lambda: barn.kit("pony-fan")["running"], WITHIN_S, "the fan running by its switch")
    barn.stays(lambda: ("pony-fan", "kit-runs-unasked") not in barn.faults(), 40, "no alarm for what a switch explains")
    barn.mend("pony-switch")
    barn.wait(lambda: at_rest(barn), 300, "its switch in auto")
    before = barn.commands("pony-fan")
    barn.put(pony_fan="welded")
    barn.wait(lambda: ("pony-fan", "kit-runs-unasked") in barn.faults(), WITHIN_S, "the stuck contact being told")
    barn.stays(lambda: barn.kit("pony-fan").get("asked") is False, 60, "nobody working the contact")
    assert barn.commands("pony-fan") == before


def test_row_mist_valve_stuck_open(barn: Barn) -> None:
    """Alarm with the wet floor in it, nobody opens it again; a master valve closes."""
    barn.put(mist="valve-stuck")
    text = barn.wait(lambda: barn.faults().get(("stalls", "water-stuck")), 2 * WITHIN_S, "the flow being told")
    assert "the floor gets wet" in text
    assert barn.kit("mist")["reason_codes"] == ["water-stuck"]
    barn.mend("mist")
    barn.put(pony_mist="valve-stuck")
    assert barn.hand("pony-fan", "on", 3)["done"] and barn.hand("pony-mist", "on", 1)["done"]
    barn.wait(lambda: barn.running()["pony-mist"], WITHIN_S, "water behind the open master valve")
    barn.wait(lambda: not barn.kit("pony-mist")["asked"], 60 + WITHIN_S, "the time by hand being over")
    barn.wait(lambda: not barn.running()["pony-mist"], WITHIN_S, "the master valve shutting the water off")
    barn.put(pony_water="valve-stuck")  # both stuck: only the valve by hand is left
    barn.wait(lambda: ("ponies", "water-stuck") in barn.faults(), WITHIN_S, "the flow being told")
    assert barn.kit("pony-water")["asked"] is False


def test_row_mist_on_too_long(barn: Barn) -> None:
    """The cap in the program: pulses end, nobody gets more than 15 minutes. The timer in the wiring is not here."""
    assert "15 minutes" in barn.hand("mist", "on", 16)["error"]
    before = len(barn.commands("mist"))

    def pulses() -> list[float]:
        """How long those that began and ended since then were."""
        since = barn.commands("mist")[before:]
        return [off.stamp.mono_s - on.stamp.mono_s for on, off in pairwise(since) if on.on and not off.on]

    barn.wait(lambda: len(pulses()) >= 2, 600, "two pulses ending")
    assert max(pulses()) <= PULSE_S + 15  # a late step of a busy machine

    def held_open() -> bool:
        """A relay that sticks in the middle of a pulse."""
        wait_for_water(barn)
        barn.put(mist="deaf")
        barn.wait(lambda: not barn.kit("mist")["asked"], PULSE_S + WITHIN_S, "the pulse ending")
        if barn.running()["mist"]:
            return True
        barn.mend("mist")  # it had just closed
        return False

    barn.wait(held_open, WITHIN_S, "a relay sticking while water runs")
    text = barn.wait(lambda: barn.faults().get(("mist", "kit-not-following")), WITHIN_S, "the alarm")
    assert "asked off, its relay shows on" in text
    barn.wait(lambda: ("stalls", "water-stuck") in barn.faults(), WITHIN_S, "the flow being told")


def test_row_modbus_bus_lost(barn: Barn) -> None:
    """The block's own watchdog makes it safe, alarm, tried again for ever."""
    wait_for_water(barn)
    barn.put(line_a="gone")
    barn.wait(lambda: safe_by_wiring(barn), WATCHDOG_S + WITHIN_S, "the block letting go by itself")
    wanted = {("pony-air", "sensor-lost"), ("fan-1", "kit-unreachable"), ("mist", "kit-unreachable")}
    barn.wait(lambda: wanted <= set(barn.faults()), LOST_S + WITHIN_S, "the alarms")
    barn.mend("line-a")
    barn.wait(lambda: at_rest(barn), 600, "everything coming back by itself")


def test_row_mains_lost(barn: Barn) -> None:
    """All currents zero: told for each fan, no water; fans that start afterwards do so one after another.

    Fans on AUTO behind a dead board start all at once when the mains come back: that is for the wiring to stagger.
    """
    barn.put(fan_1="tripped", fan_2="tripped")
    wanted = {("fan-1", "kit-not-running"), ("fan-2", "kit-not-running")}
    barn.wait(lambda: wanted <= set(barn.faults()), 3 * WITHIN_S, "both fans standing still being told")
    barn.wait(lambda: not barn.kit("mist")["asked"], WITHIN_S, "water ending")
    barn.stays(lambda: not barn.running()["mist"], 3 * PULSE_S, "no water without air")
    barn.mend()
    barn.wait(lambda: at_rest(barn), 600, "the power being back")
    for fan in ("pony-fan", "rack-fan"):
        assert barn.hand(fan, "on", 1)["done"]
    barn.wait(lambda: (r := barn.running())["pony-fan"] and r["rack-fan"], WITHIN_S, "both starting")
    first, second = sorted(barn.commands(fan)[-1].stamp.mono_s for fan in ("pony-fan", "rack-fan"))
    assert second - first >= STAGGER_S


def test_row_low_voltage(barn: Barn) -> None:
    """Alarm: fans may turn too slowly although they are on."""
    barn.put(supply="low")
    text = barn.wait(lambda: barn.faults().get(("barn", "supply-low")), WITHIN_S, "the alarm")
    assert "too slowly" in text
    assert barn.kit("fan-1")["asked"]


def test_row_fire(barn: Barn) -> None:
    """Fans off, also those taken by hand; alarm. The hard-wired stop is not here."""
    assert barn.hand("rack-fan", "on", 5)["done"]
    barn.wait(lambda: barn.running()["rack-fan"], WITHIN_S, "a fan running by hand")
    barn.put(fire="closed")
    fans = ("fan-1", "fan-2", "pony-fan", "rack-fan")
    barn.wait(lambda: not any(barn.running()[fan] for fan in fans), WITHIN_S, "every fan standing still")
    barn.wait(lambda: ("barn", "fire") in barn.faults(), WITHIN_S, "the alarm")
    assert barn.kit("rack-fan")["reason_codes"] == ["fire"]
    assert barn.kit("mist")["reason_codes"] != ["fire"]  # water is not what feeds it; without air it pauses
    barn.mend("fire")
    barn.wait(lambda: barn.running()["fan-1"], WITHIN_S, "air again")
    assert barn.hand("rack-fan", "auto")["done"]


# --- a barn in damp heat whose clock nobody has set -------------------------------------------------


@pytest.fixture(scope="module")
def damp(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Barn]:
    """Read less often, so that an hour of it passes in a minute."""
    folder = tmp_path_factory.mktemp("damp")
    text = (
        SITE.read_text()
        .replace("late_after_s = 30", "late_after_s = 120")
        .replace("lost_after_s = 60", "lost_after_s = 240")
    )
    for key in ("every_s = 2", "every_s = 5", "refresh_s = 5"):
        text = text.replace(f"{key}\n", f"{key.split()[0]} = 20\n")
    (folder / "site.toml").write_text(text)
    options = ("--bench", str(folder / "site.toml"), "--weather", weather(folder, DAMP), "--clock-not-set")
    with running_barn(folder / "bench", speed=60, options=options) as made:
        made.put(rack_air="pegged")  # for the last test here, which needs half an hour of it
        yield made


def test_row_clock_not_set(damp: Barn) -> None:
    """Hours of the day are suspended, heat control goes on by the clock that cannot be wrong."""
    damp.wait(lambda: damp.now().get("clock_trusted") is False, WITHIN_S, "the wall knowing of the clock")
    # By the clock nobody is here at ten; without it the horses count as here.
    damp.wait(lambda: damp.running()["pony-fan"], 2 * WITHIN_S, "the ponies' fan running by heat")
    assert damp.kit("pony-fan")["reason_codes"] == ["carry-low"]
    assert damp.kit("mist")["asked"] is False
    assert damp.kit("mist")["reason_codes"][0] in ("mist-hours", "mist-doubt")


def test_row_score_very_high_with_everything_on(damp: Barn) -> None:
    """People are called: water on the horse, shade, the veterinarian."""
    text = damp.wait(lambda: damp.faults().get(("stalls", "kit-at-its-end")), 5 * WITHIN_S, "people being called")
    assert "water on the horse" in text and "veterinarian" in text
    assert damp.place("stalls")["level"] == 3
    assert damp.running()["fan-1"] and damp.running()["fan-2"]


def test_row_humidity_suspect_after_half_an_hour(damp: Barn) -> None:
    """A sensor at 100 % for 30 min is wet: it counts, for the careful side, and is told."""
    text = damp.wait(lambda: damp.faults().get(("rack-air", "sensor-wet")), 1800 + 5 * WITHIN_S, "the suspicion")
    assert "wet" in text
    assert damp.running()["rack-fan"]
