"""Stretches of single sweeps that are taken from the other sweeps instead."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from voicecheck.fourier import raise_cosine
from voicecheck.records.arrays import Array
from voicecheck.response.sweeps import SweepSpectra
from voicecheck.response.windows import measure_windows

MARGIN_S, EDGE_S = 0.006, 0.003
SEEN_SHARE = 0.75
"""Of a window's length: it is flat over half of it, and falls to nothing over the rest."""


def mend_sweeps(
    spectra: SweepSpectra, disturbed_s: Sequence[Sequence[tuple[float, float]]]
) -> SweepSpectra:
    """
    Put the mean of the sound sweeps in place of the disturbed stretches.

    Parameters
    ----------
    spectra : SweepSpectra
        Sweeps aligned to a fraction of a sample, so that instants correspond.
    disturbed_s : sequence of sequence of (float, float)
        For each sweep, from when to when it is disturbed; seconds from its start.

    Returns
    -------
    SweepSpectra
        `n_clean` is the least number of sound sweeps at any instant; where there is none the
        sweeps stay as they are.
    """
    sweeps = np.fft.irfft(spectra.values, spectra.n_fft, axis=1)
    time_s = np.arange(spectra.n_fft) / spectra.rate_hz
    weights = np.array([_weigh_sound(time_s, stretches) for stretches in disturbed_s])
    total = np.sum(weights, axis=0)
    known = total > 0.0
    mean = np.sum(weights * sweeps, axis=0) / np.where(known, total, 1.0)
    mended = np.where(known, weights * sweeps + (1.0 - weights) * mean, sweeps)
    whole = np.sum(weights > 0.5, axis=0)
    return dataclasses.replace(
        spectra,
        values=np.fft.rfft(mended, axis=1),
        n_clean=max(1, int(np.min(whole[known], initial=len(sweeps)))),
        n_sound=np.maximum(whole, 1),
    )


def count_sound(
    spectra: SweepSpectra, n_sweeps: int, frequency_hz: Array, *, delay_s: float, scale: float
) -> Array:
    """
    How many sound sweeps are behind each point of a curve, as its noise counts them.

    Parameters
    ----------
    spectra : SweepSpectra
        Mended or not.
    n_sweeps : int
        Behind the kernels.
    frequency_hz : ndarray, shape (n_points,)
        At the output.
    delay_s, scale : float
        Where the window stands and how long it is, as in `evaluate_kernel`.

    Returns
    -------
    ndarray, shape (n_points,)
        Where k of them are sound the mean has one k-th of a sweep's variance; that is averaged
        over the instants at which the window looks at the recording.
    """
    if spectra.n_sound is None:
        return np.full(len(frequency_hz), float(n_sweeps))
    passed_s = spectra.constant_s * np.log(frequency_hz / spectra.start_hz) + delay_s
    before_s, after_s = measure_windows(frequency_hz, scale)
    share = np.concatenate([[0.0], np.cumsum(1.0 / np.minimum(spectra.n_sound, n_sweeps))])
    edges = np.array([passed_s - SEEN_SHARE * before_s, passed_s + SEEN_SHARE * after_s])
    last_sample = len(spectra.n_sound)
    first, last = np.clip(np.rint(edges * spectra.rate_hz), 0, last_sample).astype(int)
    first = np.minimum(first, last_sample - 1)
    last = np.maximum(last, first + 1)
    return np.asarray((last - first) / (share[last] - share[first]))


def _weigh_sound(time_s: Array, stretches: Sequence[tuple[float, float]]) -> Array:
    """1 where a sweep is sound, 0 in its disturbed stretches, raised cosines between."""
    weight = np.ones(len(time_s))
    for first_s, last_s in stretches:
        outside = np.maximum(first_s - MARGIN_S - time_s, time_s - last_s - MARGIN_S)
        weight = np.minimum(weight, raise_cosine(outside / EDGE_S))
    return weight
