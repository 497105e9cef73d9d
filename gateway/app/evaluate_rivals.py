"""Owns: the controllers that the evaluation compares, ours among them.

Must not know: the plant, scores, weather to come.
How it works: every controller is asked once a minute with what the sensors say. The plain ones wish by one number and
one dead band; the same motor rules as ours (minimum times, starts per hour) then let the wish through or hold it. Ours
is the very step of the live gateway with the defaults of a site file; where its mister reports a stagnant line, a
person flushes it by hand that day, as the screen asks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Protocol

from gateway.app import evaluate_barn as the
from gateway.barn import Barn
from gateway.control.decide import start_state
from gateway.control.hysteresis import Switch, advance
from gateway.control.timers import RunState, hold, switched
from gateway.engine.poller import newer
from gateway.engine.step import StepInputs, StepState, step
from gateway.heat.indices import heat_sum
from gateway.model import Command, HandChange, HandKind, KitSeen, Latest, Quality, Quantity, Reading, Stamp

THERMOSTAT_C, THERMOSTAT_K = 27.0, 2.0
SUM_ON, SUM_OFF = 150.0, 145.0
NONE: Final = (False,) * len(the.FANS)
ALL: Final = (True,) * len(the.FANS)
FLUSH_S: Final = 120.0
FLUSHED_BETWEEN: Final = (9 * 60, 19 * 60)  # minutes of the day in which somebody is there to flush a line


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensed:
    """What the sensors of the stall row say at one minute, and what time it is there."""

    now_s: float
    minute: int
    day: int
    temp_c: float
    rh_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What runs in the coming minute: each group of fans, and the mister."""

    fans: tuple[bool, ...] = NONE
    mist: bool = False

    @property
    def groups(self) -> int:
        """How many groups of fans run."""
        return sum(self.fans)


class Controller(Protocol):
    """One way to run the kit. Asked once a minute, in the order of time."""

    def ask(self, sensed: Sensed) -> Asked: ...


class Plain:
    """Both groups of fans on one plain wish, held by the motor rules that hold for everybody."""

    def __init__(self, wish: Callable[[Sensed], bool]) -> None:
        self._wish = wish
        self._run = RunState(on=False, since_s=-1e9)

    def ask(self, sensed: Sensed) -> Asked:
        want_on = self._wish(sensed)
        held = hold(
            self._run, want_on, min_on_s=the.MIN_ON_S, min_off_s=the.MIN_OFF_S, starts_per_h=the.STARTS_PER_H,
            now_s=sensed.now_s,
        )  # fmt: skip
        self._run = switched(self._run, self._run.on if held.wait_s > 0 else want_on, sensed.now_s)
        return Asked(fans=ALL if self._run.on else NONE)


def always(on: bool) -> Controller:
    """Fans that never change."""
    return Plain(lambda _: on)


def thermostat() -> Controller:
    """A thermostat on air temperature: on at 27 °C, off below 25 °C."""
    return Plain(_two_step(lambda sensed: sensed.temp_c, on_at=THERMOSTAT_C, off_below=THERMOSTAT_C - THERMOSTAT_K))


def sum_switch() -> Controller:
    """A switch on the sum of °F and % humidity: on at 150, off below 145."""

    def value(sensed: Sensed) -> float:
        return heat_sum(temp_c=sensed.temp_c, rh_pct=sensed.rh_pct)

    return Plain(_two_step(value, on_at=SUM_ON, off_below=SUM_OFF))


def _two_step(value: Callable[[Sensed], float], *, on_at: float, off_below: float) -> Callable[[Sensed], bool]:
    switch = Switch()

    def wish(sensed: Sensed) -> bool:
        nonlocal switch
        switch = advance(switch, value(sensed), on_at=on_at, off_below=off_below, hold_s=0.0, now_s=sensed.now_s)
        return switch.on

    return wish


@dataclass(slots=True)
class Ours:
    """The step of the live gateway. State and commands of the last step are there to be looked at."""

    barn: Barn
    state: StepState | None = None
    latest: dict[str, Latest] = field(default_factory=dict)
    running: dict[str, bool] = field(default_factory=dict)
    commands: tuple[Command, ...] = ()
    flushed_day: int = -1

    def ask(self, sensed: Sensed) -> Asked:
        now_s = sensed.now_s
        state = self.state or StepState(control=start_state(self.barn, now_s), started_s=now_s)
        self.running = {name: run.on for name, run in state.control.kit.items()}
        inputs = StepInputs(
            latest=self._heard(sensed),
            seen={name: KitSeen(on=on, at_s=now_s) for name, on in self.running.items()},
            stamp=stamp(now_s),
            minute=sensed.minute,
            day=sensed.day,
            asked=self._flush(sensed),
        )
        result = step(self.barn, state, inputs, now_s)
        self.state, self.commands = result.state, result.commands
        on = {command.kit: command.on for command in result.commands}
        return Asked(fans=tuple(on[name] for name in the.FANS), mist=on.get(the.MIST, False))

    def _heard(self, sensed: Sensed) -> dict[str, Latest]:
        values = {
            f"{the.AIR_SENSOR}.{Quantity.TEMP}": sensed.temp_c,
            f"{the.AIR_SENSOR}.{Quantity.RH}": sensed.rh_pct,
            **{the.amps_channel(fan): the.FANS_RUN_A * self.running[fan] for fan in the.FANS},
        }
        for channel, value in values.items():
            reading = Reading(channel=channel, value=value, quality=Quality.GOOD, stamp=stamp(sensed.now_s))
            self.latest[channel] = newer(self.latest.get(channel), reading)
        return self.latest

    def _flush(self, sensed: Sensed) -> tuple[HandChange, ...]:
        """A person who reads "flush it by hand first" on the screen does so, once a day."""
        stagnant = any(reason.code == "mist-stagnant" for command in self.commands for reason in command.reasons)
        there = FLUSHED_BETWEEN[0] <= sensed.minute < FLUSHED_BETWEEN[1]
        if not stagnant or not there or self.flushed_day == sensed.day:
            return ()
        self.flushed_day = sensed.day
        until_s = sensed.now_s + FLUSH_S
        return (
            HandChange(
                subject=the.MIST, kind=HandKind.ON, until_mono_s=until_s, until_wall_s=until_s, by="barn",
                why="flush", stamp=stamp(sensed.now_s),
            ),
        )  # fmt: skip


def stamp(now_s: float) -> Stamp:
    """Time in the emulated barn: its clock is right, and its monotonic and wall time are the same."""
    return Stamp(mono_s=now_s, wall_s=now_s, boot="evaluation", trusted=True)


CONTROLLERS: dict[str, Callable[[], Controller]] = {
    "always off": lambda: always(False),
    "always on": lambda: always(True),
    "thermostat 27 °C": thermostat,
    "sum 150/145": sum_switch,
    "Loosebox": lambda: Ours(the.barn()),
}
