"""
Harmonics and THD, level steps, four-tone products, SINAD.

Powers are found with the noise's own share taken off; what is left under the noise is reported
as "less than", never as a number. Harmonics come from the sweep's kernels, and at the tones from
Hann-weighted Fourier sums.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable

import numpy as np

from voicecheck.budgets import combine_curve_rows
from voicecheck.fourier import find_previous_fast_length, make_phasors
from voicecheck.idle import VOICE_BAND_HZ, IdleSpectrum, make_hann
from voicecheck.records import (
    Block,
    Calibration,
    CurveBudgetRow,
    Distortion,
    Intermodulation,
    Linearity,
    Programme,
    Recipe,
    Recording,
    Timeline,
)
from voicecheck.records.arrays import Array
from voicecheck.records.budgets import CurveBudget
from voicecheck.response import (
    Kernels,
    NoiseDensity,
    SweepSpectra,
    compute_transfer,
    find_share,
    read_column_db,
)

ORDERS = (2, 3, 4, 5)
HIGHEST_SHARE = 0.45
"""Of the rate: harmonics above it are left out."""
THD_FLOOR = 0.0001
"""Relative error of a harmonic's power that the arithmetic itself may leave."""
SOURCE_RATIO = 2.0
"""How much more than the source's own a distortion is, for it to be stated (PROP)."""
DETECTED = 4.6
"""Power over the noise's mean from which a harmonic counts: noise alone passes it once in 100."""
UPPER_95 = 3.0
"""Power of pure noise stays below three times its mean in 95 of 100."""
STEP_SETTLE_S = 0.03
"""Left out at a step's start: its fade, and nine time constants of a resonance of Q 10 at 1 kHz."""
REACH_HZ = np.array([-20.0, 20.0])
"""Around a line, where the idle noise is taken: less than half the way between mains lines."""
STANDARD_LADDER_HZ = (315.0, 500.0, 1000.0)
"""Frequencies at which handset distortion is usually stated (GSM 03.50 and others)."""


def compute_distortion(
    kernels: Kernels,
    spectra: SweepSpectra,
    recipe: Recipe,
    *,
    frequency_hz: Array,
    fundamental: Array,
    noise: NoiseDensity,
    calibration: Calibration | None = None,
) -> Distortion:
    """
    Harmonics against the fundamental's frequency.

    Parameters
    ----------
    kernels : Kernels
    spectra : SweepSpectra
    recipe : Recipe
    frequency_hz : ndarray, shape (n_points,)
        Of the fundamental.
    fundamental : ndarray, shape (n_points,)
        Magnitude of the linear transfer function there.
    noise : NoiseDensity
    calibration : Calibration, optional
        What the source distorts itself is taken off, and what cannot be is a floor; each harmonic
        is corrected for the input's microphone at its own frequency.

    Returns
    -------
    Distortion
        Orders 2 to 5 as they stand at the output; THD is the root sum square of those over the
        fundamental. An order beyond the recording's band is left out. What is not clearly above
        the source's own is "less than".
    """
    power, own, bias, left = (np.full((len(ORDERS), len(frequency_hz)), np.nan) for _ in range(4))
    curve = calibration.curve if calibration else None
    source = calibration.source if calibration else None
    for row, order in enumerate(ORDERS):
        reached = order * frequency_hz <= HIGHEST_SHARE * spectra.rate_hz
        transfer = compute_transfer(
            kernels, spectra, recipe, frequency_hz[reached], noise, order=order
        )
        heard_db = read_column_db(curve, "input_db", order * frequency_hz[reached])
        heard_db -= read_column_db(curve, "input_db", frequency_hz[reached])
        scale = 10.0 ** (heard_db / 20.0) / fundamental[reached]
        values, variance = transfer.values, transfer.variance
        if source is not None:
            share = find_share(
                source, kernels, spectra, recipe, frequency_hz=frequency_hz[reached],
                fundamental=fundamental[reached], noise=noise, order=order,
            )  # fmt: skip
            values, variance = values - share.values, variance + share.variance
            left[row, reached] = share.left * scale
        power[row, reached] = np.square(np.abs(values) * scale)
        own[row, reached] = variance * np.square(scale)
        # A relative error of the amplitude counts twice in the power.
        bias[row, reached] = power[row, reached] * 2.0 * transfer.bias_db * math.log(10.0) / 20.0
    harmonic_db, below_db = _report_power_db(power, own)
    thd, thd_below, uncertainty = _combine_thd(power, own, bias)
    budget: CurveBudget = (CurveBudgetRow(name="noise", half_width=uncertainty),)
    if source is not None:
        harmonic_db, below_db = _mark_floor_db(harmonic_db, below_db, left)
        floor = 100.0 * np.sqrt(np.nansum(np.square(left), axis=0))
        thd, thd_below = mark_floor(thd, thd_below, floor)
        uncertainty = np.where(np.isnan(thd), np.nan, uncertainty)
        budget = (
            CurveBudgetRow(name="noise", half_width=uncertainty),
            CurveBudgetRow(name="bench", half_width=np.where(np.isnan(thd), np.nan, floor)),
        )
        uncertainty = np.where(np.isnan(thd), np.nan, combine_curve_rows(budget))
    return Distortion(
        frequency_hz=frequency_hz,
        thd_percent=thd,
        thd_uncertainty_percent=uncertainty,
        harmonic_order=ORDERS,
        harmonic_db=harmonic_db,
        thd_below_percent=thd_below,
        harmonic_below_db=below_db,
        budget=budget,
    )


def mark_floor(percent: Array, below: Array, floor: Array) -> tuple[Array, Array]:
    """
    Distortion that is not clearly more than the source may have added: "less than" both.

    Parameters
    ----------
    percent, below : ndarray, shape (n,)
        As measured, and the upper limit where it is withheld (NaN elsewhere).
    floor : ndarray, shape (n,)
        What the source may have added, in percent.

    Returns
    -------
    percent, below : ndarray, shape (n,)
        Of something found to be p with up to b of the source's in it the set's own lies within
        p - b and p + b; from p = `SOURCE_RATIO` b on that is stated as an interval.
    """
    is_hidden = percent < SOURCE_RATIO * floor
    limit = np.where(is_hidden, percent + floor, below + floor)
    return np.where(is_hidden, np.nan, percent), limit


def _mark_floor_db(level_db: Array, below_db: Array, left: Array) -> tuple[Array, Array]:
    """The same for single harmonics in dB; `left` is an amplitude re the fundamental."""
    share = 100.0 * np.nan_to_num(left)
    percent, below = mark_floor(
        100.0 * 10.0 ** (level_db / 20.0), 100.0 * 10.0 ** (below_db / 20.0), share
    )
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(percent / 100.0), 20.0 * np.log10(below / 100.0)


def _report_power_db(power: Array, noise: Array) -> tuple[Array, Array]:
    """Levels in dB of powers above the noise, and upper limits of those that are not."""
    clean = power - noise
    with np.errstate(divide="ignore", invalid="ignore"):
        level_db = np.where(power > DETECTED * noise, 10.0 * np.log10(clean), np.nan)
        limit_db = 10.0 * np.log10(np.maximum(clean, 0.0) + UPPER_95 * noise)
    return level_db, np.where(np.isnan(level_db), limit_db, np.nan)


def _combine_thd(power: Array, noise: Array, bias: Array) -> tuple[Array, Array, Array]:
    """
    THD in percent, its upper limit where it is under the noise, and its 95 % half-width.

    A harmonic of power P found in noise of mean square v has an estimate of variance
    2 P v + v^2; `bias` is what the window may have taken from each power.
    """
    clean = np.maximum(power - noise, 0.0)
    total = np.nansum(power - noise, axis=0)
    spread = np.sqrt(np.nansum(2.0 * clean * noise + noise**2, axis=0))
    systematic = np.nansum(np.abs(bias), axis=0) + THD_FLOOR * np.abs(total)
    detected = total > 2.6 * spread
    with np.errstate(invalid="ignore", divide="ignore"):
        thd = np.where(detected, 100.0 * np.sqrt(np.maximum(total, 0.0)), np.nan)
        below = 100.0 * np.sqrt(np.maximum(total, 0.0) + 2.0 * spread)
        half_width = 50.0 / np.sqrt(np.abs(total)) * np.hypot(1.96 * spread, 1.2 * systematic)
    return (
        thd,
        np.where(detected, np.nan, below),
        np.where(detected, half_width, np.nan),
    )


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
    share = power[1:] / np.maximum(power[0], 1e-30)
    thd, below, _ = _combine_thd(
        share, noise[1:, None] / np.maximum(power[0], 1e-30), np.zeros_like(share)
    )
    is_heard = np.isfinite(output)
    gain_db = output - levels_db
    return Linearity(
        frequency_hz=frequency_hz,
        input_db=levels_db,
        output_db=output,
        thd_percent=np.where(is_heard, thd, np.nan),
        thd_below_percent=np.where(is_heard, below, np.nan),
        compression_db=_gain_change(levels_db, gain_db, float(levels_db.max())),
        threshold_db=_gain_change(levels_db, gain_db, -20.0),
        thd_slope_db_per_db=_fit_growth(levels_db, np.where(is_heard, thd, np.nan)),
    )


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
    return dataclasses.replace(
        found,
        thd_percent=thd,
        thd_below_percent=below,
        thd_slope_db_per_db=_fit_growth(found.input_db, thd),
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

    Shapes: steps (n_steps, n), powers (5, n_steps), noise (5,).
    """
    n = steps.shape[1]
    window = make_hann(n)
    area, energy = float(np.sum(window)), float(np.sum(window**2))
    turn = make_phasors(-fundamental_hz / rate_hz, n)
    weights, noise = [], []
    factor = (window / area).astype(np.complex128)
    for order in (1, *ORDERS):
        factor = factor * turn
        weights += [factor.real, factor.imag]
        near = slice(*np.searchsorted(idle.frequency_hz, order * fundamental_hz + REACH_HZ))
        noise.append(2.0 * energy / area**2 * float(np.mean(idle.power[near])))
    sums = np.array(weights) @ steps.T
    return 2.0 * (sums[0::2] ** 2 + sums[1::2] ** 2), np.array(noise)


def _gain_change(levels_db: Array, gain_db: Array, at_db: float) -> float | None:
    """Loss of gain at one level against the nominal one, dB; `None` where it was not heard."""
    usable = np.isfinite(gain_db)
    if np.count_nonzero(usable) < 2 or at_db < levels_db[usable].min():
        return None
    at = float(np.interp(at_db, levels_db[usable], gain_db[usable]))
    return float(np.interp(0.0, levels_db[usable], gain_db[usable])) - at


def measure_intermodulation(
    programme: Programme, recording: Recording, timeline: Timeline, idle: IdleSpectrum
) -> Intermodulation:
    """
    Second- and third-order products of the four tones.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    idle : IdleSpectrum

    Returns
    -------
    Intermodulation
        dB re the total power of the tones at the output.

    Notes
    -----
    Source: ITU-T O.42 four-tone method; tone frequencies and the formulas are MEM
    (`imd.csv`): second order is the mean power of the bands B-A and B+A, third order the power
    of the band 2B-A. Deviation: the lines themselves are measured, not 50 Hz bands, and the
    noise is taken from the silence, not from a second tone pair.
    """
    blocks = programme.blocks_of("four-tone")
    tones_hz: list[float] = sorted(programme.recipe.tones_hz)
    if not blocks or len(tones_hz) != 4:
        return Intermodulation()
    first = round((timeline.locate_s(blocks[0].start_s) + STEP_SETTLE_S) * recording.rate_hz)
    last = round((timeline.locate_s(blocks[0].end_s) - STEP_SETTLE_S) * recording.rate_hz)
    lines = _LineSpectrum(
        recording.samples[max(0, first) : last], recording.rate_hz, timeline, idle
    )
    low, high = tones_hz[:2], tones_hz[2:]
    tones, _ = lines.sum_power(tones_hz)
    if tones <= 0.0:
        return Intermodulation()
    lower, lower_noise = lines.sum_power({b - a for a in low for b in high})
    upper, upper_noise = lines.sum_power({b + a for a in low for b in high})
    order2, order2_below = _report_one_db(
        (lower + upper) / 2.0, (lower_noise + upper_noise) / 2.0, tones
    )
    cubic, cubic_noise = lines.sum_power({b + c - a for a in low for b in high for c in high})
    order3, order3_below = _report_one_db(cubic, cubic_noise, tones)
    return Intermodulation(
        order2_db=order2,
        order3_db=order3,
        order2_below_db=order2_below,
        order3_below_db=order3_below,
    )


class _LineSpectrum:
    """Power of lines a few Hz apart in one Hann-windowed spectrum, and the noise's share in it."""

    def __init__(
        self, samples: Array, rate_hz: int, timeline: Timeline, idle: IdleSpectrum
    ) -> None:
        # A little shorter makes a length that transforms fast.
        count = find_previous_fast_length(len(samples))
        window = make_hann(count)
        self.power = np.abs(np.fft.rfft(samples[:count] * window)) ** 2
        self.power *= 2.0 / (count * float(np.sum(window**2)))
        self.bins_per_hz = count / rate_hz / timeline.stretch
        self.count, self.idle = count, idle

    def sum_power(self, lines_hz: Iterable[float]) -> tuple[float, float]:
        """
        Summed mean square of some lines, and the noise's share in it.

        Two bins to either side of a line hold all of a Hann-windowed tone but 1e-4.
        """
        total = noise = 0.0
        for line_hz in lines_hz:
            middle = round(line_hz * self.bins_per_hz)
            total += float(np.sum(self.power[middle - 2 : middle + 3]))
            near = slice(*np.searchsorted(self.idle.frequency_hz, line_hz + REACH_HZ))
            noise += 5.0 * 2.0 / self.count * float(np.mean(self.idle.power[near]))
        return total, noise


def _report_one_db(
    power: float, noise: float, reference: float
) -> tuple[float | None, float | None]:
    if power > 2.0 * noise + 1e-30:
        return 10.0 * math.log10((power - noise) / reference), None
    return None, 10.0 * math.log10((max(power - noise, 0.0) + noise + 1e-30) / reference)


def measure_sinad(
    programme: Programme, recording: Recording, timeline: Timeline, frequency_hz: float = 1000.0
) -> float | None:
    """
    SINAD of the level step at nominal level, over the voice band.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    frequency_hz : float

    Returns
    -------
    float or None
        Power of everything over the power of everything but the tone, 200-4000 Hz, dB; `None`
        where the programme has no such step.
    """
    block = _find_steps(programme, frequency_hz)
    levels_db = sorted(programme.recipe.step_levels_db)
    if block is None or 0.0 not in levels_db:
        return None
    samples = _cut_step(programme, recording, timeline, block, levels_db.index(0.0))
    n = len(samples)
    window = make_hann(n)
    power = np.abs(np.fft.rfft(samples * window)) ** 2
    bin_hz = np.arange(len(power)) * recording.rate_hz / n
    inside = (bin_hz >= VOICE_BAND_HZ[0]) & (bin_hz <= VOICE_BAND_HZ[1])
    own = np.abs(bin_hz - frequency_hz / timeline.stretch) < 2.5 * recording.rate_hz / n
    rest = float(np.sum(power[inside & ~own]))
    # The noise under the tone's own lines is taken to be as strong as beside them.
    rest *= float(np.count_nonzero(inside)) / max(int(np.count_nonzero(inside & ~own)), 1)
    total = float(np.sum(power[inside]))
    return 10.0 * math.log10(total / rest) if rest > 0.0 and total > 0.0 else None
