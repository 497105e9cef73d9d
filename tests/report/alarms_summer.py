"""Writes `gateway/alarms/SUMMERS.md`: how often alarms ring over typical summers, and that no bad hour goes without.

Run: `PYTHONPATH=. python tests/report/alarms_summer.py`; a quarter of an hour on one core. Weather: May to September of
the typical years that the pvlib package carries (Miami, TMY2, Marion and Urban 1995; Greensboro and Sand Point, TMY3,
Wilcox and Marion 2008). The barn, what breaks in it and its people are invented (`summer_faults`, `summer_people`).
"""

from __future__ import annotations

import dataclasses
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gateway.alarms.contacts import Contact
from gateway.alarms.rules import RULES
from gateway.app.evaluate import Season
from gateway.model import Priority
from tests.report.alarms_page import WORDS, span
from tests.report.summer_barn import CITIES, Life, Summer, Warmer, barn, summer
from tests.report.summer_count import Cover, at_level, chattering, covers, most_in, rings, stale
from tests.report.summer_faults import DAY_S, HOUR_S, LOOSE_OFF_S, LOOSE_ON_S, RATES, SUMMER_DAYS, UNSET_S, ills
from tests.report.summer_people import ANSWER_MIN, CONTACTS, FORGOTTEN, NIGHT_TIMES

PAGE = Path(__file__).parents[2] / "gateway" / "alarms" / "SUMMERS.md"
SEED: Final = 20260501
MOST_A_DAY: Final = 6.0  # our aim for one barn
WARMER_K: Final = 3.0
HOT: Final = "Miami, July, 3 K warmer"
HOT_DAYS: Final = (60, 92)
FIRST_DAY: Final = 1  # the day before runs in
COMPARED: Final = (75.5, 75.75)  # hours of Miami, stepped second by second as well
COMPARED_ILLS: Final = 60.0  # so many times as many ills then, so that each kind has its turn


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One summer of the page. `typical`: it counts for the aim."""

    title: str
    found: Summer
    covers: tuple[Cover, ...]
    typical: bool = True
    faulty: bool = True

    @property
    def days(self) -> float:
        return self.found.days - FIRST_DAY


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """The same hours by both kinds of steps: the alarms of each, and the largest difference in time [s]."""

    alarms: int
    only_coarse: tuple[str, ...]
    only_fine: tuple[str, ...]
    apart_s: float


def runs(say: bool = True) -> list[Run]:
    """Every climate without and with trouble, and one hot spell."""
    done = []
    for city in CITIES:
        for faulty in (False, True):
            done.append(_run(city, summer(city), faulty=faulty, typical=True, say=say))
    miami = summer("Miami, Florida")
    first, last = (miami.begin_s + day * DAY_S for day in HOT_DAYS)
    hot = dataclasses.replace(
        miami, name=HOT, begin_s=first, end_s=last, weather=Warmer(of=miami.weather, by_k=WARMER_K)
    )
    return [*done, _run(HOT, hot, faulty=True, typical=False, say=say)]


def _run(title: str, season: Season, *, faulty: bool, typical: bool, say: bool) -> Run:
    began_s = time.process_time()
    found = live(season, faulty=faulty)
    if say:
        used_s = time.process_time() - began_s
        sys.stderr.write(f"{title}, {'troubled' if faulty else 'sound'}: {found.steps} steps, {used_s:.0f} s\n")
    return Run(title=title, found=found, covers=tuple(covers(found)), typical=typical, faulty=faulty)


def live(season: Season, *, faulty: bool, more: float = 1.0, step_s: float | None = None) -> Summer:
    """One season of the barn. `more` times as many ills as the table says."""
    the_barn = barn()
    rates = {kind: dataclasses.replace(rate, per_summer=rate.per_summer * more) for kind, rate in RATES.items()}
    days = (season.end_s - season.begin_s) / DAY_S
    broken = ills(the_barn, days, SEED, rates) if faulty else ()
    return Life(the_barn, season, broken, seed=SEED, step_s=step_s).run()


def compare() -> Compared:
    """Some busy hours by adapted steps and by the second."""
    miami = summer("Miami, Florida")
    first, last = (miami.begin_s + day * DAY_S for day in COMPARED)
    part = dataclasses.replace(miami, begin_s=first, end_s=last, weather=Warmer(of=miami.weather, by_k=WARMER_K))
    coarse, fine = (live(part, faulty=True, more=COMPARED_ILLS, step_s=step_s) for step_s in (None, 1.0))
    return apart(coarse, fine)


def apart(coarse: Summer, fine: Summer) -> Compared:
    """What rang in one and not in the other, and by how much the rest differs in time."""
    both = coarse.rings.keys() & fine.rings.keys()
    return Compared(
        alarms=len(fine.rings),
        only_coarse=tuple(sorted(key for key, _ in coarse.rings.keys() - both)),
        only_fine=tuple(sorted(key for key, _ in fine.rings.keys() - both)),
        apart_s=max((abs(coarse.rings[key].at_s - fine.rings[key].at_s) for key in both), default=0.0),
    )


# --- the page -------------------------------------------------------------------------------------------


def page(done: Sequence[Run], compared: Compared) -> str:
    """The whole page."""
    parts = (_head(done), _rates(done), _rules(done), _covered(done), _scene(), _steps(compared))
    return "\n".join(line for part in parts for line in part) + "\n"


def _head(done: Sequence[Run]) -> Iterator[str]:
    most = max(a_day(run) for run in done if run.typical)
    left_out = sum(len(cover.uncovered) for run in done for cover in run.covers)
    yield "# Alarms over typical summers"
    yield ""
    yield "Written by `make summers` (`tests/report/alarms_summer.py`); do not edit. The shipped site file, with the"
    yield "times of real motors, is driven through May to September of three typical years: the air, the kit and the"
    yield "sensors of the emulated barn, the real step of the gateway, the real rules. **The barn, what breaks in it"
    yield "and its people are invented**; so are all rates below. What can be trusted is the shape, not the digits."
    yield ""
    verdict = "reached" if most <= MOST_A_DAY else "not reached"
    yield f"- Aim: at most {MOST_A_DAY:g} alarms a day at one barn on average. The most is {most:.2f}: {verdict}."
    verdict = "reached" if left_out == 0 else "not reached"
    yield "- Aim: not one hour at level 3 or of lost cooling without an alarm."
    yield f"  Hours without one: {left_out}: {verdict}."
    yield ""


def a_day(run: Run) -> float:
    """Alarms a day: episodes that asked for a person."""
    return len(rings(run.found, from_day=FIRST_DAY)) / run.days


def _rates(done: Sequence[Run]) -> Iterator[str]:
    priorities = (Priority.NOW, Priority.SOON, Priority.WHEN_YOU_CAN)
    yield "## How often it rings"
    yield ""
    yield "An alarm is an episode that asked for a person; what another alarm explains is not counted. It is listed"
    yield "at the most urgent that it became. A call is one message to one contact; by night is from 22 to 6. The"
    yield "last row is no typical summer: it is there because typical ones have few hours at level 3, and"
    yield "counts for the second aim only."
    yield ""
    heads = [WORDS[priority] for priority in priorities]
    calls = [f"calls to {contact.name} a day" for contact in CONTACTS]
    yield f"| summer | alarms a day | {' | '.join((*heads, 'worst day', 'most in 10 min', *calls))} | by night |"
    yield "|---" * (5 + len(heads) + len(calls)) + "|"
    for run in done:
        table = rings(run.found, from_day=FIRST_DAY)
        by = [(table["priority"] == priority.name).sum() / run.days for priority in priorities]
        told = [_calls(run, contact) / run.days for contact in CONTACTS]
        worst = int(table.groupby("day").size().max()) if len(table) else 0
        numbers = [f"**{len(table) / run.days:.2f}**", *(f"{each:.2f}" for each in by), str(worst)]
        numbers += [str(most_in(table["at_s"].tolist(), 600.0)), *(f"{each:.2f}" for each in told)]
        yield f"| {name_of(run)} | {' | '.join(numbers)} | {_by_night(run) / run.days:.2f} |"
    yield ""
    yield "Common figures for process plants, where an operator sits before the screen: 10 alarms in 10 minutes are a"
    yield "flood, one that stands for more than a day is stale, one that comes three times in a short while chatters."
    yield ""
    for run in done:
        yield f"- {name_of(run)}: {_manners(run)}"
    yield ""


def name_of(run: Run) -> str:
    return f"{run.title}, {'with trouble' if run.faulty else 'nothing breaks'}"


def _manners(run: Run) -> str:
    table = rings(run.found, from_day=FIRST_DAY)
    restless = int(table["restless"].sum())
    chatter = ", ".join(f"`{key}`" for key in chattering(table)) or "none"
    old = ", ".join(f"`{key}` {hours / 24:.0f} d" for key, hours in sorted(stale(run.found).items())) or "none"
    return f"{restless} came again within an hour of their end; thrice in an hour: {chatter}; stood over a day: {old}."


def _calls(run: Run, contact: Contact) -> int:
    return sum(notice.contact == contact.name and at_s >= FIRST_DAY * DAY_S for at_s, notice in run.found.notices)


def _by_night(run: Run) -> int:
    begin_h = (run.found.season.begin_s + run.found.season.offset_s) % DAY_S / HOUR_S
    hours = [(begin_h + at_s / HOUR_S) % 24 for at_s, _ in run.found.notices if at_s >= FIRST_DAY * DAY_S]
    return sum(hour >= 22 or hour < 6 for hour in hours)


def _rules(done: Sequence[Run]) -> Iterator[str]:
    tables = [rings(run.found, from_day=FIRST_DAY) for run in done]
    yield "## By rule"
    yield ""
    yield "Alarms in the whole summer, with the delays that they had in this run; rules that never rang are left out."
    yield ""
    yield f"| alarm | raised after | over after | {' | '.join(name_of(run) for run in done)} |"
    yield "|---" * (3 + len(done)) + "|"
    for rule in RULES:
        counts = [int((table["rule"] == rule.code).sum()) for table in tables]
        if any(counts):
            numbers = " | ".join(str(count) for count in counts)
            yield f"| `{rule.code}` | {span(rule.on_s)} | {span(rule.off_s)} | {numbers} |"
    yield ""


def _covered(done: Sequence[Run]) -> Iterator[str]:
    yield "## Hours that must not be without an alarm"
    yield ""
    yield "Counted by pandas from what was true in the emulation, without the rules and the levels of the control:"
    yield "the true air of every place, less what its sensors may err by, against the numbers of the site file; what"
    yield "kit was wanted and what really turned; which sensors could speak. `due` are the clock hours in which it"
    yield "held for longer than the alarm's stated delay and one step of the replay; `without` are those of them in"
    yield "which at any moment no alarm stood that names it. One that is shelved or explained by another does not"
    yield "count as standing."
    yield ""
    yield "- level 3: where horses are, by the policy of the place. Air that nobody knows is an alarm for it as well."
    yield "- no fan runs: one is wanted, the place is at level 2 or more, and for longer than a motor may rest none"
    yield "  turns."
    yield "- air unknown: no sensor of air there can speak. Air stuck: what can speak repeats its last numbers."
    yield ""
    yield "| summer | " + " | ".join(f"{what}: hours, due, without" for what in _WHATS) + " | hours without power |"
    yield "|---" * (2 + len(_WHATS)) + "|"
    for run in done:
        cells = []
        for what in _WHATS:
            those = [cover for cover in run.covers if cover.what == what]
            counts = (sum(c.hours for c in those), sum(c.due for c in those), sum(len(c.uncovered) for c in those))
            cells.append(", ".join(str(count) for count in counts))
        truth = run.found.truth
        dark_h = float(truth.loc[truth["powered"] == 0, "lasts_s"].sum()) / HOUR_S
        yield f"| {name_of(run)} | {' | '.join(cells)} | {dark_h:.1f} |"
    yield ""
    near_h = sum(_near_h(run) for run in done)
    yield f"Beside these, places were for {near_h:.1f} h at level 3 by the true air, but by less than their sensors"
    yield "may err. While the power is cut the gateway is dark and fans stand; nothing at the barn can call then."
    yield "Who does is whoever watches the heartbeat from outside."
    yield ""


_WHATS: Final = ("level 3", "no fan runs", "air unknown", "air stuck")


def _near_h(run: Run) -> float:
    found = run.found
    near = [at_level(found, place, 3, careful=False) & ~at_level(found, place, 3) for place in found.barn.places]
    return float(sum((found.truth["lasts_s"] * each).sum() for each in near)) / HOUR_S


def _scene() -> Iterator[str]:
    least, usual, most = ANSWER_MIN
    yield "## What breaks, and what people do"
    yield ""
    yield f"Our own guess at a barn that is looked after, no published source. Per summer of {SUMMER_DAYS} days:"
    yield ""
    yield "| what | a summer | lasts |"
    yield "|---|---|---|"
    for rate in RATES.values():
        yield f"| {rate.what} | {rate.per_summer:g} | {span(rate.least_s)} to {span(rate.most_s)} |"
    yield ""
    yield f"- A loose plug is away for {span(LOOSE_OFF_S[0])} to {span(LOOSE_OFF_S[1])}, then back for"
    yield f"  {span(LOOSE_ON_S[0])} to {span(LOOSE_ON_S[1])}. After a power cut the clock is not set for"
    yield f"  {span(UNSET_S[0])} to {span(UNSET_S[1])}."
    yield f"- Ana is called first, Luis second. Whoever got a message takes its alarms after {least:g} to {most:g}"
    yield f"  min, mostly {usual:g}, by night {NIGHT_TIMES:g} times as long. At three rounds a day all that is open is"
    yield "  taken."
    yield f"- The weekly test is done on Monday morning, in one week of {1 / FORGOTTEN:g} on Tuesday. A mister whose"
    yield "  line has stood idle is flushed once a day, as its alarm asks. Every fifth day a fan is taken by hand for"
    yield "  a while."
    yield ""


def _steps(compared: Compared) -> Iterator[str]:
    yield "## Steps"
    yield ""
    hours = 24 * (COMPARED[1] - COMPARED[0])
    yield "The engine ticks once a second; a summer has 13 million seconds. The replay steps by 5 s while something"
    yield "is young (an ill began or ended, a fan was switched, a condition waits for a delay of a minute or less), by"
    yield "60 s while something is wrong, water runs, an alarm is open or level 3 is near, else by 300 s; every ill"
    yield f"begins and ends on a step. The same {hours:g} hours in July, {WARMER_K:g} K warmer and with"
    yield f"{COMPARED_ILLS:g} times as much trouble, by such steps and by the second: {compared.alarms} alarms; only by"
    yield f"long steps: {_listed(compared.only_coarse)}; only by the second: {_listed(compared.only_fine)}; the others"
    yield f"were raised at most {compared.apart_s:.0f} s apart."


def _listed(keys: Sequence[str]) -> str:
    return ", ".join(f"`{key}`" for key in keys) or "none"


def main() -> None:
    began_s = time.process_time()
    text = page(runs(), compare())
    PAGE.write_text(text, encoding="utf-8")
    sys.stderr.write(f"{PAGE.name} written, {time.process_time() - began_s:.0f} s of one core\n")


if __name__ == "__main__":
    main()
