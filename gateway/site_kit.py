"""Owns: the form of [[relays]] and [[kit]]: outputs, what hangs on them, and how it is wired.

Must not know: drivers, control.
How it works: one form for each kind. The wiring of a contact decides what a dead board leaves running, so each kind
of kit allows only the wirings that are safe for it.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from gateway.site_words import STRICT, Base, Device, Name, Number16, Pause, Topic, Unit, span, table


class RelayForm(BaseModel):
    model_config = STRICT
    name: Name
    bus: Name
    refresh_s: Annotated[float, span(1, 60)] = 5.0


class WatchdogForm(BaseModel):
    """The register that holds after how many seconds without a write the block lets go. `per_second`: its counts."""

    model_config = STRICT
    register_: Number16 = Field(alias="register")
    seconds: Annotated[float, span(5, 600)] = 30.0
    per_second: Annotated[float, span(0.1, 1000)] = 1.0


class ModbusCoilsForm(RelayForm):
    kind: Literal["modbus-coils"]
    unit: Unit
    base: Base
    watchdog: Annotated[WatchdogForm | None, table("{ register = 8, seconds = 30 }")] = None


class ModbusSpeedForm(RelayForm):
    """Drives whose speed stands in a holding register: 0 is standstill, `full` is full speed."""

    kind: Literal["modbus-speed"]
    unit: Unit
    base: Base
    full: Annotated[int, span(1, 65535, "a whole number")]
    watchdog: Annotated[WatchdogForm | None, table("{ register = 8, seconds = 30 }")] = None


class GpioLinesForm(RelayForm):
    """`active_low`: the relay board pulls its contact at a low level."""

    kind: Literal["gpio-lines"]
    active_low: bool = Field(False, description="true or false")


class PwmForm(RelayForm):
    """`chip` is the device behind the chip's folder, never its number. `inverted`: more duty is less speed."""

    kind: Literal["pwm"]
    chip: Device
    period_us: Annotated[float, span(1, 100_000)]
    inverted: bool = Field(False, description="true or false")


class MqttRelayForm(RelayForm):
    """Told at TOPIC/NODE/ask, confirms at TOPIC/NODE/state."""

    kind: Literal["mqtt-relay"]
    topic: Topic
    expires_s: Annotated[float, span(2, 120)] = 15.0


class ProofForm(BaseModel):
    """The sensor that shows that it really runs."""

    model_config = STRICT
    sensor: Name
    quantity: Literal["current", "speed", "flow", "wind", "contact"]
    at_least: float = Field(1.0, gt=0, le=1e6, description="a number above 0, at most 1000000")
    within_s: Annotated[float, span(1, 120)] = 10.0


class KitForm(BaseModel):
    model_config = STRICT
    name: Name
    place: Name
    relay: Name
    coil: Number16 | None = Field(None, description="a whole number from 0 to 65535")
    line: Device | None = Field(None, description="the name of a GPIO line")
    register_: Number16 | None = Field(None, alias="register", description="a whole number from 0 to 65535")
    channel: Number16 | None = Field(None, description="a whole number from 0 to 65535")
    node: Name | None = Field(None, description="a name in the topic of its relay")
    proof: Annotated[ProofForm | None, table('{ sensor = "fan-amps", quantity = "current", at_least = 1.2 }')] = None
    switch: Name | None = Field(None, description="the name of a sensor that tells a hand/off/auto switch")


class FanForm(KitForm):
    kind: Literal["fan"]
    contact: Literal["normally-closed", "full-on-loss"] = Field(
        description='"normally-closed" for a fan: behind a normally-open contact a dead board would stop it; '
        '"full-on-loss" for a drive that goes to full speed when its signal is lost'
    )
    on_level: Annotated[int, span(1, 3, "a whole number")] = 1
    min_on_s: Pause = 600.0
    min_off_s: Pause = 300.0
    starts_per_h: Annotated[int, span(1, 60, "a whole number")] = 4
    least_speed: Annotated[float, span(0.1, 1)] = 1.0
    air_mps: Annotated[float, span(0, 10)] = 0.0
    power_w: Annotated[float, span(0, 100_000)] = 0.0


class MisterForm(KitForm):
    kind: Literal["mister"]
    contact: Literal["normally-open"] = Field(
        description='"normally-open" for a mister: behind a normally-closed contact a dead board would let it run'
    )

    water_lpm: Annotated[float, span(0.01, 200)] = 1.0
    power_w: Annotated[float, span(0, 100_000)] = 0.0


class ValveForm(KitForm):
    """The master valve before the misters of its place."""

    kind: Literal["valve"]
    contact: Literal["normally-open"] = Field(
        description='"normally-open" for a valve: behind a normally-closed contact a dead board would let it run'
    )


Relay = Annotated[
    ModbusCoilsForm | ModbusSpeedForm | GpioLinesForm | PwmForm | MqttRelayForm, Field(discriminator="kind")
]
Kit = Annotated[FanForm | MisterForm | ValveForm, Field(discriminator="kind")]

# What the output is called in [[kit]], by the kind of its relay.
OUTPUT_OF = {
    "modbus-coils": "coil",
    "modbus-speed": "register",
    "gpio-lines": "line",
    "pwm": "channel",
    "mqtt-relay": "node",
}
