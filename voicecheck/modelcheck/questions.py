"""All questions of the model check, asked of one recording."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.cutting import cut_padded
from voicecheck.modelcheck.doubts import Doubt, doubt_control, doubt_other
from voicecheck.modelcheck.order import (
    SweepOrder,
    compare_marks_db,
    compare_order,
    extend_reach,
    measure_set_aside_db,
    spread_over,
)
from voicecheck.modelcheck.pauses import find_muted, find_sounds, list_pauses
from voicecheck.modelcheck.slowly import Slowed, slow_down
from voicecheck.modelcheck.steps import (
    StepNoise,
    find_steps,
    judge_control,
    judge_jump,
    judge_noise,
    measure_step_gains,
    measure_step_noise,
)
from voicecheck.modelcheck.tones import judge_tones
from voicecheck.modelcheck.touched import list_withheld
from voicecheck.ranks import find_median
from voicecheck.records import Linearity, Problem, Programme, Recording, Timeline
from voicecheck.records.arrays import Array
from voicecheck.response import Kernels, NoiseDensity, SweepSpectra

UNSTEADY_DB = 0.6
"""How far a sweep may lie outside what first and last span; granules jump by 0.3 dB (MEM)."""
FADED_DB = 2.5
"""More than a carbon element settles by within a take (1 to 2 dB, common practice, no source)."""
NOISELESS_DB, NOISELESS_SHARE = -110.0, 1e-5
"""What the window leaks of a step's tone; what a recorder of 24 bit rounds repeats by."""
MOST_DOUBT_DB = 3.0
"""A level that may be off by more is withheld."""
CANCELLED_MORE = 3.5
"""What a canceller took in all over what the two marks differ by: it learns within the first."""
LOOK = 9600
"""Samples from the middle, where a sweep is, in which the smallest move is a recorder's step."""
CANCELLED_DB, CANCELLED_HIGH_DB, LATER_HIGH_DB = -0.2, 0.08, 0.008
HIGH_OF_MARKS, HIGH_OF_DRIFT = 0.25, 0.8
"""
What a canceller's first sweep has in the highs, at least, over what marks and sweeps lost.

Of what it takes the highs of the first sweep miss a third and more, and all sweeps fall by two
thirds of that; a heap of granules that settles takes all frequencies alike, and jumps by chance.
"""
LOST_DB = -4.0
"""From what sounds first to what sounds last: no carbon element loses that without a drift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelCheck:
    """
    What was found, and what follows from it.

    `withheld` holds the figures that are no longer the set's own (`touched.FIGURES`).
    `reach` is how much further all sweeps reach than those that are used.
    """

    problems: tuple[Problem, ...]
    withheld: frozenset[str]
    order: SweepOrder | None
    doubts: tuple[Doubt, ...] = ()
    reach: float = 1.0

    def spread_db(self, frequency_hz: Array, level_db: Array, own_db: Array) -> Array:
        """
        What a level may have moved by within the take.

        Parameters
        ----------
        frequency_hz, level_db, own_db : ndarray, shape (n,)
            Of the response, uncalibrated, and its half-widths by noise alone.

        Returns
        -------
        ndarray, shape (n,)
            A half-width in dB; infinite where the level is to be withheld.
        """
        spread_db = np.zeros(len(level_db))
        for doubt in self.doubts:
            spread_db = spread_db + doubt.spread_db(frequency_hz, level_db, own_db)
        if self.order is not None:
            spread_db = spread_db + self.reach * spread_over(self.order.moved_db, frequency_hz)
        return np.asarray(np.where(spread_db > MOST_DOUBT_DB, np.inf, spread_db))


def check_model(
    programme: Programme,
    recording: Recording,
    timeline: Timeline,
    *,
    kernels: Kernels,
    spectra: SweepSpectra,
    noise: NoiseDensity,
    linearity: Linearity | None,
    delay_s: float,
    sweep_db: float = math.nan,
    used: Sequence[int] = (),
) -> ModelCheck:
    """
    Ask a recording whether it is of one fixed, steady, lone object on a steady chain.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    kernels : Kernels
        Of the sweeps that are used.
    spectra : SweepSpectra
    noise : NoiseDensity
        Of the silence.
    linearity : Linearity or None
        Of the steps at 1 kHz.
    delay_s : float
        Of the set at 1 kHz, against the timeline.
    sweep_db : float
        Level of the sweeps at 1 kHz re the drive; NaN where it is not known.
    used : sequence of int
        The sweeps of the kernels; all of them when left out.

    Returns
    -------
    ModelCheck
    """
    slowed = slow_down(recording)
    pauses = list_pauses(programme, slowed, timeline)
    order = compare_order(kernels, spectra, noise)
    block = find_steps(programme)
    control = jump = step_noise = None
    doubts = []
    if block is not None and linearity is not None:
        gains = measure_step_gains(programme, slowed, timeline, block, delay_s)
        name = programme.name_block(block)
        jump = judge_jump(gains, name)
        control = judge_control(gains, linearity.output_db, linearity.input_db, name)
        if control is not None:
            doubts.append(doubt_control(control, linearity, programme.recipe.level_dbfs, sweep_db))
    if block is not None:
        step_noise = measure_step_noise(programme, slowed, timeline, block)
    marks_db = _compare_marks(programme, slowed, timeline)
    is_still = _is_noiseless(kernels, step_noise) or _is_rounded(slowed, step_noise)
    muted = [] if is_still else find_muted(pauses)
    sounds = find_sounds(pauses)
    moved = _judge_order(order, marks_db, not used or 0 in used)
    if marks_db is not None and any(problem.kind == "level-control" for problem in moved):
        doubts.append(Doubt(common_db=CANCELLED_MORE * abs(marks_db)))
    problems = [*_as_list(control), *_as_list(jump), *moved, *muted]
    if control is None:
        # A gain that follows the sound also moves the noise of the pauses and the tones' course.
        problems += [*sounds, *_judge_tones(programme, slowed, timeline, step_noise)]
    if step_noise is not None and block is not None and not muted:
        at_s = timeline.locate_s(block.start_s)
        problems += _as_list(judge_noise(step_noise, programme.name_block(block), at_s))
    if used:
        doubts.append(Doubt(common_db=measure_set_aside_db(spectra, used)))
    doubts += [known for one in problems if (known := doubt_other(one)) is not None]
    return ModelCheck(
        problems=tuple(problems),
        withheld=list_withheld([*problems, *sounds]),
        order=order,
        doubts=tuple(doubts),
        reach=extend_reach(used, len(spectra.values)) if used else 1.0,
    )


def _as_list(problem: Problem | None) -> list[Problem]:
    return [] if problem is None else [problem]


def _is_noiseless(kernels: Kernels, noise: StepNoise | None) -> bool:
    """Whether there is no noise with the sound either: a chain of numbers has silent pauses."""
    if len(kernels.repeats) < 2:
        return noise is not None and find_median(noise.far_db) < NOISELESS_DB
    scatter = _find_peak(kernels.repeats[0] - kernels.repeats[-1])
    return scatter < NOISELESS_SHARE * _find_peak(kernels.repeats)


def _find_peak(values: Array) -> float:
    return max(float(np.max(values)), -float(np.min(values)))


def _is_rounded(slowed: Slowed, noise: StepNoise | None) -> bool:
    """Whether the noise is so far below a step of the recorder that its pauses stand still."""
    if noise is None:
        return False
    middle = len(slowed.samples) // 2
    moves = np.abs(np.diff(slowed.samples[middle - LOOK // 2 : middle + LOOK // 2]))
    moves = moves[moves > 0.0]
    noise_rms = 10.0 ** (find_median(noise.far_db) / 20.0)
    return len(moves) > 0 and noise_rms < 0.5 * float(np.min(moves))


def _judge_tones(
    programme: Programme, slowed: Slowed, timeline: Timeline, noise: StepNoise | None
) -> list[Problem]:
    """Whether a sound lies over the four tones; without steps it is not known what is usual."""
    if noise is None:
        return []
    found = judge_tones(
        programme,
        slowed,
        timeline,
        usual=float(10.0 ** (np.max(noise.idle_far_db) / 10.0)),
        breathing=_estimate_breathing(noise),
    )
    return _as_list(found)


def _estimate_breathing(noise: StepNoise) -> float:
    """Density of the noise that comes with the top step, over the tone's mean square."""
    idle = 10.0 ** (find_median(noise.idle_far_db) / 10.0)
    top = 10.0 ** (noise.far_db[-1] / 10.0)
    return float(max(0.0, top - idle) / 10.0 ** (noise.tone_db[-1] / 10.0))


def _compare_marks(programme: Programme, slowed: Slowed, timeline: Timeline) -> float | None:
    marks = []
    # What sounds first of all is what a canceller knows nothing of yet.
    for block in programme.blocks_of("identity") or programme.blocks_of("mark"):
        first = round(timeline.locate_s(block.start_s) * slowed.rate_hz)
        count = round((block.end_s - block.start_s) * slowed.rate_hz)
        marks.append(cut_padded(slowed.samples, first, count))
    silences = programme.blocks_of("silence")
    idle = 0.0
    if silences:
        middle_s = timeline.locate_s(0.5 * (silences[0].start_s + silences[0].end_s))
        quiet = slowed.cut(middle_s - 0.1, middle_s + 0.1)
        idle = float(np.mean(quiet**2)) if len(quiet) else 0.0
    return compare_marks_db(marks[0], marks[-1], idle)


def _judge_order(
    order: SweepOrder | None, marks_db: float | None, is_first_used: bool
) -> list[Problem]:
    """What the course of the level says: a canceller that learns, a gain that jumps, a fade."""
    if order is None:
        return []
    gains, drift_db = order.gains_db, order.drift_db
    sure_db = 4.0 * order.sd_db
    # It learns the later, the less often a tone was heard: the highs, and the first of all.
    high_db = (CANCELLED_HIGH_DB if is_first_used else LATER_HIGH_DB) + sure_db
    if marks_db is not None and is_first_used:
        high_db = max(high_db, -HIGH_OF_MARKS * marks_db, HIGH_OF_DRIFT * abs(drift_db))
    is_learning = order.first_high_db > high_db
    if marks_db is not None and (
        (marks_db < CANCELLED_DB - 1.2 * abs(drift_db) and is_learning)
        or marks_db < LOST_DB - 2.0 * abs(drift_db)
    ):
        return [
            Problem(
                kind="level-control",
                message=f"the closing mark is {-marks_db:.1f} dB weaker than the opening one, and "
                "the first sweep differs from the later ones: an echo canceller is learning",
                effect="the curve's interval holds what it may have taken, all other figures are "
                "withheld; switch it off",
            )
        ]
    low, high = sorted((float(gains[0]), float(gains[-1])))
    outside_db = max(float(np.max(gains)) - high, low - float(np.min(gains)))
    if outside_db > UNSTEADY_DB + sure_db or abs(drift_db) > FADED_DB + sure_db:
        return [
            Problem(
                kind="unsteady",
                message=f"the level differs from sweep to sweep by {np.ptp(gains):.1f} dB",
                effect="the interval holds all of them; look for a loose contact or a moving "
                "handset",
                block="sweep",
            )
        ]
    return []
