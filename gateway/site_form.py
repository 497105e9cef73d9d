"""Owns: the form of the site file: which keys each table has, what each may hold, and every default.

Must not know: how a problem is worded, what must agree between tables, drivers, hardware.
How it works: one pydantic model for each kind of table. The description of a field says what is allowed in it and
is what a person reads when the value is refused; a choice of words needs none.
"""

from __future__ import annotations

from ipaddress import ip_address
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from gateway.model import DEFAULT_AIR_MPS, DEFAULT_CARRY_LIMITS, DEFAULT_HORSE_MASS_KG, DEFAULT_POSTS
from gateway.site_lines import one_of

EVERY_S, LATE_TIMES, LOST_TIMES = 10.0, 2, 3
POSTS = dict(zip(("watch", "plan", "stop"), (post.at for post in DEFAULT_POSTS), strict=True))
CARRIES = dict(zip(POSTS, DEFAULT_CARRY_LIMITS, strict=True))
DEAD_BAND = 3.0
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
LABEL_LETTERS = 7  # what fits on the wall at its reading distance

STRICT = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _span(low: float, high: float, what: str = "a number") -> Any:
    return Field(ge=low, le=high, description=f"{what} from {low:g} to {high:g}")


def _table(example: str) -> Any:
    return Field(description=f"a table such as {example}")


def _tables(name: str) -> Any:
    return Field(min_length=1, description=f"one or more tables [[{name}]]")


def _ip(text: str) -> str:
    return str(ip_address(text))


def _baud(number: int) -> int:
    if number not in BAUDS:
        raise ValueError("not a usual speed")
    return number


def _once_each(words: list[str]) -> list[str]:
    if len(set(words)) < len(words):
        raise ValueError("a word stands twice")
    return words


_LINE = r"^[^\s\p{C}]+( [^\s\p{C}]+)*$"  # visible letters, single blanks between words
Name = Annotated[
    str, Field(pattern="^[a-z][a-z0-9-]{0,30}$", description="a to z, 0 to 9 and -, a letter first, at most 31")
]
Title = Annotated[str, Field(max_length=40, pattern=_LINE, description="1 to 40 letters on one line")]
Label = Annotated[
    str, Field(max_length=LABEL_LETTERS, pattern=_LINE, description=f"1 to {LABEL_LETTERS} letters: the wall's limit")
]
File = Annotated[str, Field(pattern=r"^\P{Cc}+$", description="a path; a relative one starts at this file's folder")]
Device = Annotated[str, Field(pattern="^[^/\\s\\p{C}]+$", description="the text of the device's file label or name")]
Address = Annotated[str, AfterValidator(_ip), Field(description='an IP address such as "127.0.0.1", no host name')]
Languages = Annotated[
    list[Literal["en", "es"]], AfterValidator(_once_each), Field(min_length=1, description='a list of "en", "es"')
]
Base = Annotated[int, Field(ge=0, le=1, description="0 when the data sheet counts from 0, 1 when from 1")]
Function = Annotated[int, Field(ge=3, le=4, description="3 for holding registers, 4 for input registers")]
StopBits = Annotated[int, Field(ge=1, le=2, description="1 or 2")]
Baud = Annotated[int, AfterValidator(_baud), Field(description=one_of(BAUDS))]
Unit = Annotated[int, _span(1, 247, "a whole number")]
Number16 = Annotated[int, _span(0, 65535, "a whole number")]
Pause = Annotated[float, _span(0, 3600)]
Age = Annotated[float, _span(1, 300)]
Sum = Annotated[float, _span(80, 250)]
Carry = Annotated[float, _span(0.2, 5)]


class BarnForm(BaseModel):
    model_config = STRICT
    name: Title
    zone: str = Field(min_length=1, description='a name from the IANA time zone list, such as "America/New_York"')
    altitude_m: Annotated[float, _span(-400, 5000)]
    languages: Languages = ["en", "es"]


class PostsForm(BaseModel):
    model_config = STRICT
    watch: Sum = POSTS["watch"]
    plan: Sum = POSTS["plan"]
    stop: Sum = POSTS["stop"]
    dead_band: Annotated[float, _span(0.5, 20)] = DEAD_BAND
    hold_s: Pause = 300.0


class CarryForm(BaseModel):
    model_config = STRICT
    watch: Carry = CARRIES["watch"]
    plan: Carry = CARRIES["plan"]
    stop: Carry = CARRIES["stop"]


class HorseForm(BaseModel):
    model_config = STRICT
    mass_kg: Annotated[float, _span(80, 1200)] = DEFAULT_HORSE_MASS_KG


class LabelForm(BaseModel):
    model_config = STRICT
    en: Label = ""
    es: Label = ""


class PlaceForm(BaseModel):
    model_config = STRICT
    name: Name
    kind: Literal["riding", "standing"]
    label: Annotated[LabelForm, _table('{ en = "Stalls", es = "Cuadras" }')] = LabelForm()
    policy: Literal["rule", "air", "stricter"] | None = Field(None, description='one of "rule", "air", "stricter"')
    air_mps: Annotated[float, _span(0, 10)] = DEFAULT_AIR_MPS


class SerialForm(BaseModel):
    model_config = STRICT
    name: Name
    kind: Literal["serial"]
    port: File
    baud: Baud
    parity: Literal["none", "even", "odd"]
    stop_bits: StopBits = 1
    answer_within_s: Annotated[float, _span(0.05, 5)] = 0.3


class SysfsForm(BaseModel):
    model_config = STRICT
    name: Name
    kind: Literal["sysfs"]
    root: File


class SensorForm(BaseModel):
    model_config = STRICT
    name: Name
    place: Name
    bus: Name
    every_s: Annotated[float, _span(1, 60)] = EVERY_S
    late_after_s: Age | None = Field(None, description="a number from 1 to 300")
    lost_after_s: Age | None = Field(None, description="a number from 1 to 300")
    stuck_after_s: Annotated[float, _span(600, 86400)] = 7200.0


class RegisterForm(BaseModel):
    model_config = STRICT
    register_: Number16 = Field(alias="register")  # pydantic's own classes have a `register`
    type: Literal["int16", "uint16", "int32", "uint32", "float32"]
    scale: float = Field(1.0, gt=0, le=1000, description="a number above 0, at most 1000")
    offset: Annotated[float, _span(-1000, 1000)] = 0.0


Register = Annotated[RegisterForm, _table('{ register = 0, type = "int16", scale = 0.1 }')]


class ModbusAirForm(SensorForm):
    kind: Literal["modbus-air"]
    unit: Unit
    function: Function
    base: Base
    word_order: Literal["high-first", "low-first"] = "high-first"
    temp: Register
    rh: Register


class IioForm(SensorForm):
    kind: Literal["iio"]
    device: Device
    temp: str = Field(pattern="^in_temp[a-z0-9_]*$", description='a channel such as "in_temp"')
    rh: str = Field(pattern="^in_humidityrelative[a-z0-9_]*$", description='a channel such as "in_humidityrelative"')
    rh_unit: Literal["milli-percent", "percent"] = "milli-percent"


class HwmonForm(SensorForm):
    kind: Literal["hwmon"]
    device: Device
    temp: str = Field(pattern="^temp[0-9]{1,3}$", description='a channel such as "temp1"')
    rh: str = Field(pattern="^humidity[0-9]{1,3}$", description='a channel such as "humidity1"')


class RelayForm(BaseModel):
    model_config = STRICT
    name: Name
    bus: Name
    kind: Literal["modbus-coils"]
    unit: Unit
    base: Base
    refresh_s: Annotated[float, _span(1, 60)] = 5.0


class KitForm(BaseModel):
    model_config = STRICT
    name: Name
    place: Name
    relay: Name
    coil: Number16


class FanForm(KitForm):
    kind: Literal["fan"]
    contact: Literal["normally-closed"] = Field(
        description='"normally-closed" for a fan: behind a normally-open contact a dead board would stop it'
    )
    on_level: Annotated[int, _span(1, 3, "a whole number")] = 1
    min_on_s: Pause = 600.0
    min_off_s: Pause = 300.0


class MisterForm(KitForm):
    kind: Literal["mister"]
    contact: Literal["normally-open"] = Field(
        description='"normally-open" for a mister: behind a normally-closed contact a dead board would let it run'
    )


class HistoryForm(BaseModel):
    model_config = STRICT
    file: File


class LinkForm(BaseModel):
    model_config = STRICT
    socket: File


class WebForm(BaseModel):
    model_config = STRICT
    listen: Address = "127.0.0.1"
    port: Annotated[int, _span(1, 65535, "a whole number")] = 8460


Bus = Annotated[SerialForm | SysfsForm, Field(discriminator="kind")]
Sensor = Annotated[ModbusAirForm | IioForm | HwmonForm, Field(discriminator="kind")]
Kit = Annotated[FanForm | MisterForm, Field(discriminator="kind")]


class FileForm(BaseModel):
    model_config = STRICT
    barn: BarnForm = Field(description="a table [barn]")
    posts: PostsForm = Field(PostsForm(), description="a table [posts]")
    carry: CarryForm = Field(CarryForm(), description="a table [carry]")
    horse: HorseForm = Field(HorseForm(), description="a table [horse]")
    places: list[PlaceForm] = _tables("places")
    buses: list[Bus] = _tables("buses")
    sensors: list[Sensor] = _tables("sensors")
    relays: list[RelayForm] = Field([], description="tables [[relays]]")
    kit: list[Kit] = Field([], description="tables [[kit]]")
    history: HistoryForm = Field(description="a table [history]")
    link: LinkForm = Field(description="a table [link]")
    web: WebForm = Field(WebForm(), description="a table [web]")
