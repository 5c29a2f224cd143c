"""
Idle noise of the silences: weighted levels, mains lines, bursts, slope.

Levels are RMS relative to a full-scale sine. The spectrum used throughout is the mean of one
Hann-windowed periodogram of each silence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from voicecheck.budgets import COVERAGE_95, add_row, student_95
from voicecheck.fourier import find_next_fast_length, make_phasors
from voicecheck.idle import VOICE_BAND_HZ, IdleSpectrum, compute_hann_energy, make_hann
from voicecheck.ranks import find_median
from voicecheck.records import BudgetRow, Noise
from voicecheck.records.arrays import Array
from voicecheck.units import ratio_from_db
from voicecheck.weighting import make_band_frequencies, weigh_c_message_db, weigh_psophometric_db

MAINS_RANGE_HZ = (45.0, 65.0)
"""50 and 60 Hz with room for a small generator; wider, chance combs come up more often."""
N_MAINS_LINES = 15
ZERO_PADDING = 8
"""A line midway between two bins of the finer grid loses 0.02 dB; without padding 1.4 dB."""
MAINS_SCORE = 45.0
"""Sum of 15 line powers over their floor; noise alone has 15 +/- 4 and reaches 40 once in 10^4."""
LINE_SCORE = 8.0
"""Power over the floor from which one line is counted; noise alone passes it once in 3000."""
MAINS_FLOOR_DBFS = -100.0
"""
Lines weaker than this in all are not told.

Below the rounding of 16 bits (-98 dBFS over the whole band) a comb says how a recorder rounds, or
where its clock leaks, and no listener hears it (proposal).
"""
HANN_VARIANCE = 35.0 / 18.0
"""n sum w^4 / (sum w^2)^2 of the Hann window: what it costs in independent samples."""
HIGHEST_WEIGHED_HZ = 6000.0
"""Both weights are below -35 dB from here on."""
FRAME_S, BATCH_FRAMES = 0.01, (1, 5, 10, 30)
"""Frames, and how many of them are averaged: 0.3 s is longer than a syllable."""
FEWEST_BATCHES = 6
"""With fewer the scatter says little: t is 2.6 and the spread itself known to a third."""
UNSTEADY_RATIO = 1.5
"""Scatter over the law from which noise is not taken for steady: white noise reaches 1.4."""
WIDEST = 0.9
"""Relative half-width (10 dB) from which on no interval is stated: it could be anything."""
SLOPE_EDGES_HZ = np.geomspace(*VOICE_BAND_HZ, 14)
BURST_FRAME_S = 0.002
BURST_RATIO = 4.0
"""Frame energy over the usual one: 2 in 10^7 for Gaussian noise of 15 degrees of freedom."""


def measure_noise(idle: IdleSpectrum) -> Noise:
    """
    Every noise figure of the silence block.

    Parameters
    ----------
    idle : IdleSpectrum

    Returns
    -------
    Noise
        Weights as in ITU-T O.41 and IEEE 743; mains figures are `None` where there are no lines.
    """
    flat, psophometric, c_message = _get_weights(idle)
    mains = find_mains(idle)
    transforms = [np.fft.rfft(one) for one in idle.stretches]
    rest = np.concatenate(_limit_to_voice_band(idle, mains, transforms))
    band_hz, band_power = _sum_bands(idle)
    found = Noise(
        flat_dbfs=_dbfs(idle.sum_power(flat)),
        psophometric_dbfs=_dbfs(idle.sum_power(psophometric)),
        c_message_dbfs=_dbfs(idle.sum_power(c_message)),
        mains_hz=mains.frequency_hz if mains else None,
        mains_dbfs=_dbfs(float(np.nansum(mains.power))) if mains else None,
        mains_line_dbfs=_dbfs_array(mains.power) if mains else None,
        bursts_per_s=_count_bursts(rest, idle.rate_hz),
        kurtosis=_kurtosis(rest),
        slope_db_per_decade=_fit_slope(idle, mains),
        band_hz=band_hz,
        band_dbfs=_dbfs_array(band_power),
    )
    for which, figure in enumerate(("flat_dbfs", "psophometric_dbfs", "c_message_dbfs")):
        row = _make_noise_row(idle, mains, transforms, which)
        found = add_row(found, figure, row) if row else found
    return found


def _make_noise_row(
    idle: IdleSpectrum,
    mains: MainsLines | None,
    transforms: Sequence[NDArray[np.complex128]],
    which: int,
) -> BudgetRow | None:
    """
    What chance leaves of a level under one of the weights: the larger of law and observation.

    The law is that of steady Gaussian noise with its lines; speech, crackle and a level that
    wanders are not of that kind, and what they do is seen in the scatter between frames.
    """
    weight = _get_weights(idle)[which]
    total = idle.sum_power(weight)
    if total <= 0.0:
        return None
    frames = [
        _weigh_frames(transform, len(one), idle.rate_hz, which)
        for transform, one in zip(transforms, idle.stretches, strict=True)
    ]
    law = COVERAGE_95 * math.sqrt(_sum_variance(idle, mains, weight)) / total
    half_width, dof = _judge_scatter(frames, law)
    if half_width >= WIDEST:
        return None
    # Power has a long upper tail: what is missing in a short silence is the loud, so that the lower
    # end of the interval, which is the wider one in dB, serves for both.
    return BudgetRow(name="noise", half_width=-10.0 * math.log10(1.0 - half_width), dof=dof)


def _weigh_frames(
    transform: NDArray[np.complex128], n_samples: int, rate_hz: int, which: int
) -> Array:
    """Mean squares of the frames of a silence under one of the weights, from its spectrum."""
    n_bins = find_next_fast_length(math.ceil(HIGHEST_WEIGHED_HZ / rate_hz * n_samples))
    factor = _make_factors(n_bins + 1, rate_hz, n_samples)[which]
    slow = np.fft.irfft(transform[: n_bins + 1] * factor, 2 * n_bins)
    frame = round(FRAME_S * 2 * n_bins * rate_hz / n_samples)
    # The first and the last frame are where the circular filter wraps.
    n_frames = len(slow) // frame
    return np.asarray(np.mean(slow[: n_frames * frame].reshape(n_frames, frame) ** 2, axis=1))[1:-1]


def _judge_scatter(frames: Sequence[Array], law: float) -> tuple[float, float | None]:
    """
    Relative half-width of a 95 % interval of the frames' mean, and its degrees of freedom.

    Frames next to each other are alike in speech and in a level that wanders: means over ever
    longer batches of them show how much, and the widest answer counts. Where they have shown that
    the noise is not steady, whole silences are compared as well, few as they are. What holds the
    noise down now and then takes about as much in the mean as it lets it differ by.
    """
    every = np.concatenate(frames)
    mean = float(np.mean(every))
    widest: tuple[float, float | None] = (law, None)
    lost = 0.0
    for length in (*BATCH_FRAMES, min(map(len, frames)) // 2):
        batches = np.concatenate([_average_batches(one, length) for one in frames])
        n = len(batches)
        if n < 3 or mean <= 0.0 or (n < FEWEST_BATCHES and widest[0] < UNSTEADY_RATIO * law):
            continue
        spread = float(np.std(batches, ddof=1)) / mean
        half_width = float(student_95(n - 1)) * spread / math.sqrt(n)
        if half_width > widest[0]:
            widest, lost = (half_width, float(n - 1)), spread
    if widest[0] > UNSTEADY_RATIO * law and _is_held_down(every):
        return widest[0] + lost, widest[1]
    return widest


def _is_held_down(frames: Array) -> bool:
    """Whether noise that is not steady dips more than it bursts, as behind a gate at its edge."""
    level = np.log(frames + 1e-30)
    off = level - np.mean(level)
    return float(np.mean(off**3)) < 0.0


def _average_batches(frames: Array, length: int) -> Array:
    n = len(frames) // length
    return np.asarray(np.mean(frames[: n * length].reshape(n, length), axis=1))


def _sum_variance(idle: IdleSpectrum, mains: MainsLines | None, weight: Array) -> float:
    """
    Variance of a power under a weight, of steady Gaussian noise and lines.

    The power of Gaussian noise under a Hann window has a relative variance of 35/18 sum (w S)^2 /
    (sum w S)^2; a mean of k periodograms squared is (1 + 1/k) S^2 in the mean, and k of them have
    1/k of the variance. A steady line of mean square p, found in noise of mean square v at its own
    place, has the variance 4 p v.
    """
    weighted, n_averaged = idle.power * weight, idle.n_averaged
    lines = 0.0
    if mains is not None:
        weighted = np.where(_is_near_line(idle.frequency_hz, mains), 0.0, weighted)
        orders = np.flatnonzero(np.isfinite(mains.power)) + 1
        at = np.rint(orders * mains.frequency_hz / idle.frequency_hz[1]).astype(int)
        n = idle.n_samples
        own = compute_hann_energy(n) / (0.5 * n) ** 2 * mains.floor[at]
        lines = float(np.sum(4.0 * weight[at] ** 2 * mains.power[orders - 1] * own))
    square = float(np.sum(weighted**2)) / (1.0 + 1.0 / n_averaged)
    random = HANN_VARIANCE * square * (2.0 / idle.n_samples) ** 2
    return (random + lines) / n_averaged


def _is_near_line(frequency_hz: Array, mains: MainsLines) -> NDArray[np.bool_]:
    order = np.rint(frequency_hz / mains.frequency_hz)
    return np.asarray(np.abs(frequency_hz - order * mains.frequency_hz) < 3.0 * frequency_hz[1])


def _get_weights(idle: IdleSpectrum) -> tuple[Array, Array, Array]:
    return _make_weights(len(idle.frequency_hz), idle.rate_hz, idle.n_samples)


@lru_cache(maxsize=16)
def _make_weights(n_bins: int, rate_hz: int, n_samples: int) -> tuple[Array, Array, Array]:
    """Power weights of every bin: flat over the voice band, psophometric, C-message."""
    frequency_hz: Array = np.arange(n_bins) * rate_hz / n_samples
    psophometric = 10.0 ** (weigh_psophometric_db(frequency_hz) / 10.0)
    c_message = 10.0 ** (weigh_c_message_db(frequency_hz) / 10.0)
    return _voice_band(frequency_hz).astype(np.float64), psophometric, c_message


@lru_cache(maxsize=16)
def _make_factors(n_bins: int, rate_hz: int, n_samples: int) -> tuple[Array, ...]:
    """The same weights for amplitudes."""
    return tuple(np.sqrt(weight) for weight in _make_weights(n_bins, rate_hz, n_samples))


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsLines:
    """
    Fundamental and mean squares of its lines x1..x15, NaN where a line is under the noise.

    `floor`, shape (n_bins,), is the idle spectrum's power without them.
    """

    frequency_hz: float
    power: Array
    floor: Array


def find_mains(idle: IdleSpectrum) -> MainsLines | None:
    """
    Look for a comb of mains lines, its frequency not assumed.

    Parameters
    ----------
    idle : IdleSpectrum

    Returns
    -------
    MainsLines or None
        `None` where the comb is no stronger than noise makes it.
    """
    n = idle.n_samples
    step_hz = idle.rate_hz / (ZERO_PADDING * n)
    n_bins = int(N_MAINS_LINES * MAINS_RANGE_HZ[1] * 1.1 / step_hz)
    # Zero padding makes a grid so fine that no line falls between two bins; done on a copy at
    # a low rate, since all lines lie below 1 kHz.
    keep = int(2.0 * N_MAINS_LINES * MAINS_RANGE_HZ[1] / (idle.rate_hz / n))
    keep = find_next_fast_length(keep)
    slow = np.fft.irfft(idle.transforms[:, : keep + 1], 2 * keep)
    fine = np.abs(np.fft.rfft(slow, 2 * keep * ZERO_PADDING)[:, :n_bins]) ** 2
    fine = np.mean(fine, axis=0) / compute_hann_energy(n)
    floor = _estimate_floor(idle)
    orders = np.arange(1, N_MAINS_LINES + 1)
    coarse_hz = np.arange(MAINS_RANGE_HZ[0], MAINS_RANGE_HZ[1], 0.04)
    line_hz = coarse_hz[:, None] * orders
    bins = np.rint(line_hz / step_hz).astype(int)
    coarse_bins = np.rint(line_hz / idle.frequency_hz[1]).astype(int)
    ratio = fine[bins] / floor[coarse_bins]
    best = int(np.argmax(ratio.sum(axis=1)))
    strong = ratio[best] > LINE_SCORE
    if float(ratio[best].sum()) < MAINS_SCORE or not strong.any():
        return None
    peak_hz, peak = _polish_peaks(fine, bins[best], step_hz)
    weight = np.where(strong, ratio[best] * orders**2, 0.0)
    fundamental_hz = float(np.sum(weight * peak_hz / orders) / np.sum(weight))
    own = np.interp(fundamental_hz * orders, idle.frequency_hz, floor)
    # A sine of mean square p peaks at p n_eff / 2 in this scaling.
    power = 2.0 * (peak - own) * compute_hann_energy(n) / (0.5 * n) ** 2
    power = np.where(strong, np.maximum(power, 0.0), np.nan)
    if 2.0 * float(np.nansum(power)) < ratio_from_db(MAINS_FLOOR_DBFS) ** 2:
        return None
    return MainsLines(frequency_hz=fundamental_hz, power=power, floor=floor)


def _polish_peaks(power: Array, bins: Array, step_hz: float) -> tuple[Array, Array]:
    """Frequency and height of peaks near given bins, by a parabola through the logarithms."""
    # The coarse comb may sit a few fine bins off at its high lines: climb first.
    reach = np.arange(-6, 7)
    near = bins[:, None] + reach
    at = near[np.arange(len(bins)), np.argmax(power[near], axis=1)]
    left, middle, right = (np.log(power[at + k] + 1e-300) for k in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    height = np.exp(middle - 0.25 * (left - right) * shift)
    return (at + shift) * step_hz, height


def _estimate_floor(idle: IdleSpectrum) -> Array:
    """Broadband floor: running median of the spectrum, which lines do not lift."""
    # 30 Hz hold less of a line (four bins) than of the gap to the next one, 45 Hz at least.
    width = max(9, round(30.0 / idle.frequency_hz[1])) | 1
    highest = int(1200.0 / idle.frequency_hz[1])
    floor = np.array(idle.power)
    # The median of a chi-squared variable over its mean (Wilson, Hilferty, PNAS 17, 1931).
    share = (1.0 - 1.0 / (9.0 * idle.n_averaged)) ** 3
    floor[:highest] = take_running_median(idle.power[:highest], width) / share
    return np.asarray(np.maximum(floor, 1e-30))


def take_running_median(values: Array, width: int) -> Array:
    """
    Median over neighbours; beyond the ends the end values go on.

    Parameters
    ----------
    values : ndarray, shape (n,)
    width : int
        How many, an odd number.

    Returns
    -------
    ndarray, shape (n,)
    """
    padded = np.pad(values, width // 2, mode="edge")
    windows = sliding_window_view(padded, width)
    return np.asarray(np.partition(windows, width // 2, axis=-1)[:, width // 2])


def _limit_to_voice_band(
    idle: IdleSpectrum, mains: MainsLines | None, transforms: Sequence[NDArray[np.complex128]]
) -> list[Array]:
    """The voice band of the silences without their mains lines, each fitted and taken away."""
    lines = np.empty(0)
    if mains is not None:
        orders = np.flatnonzero(np.isfinite(mains.power)) + 1
        lines = orders * mains.frequency_hz / idle.rate_hz
    return [
        _limit_band(np.fft.rfft(_take_lines(one, lines)) if len(lines) else own, len(one), idle)
        for one, own in zip(idle.stretches, transforms, strict=True)
    ]


def _take_lines(samples: Array, lines: Array) -> Array:
    """Samples less the lines at some frequencies, in turns a sample."""
    window, residual = make_hann(len(samples)), samples.copy()
    for line in lines:
        turn = make_phasors(line, len(samples))
        amplitude = 2.0 * np.sum(residual * window * turn.conj()) / np.sum(window)
        residual -= (amplitude * turn).real
    return residual


def _limit_band(transform: NDArray[np.complex128], n_samples: int, idle: IdleSpectrum) -> Array:
    """The voice band of some samples, its ends left out where the circular filter wraps."""
    inside = _voice_band(np.arange(len(transform)) * idle.rate_hz / n_samples)
    edge = round(0.01 * idle.rate_hz)
    return np.asarray(np.fft.irfft(np.where(inside, transform, 0.0), n_samples)[edge:-edge])


def _voice_band(frequency_hz: Array) -> NDArray[np.bool_]:
    return np.asarray((frequency_hz >= VOICE_BAND_HZ[0]) & (frequency_hz <= VOICE_BAND_HZ[1]))


def _sum_bands(idle: IdleSpectrum) -> tuple[Array, Array]:
    """Mean square in 1/12-octave bands from 100 to 8000 Hz, for the picture of the noise."""
    centre_hz = make_band_frequencies(12, 100.0, 8000.0)
    ratio = 10.0 ** (0.3 / 24.0)
    step_hz = idle.frequency_hz[1]
    total = np.concatenate([[0.0], np.cumsum(idle.power)]) * 2.0 / idle.n_samples
    edges = (np.arange(len(total)) - 0.5) * step_hz
    upper = np.interp(centre_hz * ratio, edges, total)
    return centre_hz, upper - np.interp(centre_hz / ratio, edges, total)


def _kurtosis(samples: Array) -> float | None:
    """Fourth moment over the squared second: 3 for Gaussian noise, more where it crackles."""
    power = samples**2
    square = float(np.mean(power))
    return float(np.mean(power**2)) / square**2 if square > 0.0 else None


def _count_bursts(samples: Array, rate_hz: int) -> float | None:
    """Bursts per second: runs of frames well above the usual energy."""
    frame = round(BURST_FRAME_S * rate_hz)
    n_frames = len(samples) // frame
    if n_frames == 0:
        return None
    energy = np.sum(samples[: n_frames * frame].reshape(n_frames, frame) ** 2, axis=1)
    usual = find_median(energy)
    if usual <= 0.0:
        return 0.0
    hot = energy > BURST_RATIO * usual
    # Frames less than 5 ms apart belong to one burst.
    starts = np.flatnonzero(hot)
    separate = np.count_nonzero(np.diff(starts) > 2) + 1 if len(starts) else 0
    return float(separate / (n_frames * BURST_FRAME_S))


def _fit_slope(idle: IdleSpectrum, mains: MainsLines | None) -> float | None:
    """Slope of the noise density over the voice band in dB per decade, lines left out."""
    frequency_hz, power = idle.frequency_hz, idle.power
    keep = _voice_band(frequency_hz)
    if mains is not None:
        keep &= ~_is_near_line(frequency_hz, mains)
    edges = SLOPE_EDGES_HZ
    index = np.digitize(frequency_hz[keep], edges) - 1
    inside = (index >= 0) & (index < len(edges) - 1)
    counts = np.bincount(index[inside], minlength=len(edges) - 1)
    sums = np.bincount(index[inside], weights=power[keep][inside], minlength=len(edges) - 1)
    usable = (counts > 0) & (sums > 0.0)
    if np.count_nonzero(usable) < 3:
        return None
    centre, weight = np.log10(np.sqrt(edges[1:] * edges[:-1]))[usable], counts[usable]
    level_db = 10.0 * np.log10(sums[usable] / weight)
    centre -= np.average(centre, weights=weight)
    return float(np.sum(weight * centre * level_db) / np.sum(weight * centre**2))


def _dbfs(mean_square: float) -> float | None:
    """Mean square to dB re a full-scale sine; nothing at all has no level."""
    return 10.0 * float(np.log10(2.0 * mean_square)) if mean_square > 0.0 else None


def _dbfs_array(mean_square: Array) -> Array:
    with np.errstate(divide="ignore"):
        level = 10.0 * np.log10(2.0 * mean_square)
    return np.asarray(np.where(np.isfinite(level), level, np.nan))
