"""Sensors and relays behind a broker: which messages count, and what is known of a relay that may not hear us."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.mqtt_node import MqttSensor
from drivers.mqtt_postbox import Letter, MqttPostbox
from drivers.mqtt_relay import MqttRelay
from gateway.barn import BusSpec, SensorSpec
from gateway.errors import (
    BadText,
    BusTimeout,
    CommandError,
    EmptyText,
    FrameError,
    Implausible,
    Outdated,
    PortGone,
    ReadError,
    SiteError,
)
from gateway.model import Raw
from tests.contract.actuator_contract import ActuatorContract
from tests.contract.sensor_contract import SensorContract
from tests.drivers.mqtt_far import FANS, TOPIC, WIND, BarnClock, Node, json_air, kit, place, postbox, relay, senml_air
from tests.drivers.specs import sensor as sensor_spec


def air(temp_c: float = 23.5, rh_pct: float = 61.0, **record: float) -> bytes:
    """A SenML pack of a node; `record` goes into its first record."""
    first = {"bn": "node-7/", "n": "temp", "u": "Cel", "v": temp_c, **record}
    return json.dumps([first, {"n": "rh", "u": "%RH", "v": rh_pct}]).encode()


class Rig:
    """A sensor, its postbox and the clock."""

    def __init__(self, made: MqttSensor, box: MqttPostbox, clock: BarnClock) -> None:
        self.sensor, self.box, self.clock = made, box, clock

    def hear(self, payload: bytes, *, retained: bool = False, age_s: float = 0.0) -> None:
        self.box.heard(TOPIC, payload, retained=retained, age_s=age_s)

    def values(self) -> list[float]:
        return [raw.value for raw in self.sensor.read()]


def rig(spec: SensorSpec | None = None, clock: BarnClock | None = None) -> Rig:
    box, clock = postbox(), clock or BarnClock()
    box.join(clock, Node(box).tell)
    made = MqttSensor(spec or senml_air(), box)
    box.broker(up=True, why="")
    return Rig(made, box, clock)


class ChattyBox(MqttPostbox):
    """A postbox that finds a new message of the node at every look."""

    def newest(self, topic: str) -> Letter | None:
        self.heard(topic, air(), retained=False, age_s=0.0)
        return super().newest(topic)


class TestSensorContract(SensorContract):
    @pytest.fixture
    def sensor(self) -> MqttSensor:
        box = ChattyBox(BusSpec(name="air", kind="mqtt", options={}))
        box.join(BarnClock(), Node(box).tell)
        return MqttSensor(senml_air(), box)

    @pytest.fixture
    def lost_sensor(self) -> MqttSensor:
        return MqttSensor(senml_air(), postbox())


# --- what a message says -------------------------------------------------------------------------------


def test_senml_is_found_by_its_full_name_in_our_units() -> None:
    seen = rig()
    seen.hear(b'[{"bn":"node-7/","n":"rh","u":"%RH","v":61},{"n":"temp","u":"K","v":296.65},{"n":"other","v":1}]')
    temp, rh = seen.sensor.read()
    assert temp.channel == "stalls-air.temp_c"
    assert temp.value == pytest.approx(23.5)
    assert rh == Raw(channel="stalls-air.rh_pct", value=61.0)


def test_of_several_records_of_one_name_the_newest_counts() -> None:
    seen = rig(sensor_spec("mqtt", {"topic": TOPIC, "format": "senml", "wind": place(name="w")}, quantities=WIND))
    seen.hear(b'[{"n":"w","t":-3,"v":1.5},{"n":"w","v":2.5},{"n":"w","t":-1,"v":3.5}]')
    assert seen.values() == [2.5]


def test_json_is_found_by_pointers_and_scaled() -> None:
    seen = rig(json_air(temp=place(pointer="/t", scale=0.1, offset=-40)))
    seen.hear(b'{"t": 635, "air": {"h": 61}}')
    assert seen.values() == [pytest.approx(23.5), 61.0]


@pytest.mark.parametrize(
    ("payload", "error"),
    [
        (b"", EmptyText),
        (b"[", FrameError),
        (b'[{"n":"node-7/temp","v":23.5}]', BadText),
        (b'[{"n":"node-7/temp","v":23.5},{"n":"node-7/rh","vs":"wet"}]', BadText),
        (b'[{"n":"node-7/temp","u":"%RH","v":61},{"n":"node-7/rh","u":"Cel","v":23.5}]', Implausible),
        (b'[{"n":"node-7/temp","v":23.5},{"n":"node-7/rh","v":61,"t":1780000000}]', BadText),
    ],
)
def test_a_message_that_is_not_a_measurement_is_named_each_time(payload: bytes, error: type[ReadError]) -> None:
    seen = rig()
    seen.hear(payload)
    for _ in range(2):
        with pytest.raises(error):
            seen.sensor.read()
    seen.hear(air())
    assert seen.values() == [23.5, 61.0]


def test_a_pointer_that_is_none_is_a_mistake_of_the_site_file() -> None:
    with pytest.raises(SiteError, match="sensor stalls-air"):
        rig(json_air(temp=place(pointer="/~7")))


# --- which message counts ------------------------------------------------------------------------------


def test_a_message_is_delivered_once() -> None:
    seen = rig()
    seen.hear(air())
    assert seen.values() == [23.5, 61.0]
    for _ in range(2):
        with pytest.raises(BusTimeout, match="nothing new"):
            seen.sensor.read()
    seen.hear(air(temp_c=24.0))
    assert seen.values() == [24.0, 61.0]


def test_what_the_broker_has_kept_is_never_a_reading() -> None:
    seen = rig()
    seen.hear(air(), retained=True)
    with pytest.raises(Outdated, match="kept"):
        seen.sensor.read()
    seen.hear(air(temp_c=24.0))
    seen.hear(air(temp_c=9.0), retained=True)
    assert seen.values() == [24.0, 61.0]


def test_a_message_that_waited_longer_than_late_is_refused() -> None:
    seen = rig()  # late after 15 s
    seen.hear(air(), age_s=14.0)
    assert seen.values() == [23.5, 61.0]
    seen.hear(air(), age_s=16.0)
    with pytest.raises(Outdated, match="16 s ago"):
        seen.sensor.read()
    seen.hear(air())
    seen.clock.pass_s(15.5)
    with pytest.raises(Outdated, match="heard"):
        seen.sensor.read()


def test_ages_are_counted_in_the_barns_time() -> None:
    seen = rig(clock=BarnClock(speed=60.0))
    seen.hear(air(), age_s=0.5)  # half a second of the machine is half a minute there
    with pytest.raises(Outdated, match="30 s ago"):
        seen.sensor.read()


@pytest.mark.parametrize(
    ("said_s", "why"),
    [(-20.0, "measured 20 s ago"), (61.0, "61 s ahead"), (-1.0, ""), (59.0, ""), (0.0, "")],
)
def test_its_own_time_is_judged_whether_relative_or_absolute(said_s: float, why: str) -> None:
    for base_s in (0.0, 1_780_000_000.0):
        seen = rig()
        seen.hear(air(bt=base_s + said_s))
        if why:
            with pytest.raises(Outdated, match=why):
                seen.sensor.read()
        else:
            assert seen.values() == [23.5, 61.0]


def test_a_measurement_is_as_old_as_its_oldest_part() -> None:
    seen = rig()
    seen.hear(b'[{"n":"node-7/temp","v":23.5},{"n":"node-7/rh","v":61,"t":-20}]')
    with pytest.raises(Outdated, match="20 s ago"):
        seen.sensor.read()


@pytest.mark.parametrize("base_s", [0.0, 1_780_000_000.0])
def test_a_time_that_is_not_later_than_the_last_is_a_replay(base_s: float) -> None:
    seen = rig()
    seen.hear(air(bt=base_s))
    assert seen.values() == [23.5, 61.0]
    seen.clock.pass_s(5.0)
    repeated = base_s if base_s else -6.0
    seen.hear(air(temp_c=24.0, bt=repeated))
    with pytest.raises(Outdated, match="heard before"):
        seen.sensor.read()
    seen.hear(air(temp_c=24.0, bt=repeated + 2.0))
    assert seen.values() == [24.0, 61.0]


def test_json_with_a_time_of_its_own_is_judged_by_it() -> None:
    seen = rig(json_air(time="/at"))
    for at_s, why in ((1_780_000_000.0 - 20, "20 s ago"), (1_780_000_061.0, "ahead"), (12.0, "ago")):
        seen.hear(json.dumps({"at": at_s, "air": {"t": 23.5, "h": 61}}).encode())
        with pytest.raises(Outdated, match=why):
            seen.sensor.read()
    seen.hear(b'{"at": 1780000000, "air": {"t": 23.5, "h": 61}}')
    assert seen.values() == [23.5, 61.0]


def test_while_our_clock_is_wrong_an_absolute_time_is_judged_by_order_only() -> None:
    seen = rig()
    seen.clock.trusted = False
    seen.clock.wall_s = 12.0  # 1970
    seen.hear(air(bt=1_780_000_000.0))
    assert seen.values() == [23.5, 61.0]
    seen.hear(air(bt=1_780_000_000.0))
    with pytest.raises(Outdated, match="heard before"):
        seen.sensor.read()


def test_a_lost_broker_or_uplink_is_a_lost_port_once_nothing_new_is_there() -> None:
    seen = rig()
    seen.hear(air())
    seen.box.broker(up=False, why="broker gate:8883: refused")
    assert seen.values() == [23.5, 61.0]
    with pytest.raises(PortGone, match="gate:8883: refused"):
        seen.sensor.read()


def test_what_nobody_waits_for_is_dropped() -> None:
    seen = rig()
    for number in range(1000):
        seen.box.heard(f"other/{number}", b"x", retained=False, age_s=0.0)
    assert seen.box.newest("other/1") is None
    assert seen.box.topics == (TOPIC,)


@settings(max_examples=3000)
@given(
    payload=st.binary(max_size=60) | st.builds(air, temp_c=st.floats(), bt=st.floats(-1e12, 1e12)),
    format_=st.sampled_from(["senml", "json"]),
)
def test_any_payload_ends_in_numbers_or_a_read_error(payload: bytes, format_: str) -> None:
    seen = rig(senml_air() if format_ == "senml" else json_air(time="/at"))
    seen.hear(payload)
    with suppress(ReadError):
        assert len(seen.values()) == 2


# --- relays --------------------------------------------------------------------------------------------


WITHIN_S = 0.02  # for a node that does not answer; one that does answers at once


class WatchedBox(MqttPostbox):
    """Notes how long a relay was ready to wait."""

    waits_s: tuple[float, ...] = ()

    def await_newer(self, topic: str, fits: Callable[[Letter], bool], *, machine_s: float) -> Letter | None:
        self.waits_s += (machine_s,)
        return super().await_newer(topic, fits, machine_s=machine_s)


class RelayRig:
    def __init__(self, *, contact: str = "normally-closed", expires_s: float = 10.0, least_speed: float = 1.0) -> None:
        self.box, self.clock = WatchedBox(BusSpec(name="air", kind="mqtt", options={})), BarnClock()
        spec = kit(contact=contact, least_speed=least_speed)
        self.node = Node(self.box, safe_on=spec.safe_on)
        self.box.join(self.clock, self.node.tell)
        self.relay = MqttRelay(spec, relay(expires_s=expires_s), self.box, confirm_within_s=WITHIN_S)
        self.box.broker(up=True, why="")


@pytest.fixture(params=["normally-closed", "normally-open"])
def far(request: pytest.FixtureRequest) -> RelayRig:
    return RelayRig(contact=request.param)


class TestActuatorContract(ActuatorContract):
    @pytest.fixture
    def actuator(self, far: RelayRig) -> MqttRelay:
        return far.relay

    @pytest.fixture
    def runs(self, far: RelayRig) -> Callable[[], bool]:
        return lambda: far.node.on

    @pytest.fixture
    def lost_actuator(self) -> MqttRelay:
        return MqttRelay(kit(), relay(), postbox())


def test_a_command_names_itself_expires_and_is_confirmed_by_its_id(far: RelayRig) -> None:
    far.relay.set(True)
    far.relay.set(True)
    first, second = far.node.asked
    assert first["topic"] == f"{FANS}/north/ask"
    assert first["on"] is True
    assert first["expires_s"] == first["within_s"] == 10.0
    assert "speed" not in first
    assert first["id"] != second["id"]


def test_speed_is_told_to_kit_that_knows_it() -> None:
    far = RelayRig(least_speed=0.3)
    far.relay.set(True, 0.61234)
    far.relay.set(False)
    assert [asked.get("speed") for asked in far.node.asked] == [0.612, None]


def test_without_confirmation_it_is_a_command_error_and_a_late_one_still_counts() -> None:
    far = RelayRig()
    far.node.answers = False
    with pytest.raises(CommandError, match="no confirmation"):
        far.relay.set(True)
    with pytest.raises(CommandError):  # looks again, asks nothing new
        far.relay.set(True)
    assert len(far.node.asked) == 1
    far.node.answer(far.node.asked[0]["id"])
    far.relay.set(True)
    assert len(far.node.asked) == 1


def test_a_command_that_expired_unconfirmed_is_asked_anew_and_its_confirmation_no_longer_counts() -> None:
    far = RelayRig()
    far.node.answers = False
    with pytest.raises(CommandError):
        far.relay.set(True)
    far.clock.pass_s(10.0)
    far.node.answer(far.node.asked[0]["id"])
    with pytest.raises(CommandError):
        far.relay.set(True)
    assert len(far.node.asked) == 2


def test_a_dead_node_holds_up_the_others_once_only_until_it_is_back() -> None:
    far = RelayRig()
    far.node.answers = False
    for _ in range(3):
        with pytest.raises(CommandError):
            far.relay.set(True)
        far.clock.pass_s(10.0)
    assert far.box.waits_s == (WITHIN_S, 0.0, 0.0)
    far.node.answers = True
    for _ in range(2):
        far.relay.set(True)
    assert far.box.waits_s[-2:] == (0.0, WITHIN_S)


def test_another_wish_is_asked_at_once() -> None:
    far = RelayRig()
    far.node.answers = False
    for on in (True, False):
        with pytest.raises(CommandError):
            far.relay.set(on)
    assert [asked["on"] for asked in far.node.asked] == [True, False]


def test_a_new_connection_to_the_broker_asks_anew() -> None:
    far = RelayRig()
    far.node.answers = False
    with pytest.raises(CommandError):
        far.relay.set(True)
    far.box.broker(up=False, why="lost")
    far.box.broker(up=True, why="")
    far.node.answers = True
    far.relay.set(True)
    assert len(far.node.asked) == 2


def test_a_kept_state_confirms_nothing_and_is_not_read_back() -> None:
    far = RelayRig()
    far.node.answers = False
    with pytest.raises(CommandError):
        far.relay.set(True)
    far.node.answer(far.node.asked[0]["id"], retained=True)
    with pytest.raises(CommandError):
        far.relay.set(True)
    with pytest.raises(BusTimeout):
        far.relay.readback()


def test_readback_is_the_nodes_own_word_even_against_ours() -> None:
    far = RelayRig()
    far.node.obeys = False
    far.node.on = True
    far.relay.set(False)
    assert far.relay.readback() is True


def test_readback_of_a_node_that_has_fallen_silent_is_an_error() -> None:
    far = RelayRig()
    far.relay.set(True)
    assert far.relay.readback() is True
    far.clock.pass_s(10.5)
    with pytest.raises(BusTimeout):
        far.relay.readback()


@pytest.mark.parametrize("state", [b"", b"{}", b"[]", b'{"on": 1}', b'{"id": "x", "on": "true"}', b"\xff"])
def test_a_state_that_is_none_is_an_error_and_confirms_nothing(state: bytes) -> None:
    far = RelayRig()
    far.node.answers = False
    far.box.heard(f"{FANS}/north/state", state, retained=False, age_s=0.0)
    with pytest.raises(CommandError):
        far.relay.set(True)
    with pytest.raises(ReadError):
        far.relay.readback()


def test_a_lost_broker_or_an_uplink_that_takes_nothing_is_a_command_error_at_once() -> None:
    far = RelayRig()
    far.node.takes = False
    with pytest.raises(CommandError, match="takes nothing"):
        far.relay.set(True)
    far.node.takes = True
    far.box.broker(up=False, why="broker gate:8883: gone")
    with pytest.raises(CommandError, match="gate:8883: gone"):
        far.relay.set(True)
    assert far.node.asked == []


def test_the_end_of_a_lost_node_does_not_raise_and_asks_for_the_safe_state() -> None:
    far = RelayRig(contact="normally-open")
    far.node.answers = False
    far.relay.close()
    assert [asked["on"] for asked in far.node.asked] == [False]
