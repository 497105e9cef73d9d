"""Owns: the form of [[sensors]]: every kind of sensor, and where each quantity stands in it.

Must not know: drivers, what a value means.
How it works: one form for each kind. A kind whose parts differ has one optional key for each quantity (`Measures`),
holding where it stands; a kind that is one chip has its quantities in MEASURES. `measured` tells them apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar

from pydantic import BaseModel, Field

from gateway.model import AIR, Quantity
from gateway.site_words import (
    STRICT,
    Age,
    Base,
    Device,
    Name,
    Number16,
    Pointer,
    Scale,
    Topic,
    Unit,
    once_each,
    span,
    table,
)

EVERY_S, LATE_TIMES, LOST_TIMES = 10.0, 2, 3

T = TypeVar("T")


class SensorForm(BaseModel):
    model_config = STRICT
    MEASURES: ClassVar[tuple[Quantity, ...]] = ()
    name: Name
    place: Name
    bus: Name
    every_s: Annotated[float, span(1, 60)] = EVERY_S
    late_after_s: Age | None = Field(None, description="a number from 1 to 300")
    lost_after_s: Age | None = Field(None, description="a number from 1 to 300")
    stuck_after_s: Annotated[float, span(600, 86400)] = 7200.0


class Measures(SensorForm, Generic[T]):
    """Where each quantity stands; at least one."""

    temp: T | None = None
    rh: T | None = None
    wind: T | None = None
    direction: T | None = None
    globe: T | None = None
    skin: T | None = None
    pressure: T | None = None
    sun: T | None = None
    current: T | None = None
    speed: T | None = None
    flow: T | None = None
    supply: T | None = None


class ScaledForm(BaseModel):
    """A number of the device becomes number times `scale` plus `offset`, in the unit of its quantity."""

    model_config = STRICT
    scale: Scale = 1.0
    offset: Scale = 0.0


# --- Modbus -----------------------------------------------------------------------------------------


class RegisterForm(ScaledForm):
    """`status` is a register that holds `good` while the device trusts the value."""

    EXAMPLE: ClassVar[str] = '{ register = 0, type = "int16", scale = 0.1 }'
    register_: Number16 = Field(alias="register")  # pydantic's own classes have a `register`
    type: Literal["int16", "uint16", "int32", "uint32", "float32"]
    scale: float = Field(1.0, gt=0, le=1000, description="a number above 0, at most 1000")
    status: Number16 | None = Field(None, description="a whole number from 0 to 65535")
    good: Number16 = 0


class ModbusRegistersForm(Measures[RegisterForm]):
    kind: Literal["modbus-registers"]
    unit: Unit
    function: Annotated[int, Field(ge=3, le=4, description="3 for holding registers, 4 for input registers")]
    base: Base
    word_order: Literal["high-first", "low-first"] = "high-first"


class InputForm(BaseModel):
    """`closed_is` is what the input shows when the contact is closed."""

    model_config = STRICT
    input: Number16
    closed_is: Annotated[int, Field(ge=0, le=1, description="0 or 1")] = 1


class SwitchInputsForm(BaseModel):
    model_config = STRICT
    hand: Number16
    auto: Number16


class ModbusInputsForm(SensorForm):
    """Contacts on the inputs of an I/O block; neither `hand` nor `auto` closed means off."""

    kind: Literal["modbus-inputs"]
    unit: Unit
    function: Annotated[int, Field(ge=1, le=2, description="1 for coils, 2 for discrete inputs")] = 2
    base: Base
    contact: Annotated[InputForm | None, table("{ input = 0 }")] = None
    switch: Annotated[SwitchInputsForm | None, table("{ hand = 0, auto = 1 }")] = None


# --- what the kernel reads --------------------------------------------------------------------------


_IIO = Annotated[str, Field(pattern="^in_[a-z0-9_]+$", description='a channel such as "in_temp"')]
_HWMON = Annotated[str, Field(pattern="^[a-z]+[0-9]{1,3}$", description='a channel such as "temp1"')]


class IioForm(Measures[_IIO]):
    kind: Literal["iio"]
    device: Device
    rh_unit: Literal["milli-percent", "percent"] = "milli-percent"


class HwmonForm(Measures[_HWMON]):
    kind: Literal["hwmon"]
    device: Device


class W1Form(SensorForm):
    """`device` is the family and number that is printed on no part but found in the bus folder: 28-0316a2794f2b."""

    kind: Literal["w1"]
    device: str = Field(pattern="^[0-9a-f]{2}-[0-9a-f]{12}$", description='family and number, "28-0316a2794f2b"')
    measures: Literal["temp", "globe", "skin"]


class LoopForm(BaseModel):
    """A 4-20 mA loop: `low` at 4 mA, `high` at 20 mA, in the unit of the quantity; wire faults after NAMUR NE 43."""

    EXAMPLE: ClassVar[str] = '{ channel = "in_voltage0", low = -40, high = 60 }'
    model_config = STRICT
    channel: _IIO
    low: Scale
    high: Scale


class IioLoopForm(Measures[LoopForm]):
    kind: Literal["iio-loop"]
    device: Device
    shunt_ohm: Annotated[float, span(1, 1000)]


class VoltsForm(BaseModel):
    """`low` at `low_v`, `high` at `high_v` of the transmitter's terminals. Outside by more than `slack_v`: a fault."""

    EXAMPLE: ClassVar[str] = '{ channel = "in_voltage0", low_v = 0, high_v = 10, low = -40, high = 60 }'
    model_config = STRICT
    channel: _IIO
    low_v: Annotated[float, span(-30, 30)] = 0.0
    high_v: Annotated[float, span(-30, 30)]
    low: Scale
    high: Scale
    slack_v: Annotated[float, span(0, 2)] = 0.1


class IioVoltsForm(Measures[VoltsForm]):
    """`divider`: volts at the terminal for one volt at the converter."""

    kind: Literal["iio-volts"]
    device: Device
    divider: Annotated[float, span(1, 100)] = 1.0


# --- I2C from user space ----------------------------------------------------------------------------


class Sht3xForm(SensorForm):
    MEASURES = AIR
    kind: Literal["sht3x"]
    address: Annotated[int, Field(ge=0x44, le=0x45, description="0x44 or 0x45")] = 0x44
    heat_when_wet: bool = Field(True, description="true or false")


class Sht4xForm(SensorForm):
    MEASURES = AIR
    kind: Literal["sht4x"]
    address: Annotated[int, Field(ge=0x44, le=0x46, description="0x44, 0x45 or 0x46")] = 0x44
    heat_when_wet: bool = Field(True, description="true or false")


class Bme280Form(SensorForm):
    MEASURES = (*AIR, Quantity.PRESSURE)
    kind: Literal["bme280"]
    address: Annotated[int, Field(ge=0x76, le=0x77, description="0x76 or 0x77")] = 0x76


# --- serial text ------------------------------------------------------------------------------------


class ColumnForm(ScaledForm):
    """`column` counts from 1, `pointer` finds a value in a line of JSON: exactly one of them."""

    EXAMPLE: ClassVar[str] = "{ column = 1 }"
    column: int | None = Field(None, ge=1, le=100, description="a whole number from 1 to 100")
    pointer: Pointer | None = Field(None, description='a JSON pointer (RFC 6901) such as "/air/temp"')


class TextLineForm(Measures[ColumnForm]):
    """Lines that start with `begins`; columns are parted by `separator`."""

    kind: Literal["text-line"]
    begins: str = Field("", max_length=20, description="up to 20 letters that the line starts with")
    separator: Literal[",", ";", "\t", " "] = ","


_NMEA = Annotated[
    list[Literal["temp", "rh", "wind", "direction", "pressure"]], *once_each('"wind", "direction", "temp", "rh"')
]


class NmeaForm(SensorForm):
    """`sentence` MWV has wind and direction, MDA all five, XDR temp, rh and pressure."""

    kind: Literal["nmea"]
    sentence: Literal["MWV", "MDA", "XDR"]
    talker: str = Field("", pattern="^([A-Z]{2})?$", description='two capital letters such as "WI", or "" for any')
    measures: _NMEA
    reference: Literal["relative", "true"] = "relative"
    transducers: dict[Literal["temp", "rh", "pressure"], str] = Field({}, description='a table { temp = "TEMP" }')
    errors: list[float] = Field([], description="a list of numbers that mean an error, such as [99.9, 999.9]")


class PositionForm(ScaledForm):
    """Which of the values of an answer, counted from 1."""

    EXAMPLE: ClassVar[str] = "{ value = 1 }"
    value: Annotated[int, span(1, 99, "a whole number")]


class Sdi12SensorForm(Measures[PositionForm]):
    kind: Literal["sdi12"]
    address: str = Field(pattern="^[0-9A-Za-z]$", description="one letter or digit")
    command: str = Field("MC", pattern="^[MC]C?[1-9]?$", description='"M", "MC", "C", "CC", or one with a digit')


# --- GPIO -------------------------------------------------------------------------------------------


class ContactLineForm(BaseModel):
    model_config = STRICT
    line: Device
    active_low: bool = Field(False, description="true or false")
    bias: Literal["as-is", "pull-up", "pull-down"] = "as-is"


class SwitchLinesForm(BaseModel):
    model_config = STRICT
    hand: Device
    auto: Device
    active_low: bool = Field(False, description="true or false")
    bias: Literal["as-is", "pull-up", "pull-down"] = "as-is"


class GpioContactForm(SensorForm):
    kind: Literal["gpio-contact"]
    contact: Annotated[ContactLineForm | None, table('{ line = "GPIO17" }')] = None
    switch: Annotated[SwitchLinesForm | None, table('{ hand = "GPIO22", auto = "GPIO23" }')] = None
    debounce_ms: Annotated[float, span(0, 1000)] = 20.0


class PulseForm(BaseModel):
    """Pulses per second times `per_hz` plus `offset` (not added at standstill)."""

    EXAMPLE: ClassVar[str] = '{ line = "GPIO6", per_hz = 0.67 }'
    model_config = STRICT
    line: Device
    per_hz: Annotated[float, span(1e-6, 1e6)]
    offset: Annotated[float, span(0, 10)] = 0.0
    bias: Literal["as-is", "pull-up", "pull-down"] = "as-is"


class GpioPulseForm(SensorForm):
    kind: Literal["gpio-pulse"]
    wind: Annotated[PulseForm | None, table(PulseForm.EXAMPLE)] = None
    flow: Annotated[PulseForm | None, table(PulseForm.EXAMPLE)] = None
    speed: Annotated[PulseForm | None, table(PulseForm.EXAMPLE)] = None
    window_s: Annotated[float, span(1, 60)] = 10.0
    debounce_ms: Annotated[float, span(0, 100)] = 2.0


# --- MQTT -------------------------------------------------------------------------------------------


class RemoteForm(ScaledForm):
    """In SenML the full name of the record, in JSON a pointer: exactly one of them."""

    EXAMPLE: ClassVar[str] = '{ name = "temp" }, or { pointer = "/temp" } for JSON'
    name: str | None = Field(None, max_length=80, description="base name and name of the SenML record")
    pointer: Pointer | None = Field(None, description='a JSON pointer (RFC 6901) such as "/air/temp"')


class MqttSensorForm(Measures[RemoteForm]):
    """`time`: where a JSON message holds its own time as Unix seconds; without it the time of arrival counts."""

    kind: Literal["mqtt"]
    topic: Topic
    format: Literal["senml", "json"]
    time: Pointer | None = Field(None, description='a JSON pointer (RFC 6901) such as "/time"')


# Keys that hold where a quantity stands, by whichever kind.
PLACED = (*(key for key in Measures.model_fields if key not in SensorForm.model_fields), "contact", "switch")
FIXED = {"sht3x": Sht3xForm.MEASURES, "sht4x": Sht4xForm.MEASURES, "bme280": Bme280Form.MEASURES}
NMEA_HAS = {
    "MWV": ("wind", "direction"),
    "MDA": ("wind", "direction", "temp", "rh", "pressure"),
    "XDR": ("temp", "rh", "pressure"),
}


def measured(row: Mapping[str, Any]) -> tuple[Quantity, ...]:
    """What a sensor measures, by the raw table in which it is described."""
    said = row.get("measures")
    words = [said] if isinstance(said, str) else said if isinstance(said, list) else []
    keys = {word for word in words if isinstance(word, str)}
    keys |= {key for key in PLACED if row.get(key) is not None}
    keys |= {quantity.key for quantity in FIXED.get(str(row.get("kind")), ())}
    return tuple(quantity for quantity in Quantity if quantity.key in keys)


Sensor = Annotated[
    ModbusRegistersForm
    | ModbusInputsForm
    | IioForm
    | HwmonForm
    | W1Form
    | IioLoopForm
    | IioVoltsForm
    | Sht3xForm
    | Sht4xForm
    | Bme280Form
    | TextLineForm
    | NmeaForm
    | Sdi12SensorForm
    | GpioContactForm
    | GpioPulseForm
    | MqttSensorForm,
    Field(discriminator="kind"),
]
