"""Commands reach the relay, again and again, and what it shows comes back."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from gateway.barn import KitSpec
from gateway.engine.actuate import Actuation
from gateway.engine.bus import Bus
from gateway.model import Command, Reason
from tests.control.barns import fan, mister
from tests.engine.fakes import Contact, HandClock, until

WHY = (Reason(code="test", text="the test says so"),)


class Rig:
    def __init__(self) -> None:
        self.clock, self.bus = HandClock(), Bus("line")
        self.actuation = Actuation(self.clock)
        self.contacts: dict[str, Contact] = {}

    def add(self, spec: KitSpec) -> Contact:
        contact = self.contacts[spec.name] = Contact(safe_on=spec.safe_on)
        self.actuation.add(spec, contact, self.bus, 5.0)
        return contact

    def apply(self, now_s: float, **on: bool) -> None:
        self.clock.at_s = now_s
        self.actuation.apply([Command(kit=k, on=v, reasons=WHY, changed=False) for k, v in on.items()], now_s)
        until(lambda: not any(item.asked for item in self.actuation._items.values()))


@pytest.fixture
def rig() -> Iterator[Rig]:
    made = Rig()
    yield made
    made.bus.close(2.0)


def test_a_change_goes_out_at_once_and_a_standing_command_every_refresh(rig: Rig) -> None:
    contact = rig.add(fan())
    for now_s in range(12):
        rig.apply(now_s, fan=now_s < 7)
    assert contact.sets == [True, True, False]
    rig.apply(12, fan=False)
    assert contact.sets == [True, True, False, False]


def test_what_the_relay_shows_comes_back(rig: Rig) -> None:
    contact = rig.add(fan())
    rig.apply(0, fan=False)
    assert rig.actuation.seen()["fan"].on is False
    contact.deaf = True
    rig.apply(5, fan=True)
    seen = rig.actuation.seen()["fan"]
    assert (seen.on, seen.at_s, seen.error) == (False, 5.0, "")


def test_a_failed_command_is_tried_at_every_tick_and_named_after_three(rig: Rig) -> None:
    contact = rig.add(fan())
    contact.cut_off = True
    errors = []
    for now_s in range(4):
        rig.apply(now_s, fan=False)
        errors.append(rig.actuation.seen()["fan"].error)
    assert errors == ["", "", "no answer from the relay block", "no answer from the relay block"]
    contact.cut_off = False
    rig.apply(4, fan=False)
    assert rig.actuation.seen()["fan"].error == ""
    assert contact.sets == [False]


def test_water_goes_off_first_and_on_last(rig: Rig) -> None:
    order: list[str] = []
    for spec in (mister("mist"), mister("mist-2"), fan("fan"), fan("fan-2")):
        contact = rig.add(spec)
        contact.set = lambda on, speed=1.0, n=spec.name: order.append(f"{n} {on}")  # type: ignore[method-assign,misc]
    rig.apply(0, **{"fan": True, "mist-2": True, "fan-2": False, "mist": False})
    assert order == ["mist False", "fan-2 False", "fan True", "mist-2 True"]


def test_close_leaves_every_output_safe(rig: Rig) -> None:
    air, water = rig.add(fan()), rig.add(mister())
    rig.apply(0, fan=False, mist=True)
    rig.actuation.close()
    assert (air.on, water.on) == (True, False)
