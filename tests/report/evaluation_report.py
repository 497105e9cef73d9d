"""Writes the evaluation of control over two typical summers into a folder: evaluation.html and evaluation.csv.

Run: `PYTHONPATH=. python tests/report/evaluation_report.py --out FOLDER`; half an hour on two cores. Weather: May to
September of the typical meteorological years that the pvlib package carries (Miami, TMY2, Marion and Urban 1995;
Greensboro, TMY3, Wilcox and Marion 2008). Beside the controllers of `loosebox evaluate` it adds ours without water and
plans with perfect foresight (`optimum.py`), also without water, at several prices of strain.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import os
import sys
from pathlib import Path

import pandas as pd

from drivers.bench.air import Air
from drivers.bench.weather_file import Recorded
from gateway.app import evaluate_barn as the
from gateway.app.evaluate import COMFORT, LIMIT, Score, Season, run, season_of
from gateway.app.evaluate_page import save_page
from gateway.app.evaluate_rivals import CONTROLLERS, Ours
from gateway.app.evaluate_run import PAGE, TABLE
from gateway.app.evaluate_table import BEST, DRY, PRICE_KWH_H, Found, save_csv
from tests.report.levels_report import read_year
from tests.report.optimum import Planned, best_plan

CITIES = {"Miami, Florida": "12839.tm2", "Greensboro, North Carolina": "723170TYA.CSV"}
MONTHS = (5, 9)
# Prices of an hour of strain below 2, in kWh: the front of what is possible. The dearest is about the least strain.
PRICES = (3.0, PRICE_KWH_H, 48.0, 480.0)
PRICE_BELOW_1 = 100.0
NOTE = (
    "Typical meteorological year, as carried by the pvlib package. Perfect foresight: dynamic programming over the "
    "whole season, without water, for 12 kWh an hour of strain below 2. With foresight that only keeps carry at 1, "
    "{kwh:.0f} kWh would do, with {strain:.2f} h of strain and {comfort:.0f} h below 2."
)


def summer(city: str, months: tuple[int, int] = MONTHS) -> Season:
    """The months of a typical year as weather, its hours in the standard time of the place."""
    frame = read_year(CITIES[city])
    columns = (frame[name].tolist() for name in ("temp_c", "rh_pct", "wind_mps", "ghi"))
    # A typical year is sewn together from months of different years; one year makes its time rise.
    hours = pd.date_range("1990-01-01", periods=len(frame), freq="h", tz="Etc/GMT+5").to_pydatetime().tolist()
    rows = [
        (when.timestamp(), Air(temp_c=temp_c, rh_pct=max(1.0, rh_pct), wind_mps=wind_mps, ghi_wm2=ghi_wm2))
        for when, temp_c, rh_pct, wind_mps, ghi_wm2 in zip(hours, *columns, strict=True)
    ]
    return season_of(city, Recorded(rows), hours, months)


def _score(task: tuple[str, str]) -> Score:
    """One controller, or one plan ("48 2": price and limit), in one city."""
    city, name = task
    season = summer(city)
    if name in CONTROLLERS:
        found = run(season, CONTROLLERS[name]())
    elif name == DRY:
        found = run(season, Ours(the.barn(misters=False)))
    else:
        price_kwh_h, limit = map(float, name.split())
        found = run(season, Planned(best_plan(season, price_kwh_h=price_kwh_h, limit=limit)))
    print(f"{city}: {name}", file=sys.stderr, flush=True)
    return found


def _found(city: str, scores: dict[tuple[str, str], Score]) -> Found:
    front = {price: scores[city, _plan(price, COMFORT)] for price in PRICES}
    bare = scores[city, _plan(PRICE_BELOW_1, LIMIT)]
    return Found(
        season=summer(city),
        scores={**{name: scores[city, name] for name in (*CONTROLLERS, DRY)}, BEST: front[PRICE_KWH_H]},
        front=front,
        note=NOTE.format(kwh=bare.fan_kwh, strain=bare.strain_h, comfort=bare.comfort_strain_h),
    )


def _plan(price_kwh_h: float, limit: float) -> str:
    return f"{price_kwh_h:g} {limit:g}"


def results(workers: int) -> list[Found]:
    """Everything, each controller and plan in a process of its own."""
    plans = [_plan(price, COMFORT) for price in PRICES] + [_plan(PRICE_BELOW_1, LIMIT)]
    tasks = [(city, name) for name in ("Loosebox", DRY, *plans, *CONTROLLERS) for city in CITIES]
    tasks = list(dict.fromkeys(tasks))
    with concurrent.futures.ProcessPoolExecutor(max_workers=workers) as pool:
        scores = dict(zip(tasks, pool.map(_score, tasks), strict=True))
    return [_found(city, scores) for city in CITIES]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("evaluation"), help="the folder")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes at a time")
    args = parser.parse_args()
    found = results(args.workers)
    args.out.mkdir(parents=True, exist_ok=True)
    save_page(found, args.out / PAGE)
    save_csv(found, args.out / TABLE)
    print(f"{PAGE} and {TABLE} are in {args.out}")


if __name__ == "__main__":
    main()
