"""
How far a level of the curve may be off where a gain follows the sound, or something cuts it off.

The level steps at 1 kHz show how much gain is lost at which output. What acts at once takes as
much of any point that comes out as loud. What is slow takes more of a sweep than of a step: how
much more, the sweep shows at 1 kHz. It grips while the sound goes on, so that it has taken less
before; what it takes later nothing tells. An octave of the sweep lasts 0.5 s and more: what acts
within milliseconds has let go by then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Linearity, Problem
from voicecheck.records.arrays import Array, freeze_arrays

LEAST_CONTROL_DB = 0.3
"""What is stated at least where a gain follows the sound or is cut off, of a level's doubt."""
LOUDER_DB, LIMITED_DB, LIMITED_SLOPE = 0.3, 2.5, 0.3
"""
How much louder a point may be than its level says; and where the output hardly grows any more (dB
per dB at the top), so that all loud points come out alike, highs up to 2 dB fainter than steps.
"""
SLOW_DB = 0.15
"""Step over sweep at 1 kHz: what acts within milliseconds stays below 0.03 dB, slow control is at
1 dB and more."""
SLOW_SHARE = 1.25
"""What a slow control may have taken before 1 kHz, over what it has taken there (judgement)."""
AFTER_HZ = 1000.0
CLEANED_DB = 0.02
"""
What a gate or a suppressor takes of a sweep far above its threshold: 0.004 dB seen with steady
noise 60 dB under the sweep.
"""
CODED_TIMES = 4.0
"""
What a lossy coder does alike in all sweeps, over what they differ by: its error follows the sound.

Seen: 95 of 100 points off by 1.5 to 7 times the half-width of the scatter, 3.5 in the mean.
"""
COUPLED_HZ, LINE_HZ = 65.0, 8800.0
"""
Corners of a coupling capacitor and of a line behind the overload, of first order each (MEM).

What filters a sound that was cut off also bends the rest of the curve.
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Doubt:
    """
    What a gain that is not the set's may have done to a level, in dB.

    `common_db` is the same for all points, `own_times` how many of its half-widths by noise are
    added to each. `lost_db`, shape (n_steps,), is what is lost of the
    gain where a point reads `output_db` (rising, re the drive); nothing is known above the
    last. Points above `known_hz` are not known at all. `is_lingering`: what was taken of a point
    is not given back at once, so that the next octave may miss it; `is_filtered`: a filter may
    follow.
    """

    common_db: float = 0.0
    own_times: float = 0.0
    output_db: Array | None = None
    lost_db: Array | None = None
    known_hz: float = math.inf
    is_lingering: bool = False
    is_filtered: bool = False

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)

    def spread_db(self, frequency_hz: Array, level_db: Array, own_db: Array) -> Array:
        """
        Half-width for each of some levels.

        Parameters
        ----------
        frequency_hz, level_db, own_db : ndarray, shape (n,)
            Frequencies rising; `own_db` are half-widths by noise alone.

        Returns
        -------
        ndarray, shape (n,)
            Infinite where nothing can be said.
        """
        spread_db = self.common_db + self.own_times * own_db
        if self.output_db is not None and self.lost_db is not None:
            spread_db += np.interp(
                np.nan_to_num(level_db, nan=-np.inf), self.output_db, self.lost_db, right=np.inf
            )
        if self.is_lingering:
            since = np.searchsorted(frequency_hz, 0.5 * frequency_hz)
            spread_db = np.array([np.max(spread_db[a : i + 1]) for i, a in enumerate(since)])
        if self.is_filtered:
            power = (1.0 + (COUPLED_HZ / frequency_hz) ** 2) * (1.0 + (frequency_hz / LINE_HZ) ** 2)
            spread_db += 10.0 * np.log10(power)
        return np.where(frequency_hz > self.known_hz, np.inf, spread_db)


def doubt_control(
    problem: Problem, linearity: Linearity, drive_dbfs: float, sweep_db: float
) -> Doubt:
    """
    Doubt about the curve where the steps show a control of the gain, or an overload.

    Parameters
    ----------
    problem : Problem
        Kind "level-control" or "overload".
    linearity : Linearity
        Of the steps at 1 kHz.
    drive_dbfs : float
        Level of the programme.
    sweep_db : float
        Of the sweeps at 1 kHz re the drive; NaN where it is not known.

    Returns
    -------
    Doubt
    """
    is_heard = np.isfinite(linearity.output_db)
    output_db = linearity.output_db[is_heard] - drive_dbfs
    gain_db = output_db - linearity.input_db[is_heard]
    lost_db = np.maximum.accumulate(np.maximum.accumulate(gain_db) - gain_db)
    nominal = int(np.argmin(np.abs(linearity.input_db[is_heard])))
    more_db = float(output_db[nominal]) - sweep_db
    is_control = problem.kind == "level-control"
    if is_control and not more_db < SLOW_DB:
        taken_db = SLOW_SHARE * (float(lost_db[nominal]) + np.nan_to_num(more_db, nan=np.inf))
        return Doubt(common_db=float(taken_db) + LEAST_CONTROL_DB, known_hz=AFTER_HZ)
    # Of a limiter all levels are alike, and the last of them counts.
    rising_db = np.maximum.accumulate(output_db) + 1e-9 * np.arange(len(output_db))
    is_limited = np.diff(output_db)[-1] < LIMITED_SLOPE * np.diff(linearity.input_db[is_heard])[-1]
    louder_db = LIMITED_DB if is_control and is_limited else LOUDER_DB
    return Doubt(
        common_db=LEAST_CONTROL_DB,
        output_db=rising_db - louder_db,
        lost_db=lost_db + _hide_growth_db(gain_db, from_peak=is_control),
        is_lingering=is_control,
        is_filtered=not is_control,
    )


def doubt_other(problem: Problem) -> Doubt | None:
    """
    Doubt about the curve behind a coder, a gate or a suppressor.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Doubt or None
        `None` where the problem leaves none, or has one of its own.
    """
    if problem.kind == "lossy-coding":
        return Doubt(own_times=CODED_TIMES)
    is_cleaned = problem.kind == "muted" and problem.block == "silence"
    return Doubt(common_db=CLEANED_DB) if is_cleaned else None


def _hide_growth_db(gain_db: Array, *, from_peak: bool) -> Array:
    """
    What a set's own growth of gain, carbon's threshold, may hide of a loss, step by step.

    Where the loss begins the gain might have grown on, by no more a step than it did before and
    for no more than two steps; control may have begun below the step of most gain.
    """
    peak = int(np.argmax(gain_db))
    growth_db = float(np.max(np.diff(gain_db[: peak + 1]), initial=0.0))
    after = np.arange(len(gain_db)) - peak + (1 if from_peak else 0)
    return np.asarray(growth_db * np.clip(after, 0, 2))
