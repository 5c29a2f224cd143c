"""A bench without a set: takes through its own loop, and what they say of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from voicecheck.bench.calibration.curves import FLATNESS_DB, THD_PERCENT
from voicecheck.bench.calibration.daily import LOOP_BACK_DB
from voicecheck.bench.interface import Bench
from voicecheck.errors import BenchError, RecordingError
from voicecheck.measure import measure_recording
from voicecheck.measure.recordings import UNUSUAL_DRIFT_PPM
from voicecheck.records import Measurement, Programme, StepResult
from voicecheck.records.benchsight import BenchSight
from voicecheck.verdicts.benchsight import FEWEST_TAKES, estimate_bench_sight
from voicecheck.workflow.selftest.tasks import Task, Tried, hold

REAL_RATE = 0.05
"""How often a comparison may call a change real though nothing was touched."""
CHANCE = 0.01
NOISE_BELOW_DB = 50.0
DELAY_RANGE_MS = 50.0
"""Limits of noise and delay: a choice, no source."""
TAKE_S = 20.0
"""A take of the programme with what comes before and after it, about."""
CHOICE = "a choice, no source"
LOOP_ADVICE = (
    "look at plugs, volume controls and the sound server's own effects, close other programs that "
    "use sound, then try again"
)


def say_caution(n_takes: int) -> str:
    """What has to be so before a bench sounds by itself, and for how long it does."""
    minutes = max(1, math.ceil(n_takes * TAKE_S / 60.0))
    return (
        "Lead the bench's output into its input and nothing else: no set, no line and no feed on "
        f"it, no receiver at anybody's ear. It sounds for about {minutes} min."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopBench:
    """
    A bench with what is played through its loop.

    `history` are the results of its daily checks.
    """

    bench: Bench
    programme: Programme
    history: tuple[StepResult, ...] = ()


@dataclass(slots=True, kw_only=True)
class LoopTakes:
    """
    Takes of a bench, and what they say together; filled as they come.

    Parameters
    ----------
    choose : callable
        The bench, or an error of the tree.
    n_takes : int
    after_take : callable
        Called after each.
    """

    choose: Callable[[], LoopBench]
    n_takes: int
    after_take: Callable[[], object]
    takes: list[Measurement] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    level_dbfs: float = math.nan
    sight: BenchSight | None = None

    def record(self) -> None:
        """
        Take after take; one that cannot be used is counted.

        Raises
        ------
        BenchError
            The bench failed; the takes before it stand.
        """
        from voicecheck.workflow.benches.locks import hold_bench

        loop = self.choose()
        self.level_dbfs = loop.programme.recipe.level_dbfs
        try:
            with hold_bench(loop.bench, "self-test"):
                for number in range(1, self.n_takes + 1):
                    taken = loop.bench.play_and_record(loop.programme, path="loop", seat=number)
                    try:
                        self.takes.append(measure_recording(loop.programme, taken))
                    except RecordingError as error:
                        self.refused.append(error.kind)
                    self.after_take()
        finally:
            if self.takes:
                self.sight = estimate_bench_sight(self.takes, loop.history)


def list_bench_tasks(loop: LoopTakes) -> tuple[Task, ...]:
    """
    The takes, and then what they say.

    Parameters
    ----------
    loop : LoopTakes
        Filled by the first of the tasks, which the others rest on.
    """

    def task(name: str, title: str, run: Callable[[LoopTakes, BenchSight], Tried],
             source: str) -> Task:  # fmt: skip
        def judge() -> Tried:
            if loop.sight is None:
                return Tried(outcome="not tried", told="no take could be used")
            return run(loop, loop.sight)

        return Task(group="bench", name=name, title=title, run=judge, source=source)

    daily = "limit of the daily check"
    return (
        Task(group="bench", name="takes", title=f"{loop.n_takes} takes through the loop",
             run=lambda: try_takes(loop), source="what the program finds in each"),
        task("level", "The level from take to take", try_level, daily),
        task("flatness", "The curve of the bench alone", try_flatness, "limit of the loop-back"),
        task("distortion", "The distortion of the bench alone", try_distortion,
             "limit of the loop-back"),
        task("noise", "The noise of the bench alone", try_noise, CHOICE),
        task("delay", "The delay from take to take", try_delay, CHOICE),
        task("clocks", "The clocks of player and recorder", try_clocks,
             "what is called unusual in every measurement"),
        task("unchanged", "An untouched bench is called unchanged", try_unchanged,
             "binomial distribution at 5 in 100"),
    )  # fmt: skip


def try_takes(loop: LoopTakes) -> Tried:
    """Whether every take is one that can be measured, with nothing found in it."""
    try:
        loop.record()
    except BenchError as error:
        kept = f" ({len(loop.takes)} takes were done)" if loop.takes else ""
        return Tried(outcome="fails", told=f"{error}{kept}", advice=LOOP_ADVICE)
    found = [sorted({one.kind for one in take.problems}) for take in loop.takes]
    spoiled = [*loop.refused, *(", ".join(kinds) for kinds in found if kinds)]
    if spoiled:
        told = f"{len(spoiled)} of {loop.n_takes} takes: {'; '.join(dict.fromkeys(spoiled))}"
        return Tried(outcome="fails", told=told, advice=LOOP_ADVICE)
    return Tried(outcome="passes", told="nothing was found in any of them")


def _stack(takes: Sequence[Measurement]) -> Any:
    return np.vstack([one.response.level_db for one in takes if one.response is not None])


def try_level(loop: LoopTakes, sight: BenchSight) -> Tried:
    """The largest step of any point of the curve away from the mean of all takes."""
    if sight.n_takes < 2:
        return Tried(outcome="not tried", told="one take alone")
    levels_db = _stack(loop.takes)
    worst_db = float(np.nanmax(np.abs(levels_db - np.nanmean(levels_db, axis=0))))
    return _advise(hold("the curve from take to take", worst_db, most=LOOP_BACK_DB, unit="dB",
                        name="worst_db"))  # fmt: skip


def try_flatness(loop: LoopTakes, sight: BenchSight) -> Tried:
    """The largest deviation from the level at 1 kHz."""
    if sight.gain_db is None:
        return Tried(outcome="not tried", told="the level at 1000 Hz is not known")
    worst_db = float(np.nanmax(np.abs(np.nanmean(_stack(loop.takes), axis=0) - sight.gain_db)))
    return _advise(hold("the curve", worst_db, most=FLATNESS_DB, unit="dB", name="worst_db"))


def try_distortion(loop: LoopTakes, sight: BenchSight) -> Tried:
    """Distortion at 1 kHz, or what it is less than."""
    del loop
    if sight.thd_percent is None:
        return Tried(outcome="not tried", told="it could not be measured")
    is_low = sight.thd_percent <= THD_PERCENT
    return Tried(
        outcome="passes" if is_low else "fails",
        told=f"{sight.thd_percent:.2g} % at 1000 Hz ({THD_PERCENT:g} % allowed)",
        advice="" if is_low else "turn the levels down until it is under the limit",
        figures={"thd_percent": sight.thd_percent},
    )


def try_noise(loop: LoopTakes, sight: BenchSight) -> Tried:
    """How far the noise is under the tones of the programme as they come back."""
    levels_db = [one.noise.flat_dbfs for one in loop.takes if one.noise.flat_dbfs is not None]
    heard = [_read_heard_dbfs(one, loop.level_dbfs) for one in loop.takes]
    if not levels_db or sight.gain_db is None:
        return Tried(outcome="not tried", told="it could not be measured")
    below_db = float(np.mean(heard)) - float(np.mean(levels_db))
    is_low = below_db >= NOISE_BELOW_DB
    return Tried(
        outcome="passes" if is_low else "fails",
        told=f"{below_db:.0f} dB under what is played ({NOISE_BELOW_DB:g} dB needed)",
        advice="" if is_low else "turn the output up or the input's gain to its mark, look for hum",
        figures={"below_db": below_db},
    )


def _read_heard_dbfs(take: Measurement, level_dbfs: float) -> float:
    """The programme's own level as it comes back, or as it is played where it has no steps."""
    if take.linearity is None:
        return level_dbfs
    steps = take.linearity
    return float(np.interp(0.0, steps.input_db, steps.output_db))


def try_delay(loop: LoopTakes, sight: BenchSight) -> Tried:
    """How far the delay moves."""
    del loop
    if sight.latency_ms is None or sight.latency_range_ms is None:
        return Tried(outcome="not tried", told="it could not be measured")
    is_steady = sight.latency_range_ms <= DELAY_RANGE_MS
    return Tried(
        outcome="passes" if is_steady else "fails",
        told=f"{sight.latency_ms:.2f} ms, within {sight.latency_range_ms:.3f} ms "
        f"({DELAY_RANGE_MS:g} ms allowed)",
        advice="" if is_steady else LOOP_ADVICE,
        figures={"latency_ms": sight.latency_ms, "range_ms": sight.latency_range_ms,
                 "sd_ms": sight.latency_sd_ms},
    )  # fmt: skip


def try_clocks(loop: LoopTakes, sight: BenchSight) -> Tried:
    """How far the two clocks are apart."""
    del loop
    if sight.drift_ppm is None:
        return Tried(outcome="not tried", told="it could not be measured")
    is_usual = abs(sight.drift_ppm) <= UNUSUAL_DRIFT_PPM
    return Tried(
        outcome="passes" if is_usual else "fails",
        told=f"{sight.drift_ppm:+.2f} millionths apart ({UNUSUAL_DRIFT_PPM:g} allowed)",
        advice="" if is_usual else "set player and recorder to one rate, and let nothing resample",
        figures={"drift_ppm": sight.drift_ppm, "sd_ppm": sight.drift_sd_ppm},
    )


def try_unchanged(loop: LoopTakes, sight: BenchSight) -> Tried:
    """Takes held against the takes after them, as stages of a set are."""
    from scipy.stats import binom

    del loop
    if not sight.n_comparisons:
        return Tried(outcome="not tried", told=f"{FEWEST_TAKES} takes are needed")
    chance = float(binom.sf(sight.n_false - 1, sight.n_comparisons, REAL_RATE))
    is_usual = chance >= CHANCE
    told = f"{sight.n_false} of {sight.n_comparisons} comparisons call a change real"
    return Tried(
        outcome="passes" if is_usual else "fails",
        told=told,
        advice="" if is_usual else f"the bench moves while nobody touches it: {LOOP_ADVICE}",
        figures={"chance": chance},
    )


def _advise(tried: Tried) -> Tried:
    """What fails here is the bench, not the program."""
    if tried.outcome == "passes":
        return tried
    return Tried(outcome="fails", told=tried.told, advice=LOOP_ADVICE, figures=tried.figures)
