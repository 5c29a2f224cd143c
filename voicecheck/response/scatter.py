"""
Noise that comes only with the signal: what the silence does not show, the sweeps themselves do.

Repeats of a sweep scatter by it, and it lies beside the kernels: what a deconvolved recording holds
between the second harmonic's kernel and the linear one, and after that one's decay, is no
response. Seen at a frequency there it is the noise of the moment at which the sweep passed it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from voicecheck.records.arrays import Array
from voicecheck.response.choosing import average_neighbours
from voicecheck.response.sweeps import (
    HIGHEST_REPEAT_SHARE,
    REPEATS_BAND_HZ,
    ComplexArray,
    Kernels,
    SweepSpectra,
)
from voicecheck.response.windows import (
    NoiseDensity,
    estimate_variance,
    evaluate_kernel,
    evaluate_places,
)

REPEAT_REACH, SURE_RATIO = 6, 1.5
"""
Neighbours to either side whose scatter is averaged, and from where on it is believed.

Three sweeps give 4 degrees of freedom a point, 13 correlated points some 30 in all: chance alone
is above 1.5 in 4 of 100 (chi-squared); the eight places beside the kernels give 14 a point. Lower,
sound intervals widen by chance; higher, noise that comes only with the signal goes unseen.
"""
MUTED_SHARE = 1e-3
"""Of what is found with the signal: a silence quieter than this (30 dB) was muted or gated."""
GAP_SHARES = (0.3, 0.4, 0.5, 0.6, 0.7)
"""Places in the gap between a kernel and the next harmonic's, clear of both windows."""
REST_SHARE = 0.755
"""Mean of noise power at eight places, the strongest left out: (8 - 1/1 - 1/2 ... - 1/8) / 7."""
FIRST_BEFORE_S, FIRST_AFTER_S, BETWEEN_S = 0.12, 0.12, 0.08
"""
Nearest places before and after the linear kernel, and the way from one place to the next.

At 200 Hz the window lasts from 20 ms before to 50 ms after: before the kernel it ends 70 ms short
of it; after 100 ms what still rings at the quality of 40 at 1 kHz is below -130 dB.
"""
LONG_ENOUGH_S = 0.65
"""Constant of a sweep whose second harmonic stands 0.45 s before the linear kernel."""


def is_seen(output_hz: Array) -> bool:
    """Whether single sweeps, at their lower rate, hold all of these frequencies."""
    return bool(np.max(output_hz) < HIGHEST_REPEAT_SHARE * REPEATS_BAND_HZ)


@dataclass(frozen=True, slots=True)
class Excess:
    """
    What there is beyond the silence's noise: times as much of it, and so much besides.

    Both have shape (n_points,). `added` is the variance under the window of scale 1; it counts
    where the silence is so quiet (muted, gated) that nothing is a multiple of it.
    """

    ratio: Array
    added: Array

    def apply(self, idle: Array, scale: float) -> Array:
        """Variance under windows of some scale from what the silence explains there."""
        return np.asarray(self.ratio * idle + self.added * scale)

    def join(self, other: Excess) -> Excess:
        """The larger of two."""
        return Excess(np.maximum(self.ratio, other.ratio), np.maximum(self.added, other.added))


def _believe(found: Array, idle: Array, scale: float) -> Excess:
    """Averaged over neighbours, and believed where it is well above the silence."""
    smooth = average_neighbours(found, REPEAT_REACH)
    is_muted = idle < MUTED_SHARE * smooth
    ratio = average_neighbours(
        np.where(is_muted, 1.0, found / np.where(is_muted, 1.0, idle)), REPEAT_REACH
    )
    return Excess(
        np.where((ratio > SURE_RATIO) & ~is_muted, ratio, 1.0),
        np.where(is_muted, smooth / scale, 0.0),
    )


def compare_repeats(
    kernels: Kernels, spectra: SweepSpectra, output_hz: Array, delay_s: float, noise: NoiseDensity
) -> Excess:
    """
    How much more the repeats scatter than the silence explains.

    Noise that comes only with the signal is not in the silence; the scatter of the repeats has
    it, but few degrees of freedom, so it is averaged over neighbours and believed only when it
    is well above. A lone sweep has no repeat: what stands beside its kernel says as much.
    """
    n_sweeps, n_points = len(kernels.repeats), len(output_hz)
    ratio, added = np.ones(n_points), np.zeros(n_points)
    seen = output_hz < HIGHEST_REPEAT_SHARE * REPEATS_BAND_HZ
    if not seen.any():
        return Excess(ratio, added)
    if n_sweeps < 2:
        scatter = _listen_beside(kernels, output_hz[seen], delay_s)
    else:
        each = evaluate_kernel(
            kernels.repeats, kernels.repeats_rate_hz, output_hz[seen], delay_s=delay_s
        )
        scatter = np.sum(np.abs(each - each.mean(axis=0)) ** 2, axis=0) / (n_sweeps - 1)
    found = _believe(scatter, estimate_variance(output_hz[seen], noise, spectra), 1.0)
    ratio[seen], added[seen] = found.ratio, found.added
    return Excess(ratio, added)


def _listen_beside(kernels: Kernels, output_hz: Array, delay_s: float) -> Array:
    """
    What a lone sweep holds at times where its kernel is silent: noise while it was playing.

    Noise a time t before the sweep passed a frequency stands t before that frequency's place in
    the kernel; the gap to the next harmonic holds nothing else.
    """
    order = math.exp(-delay_s / kernels.constant_s)
    gap_s = kernels.constant_s * math.log((order + 1.0) / order)
    heard = evaluate_places(
        kernels.repeats[0],
        kernels.repeats_rate_hz,
        output_hz,
        delay_s - gap_s * np.array(GAP_SHARES),
    )
    return np.asarray(np.mean(np.square(np.abs(heard)), axis=0))


def evaluate_beside(kernels: Kernels, output_hz: Array, scale: float) -> ComplexArray:
    """What lies beside the linear kernel, shape (n_places, n_points)."""
    reach_s = BETWEEN_S * np.arange(4)
    # A short sweep has its second harmonic nearer.
    nearer = min(1.0, kernels.constant_s / LONG_ENOUGH_S)
    places_s = np.concatenate([-nearer * (FIRST_BEFORE_S + reach_s), FIRST_AFTER_S + reach_s])
    kernel, rate_hz = kernels.choose(low=True)
    return evaluate_places(kernel, rate_hz, output_hz, places_s, scale=scale)


def compare_beside(beside: ComplexArray, n_sweeps: Array, idle: Array, *, scale: float) -> Excess:
    """
    How much more lies beside the linear kernel than the silence explains.

    `beside`, shape (n_places, n_points), is what `evaluate_beside` found less what the sweep's
    own ends put there; the variance is that of one sweep, of `n_sweeps`, shape (n_points,), as is
    `idle`, shape (n_points,), which the silence explains under the same windows.
    """
    power = np.abs(beside) ** 2
    # One place may hold what is no noise: the end of the fade, an echo.
    n_rest = len(power) - 1
    found = (np.sum(power, axis=0) - np.max(power, axis=0)) / (n_rest * REST_SHARE)
    return _believe(n_sweeps * found, idle, scale)
