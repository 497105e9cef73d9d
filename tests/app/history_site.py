"""Owns: a site file with a history, for the tests of what is made of histories.

Must not know: what the tests expect.
How it works: the shipped barn's file with a name for the history in a folder of the test.
"""

from __future__ import annotations

from pathlib import Path

from gateway.barn import Barn, Place
from gateway.model import Channel, PlaceKind, Policy, Quantity

CHANNELS = (
    Channel(name="air-1.temp_c", sensor="air-1", place="stalls", quantity=Quantity.TEMP),
    Channel(name="air-1.rh_pct", sensor="air-1", place="stalls", quantity=Quantity.RH),
    Channel(name="wind-1.wind_mps", sensor="wind-1", place="stalls", quantity=Quantity.WIND),
)
BARN = Barn(
    name="Two Elms", zone="America/New_York", pressure_pa=101325.0, posts=(), carry_limits=(2.0, 1.2, 1.0),
    horse_mass_kg=500.0, dead_band=3.0, hold_s=300.0, sensors=(), kit=(),
    places=(Place(name="stalls", kind=PlaceKind.STANDING, policy=Policy.AIR, label={"en": "Stalls"}),),
)  # fmt: skip
SHIPPED = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"


def site_file(folder: Path, more: str = "") -> Path:
    path = folder / "barn.toml"
    path.write_text(SHIPPED.read_text() + more)
    return path
