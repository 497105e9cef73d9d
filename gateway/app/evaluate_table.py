"""Owns: the scores as numbers for people and machines: columns, the CSV, and whether the aims are reached.

Must not know: how a score came about, how a page looks.
How it works: one list of columns serves the CSV and the page. An aim is a comparison of two scores with its own words;
what is not reached is said so.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from gateway.app.evaluate import Score, Season
from gateway.errors import WeatherError

OURS, OFF, ON, THERMOSTAT = "Loosebox", "always off", "always on", "thermostat 27 °C"
DRY, BEST = "Loosebox, no water", "perfect foresight"
# What an hour of strain (horses one whole carry below comfort) may cost in fan energy: 10 h of both groups of fans.
# Own choice, made before any result was seen.
PRICE_KWH_H = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """All scores of one season, by controller, in the order of the page. `front`: plans with foresight, by price."""

    season: Season
    scores: Mapping[str, Score]
    front: Mapping[float, Score]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One measure. `short` stands over the table, `key` in the CSV."""

    key: str
    short: str
    of: Callable[[Score], float]
    digits: int


COLUMNS = (
    Column(key="hours_carry_below_1", short="carry < 1, h", of=lambda s: s.hours_below_limit, digits=1),
    Column(key="strain_h", short="strain, h", of=lambda s: s.strain_h, digits=2),
    Column(key="hours_carry_below_2", short="carry < 2, h", of=lambda s: s.hours_below_comfort, digits=0),
    Column(key="comfort_strain_h", short="strain below 2, h", of=lambda s: s.comfort_strain_h, digits=1),
    Column(key="fan_kwh", short="fans, kWh", of=lambda s: s.fan_kwh, digits=0),
    Column(key="fan_starts", short="starts", of=lambda s: s.starts, digits=0),
    Column(key="water_l", short="water, l", of=lambda s: s.litres, digits=0),
    Column(key="wet_floor_hours", short="wet floor, h", of=lambda s: s.wet_floor_hours, digits=0),
)


def cost_kwh(score: Score, price_kwh_h: float = PRICE_KWH_H) -> float:
    """The objective of the comparison with foresight: strain below comfort at its price, and fan energy."""
    return price_kwh_h * score.comfort_strain_h + score.fan_kwh


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One aim, whether it is reached, and the numbers."""

    aim: str
    reached: bool
    text: str


def verdicts(found: Found) -> Iterator[Verdict]:
    """The aims, as far as the needed controllers were run."""
    scores = found.scores
    if OURS not in scores or ON not in scores or THERMOSTAT not in scores:
        return
    ours, on, plain = scores[OURS], scores[ON], scores[THERMOSTAT]
    yield Verdict(
        aim="Strain no worse than fans always on, plus 2 %",
        reached=ours.strain_h <= 1.02 * on.strain_h and ours.comfort_strain_h <= 1.02 * on.comfort_strain_h,
        text=f"{ours.strain_h:.3g} h against {on.strain_h:.3g} h; below 2: {ours.comfort_strain_h:.3g} h against "
        f"{on.comfort_strain_h:.3g} h ({_change(ours.comfort_strain_h, on.comfort_strain_h)})",
    )
    yield Verdict(
        aim="Fan energy at least 25 % below always on",
        reached=ours.fan_kwh <= 0.75 * on.fan_kwh,
        text=f"{ours.fan_kwh:.0f} kWh against {on.fan_kwh:.0f} kWh ({_change(ours.fan_kwh, on.fan_kwh)}); always on "
        f"spends {on.fan_kwh_nobody:.0f} kWh of it while no horse is there",
    )
    cheaper = ours.fan_kwh <= plain.fan_kwh
    yield Verdict(
        aim="Strain at least 50 % below the thermostat, at no more energy",
        reached=cheaper and ours.strain_h <= 0.5 * plain.strain_h,
        text=f"{ours.strain_h:.3g} h against {plain.strain_h:.3g} h with {ours.fan_kwh:.0f} kWh against "
        f"{plain.fan_kwh:.0f} kWh",
    )
    least = min((score.comfort_strain_h for score in found.front.values()), default=on.comfort_strain_h)
    yield Verdict(
        aim="The same for strain below 2",
        reached=cheaper and ours.comfort_strain_h <= 0.5 * plain.comfort_strain_h,
        text=f"{ours.comfort_strain_h:.3g} h against {plain.comfort_strain_h:.3g} h "
        f"({_change(ours.comfort_strain_h, plain.comfort_strain_h)}); the least that these fans can reach is about "
        f"{min(least, on.comfort_strain_h):.3g} h "
        f"({_change(min(least, on.comfort_strain_h), plain.comfort_strain_h)})",
    )
    if DRY in scores and BEST in scores:
        yield _foresight(found, scores[DRY], scores[BEST])


def _foresight(found: Found, dry: Score, best: Score) -> Verdict:
    others = "; ".join(
        f"{_change(cost_kwh(dry, price_kwh_h), cost_kwh(plan, price_kwh_h))} at {price_kwh_h:g}"
        for price_kwh_h, plan in found.front.items()
        if price_kwh_h != PRICE_KWH_H
    )
    return Verdict(
        aim="At most 10 % dearer than with perfect foresight",
        reached=cost_kwh(dry) <= 1.10 * cost_kwh(best),
        text=f"{cost_kwh(dry):.0f} against {cost_kwh(best):.0f} ({_change(cost_kwh(dry), cost_kwh(best))}), in kWh at "
        f"{PRICE_KWH_H:g} kWh for an hour of strain below 2; both without water. Energy {dry.fan_kwh:.0f} against "
        f"{best.fan_kwh:.0f} kWh, strain {dry.comfort_strain_h:.3g} against {best.comfort_strain_h:.3g} h."
        + (f" With foresight for other prices: {others} kWh." if others else ""),
    )


def save_csv(results: list[Found], path: Path) -> None:
    """One row for each season and controller. Raises WeatherError when it cannot be written."""
    try:
        with path.open("w", newline="", encoding="utf-8") as out:
            table = csv.writer(out, lineterminator="\n")
            table.writerow(("climate", "days", "controller", "horse_hours", *(c.key for c in COLUMNS), "least_carry"))
            for found in results:
                for name, s in found.scores.items():
                    numbers = (f"{column.of(s):.3f}" for column in COLUMNS)
                    table.writerow(
                        (found.season.name, found.season.days, name, f"{s.horse_hours:.1f}", *numbers,
                         f"{s.least_carry:.3f}")
                    )  # fmt: skip
    except OSError as error:
        raise WeatherError(f"{path}: the scores cannot be written: {error.strerror}") from error


def _change(value: float, other: float) -> str:
    return "equal" if value == other else f"{value / other - 1.0:+.1%}" if other else "no ratio to 0"
