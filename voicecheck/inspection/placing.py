"""
Latency and drift of one take, to a fraction of a sample.

Recorded mark is compared with recorded mark, so that the handset's own delay cancels out of the
drift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.cutting import cut_padded
from voicecheck.fourier import find_next_fast_length
from voicecheck.programme import make_mark
from voicecheck.records import Programme, Recording, Timeline
from voicecheck.records.arrays import Array

MARGIN_S = 0.02
"""Around a mark: room for the handset's ringing and for 1000 ppm over 16 s, which is 16 ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """
    An opening mark with its closing one, both in seconds of the recording.

    `level_db` is the opening mark's against that of others; it has no zero of its own.
    """

    opening_s: float
    closing_s: float
    level_db: float


def place_take(programme: Programme, recording: Recording, pair: Pair) -> Timeline:
    """
    Latency and drift of one take, to a fraction of a sample.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    pair : Pair

    Returns
    -------
    Timeline
    """
    samples, rate_hz = recording.samples, recording.rate_hz
    opening, closing = programme.blocks_of("mark")
    spacing_s = closing.start_s - opening.start_s
    apart_s, spread_s = _compare_marks(programme, samples, rate_hz, pair.opening_s, pair.closing_s)
    stretch = apart_s / spacing_s
    arrival_s = _place_mark(programme, samples, rate_hz, pair.opening_s, stretch)
    return Timeline(
        latency_s=arrival_s - opening.start_s * stretch,
        stretch=stretch,
        stretch_uncertainty=2.0 * spread_s / spacing_s,
    )


def _cut_mark(
    programme: Programme, samples: Array, rate_hz: int, start_s: float
) -> tuple[Array, float]:
    """Stretch around a mark, zero-padded at the ends, and the true start of it in seconds."""
    first = round((start_s - MARGIN_S) * rate_hz)
    count = round((programme.recipe.mark_s + 2 * MARGIN_S) * rate_hz)
    return cut_padded(samples, first, count), first / rate_hz


def _place_mark(
    programme: Programme, samples: Array, rate_hz: int, coarse_s: float, stretch: float
) -> float:
    """Start of one mark in recorder seconds, to a fraction of a sample."""
    cut, begin_s = _cut_mark(programme, samples, rate_hz, coarse_s)
    time_s = np.arange(len(cut)) / rate_hz
    template = make_mark(programme.recipe, time_s / stretch)
    delay_s, _ = _estimate_delay(template, cut, rate_hz, programme)
    return begin_s + delay_s


def _compare_marks(
    programme: Programme, samples: Array, rate_hz: int, first_s: float, last_s: float
) -> tuple[float, float]:
    """Distance between the marks as recorded, and its standard error, in seconds."""
    early, early_s = _cut_mark(programme, samples, rate_hz, first_s)
    late, late_s = _cut_mark(programme, samples, rate_hz, last_s)
    delay_s, error_s = _estimate_delay(early, late, rate_hz, programme)
    return late_s - early_s + delay_s, error_s


def _estimate_delay(
    reference: Array, delayed: Array, rate_hz: int, programme: Programme
) -> tuple[float, float]:
    """
    Delay of one stretch against another by the phase of their cross-spectrum.

    Only the mark's own band is used; the peak of the band-limited correlation is polished by
    Newton steps, and its standard error follows from what the shifted reference leaves over.
    """
    size = find_next_fast_length(2 * len(reference))
    frequency_hz = np.arange(size // 2 + 1) * rate_hz / size
    # The mark's spectrum spills a little over its ends; wider only lets in noise and mains.
    inside = (frequency_hz > 0.8 * programme.recipe.mark_from_hz) & (
        frequency_hz < 1.1 * programme.recipe.mark_to_hz
    )
    first, second = np.fft.rfft(np.array([reference, delayed]), size)
    cross = np.where(inside, second * np.conj(first), 0.0)
    peak = int(np.argmax(np.fft.irfft(cross, size)))
    delay_s = (peak if peak < size // 2 else peak - size) / rate_hz
    # Newton doubles the digits at each step: four from half a sample reach the rounding error.
    omega, cross = 2.0 * np.pi * frequency_hz[inside], cross[inside]
    delay_s = polish_delay_s(cross, omega, delay_s)
    turned = cross * np.exp(1j * omega * delay_s)
    # sum w y is the delay's error numerator; its scatter over bins gives the standard error. Zeros
    # behind the stretch make more bins than are independent.
    scatter = float(np.sum((omega * turned.imag) ** 2)) * size / len(reference)
    curvature = float(np.sum(omega**2 * turned.real))
    return delay_s, np.sqrt(scatter) / curvature if curvature > 0.0 else np.inf


def polish_delay_s(
    cross: NDArray[np.complex128], omega: Array, delay_s: float, n_steps: int = 4
) -> float:
    """
    Delay at the peak of a correlation, by Newton steps on its spectrum.

    Parameters
    ----------
    cross : ndarray, shape (n_bins,)
        Spectrum of what is delayed times the conjugate one of the reference.
    omega : ndarray, shape (n_bins,)
        Angular frequency of the bins, rad/s.
    delay_s : float
        Where the peak is about, seconds.
    n_steps : int

    Returns
    -------
    float
        Seconds.
    """
    for _ in range(n_steps):
        turned = cross if delay_s == 0.0 else cross * np.exp(1j * omega * delay_s)
        curvature = float(np.sum(omega**2 * turned.real))
        if curvature <= 0.0:
            break
        delay_s -= float(np.sum(omega * turned.imag)) / curvature
    return delay_s
