"""
Sweeps cut out of a recording, and the closed-form inverse that turns them into kernels.

The recorded sweep is divided by the closed-form spectrum of the endless sweep,
A/2 sqrt(L/f) exp(j (2 pi f L (1 - ln(f/f1)) - pi/4)), which needs no regularisation inside the
band (Novak, Lotton, Simon, J. Audio Eng. Soc. 63(10), 2015). A recorder whose clock runs fast by
d hears a sweep with L (1 + d) and f1 / (1 + d): drift is a parameter of the inverse, and nothing
is resampled. The kernel of harmonic m stands L ln m before the linear one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.cutting import cut_padded
from voicecheck.fourier import find_next_fast_length, make_phasors, raise_cosine
from voicecheck.programme import compute_sweep_constant_s, compute_sweep_duration_s
from voicecheck.records import Programme, Recording, Timeline
from voicecheck.records.arrays import Array
from voicecheck.units import ratio_from_db

ComplexArray = NDArray[np.complex128]

LEAD_S = 0.03
LOW_BAND_HZ = 4800.0
"""Band in which whole sweeps are compared with each other."""
REPEATS_BAND_HZ, HIGHEST_REPEAT_SHARE = 8000.0, 0.6
"""Band in which single sweeps are compared, and the part of it that its edge leaves alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSpectra:
    """
    Spectra of the recorded sweeps, each with its own start moved to time 0.

    `values` has shape (n_sweeps, n_fft // 2 + 1); `constant_s` and `start_hz` are those of the
    sweep as the recorder's clock sees it. `n_clean` is how many sweeps are behind the worst
    instant where stretches were mended, `n_sound`, shape (n_fft,), behind each instant; `None`
    where all of them are.
    """

    values: ComplexArray
    n_fft: int
    rate_hz: int
    constant_s: float
    start_hz: float
    amplitude: float
    stretch: float = 1.0
    n_clean: int | None = None
    n_sound: NDArray[np.int64] | None = None


def compute_sweep_spectra(
    programme: Programme, recording: Recording, timeline: Timeline
) -> SweepSpectra:
    """
    Cut out the sweeps and transform them.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
        Where the programme lies in the recording.

    Returns
    -------
    SweepSpectra
    """
    recipe, rate_hz = programme.recipe, recording.rate_hz
    length_s = compute_sweep_duration_s(recipe) * timeline.stretch
    count = math.ceil((length_s + LEAD_S + recipe.sweep_gap_s - 0.01) * rate_hz)
    n_fft = find_next_fast_length(count)
    sweeps = programme.blocks_of("sweep")
    starts_s = np.array([timeline.locate_s(block.start_s) for block in sweeps])
    firsts = np.rint((starts_s - LEAD_S) * rate_hz).astype(int)
    cut = np.zeros(n_fft)
    values = np.empty((len(sweeps), n_fft // 2 + 1), dtype=np.complex128)
    # One after the other: what a sweep needs stays in the processor's cache.
    for spectrum, first, shift_s in zip(values, firsts, starts_s - firsts / rate_hz, strict=True):
        cut[:count] = cut_padded(recording.samples, first, count)
        np.fft.rfft(cut, out=spectrum)
        late = make_phasors(rate_hz / n_fft * shift_s, len(spectrum))
        np.multiply(spectrum, late, out=spectrum)
    return SweepSpectra(
        values=values,
        n_fft=n_fft,
        rate_hz=rate_hz,
        constant_s=compute_sweep_constant_s(recipe) * timeline.stretch,
        start_hz=recipe.sweep_from_hz / timeline.stretch,
        amplitude=ratio_from_db(recipe.level_dbfs),
        stretch=timeline.stretch,
    )


def make_inverse(spectra: SweepSpectra) -> ComplexArray:
    """
    Spectrum of the inverse of the endless sweep on the spectra's grid.

    Returns
    -------
    ndarray, shape (n_fft // 2 + 1,)
        1 / X(f) for a spectrum in samples, 0 below half of the sweep's first frequency.

    Notes
    -----
    With L s and f1 / s for a clock stretched by s, the phase in turns f L s (1 - ln(f s / f1))
    is s times the one at s = 1, less f L s ln s: only that needs doing for each recording.
    """
    stretch = spectra.stretch
    grid = _make_inverse_grid(
        spectra.n_fft,
        spectra.rate_hz,
        round(spectra.constant_s / stretch, 12),
        round(spectra.start_hz * stretch, 9),
    )
    turns = stretch * grid.turns - stretch * math.log(stretch) * grid.cycles
    # Once reduced to one turn, single precision is good for 1e-7: noise at -140 dB.
    angle = (2.0 * np.pi * (0.125 - (turns - np.floor(turns)))).astype(np.float32)
    size = grid.size / (spectra.amplitude * math.sqrt(stretch))
    inverse = np.empty(len(size), dtype=np.complex128)
    np.multiply(size, np.cos(angle), out=inverse.real)
    np.multiply(size, np.sin(angle), out=inverse.imag)
    return inverse


@dataclass(frozen=True, slots=True, kw_only=True)
class _InverseGrid:
    """Phase in turns, f L, and magnitude for an amplitude of 1, on one grid of frequencies."""

    turns: Array
    cycles: Array
    size: Array


@lru_cache(maxsize=8)
def _make_inverse_grid(
    n_fft: int, rate_hz: int, constant_s: float, start_hz: float
) -> _InverseGrid:
    step_hz = rate_hz / n_fft
    frequency_hz = np.arange(n_fft // 2 + 1) * step_hz
    frequency_hz[0] = step_hz
    cycles = np.asarray(frequency_hz * constant_s)
    # Below the sweep there is only noise to divide: fade it out over half an octave.
    edge = np.clip(2.0 * np.log2(frequency_hz / (0.5 * start_hz)), 0.0, 1.0)
    return _InverseGrid(
        turns=cycles * (1.0 - np.log(frequency_hz / start_hz)),
        cycles=cycles,
        size=edge * 2.0 / rate_hz * np.sqrt(frequency_hz / constant_s),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernels:
    """
    Impulse responses of the sweeps that are used.

    `mean`, shape (n_fft,), is their average: the linear kernel around sample 0 (circular),
    harmonic m around -L ln m. `repeats`, shape (n_sweeps, n), holds each at `repeats_rate_hz`,
    too low for most harmonics but enough to see how far the sweeps agree; `low`, shape (n,), is
    their average, and `repeats_inverse`, shape (n // 2 + 1,), what turned them into kernels.
    """

    mean: Array
    rate_hz: float
    repeats: Array
    low: Array
    repeats_rate_hz: float
    repeats_inverse: ComplexArray
    constant_s: float

    def choose(self, *, low: bool) -> tuple[Array, float]:
        """The average and its rate: of all that was recorded, or of the repeats' band alone."""
        if low:
            return self.low, self.repeats_rate_hz
        return self.mean, self.rate_hz


def compute_kernels(spectra: SweepSpectra, used: Sequence[int] | None = None) -> Kernels:
    """
    Deconvolve the sweeps.

    Parameters
    ----------
    spectra : SweepSpectra
    used : sequence of int, optional
        Which sweeps; all of them when left out.

    Returns
    -------
    Kernels
    """
    values = spectra.values
    if used is not None and len(used) < len(values):
        values = values[list(used)]
    inverse = make_inverse(spectra)
    half = find_next_fast_length(int(REPEATS_BAND_HZ * spectra.n_fft / spectra.rate_hz))
    half = min(half, spectra.n_fft // 2)
    size = 2 * half
    low = inverse[: half + 1] * _make_band_edge(half)
    repeats = np.fft.irfft(values[:, : half + 1] * low, size, axis=1)
    mean = np.sum(values, axis=0)
    mean *= inverse
    mean /= len(values)
    return Kernels(
        mean=np.asarray(np.fft.irfft(mean, spectra.n_fft)),
        rate_hz=spectra.rate_hz,
        repeats=np.asarray(repeats),
        low=np.asarray(np.mean(repeats, axis=0)),
        repeats_rate_hz=spectra.rate_hz * size / spectra.n_fft,
        repeats_inverse=low,
        constant_s=spectra.constant_s,
    )


@lru_cache(maxsize=8)
def _make_band_edge(half: int) -> Array:
    """The edge of the repeats' band rounded off, or every kernel would ring there."""
    edge = (half - np.arange(half + 1)) / (0.2 * half)
    return raise_cosine(edge)


def restore_sweeps(spectra: SweepSpectra, highest_hz: float = LOW_BAND_HZ) -> tuple[Array, float]:
    """
    The recorded sweeps in time, aligned to a fraction of a sample, at a low rate.

    Parameters
    ----------
    spectra : SweepSpectra
    highest_hz : float
        Upper edge of the band that is kept.

    Returns
    -------
    sweeps : ndarray, shape (n_sweeps, n)
    rate_hz : float
    """
    half = find_next_fast_length(int(highest_hz * spectra.n_fft / spectra.rate_hz))
    size = 2 * half
    sweeps = np.fft.irfft(spectra.values[:, : half + 1], size, axis=1) * (size / spectra.n_fft)
    return np.asarray(sweeps), spectra.rate_hz * size / spectra.n_fft
