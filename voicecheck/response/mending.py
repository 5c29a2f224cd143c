"""Stretches of single sweeps that are taken from the other sweeps instead."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from voicecheck.fourier import raise_cosine
from voicecheck.records.arrays import Array
from voicecheck.response.sweeps import SweepSpectra

MARGIN_S, EDGE_S = 0.006, 0.003


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
    whole = np.sum(weights > 0.5, axis=0)[known]
    return dataclasses.replace(
        spectra,
        values=np.fft.rfft(mended, axis=1),
        n_clean=max(1, int(np.min(whole, initial=len(sweeps)))),
    )


def _weigh_sound(time_s: Array, stretches: Sequence[tuple[float, float]]) -> Array:
    """1 where a sweep is sound, 0 in its disturbed stretches, raised cosines between."""
    weight = np.ones(len(time_s))
    for first_s, last_s in stretches:
        outside = np.maximum(first_s - MARGIN_S - time_s, time_s - last_s - MARGIN_S)
        weight = np.minimum(weight, raise_cosine(outside / EDGE_S))
    return weight
