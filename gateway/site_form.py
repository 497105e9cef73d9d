"""Owns: the form of the site file: which keys each table has, what each may hold, and every default.

Must not know: how a problem is worded, what must agree between tables, drivers, hardware.
How it works: one pydantic model for each kind of table. The description of a field says what is allowed in it and
is what a person reads when the value is refused; a choice of words needs none.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from gateway.barn import DEFAULT_AIR_MPS, DEFAULT_CARRY_LIMITS, DEFAULT_HORSE_MASS_KG, DEFAULT_POSTS, MistRules
from gateway.site_alarms import AlarmsForm, Contacts, MailForm
from gateway.site_buses import Bus
from gateway.site_history import HistoryForm
from gateway.site_kit import Kit, Relay
from gateway.site_sensors import Sensor
from gateway.site_signals import Signal
from gateway.site_streams import SeriesForm
from gateway.site_web import WebForm
from gateway.site_words import (
    STRICT,
    Day,
    File,
    Host,
    Hours,
    IpPort,
    Label,
    Name,
    Pause,
    Spans,
    Title,
    Topic,
    Words,
    once_each,
    span,
    table,
    tables,
)

POSTS = dict(zip(("watch", "plan", "stop"), (post.at for post in DEFAULT_POSTS), strict=True))
CARRIES = dict(zip(POSTS, DEFAULT_CARRY_LIMITS, strict=True))
DEAD_BAND = 3.0
MIST = MistRules()

Languages = Annotated[list[Literal["en", "es"]], *once_each('"en", "es"')]
Sum = Annotated[float, span(80, 250)]
Carry = Annotated[float, span(0.2, 5)]


class BarnForm(BaseModel):
    model_config = STRICT
    name: Title
    zone: str = Field(min_length=1, description='a name from the IANA time zone list, such as "America/New_York"')
    altitude_m: Annotated[float, span(-400, 5000)]
    languages: Languages = ["en", "es"]


class PostsForm(BaseModel):
    model_config = STRICT
    watch: Sum = POSTS["watch"]
    plan: Sum = POSTS["plan"]
    stop: Sum = POSTS["stop"]
    dead_band: Annotated[float, span(0.5, 20)] = DEAD_BAND
    hold_s: Pause = 300.0


class CarryForm(BaseModel):
    model_config = STRICT
    watch: Carry = CARRIES["watch"]
    plan: Carry = CARRIES["plan"]
    stop: Carry = CARRIES["stop"]


class HorseForm(BaseModel):
    model_config = STRICT
    mass_kg: Annotated[float, span(80, 1200)] = DEFAULT_HORSE_MASS_KG


class LabelForm(BaseModel):
    model_config = STRICT
    en: Label = ""
    es: Label = ""


class PlaceForm(BaseModel):
    model_config = STRICT
    name: Name
    kind: Literal["riding", "standing"]
    label: Annotated[LabelForm, table('{ en = "Stalls", es = "Cuadras" }')] = LabelForm()
    policy: Literal["rule", "air", "stricter"] | None = Field(None, description='one of "rule", "air", "stricter"')
    air_mps: Annotated[float, span(0, 10)] = DEFAULT_AIR_MPS
    occupied: Spans = []
    hot: Spans = []
    vents: Name | None = Field(None, description="the name of a sensor with a contact")
    rotate_lead: bool = Field(False, description="true or false")


class MistForm(BaseModel):
    """When misters may run at all."""

    model_config = STRICT
    from_c: Annotated[float, span(15, 45)] = MIST.from_c
    start_below_pct: Annotated[float, span(20, 90)] = MIST.start_below_pct
    stop_above_pct: Annotated[float, span(20, 95)] = MIST.stop_above_pct
    least_depression_k: Annotated[float, span(2, 20)] = MIST.least_depression_k
    pulse_s: Annotated[float, span(3, 180)] = MIST.pulse_s
    every_s: Annotated[float, span(30, 3600)] = MIST.every_s
    hours: Hours = "08:00-19:30"
    litres_per_day: Annotated[float, span(0, 100_000)] = MIST.litres_per_day
    flush_after_h: Annotated[float, span(12, 168)] = MIST.flush_after_s / 3600
    flush_s: Annotated[float, span(10, 600)] = MIST.flush_s


class SafetyForm(BaseModel):
    """Sensors that watch the barn itself: a contact that closes on fire, the supply voltage."""

    model_config = STRICT
    fire: Name | None = Field(None, description="the name of a sensor with a contact")
    supply: Name | None = Field(None, description="the name of a sensor of supply")
    supply_low_v: Annotated[float, span(1, 500)] | None = Field(None, description="a number from 1 to 500")
    freeze_c: Annotated[float, span(1, 10)] = 4.0
    stagger_s: Annotated[float, span(1, 60)] = 7.0


class CorrectionForm(BaseModel):
    """What is added to a quantity of a sensor after it was compared with a reference."""

    model_config = STRICT
    sensor: Name
    quantity: Literal["temp", "rh", "wind", "globe", "skin", "pressure", "sun", "current"]
    offset: Annotated[float, span(-1000, 1000)]
    on: Day
    by: Title
    reference: Words


class BrokerForm(BaseModel):
    """How a broker is reached. The password stands alone in a file that only this program may read."""

    model_config = STRICT
    host: Host
    port: IpPort = 8883
    tls: bool = Field(True, description="true or false")
    ca_file: File | None = Field(None, description="a path; left out: the certificates that the system trusts")
    user: Title | None = Field(None, description="1 to 40 letters on one line")
    password_file: File | None = Field(None, description="a path")


class MqttForm(BrokerForm):
    """The broker that uplink speaks to."""

    prefix: Topic = "loosebox"
    publish: bool = Field(False, description="true or false")


class LinkForm(BaseModel):
    model_config = STRICT
    socket: File


class FileForm(BaseModel):
    model_config = STRICT
    barn: BarnForm = Field(description="a table [barn]")
    posts: PostsForm = Field(PostsForm(), description="a table [posts]")
    carry: CarryForm = Field(CarryForm(), description="a table [carry]")
    horse: HorseForm = Field(HorseForm(), description="a table [horse]")
    places: list[PlaceForm] = tables("places")
    buses: list[Bus] = tables("buses")
    sensors: list[Sensor] = tables("sensors")
    relays: list[Relay] = Field([], description="tables [[relays]]")
    kit: list[Kit] = Field([], description="tables [[kit]]")
    signals: list[Signal] = Field([], description="tables [[signals]]")
    mist: MistForm = Field(MistForm(), description="a table [mist]")
    safety: SafetyForm = Field(SafetyForm.model_validate({}), description="a table [safety]")
    corrections: list[CorrectionForm] = Field([], description="tables [[corrections]]")
    mqtt: MqttForm | None = Field(None, description="a table [mqtt]")
    series: SeriesForm | None = Field(None, description="a table [series]")
    alarms: AlarmsForm = Field(AlarmsForm(), description="a table [alarms]")
    mail: MailForm | None = Field(None, description="a table [mail]")
    contacts: Contacts = []
    history: HistoryForm = Field(description="a table [history]")
    link: LinkForm = Field(description="a table [link]")
    web: WebForm = Field(WebForm.model_validate({}), description="a table [web]")
