"""Owns: the page of the evaluation: one HTML file without script, readable on a phone.

Must not know: how a season is run.
How it works: words, the aims, one table and the charts of each season. Everything that was invented is named as such
on the page itself.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from pathlib import Path

from gateway.app import evaluate_barn as the
from gateway.app import evaluate_charts as charts
from gateway.app.evaluate import DAY_S, Point, Score
from gateway.app.evaluate_table import BEST, COLUMNS, DRY, OFF, Found, Verdict, verdicts
from gateway.errors import WeatherError

STYLE = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0;background:#F7F6F1;color:#12171A;font:17px/1.5 B612,"DejaVu Sans",system-ui,sans-serif;
 font-variant-numeric:tabular-nums}
main{max-width:1180px;margin:0 auto;padding:20px 16px 60px}
h1{font-size:1.7rem;line-height:1.2;margin:.2em 0 .5em}
h2{font-size:1.45rem;margin:2.2em 0 .4em;border-top:5px solid #12171A;padding-top:.5em}
h3{font-size:1.1rem;margin:1.6em 0 .4em}
p{max-width:44em;margin:.5em 0}
.small{font-size:.88rem;color:#3D464B}
.charts{columns:2 440px;column-gap:18px;margin:1.2em 0}
figure{margin:0 0 18px;break-inside:avoid;background:#fff;border:1px solid #A9B0B0;padding:10px}
figcaption{font-size:.88rem;color:#3D464B;margin-top:6px}
svg{display:block;width:100%;height:auto;font-family:B612,"DejaVu Sans",system-ui,sans-serif}
table{border-collapse:collapse;width:100%;background:#fff;border:1px solid #A9B0B0;font-size:.95rem}
th,td{text-align:right;padding:7px 10px;border-bottom:1px solid #DAD8CF}
th:first-child,td:first-child{text-align:left;font-weight:700}
thead th{font-weight:400;color:#3D464B;vertical-align:bottom}
tr.ours{background:#E6F1EC}
.aims{list-style:none;padding:0;margin:1em 0;display:grid;gap:8px}
.aims li{background:#fff;border:1px solid #A9B0B0;border-left:10px solid #0B6E4F;padding:8px 12px}
.aims li.no{border-left:10px double #A80F1E}
.aims li.no .mark{color:#A80F1E}
.aims b{display:block}
.aims .mark{float:right;margin-left:1em;font-weight:700}
@media(max-width:720px){
 thead{display:none}
 table,tbody,tr,td{display:block}
 table{background:none;border:0}
 tr:not(.ours){background:#fff}
 tr{border:1px solid #A9B0B0;margin-bottom:10px;padding:6px 0;display:grid;
  grid-template-columns:1fr 1fr}
 td{border:0;padding:2px 10px;text-align:left;display:flex;justify-content:space-between}
 td:first-child{grid-column:1/-1;font-size:1.05rem}
 td::before{content:attr(data-name);color:#3D464B;font-size:.8rem;padding-right:.6em}
 td:first-child::before{content:none}
}
"""


def page(results: Sequence[Found]) -> str:
    """The whole page."""
    return "\n".join(
        (
            '<!doctype html><html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width,initial-scale=1">',
            f"<title>Fans in an emulated barn</title><style>{STYLE}</style></head><body><main>",
            *_opening(),
            *(line for found in results for line in _section(found)),
            "</main></body></html>",
        )
    )


def save_page(results: Sequence[Found], path: Path) -> None:
    """`page` into a file. Raises WeatherError when it cannot be written."""
    try:
        path.write_text(page(results), encoding="utf-8")
    except OSError as error:
        raise WeatherError(f"{path}: the page cannot be written: {error.strerror}") from error


def _opening() -> Iterator[str]:
    first, both = the.AIR_MPS[1:]
    yield "<h1>The same summer, the same barn, and who runs the fans</h1>"
    yield (
        "<p>An emulated row of twelve stalls lives through the weather below, once with each controller. The barn, its "
        "horses and their hours are <b>invented</b>; so are the equations' sizes. What can be compared is the "
        "controllers with one another, not these numbers with a real barn.</p>"
    )
    yield (
        "<p><b>Carry</b> is what the air can take from a wet standing horse over the heat that must go; below 1 heat "
        "builds up. <b>Strain</b> is the sum over the season of how far carry was below 1, times how long, in hours, "
        "while horses were there: resting, or hot from work. <b>Strain below 2</b> is the same against 2, where our "
        "first level for standing horses begins. Both limits are our proposal, not published.</p>"
    )
    yield (
        f'<p class="small">Two groups of fans of {the.FAN_W:g} W: {the.AIR_MPS[0]:g} m/s of air at the horses without, '
        f"{first:g} with one, {both:g} with both. Motor rules for everybody: at least {the.MIN_ON_S / 60:g} min on, "
        f"{the.MIN_OFF_S / 60:g} min off, {the.STARTS_PER_H} starts an hour. Horses are at work from 8 to 10 and from "
        "17 to 18, and come in hot for 45 min. Only Loosebox knows these hours, as its site file states them, and only "
        "it has a mister. Sensors err a little, with the same seed for all. The floor counts as wet for half an hour "
        "after water. The first day runs in and is not counted.</p>"
    )


def _section(found: Found) -> Iterator[str]:
    scores = found.scores
    some = next(iter(scores.values()))
    yield f"<h2>{escape(found.season.name)}</h2>"
    begins = _date(found.season.begin_s + DAY_S, found)
    yield (
        f'<p class="small">{found.season.days} days from {begins:%d %B}; horses in the stalls for '
        f"{some.horse_hours:,.0f} h. {escape(found.note)}</p>"
    )
    yield from _aims(tuple(verdicts(found)))
    yield from _table(scores)
    plain = {name: score for name, score in scores.items() if name not in (DRY, BEST)}
    yield '<div class="charts">'
    energy = {name: score.fan_kwh for name, score in plain.items()}
    strain = {name: score.comfort_strain_h for name, score in plain.items()}
    yield _figure(
        charts.bars("Strain below 2", strain, "hours", digits=1) + charts.bars("Fan energy", energy, "kWh", digits=0),
        "Less is better. A bar cut by two strokes is longer than drawn.",
    )
    if len([score for score in scores.values() if score.fan_kwh > 0]) > 1:
        front = [(score.fan_kwh, score.comfort_strain_h) for score in found.front.values()]
        words = "Low and left is better." + (
            " The dashed line is the best that these fans could do, knowing the weather to come." if front else ""
        )
        marks = {name: (score.fan_kwh, score.comfort_strain_h) for name, score in scores.items() if name != DRY}
        yield _figure(charts.trade("Energy and strain", marks, front), words)
    yield _figure(
        charts.by_hour("Groups of fans running, mean by hour", _means(found, plain), float(len(the.FANS))),
        "The whole season. Always off lies on the bottom line, always on at the top.",
    )
    number = max(scores.get(OFF, some).strain_by_day.items(), key=lambda item: (item[1], item[0]), default=(1, 0.0))[0]
    when = _date(found.season.begin_s + number * DAY_S, found)
    traces = {name: _trace(found, score, number) for name, score in plain.items()}
    yield _figure(
        charts.day(f"Carry on the hardest day, {when:%d %B}", traces, found.season.offset_s),
        "Lines break while the horses are at work. Below: groups running, none, one or both; dots are mist. "
        "Thick rules at 1 and 2. The hardest day is the one with most strain when fans are off.",
    )
    yield "</div>"


def _aims(found: Sequence[Verdict]) -> Iterator[str]:
    if not found:
        return
    yield '<h3>Aims</h3><ul class="aims">'
    for verdict in found:
        word, kind = ("reached", "yes") if verdict.reached else ("not reached", "no")
        yield f'<li class="{kind}"><span class="mark">{word}</span><b>{escape(verdict.aim)}</b>'
        yield f"{escape(verdict.text)}</li>"
    yield "</ul>"


def _table(scores: Mapping[str, Score]) -> Iterator[str]:
    heads = "".join(f"<th>{escape(column.short)}</th>" for column in COLUMNS)
    yield f"<h3>Scores</h3><table><thead><tr><th>controller</th>{heads}</tr></thead><tbody>"
    for name, score in scores.items():
        cells = "".join(
            f'<td data-name="{escape(column.short)}">{column.of(score):,.{column.digits}f}</td>' for column in COLUMNS
        )
        kind = ' class="ours"' if name.startswith("Loosebox") else ""
        yield f"<tr{kind}><td>{escape(name)}</td>{cells}</tr>"
    yield "</tbody></table>"


def _figure(svg: str, words: str) -> str:
    return f"<figure>{svg}<figcaption>{escape(words)}</figcaption></figure>"


def _means(found: Found, scores: Mapping[str, Score]) -> dict[str, list[float]]:
    return {name: [hours / found.season.days for hours in score.groups_by_hour] for name, score in scores.items()}


def _trace(found: Found, score: Score, day: int) -> list[Point]:
    begin_s = found.season.begin_s + day * DAY_S
    return [point for point in score.trace if begin_s <= point.time_s < begin_s + DAY_S]


def _date(time_s: float, found: Found) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(time_s, datetime.timezone(datetime.timedelta(seconds=found.season.offset_s)))
