"""
Idle noise of the silence block: weighted levels, mains lines, bursts, slope.

Levels are RMS relative to a full-scale sine. The spectrum used throughout is one Hann-windowed
periodogram of the whole block: its lines are narrow, and the windows of `response` take it as it
is for the error of every point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from voicecheck.budgets import add_row
from voicecheck.fourier import find_next_fast_length, make_phasors
from voicecheck.idle import VOICE_BAND_HZ, IdleSpectrum, compute_hann_energy, make_hann
from voicecheck.records import BudgetRow, Noise
from voicecheck.records.arrays import Array
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
HANN_VARIANCE = 35.0 / 18.0
"""n sum w^4 / (sum w^2)^2 of the Hann window: what it costs in independent samples."""
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
    frequency_hz = idle.frequency_hz
    inside = _voice_band(frequency_hz)
    psophometric, c_message = _make_weights(len(frequency_hz), float(frequency_hz[1]))
    mains = find_mains(idle)
    residual = _remove_lines(idle, mains)
    rest = _limit_band(residual, idle)
    band_hz, band_power = _sum_bands(idle)
    found = Noise(
        flat_dbfs=_dbfs(idle.sum_power(inside.astype(float))),
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
    for figure, weight in (
        ("flat_dbfs", inside.astype(float)),
        ("psophometric_dbfs", psophometric),
        ("c_message_dbfs", c_message),
    ):
        half_width = _estimate_uncertainty_db(idle, mains, weight)
        if half_width is not None:
            found = add_row(found, figure, BudgetRow(name="noise", half_width=half_width))
    return found


def _estimate_uncertainty_db(
    idle: IdleSpectrum, mains: MainsLines | None, weight: Array
) -> float | None:
    """
    Half-width of a 95 % interval for a level under a power weight.

    The power of Gaussian noise under a Hann window has a relative variance of 35/18 sum (w S)^2 /
    (sum w S)^2; a periodogram squared is 2 S^2 in the mean. A steady line of mean square p, found
    in noise of mean square v at its own place, has the variance 4 p v.
    """
    total = idle.sum_power(weight)
    if total <= 0.0:
        return None
    weighted = idle.power * weight
    lines = 0.0
    if mains is not None:
        weighted = np.where(_is_near_line(idle.frequency_hz, mains), 0.0, weighted)
        orders = np.flatnonzero(np.isfinite(mains.power)) + 1
        at = np.rint(orders * mains.frequency_hz / idle.frequency_hz[1]).astype(int)
        n = len(idle.samples)
        own = compute_hann_energy(n) / (0.5 * n) ** 2 * mains.floor[at]
        lines = float(np.sum(4.0 * weight[at] ** 2 * mains.power[orders - 1] * own))
    random = HANN_VARIANCE * float(np.sum(weighted**2)) / 2.0 * (2.0 / len(idle.samples)) ** 2
    return 1.96 * 10.0 / math.log(10.0) * math.sqrt(random + lines) / total


def _is_near_line(frequency_hz: Array, mains: MainsLines) -> NDArray[np.bool_]:
    order = np.rint(frequency_hz / mains.frequency_hz)
    return np.asarray(np.abs(frequency_hz - order * mains.frequency_hz) < 3.0 * frequency_hz[1])


@lru_cache(maxsize=8)
def _make_weights(n_bins: int, step_hz: float) -> tuple[Array, Array]:
    """Psophometric and C-message power weights of every bin."""
    frequency_hz = np.arange(n_bins) * step_hz
    psophometric = 10.0 ** (weigh_psophometric_db(frequency_hz) / 10.0)
    return psophometric, 10.0 ** (weigh_c_message_db(frequency_hz) / 10.0)


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
    n = len(idle.samples)
    step_hz = idle.rate_hz / (ZERO_PADDING * n)
    n_bins = int(N_MAINS_LINES * MAINS_RANGE_HZ[1] * 1.1 / step_hz)
    # Zero padding makes a grid so fine that no line falls between two bins; done on a copy at
    # a low rate, since all lines lie below 1 kHz.
    keep = int(2.0 * N_MAINS_LINES * MAINS_RANGE_HZ[1] / (idle.rate_hz / n))
    keep = find_next_fast_length(keep)
    slow = np.fft.irfft(idle.transform[: keep + 1], 2 * keep)
    fine = np.abs(np.fft.rfft(slow, 2 * keep * ZERO_PADDING)[:n_bins]) ** 2 / compute_hann_energy(n)
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
    return MainsLines(
        frequency_hz=fundamental_hz,
        power=np.where(strong, np.maximum(power, 0.0), np.nan),
        floor=floor,
    )


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
    # The median of an exponential variable is ln 2 of its mean.
    floor[:highest] = take_running_median(idle.power[:highest], width) / np.log(2.0)
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


def _remove_lines(idle: IdleSpectrum, mains: MainsLines | None) -> Array:
    """The noise without its mains lines, each fitted and taken away."""
    residual = idle.samples.copy()
    if mains is None:
        return residual
    n = len(residual)
    window = make_hann(n)
    for order in np.flatnonzero(np.isfinite(mains.power)) + 1:
        turn = make_phasors(order * mains.frequency_hz / idle.rate_hz, n)
        amplitude = 2.0 * np.sum(residual * window * turn.conj()) / np.sum(window)
        residual -= (amplitude * turn).real
    return residual


def _limit_band(samples: Array, idle: IdleSpectrum) -> Array:
    """The voice band of some samples, its ends left out where the circular filter wraps."""
    transform = np.fft.rfft(samples)
    transform[~_voice_band(idle.frequency_hz)] = 0.0
    edge = round(0.01 * idle.rate_hz)
    return np.asarray(np.fft.irfft(transform, len(samples))[edge:-edge])


def _voice_band(frequency_hz: Array) -> NDArray[np.bool_]:
    return np.asarray((frequency_hz >= VOICE_BAND_HZ[0]) & (frequency_hz <= VOICE_BAND_HZ[1]))


def _sum_bands(idle: IdleSpectrum) -> tuple[Array, Array]:
    """Mean square in 1/12-octave bands from 100 to 8000 Hz, for the picture of the noise."""
    centre_hz = make_band_frequencies(12, 100.0, 8000.0)
    ratio = 10.0 ** (0.3 / 24.0)
    step_hz = idle.frequency_hz[1]
    total = np.concatenate([[0.0], np.cumsum(idle.power)]) * 2.0 / len(idle.samples)
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
    usual = float(np.median(energy))
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
