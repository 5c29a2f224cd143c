"""
The idle noise of a recording and its spectrum.

One Hann-windowed periodogram of the whole silence block: its lines are narrow, and the windows of
`response` take it as it is for the error of every point.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicecheck.fourier import find_previous_fast_length
from voicecheck.records import Programme, Recording, Timeline
from voicecheck.records.arrays import Array

VOICE_BAND_HZ = (200.0, 4000.0)
SETTLE_S = 0.02
"""Left out at either end of the silence, against the mark's echo and the sweep's fade."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleSpectrum:
    """
    Idle noise and its spectrum.

    `samples` has shape (n,); `frequency_hz`, `transform` (Hann-windowed) and `power` have shape
    (n // 2 + 1,), the power such that white noise of variance s gives s in every bin.
    """

    samples: Array
    rate_hz: int
    frequency_hz: Array
    transform: NDArray[np.complex128]
    power: Array

    def sum_power(self, weight: Array) -> float:
        """Mean square of the noise under a power weight for each bin."""
        return float(2.0 * np.sum(self.power * weight) / len(self.samples))


def compute_idle_spectrum(
    programme: Programme, recording: Recording, timeline: Timeline
) -> IdleSpectrum | None:
    """
    Spectrum of the recorded silence block.

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
    rate_hz = recording.rate_hz
    first = round((timeline.locate_s(blocks[0].start_s) + SETTLE_S) * rate_hz)
    last = round((timeline.locate_s(blocks[0].end_s) - SETTLE_S) * rate_hz)
    # A little shorter makes a length that transforms fast.
    count = find_previous_fast_length(last - first)
    samples = np.array(recording.samples[max(0, first) : max(0, first) + count])
    samples -= samples.mean()
    transform = np.fft.rfft(samples * make_hann(len(samples)))
    return IdleSpectrum(
        samples=samples,
        rate_hz=rate_hz,
        frequency_hz=np.arange(len(transform)) * rate_hz / len(samples),
        transform=transform,
        power=np.abs(transform) ** 2 / compute_hann_energy(len(samples)),
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
