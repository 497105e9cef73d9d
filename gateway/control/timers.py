"""Owns: minimum on and off times, starts per hour, speed steps and the proof of starts, of one piece of kit.

Must not know: clocks (time is an argument), why a change is wanted.
How it works: `hold` lets a wish through, or says for how long the present state must still be kept and why. After a
start with an unknown past the state counts as just changed, which spares the motor. What a person asks for waits for
`REST_S` at most, in which a motor comes to rest, and for the starts per hour; what an interlock forces waits for
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

HOUR_S = 3600.0
MOST_UNPROVEN = 2
SLOWER_AFTER_S = 300.0  # a drive goes faster at once, slower only after this
REST_S = 60.0  # even a start by hand waits this long after a stop: common practice, no published source


@dataclass(frozen=True, slots=True, kw_only=True)
class RunState:
    """Whether the kit runs, since when [s, monotonic], how fast (a share of full speed) and since when so fast.

    `starts` are those of the last hour. `unproven` counts the starts in a row that the proof of run did not confirm;
    `counted_s` is the last one that was counted. `stuck`: it was seen to run on although it was told to stop.
    `by_switch_s` is when its hand/off/auto switch last stood elsewhere than in auto, `unreached_s` when its output last
    could not be reached: until then its proof says nothing of what it was told.
    """

    on: bool
    since_s: float
    speed: float = 1.0
    speed_s: float = 0.0
    starts: tuple[float, ...] = ()
    unproven: int = 0
    counted_s: float | None = None
    stuck: bool = False
    by_switch_s: float | None = None
    unreached_s: float | None = None

    @property
    def to_retry(self) -> bool:
        """Whether the present start was not confirmed and deserves a second one after a rest."""
        return self.on and self.unproven == 1 and self.counted_s == self.since_s

    @property
    def dead(self) -> bool:
        """Whether it was started twice and did not run: further starts are pointless until somebody has looked."""
        return self.unproven >= MOST_UNPROVEN

    @property
    def proof_from_s(self) -> float:
        """From when on the proof of run can be held against the command: it was told, and could hear it."""
        return self.turned_s if self.unreached_s is None else max(self.turned_s, self.unreached_s)

    @property
    def turned_s(self) -> float:
        """From when on it should run or stand as it was told, whether or not anything reached it."""
        return self.since_s if self.by_switch_s is None else max(self.since_s, self.by_switch_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """For how long a wish must still wait, and the code of the rule that makes it wait."""

    wait_s: float = 0.0
    code: str = ""


def hold(
    state: RunState,
    want_on: bool,
    *,
    min_on_s: float,
    min_off_s: float,
    starts_per_h: int,
    now_s: float,
) -> Hold:
    """How long the present state must still be kept before `want_on` may happen; no wait when it may now."""
    if want_on == state.on:
        return Hold()
    kept_s = now_s - state.since_s
    if state.on:
        waits = [(min_on_s - kept_s, "min-on")]
    else:
        waits = [(min_off_s - kept_s, "min-off")]
        recent = recent_starts(state, now_s)
        if len(recent) >= starts_per_h:
            waits.append((recent[-starts_per_h] + HOUR_S - now_s, "starts-per-hour"))
    wait_s, code = max(waits)
    return Hold(wait_s=wait_s, code=code) if wait_s > 0.0 else Hold()


def recent_starts(state: RunState, now_s: float) -> tuple[float, ...]:
    """The starts of the last hour, oldest first."""
    return tuple(start_s for start_s in state.starts if now_s - start_s < HOUR_S)


def switched(state: RunState, on: bool, now_s: float, speed: float = 1.0) -> RunState:
    """The state after the decision: a new `since_s` only when it changed, and a start more when it began to run."""
    if on != state.on:
        starts = (*recent_starts(state, now_s), now_s) if on else recent_starts(state, now_s)
        return replace(state, on=on, since_s=now_s, speed=speed, speed_s=now_s, starts=starts)
    if speed == state.speed or (speed < state.speed and now_s - state.speed_s < SLOWER_AFTER_S):
        return state
    return replace(state, speed=speed, speed_s=now_s)


def late(state: RunState, *, within_s: float, now_s: float) -> bool:
    """Whether the proof of run has had its time to agree with the command."""
    return now_s - state.proof_from_s > within_s


def proven(state: RunState, running: bool | None, *, within_s: float, now_s: float) -> RunState:
    """The state after a look at the proof of run.

    A start that was not confirmed in time counts once. Kit that runs on after a stop is stuck until it is seen to
    stand; it stays so when it is started again, since nobody can see it stand then.
    """
    if running is None:
        return state
    if state.on and running:
        return replace(state, unproven=0) if state.unproven else state
    if not late(state, within_s=within_s, now_s=now_s):
        return state
    if not state.on:
        return state if state.stuck == running else replace(state, stuck=running)
    if state.counted_s == state.since_s or state.dead:
        return state
    return replace(state, unproven=state.unproven + 1, counted_s=state.since_s)


def looked_at(state: RunState) -> RunState:
    """The state after a person has asked for it by hand: what it failed at before is forgiven."""
    return replace(state, unproven=0, counted_s=state.since_s, stuck=False)
