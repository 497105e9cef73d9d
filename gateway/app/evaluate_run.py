"""Owns: `loosebox evaluate`: weather files in, a page and a table in a folder out.

Must not know: plant, controllers, drawing.
How it works: one season for each file, every controller on each; progress is said on the way, since a season of ours is
a quarter of a million steps.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from drivers.bench.weather_file import read_weather
from drivers.bench.weather_rows import read_rows
from gateway.app.evaluate import Score, run, season_of
from gateway.app.evaluate_page import save_page
from gateway.app.evaluate_rivals import CONTROLLERS
from gateway.app.evaluate_table import Found, save_csv
from gateway.errors import WeatherError

PAGE, TABLE = "evaluation.html", "evaluation.csv"


def evaluate(files: Sequence[Path], months: tuple[int, int], out: Path, progress: Callable[[str], None]) -> None:
    """Write the page and the table of all files. Raises WeatherError, naming what cannot be read or written."""
    results = [_found(file, months, progress) for file in files]
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WeatherError(f"{out}: no folder can be made there: {error.strerror}") from error
    save_page(results, out / PAGE)
    save_csv(results, out / TABLE)


def _found(file: Path, months: tuple[int, int], progress: Callable[[str], None]) -> Found:
    season = season_of(file.stem, read_weather(file), (row.when for row in read_rows(file)), months)
    scores: dict[str, Score] = {}
    for name, make in CONTROLLERS.items():
        progress(f"{season.name}: {name}, {season.days} days")
        scores[name] = run(season, make())
    return Found(season=season, scores=scores, front={}, note=f"Weather from {file.name}.")
