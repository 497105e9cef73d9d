"""Owns: what the places of an emulated barn are made of.

Must not know: equations, sensors, time.
How it works: a table, by the name of a place where the bench knows it, else by what horses do there. Sizes and
flows are invented within the figures that handbooks of horse housing give (4 to 8 air changes an hour at rest,
up to 40 in hot weather; a stall of 3.66 m x 3.66 m x 3 m; 0.4 g/s of water for a fog nozzle).
"""

from __future__ import annotations

from typing import Final

from drivers.bench.zones import ZoneParams
from gateway.barn import Place
from gateway.model import PlaceKind

_STALL_ROW: Final = ZoneParams(  # twelve stalls under a bare metal roof, wetted for mucking out
    volume_m3=480.0,
    store=4.0,
    horses=12,
    work=1.0,
    calm_flow_m3s=0.9,
    wind_flow_m2=0.12,
    walls_w_k=480.0,
    sun_m2=5.0,
    bedding_w=2600.0,
    fan_flow_m3s=1.6,
    fan_w=1200.0,
    mist_kg_s=0.0046,
)
_ARENA: Final = ZoneParams(  # 20 m x 40 m under a roof, open at the sides, footing watered, five horses at work
    volume_m3=5000.0,
    store=2.0,
    horses=5,
    work=4.0,
    calm_flow_m3s=6.0,
    wind_flow_m2=7.0,
    walls_w_k=1500.0,
    sun_m2=22.0,
    bedding_w=3000.0,
    fan_flow_m3s=15.0,
    fan_w=2500.0,
    mist_kg_s=0.012,
)
_WASH_RACK: Final = ZoneParams(  # three walls, a wet floor, a horse that has just come in
    volume_m3=90.0,
    store=4.0,
    horses=1,
    work=2.0,
    calm_flow_m3s=0.35,
    wind_flow_m2=0.15,
    walls_w_k=90.0,
    sun_m2=1.2,
    bedding_w=2000.0,
    fan_flow_m3s=0.7,
    fan_w=250.0,
    mist_kg_s=0.0008,
)

_BY_NAME: Final[dict[str, ZoneParams | None]] = {
    "stalls": _STALL_ROW,
    "arena": _ARENA,
    "wash-rack": _WASH_RACK,
    "outdoors": None,
}
_BY_KIND: Final = {PlaceKind.STANDING: _STALL_ROW, PlaceKind.RIDING: _ARENA}


def params_of(place: Place) -> ZoneParams | None:
    """What a place is made of; None is open air, which is the weather itself."""
    return _BY_NAME[place.name] if place.name in _BY_NAME else _BY_KIND[place.kind]
