"""Output, THD and gain of the level steps; SINAD of the one at nominal level."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicecheck.budgets import COVERAGE_95, add_row, combine_curve_rows, merge_row
from voicecheck.distortion.harmonics import DETECTED, ORDERS, combine_thd, mark_floor
from voicecheck.fourier import find_previous_fast_length, make_phasors
from voicecheck.idle import VOICE_BAND_HZ, IdleSpectrum, compute_hann_energy, make_hann
from voicecheck.ranks import find_median
from voicecheck.records import (
    Block,
    BudgetRow,
    CurveBudgetRow,
    Linearity,
    Programme,
    Recording,
    Timeline,
)
from voicecheck.records.arrays import Array

STEP_SETTLE_S = 0.03
"""Left out at a step's start: its fade, and nine time constants of a resonance of Q 10 at 1 kHz."""
REACH_HZ = np.array([-20.0, 20.0])
"""Around a line, where the idle noise is taken: less than half the way between mains lines."""
BESIDE_HZ = np.array([-60.0, 60.0])
"""Around a line, where what is left of the step itself is taken for noise: ten bins and more."""
LINE_RATIO = 8.0
"""Power over the noise's mean from which a bin is a line: noise alone passes it once in 3000."""
HANN_VARIANCE = 35.0 / 18.0
"""n sum w^4 / (sum w^2)^2 of the Hann window: what it costs in independent samples."""
STEP_FLOOR_DB = 0.0005
"""What a Hann-weighted sum over a step leaves without any noise: the tail of its start."""


def measure_linearity(
    programme: Programme,
    recording: Recording,
    timeline: Timeline,
    idle: IdleSpectrum,
    frequency_hz: float,
) -> Linearity | None:
    """
    Output and THD of every level step of one frequency.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    idle : IdleSpectrum
    frequency_hz : float
        Which block of steps.

    Returns
    -------
    Linearity or None
        `None` where the programme has no such block.
    """
    block = _find_steps(programme, frequency_hz)
    if block is None:
        return None
    levels_db = np.array(sorted(programme.recipe.step_levels_db))
    steps = [
        _cut_step(programme, recording, timeline, block, index) for index in range(len(levels_db))
    ]
    length = min(map(len, steps))
    played_hz = frequency_hz / timeline.stretch
    power, noise = _measure_harmonics(
        np.array([step[:length] for step in steps]), recording.rate_hz, played_hz, idle
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        output = np.where(power[0] > DETECTED * noise[0], 10.0 * np.log10(2.0 * power[0]), np.nan)
        spread_db = 10.0 / math.log(10.0) * np.sqrt(2.0 * noise[0] / power[0])
    least = np.maximum(power[0], 1e-30)
    thd, below, half_width = combine_thd(
        power[1:] / least, noise[1:] / least, np.zeros_like(noise[1:])
    )
    is_heard = np.isfinite(output)
    thd, half_width = np.where(is_heard, thd, np.nan), np.where(is_heard, half_width, np.nan)
    own_db = np.where(is_heard, np.hypot(COVERAGE_95 * spread_db, STEP_FLOOR_DB), np.nan)
    found = Linearity(
        frequency_hz=frequency_hz,
        input_db=levels_db,
        output_db=output,
        output_uncertainty_db=own_db,
        thd_percent=thd,
        thd_uncertainty_percent=half_width,
        thd_below_percent=np.where(is_heard, below, np.nan),
        thd_slope_db_per_db=_fit_growth(levels_db, thd),
        step_budget={
            "output_db": (CurveBudgetRow(name="noise", half_width=own_db),),
            "thd_percent": (CurveBudgetRow(name="noise", half_width=half_width),),
        },
    )
    found = _state_gain_change(found, own_db, "compression_db", float(levels_db.max()))
    return _state_gain_change(found, own_db, "threshold_db", -20.0)


def limit_steps(found: Linearity, shares: Array) -> Linearity:
    """
    Level steps whose distortion may be the source's own, said to be "less than".

    Parameters
    ----------
    found : Linearity
    shares : ndarray, shape (n_orders,)
        What the source adds to each of `ORDERS` at nominal level, re the fundamental. No phase is
        known of the steps' harmonics, so nothing is subtracted; order m grows by m - 1 dB a dB.

    Returns
    -------
    Linearity
    """
    grown = (np.array(ORDERS)[:, None] - 1) * found.input_db / 20.0
    floor = 100.0 * np.sqrt(np.sum(np.square(shares[:, None] * 10.0**grown), axis=0))
    thd, below = mark_floor(found.thd_percent, found.thd_below_percent, floor)
    known = np.isfinite(thd)
    row = CurveBudgetRow(name="bench", half_width=np.where(known, floor, np.nan))
    rows = merge_row(found.step_budget.get("thd_percent", ()), row)
    return dataclasses.replace(
        found,
        thd_percent=thd,
        thd_below_percent=below,
        thd_uncertainty_percent=np.where(known, combine_curve_rows(rows), np.nan),
        thd_slope_db_per_db=_fit_growth(found.input_db, thd),
        step_budget={**found.step_budget, "thd_percent": rows},
    )


def _fit_growth(levels_db: Array, thd_percent: Array) -> float | None:
    """Slope of THD in dB against the level in dB, by least squares over what was found."""
    usable = np.isfinite(thd_percent) & (thd_percent > 0.0)
    if np.count_nonzero(usable) < 3:
        return None
    thd_db = 20.0 * np.log10(thd_percent[usable])
    return float(np.polyfit(levels_db[usable], thd_db, 1)[0])


def _find_steps(programme: Programme, frequency_hz: float) -> Block | None:
    for block in programme.blocks_of("steps"):
        if block.from_hz == frequency_hz:
            return block
    return None


def _cut_step(
    programme: Programme, recording: Recording, timeline: Timeline, block: Block, index: int
) -> Array:
    """Steady middle of one level step."""
    start_s = block.start_s + index * programme.recipe.step_s
    first = round((timeline.locate_s(start_s) + STEP_SETTLE_S) * recording.rate_hz)
    last = round((timeline.locate_s(start_s + programme.recipe.step_s) - 0.012) * recording.rate_hz)
    return recording.samples[max(0, first) : last]


def _measure_harmonics(
    steps: Array, rate_hz: int, fundamental_hz: float, idle: IdleSpectrum
) -> tuple[Array, Array]:
    """
    Mean squares of orders 1 to 5 of some tones, and the noise's share in each order.

    Shapes: steps (n_steps, n), powers and noise (5, n_steps). The noise is that of the silence, or
    of the tone's own surroundings where that is more: some noise comes with the sound.
    """
    n = steps.shape[1]
    window = make_hann(n)
    area, energy = float(np.sum(window)), float(np.sum(window**2))
    turn = make_phasors(-fundamental_hz / rate_hz, n)
    weights = np.empty((2 * len(ORDERS) + 2, n))
    factor = np.ones(n, dtype=np.complex128)
    for row in range(0, len(weights), 2):
        factor = factor * turn
        weights[row], weights[row + 1] = factor.real, factor.imag
    sums = (weights * (window / area)) @ steps.T
    rest = steps - 2.0 * sums.T @ weights
    count = find_previous_fast_length(n)
    spectrum = np.abs(np.fft.rfft(rest[:, :count] * make_hann(count), axis=1)) ** 2
    spectrum /= compute_hann_energy(count)
    noise = []
    for order in (1, *ORDERS):
        near = slice(*np.searchsorted(idle.frequency_hz, order * fundamental_hz + REACH_HZ))
        wide = slice(*np.rint((order * fundamental_hz + BESIDE_HZ) * count / rate_hz).astype(int))
        around = spectrum[:, wide]
        # A step so short that no line lies beside its tone says nothing of its surroundings.
        beside = np.mean(around, axis=1) if around.size else np.zeros(len(steps))
        noise.append(np.maximum(float(np.mean(idle.power[near])), beside))
    own = 2.0 * energy / area**2 * np.array(noise)
    return 2.0 * (sums[0::2] ** 2 + sums[1::2] ** 2), own


def _state_gain_change(found: Linearity, own_db: Array, figure: str, at_db: float) -> Linearity:
    """
    Loss of gain at one level against the nominal one, with its interval.

    `None` where it was not heard; the interval holds the noise of both levels.
    """
    gain_db = found.output_db - found.input_db
    usable = np.isfinite(gain_db)
    if np.count_nonzero(usable) < 2 or at_db < found.input_db[usable].min():
        return found
    levels_db, gain_db = found.input_db[usable], gain_db[usable]
    # A level between two steps is a weighted mean of theirs.
    parts = np.array([np.interp([0.0, at_db], levels_db, row) for row in np.eye(len(levels_db))])
    weight = parts[:, 0] - parts[:, 1]
    half_width = float(np.linalg.norm(weight * own_db[usable]))
    stated: dict[str, Any] = {figure: float(weight @ gain_db)}
    found = dataclasses.replace(found, **stated)
    return add_row(found, figure, BudgetRow(name="noise", half_width=half_width))


SINAD_HZ = 1000.0
SINAD_OWN_BINS = 8.5
"""What a tone between two lines leaks further under a Hann window is 80 dB below it, 40 at 2.5."""
MOST_OF_REST = 0.5
"""Of the rest's amplitude that may be the source's, 6 dB; with more it is not the set's SINAD."""
CRACKLE_PARTS = 20
"""Of 20 ms and more, in which a burst of a few milliseconds is whole."""
UNSTEADY_RATIO = 1.5
"""Scatter over the law from which noise is not steady: chance makes 1.4 of 20 parts (judgement)."""
SINAD_REACH_HZ = 200.0
"""Around the tone, where the noise under it is taken: some 80 lines, and no harmonic."""


def measure_sinad(
    programme: Programme,
    recording: Recording,
    timeline: Timeline,
    idle: IdleSpectrum,
    frequency_hz: float = SINAD_HZ,
) -> tuple[float, BudgetRow] | None:
    """
    SINAD of the level step at nominal level, over the voice band.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    idle : IdleSpectrum
    frequency_hz : float

    Returns
    -------
    sinad_db, row : float and BudgetRow, or None
        Power of everything over the power of everything but the tone, 200-4000 Hz, dB; `None`
        where the programme has no such step, or one too short to tell the tone from what lies
        beside it. The row is what chance leaves of it.
    """
    block = _find_steps(programme, frequency_hz)
    levels_db = sorted(programme.recipe.step_levels_db)
    if block is None or 0.0 not in levels_db:
        return None
    samples = _cut_step(programme, recording, timeline, block, levels_db.index(0.0))
    n = len(samples)
    window = make_hann(n)
    transform = np.fft.rfft(samples * window)
    power = np.abs(transform) ** 2
    bin_hz = np.arange(len(power)) * recording.rate_hz / n
    inside = (bin_hz >= VOICE_BAND_HZ[0]) & (bin_hz <= VOICE_BAND_HZ[1])
    step_hz = frequency_hz / timeline.stretch
    own = np.abs(bin_hz - step_hz) < SINAD_OWN_BINS * recording.rate_hz / n
    beside = power[inside & ~own]
    # The noise under the tone's own lines is taken to be as strong as near them, lines left out.
    near = np.abs(bin_hz - step_hz) < SINAD_REACH_HZ
    if not np.any(near & ~own):
        return None
    under = np.count_nonzero(own) * find_median(power[near & ~own]) / math.log(2.0)
    rest = float(np.sum(beside)) + under
    total = float(np.sum(power[inside]))
    if rest <= 0.0 or total <= 0.0:
        return None
    noise = np.interp(bin_hz[inside & ~own], idle.frequency_hz, idle.power)
    noise *= compute_hann_energy(n)
    off_hz = (bin_hz + 0.5 * step_hz) % step_hz - 0.5 * step_hz
    is_line = np.abs(off_hz) < SINAD_OWN_BINS * recording.rate_hz / n
    crackle = _measure_crackle(np.where(inside & ~is_line, transform, 0.0), window)
    row = BudgetRow(name="noise", half_width=_judge_rest_db(beside, noise, crackle))
    return 10.0 * math.log10(total / rest), row


def _measure_crackle(transform: NDArray[np.complex128], window: Array) -> float:
    """
    Variance of the power beside a tone and its harmonics, as its course within the step shows it.

    Steady noise spreads its energy over the parts of a step as the window does; a burst does not.
    """
    n, length = len(window), len(window) // CRACKLE_PARTS
    energies, shares = (
        np.sum(one[: length * CRACKLE_PARTS].reshape(CRACKLE_PARTS, length) ** 2, axis=1)
        for one in (np.fft.irfft(transform, n), window)
    )
    uneven = energies - shares * float(np.sum(energies)) / float(np.sum(shares))
    # The squares of a real signal's bins add up to n times its energy over both halves.
    return float(np.sum(uneven**2)) * (0.5 * n) ** 2


def _judge_rest_db(power: Array, idle: Array, crackle: float) -> float:
    """
    Half-width of a 95 % interval of the power beside a tone, dB.

    Noise of power S a bin has the variance 35/18 S^2 under a Hann window, and a line in it four
    times the product of both; the noise is at least that of the silence, and as much more as the
    median says. Where the rest is less steady than that, its own variance counts.
    """
    middle = find_median(power) / math.log(2.0)
    if find_median(idle) > 1e-6 * middle:
        noise = idle * max(1.0, find_median(power / np.maximum(idle, 1e-300)) / math.log(2.0))
    else:
        # A muted silence says nothing of the noise that comes with the tone.
        noise = np.full(len(power), middle)
    lines = np.maximum(power - LINE_RATIO * noise, 0.0)
    variance = HANN_VARIANCE * float(np.sum(noise**2))
    if crackle > UNSTEADY_RATIO**2 * variance:
        variance = crackle
    variance += 4.0 * float(np.sum(lines * noise))
    relative = COVERAGE_95 * math.sqrt(variance) / float(np.sum(power))
    return 10.0 / math.log(10.0) * relative


def judge_source(sinad_db: float, shares: Array) -> BudgetRow | None:
    """
    What the harmonics of the source itself may have done to SINAD.

    Parameters
    ----------
    sinad_db : float
    shares : ndarray, shape (n_orders,)
        What the source adds to each of `ORDERS`, re the fundamental; their phase is not known.

    Returns
    -------
    BudgetRow or None
        They may have added to the rest, or hidden as much of it; `None` where they may be most
        of it.

    Examples
    --------
    >>> round(judge_source(20.0, np.array([0.01])).half_width, 3)
    0.915
    >>> judge_source(40.0, np.array([0.01])) is None
    True
    """
    rest = 10.0 ** (-sinad_db / 20.0)
    share = float(np.linalg.norm(shares)) / rest
    if not share < MOST_OF_REST:
        return None
    return BudgetRow(name="bench", half_width=-20.0 * math.log10(1.0 - share))
