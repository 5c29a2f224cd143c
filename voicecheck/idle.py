"""
The idle noise of a recording and its spectrum.

One Hann-windowed periodogram of each whole silence, averaged: its lines are narrow, and the windows
of `response` take it as it is for the error of every point.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.fourier import find_previous_fast_length
from voicecheck.records import Block, Programme, Recording, Timeline
from voicecheck.records.arrays import Array

VOICE_BAND_HZ = (200.0, 4000.0)
SETTLE_S = 0.02
"""Left out at either end of the silence, against the mark's echo and the sweep's fade."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleSpectrum:
    """
    Idle noise and its spectrum.

    `stretches` are the silences, each of shape (n_samples,), the longest first; `transforms` those
    as long as the first, Hann-windowed, shape (n_longest, n // 2 + 1). `power`, on the grid
    `frequency_hz` of the longest, is that of all, such that white noise of variance s gives s in
    every bin.
    """

    stretches: tuple[Array, ...]
    rate_hz: int
    frequency_hz: Array
    transforms: NDArray[np.complex128]
    power: Array

    @property
    def n_samples(self) -> int:
        """Samples of the longest silence."""
        return len(self.stretches[0])

    @property
    def duration_s(self) -> float:
        """Idle time in all."""
        return sum(map(len, self.stretches)) / self.rate_hz

    @property
    def n_averaged(self) -> float:
        """How many spectra of one length the power is as good as."""
        lengths = np.array([len(stretch) for stretch in self.stretches], dtype=float)
        return float(np.sum(lengths) ** 2 / np.sum(lengths**2))

    def raise_power(self, least: float) -> IdleSpectrum:
        """The same with at least this power in every bin, as of a recorder that rounds."""
        return dataclasses.replace(self, power=np.maximum(self.power, least))

    def sum_power(self, weight: Array) -> float:
        """Mean square of the noise under a power weight for each bin."""
        return float(2.0 * np.sum(self.power * weight) / self.n_samples)


def compute_idle_spectrum(
    programme: Programme, recording: Recording, timeline: Timeline
) -> IdleSpectrum | None:
    """
    Spectrum of the recorded silences.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline

    Returns
    -------
    IdleSpectrum or None
        `None` where the programme has no silence.
    """
    blocks = programme.blocks_of("silence")
    if not blocks:
        return None
    cuts = [_cut_silence(recording, timeline, block) for block in blocks]
    return make_idle_spectrum([cut for cut in cuts if len(cut)], recording.rate_hz)


def _cut_silence(recording: Recording, timeline: Timeline, block: Block) -> Array:
    first = round((timeline.locate_s(block.start_s) + SETTLE_S) * recording.rate_hz)
    last = round((timeline.locate_s(block.end_s) - SETTLE_S) * recording.rate_hz)
    # A little shorter makes a length that transforms fast.
    count = find_previous_fast_length(last - first)
    return recording.samples[max(0, first) : max(0, first) + count]


def make_idle_spectrum(silences: Sequence[Array], rate_hz: int) -> IdleSpectrum:
    """
    Spectrum of some silences.

    Parameters
    ----------
    silences : sequence of ndarray, shape (n_samples,) each
        At least one.
    rate_hz : int

    Returns
    -------
    IdleSpectrum
        Each silence counts by its length.
    """
    cuts = sorted(silences, key=len, reverse=True)
    stretches = tuple(np.asarray(cut - cut.mean()) for cut in cuts)
    n = len(stretches[0])
    transforms = [np.fft.rfft(cut * make_hann(len(cut))) for cut in stretches]
    frequency_hz = np.arange(n // 2 + 1) * rate_hz / n
    power = np.zeros(n // 2 + 1)
    for cut, transform in zip(stretches, transforms, strict=True):
        own = np.abs(transform) ** 2 / compute_hann_energy(len(cut))
        if len(cut) != n:
            own = np.interp(frequency_hz, np.arange(len(own)) * rate_hz / len(cut), own)
        power += own * len(cut)
    return IdleSpectrum(
        stretches=stretches,
        rate_hz=rate_hz,
        frequency_hz=frequency_hz,
        transforms=np.array([one for one in transforms if len(one) == n // 2 + 1]),
        power=power / sum(map(len, stretches)),
    )


@lru_cache(maxsize=16)
def make_hann(n: int) -> Array:
    """Hann window of n samples, symmetric about its middle; read-only, made once a length."""
    window = np.asarray(0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(n) + 0.5) / n))
    window.flags.writeable = False
    return window


def compute_hann_energy(n: int) -> float:
    """Sum of squares of the Hann window of n samples."""
    return 0.375 * n
