"""
Where the programme lies in a recording: marks, latency, drift.

The opening and the closing mark are found by a matched filter, each placed to a fraction of a
sample, and compared recorded mark with recorded mark, so that the handset's own delay cancels
out of the drift.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from voicecheck.cutting import cut_padded
from voicecheck.errors import RecordingError
from voicecheck.fourier import find_next_fast_length
from voicecheck.programme import make_mark
from voicecheck.records import Programme, Recording, Timeline
from voicecheck.records.arrays import Array

MAX_DRIFT_PPM = 1000.0
"""Beyond this the marks do not belong to one programme played on one clock."""
MARK_SEARCH_RATE_HZ = 8000.0
"""Keeps the mark's band (600-3000 Hz) below half the rate; slower would fold it onto itself."""
MARK_FOUND = 0.35
"""
Least correlation coefficient that counts as a mark.

Measured: 16 s of white noise reach 0.12, the rest of the programme 0.09, a mark through a carbon
response in noise of -8 dBFS 0.73. Below 0.15 noise passes for a mark; above 0.7 loud rooms lose it.
"""
SILENT_PEAK = 1e-5
"""A third of one step of 16 bits: what a live input never stays below, its own hiss being more."""


def find_timeline(programme: Programme, recording: Recording) -> Timeline:
    """
    Latency and drift from the two marks.

    Parameters
    ----------
    programme : Programme
    recording : Recording
        Same nominal rate as the programme.

    Returns
    -------
    Timeline

    Raises
    ------
    RecordingError
        Kind "no-signal", "wrong-programme", "starts-late" or "stops-early".
    """
    samples, rate_hz = recording.samples, recording.rate_hz
    if np.max(samples, initial=0.0) < SILENT_PEAK and np.min(samples, initial=0.0) > -SILENT_PEAK:
        message = (
            "the recording is silent: nothing came back from the handset; "
            "check the cables, the input channel and its gain, then record again"
        )
        raise RecordingError(message, "no-signal")
    opening, closing = programme.blocks_of("mark")
    spacing_s = closing.start_s - opening.start_s
    first_s, last_s = _search_marks(programme, recording, spacing_s)
    apart_s, spread_s = _compare_marks(programme, samples, rate_hz, first_s, last_s)
    stretch = apart_s / spacing_s
    arrival_s = _place_mark(programme, samples, rate_hz, first_s, stretch)
    return Timeline(
        latency_s=arrival_s - opening.start_s * stretch,
        stretch=stretch,
        stretch_uncertainty=2.0 * spread_s / spacing_s,
    )


def _search_marks(
    programme: Programme, recording: Recording, spacing_s: float
) -> tuple[float, float]:
    """Coarse start times of both marks by a matched filter on a decimated recording."""
    factor = max(1, round(recording.rate_hz / MARK_SEARCH_RATE_HZ))
    rate_hz = recording.rate_hz / factor
    length_s = programme.recipe.mark_s
    template = make_mark(programme.recipe, np.arange(round(length_s * rate_hz)) / rate_hz)
    n_slow = len(recording.samples) // factor
    if n_slow <= len(template):
        message = (
            f"the recording is {recording.duration_s:.2f} s long and the programme needs "
            f"{programme.duration_s:.1f} s; let the recorder run for the whole programme"
        )
        raise RecordingError(message, "stops-early", recording.duration_s)
    slack = round(MAX_DRIFT_PPM * 1e-6 * spacing_s * rate_hz) + 2
    spacing = round(spacing_s * rate_hz)
    # Both marks lie within what the recording is longer than their distance: no need to look
    # for them anywhere else.
    room = n_slow - spacing - len(template) + slack
    if room >= 0:
        early_part = _slow_down(recording.samples[: (room + len(template)) * factor], factor)
        late_part = _slow_down(recording.samples[(spacing - slack) * factor :], factor)
        early, late = _correlate(np.array([early_part, late_part]), template)
        # The closing mark's score is widened by the drift that may lie between the two.
        later = sliding_window_view(np.pad(late, (0, 2 * slack)), 2 * slack + 1)
        starts = np.flatnonzero(early >= MARK_FOUND)
        both = np.minimum(early[starts], np.max(later[starts], axis=-1))
        if np.max(both, initial=0.0) >= MARK_FOUND:
            start = starts[np.argmax(both)]
            after = start + np.argmax(later[start])
            return float(start / rate_hz), float((after + spacing - slack) / rate_hz)
    slow = _slow_down(recording.samples, factor)
    raise _explain_missing_mark(_correlate(slow, template), slow, rate_hz, programme)


def _slow_down(samples: Array, factor: int) -> Array:
    """Means over `factor` samples: a crude low rate, good enough to find a mark."""
    usable = len(samples) // factor * factor
    return np.asarray(np.add.reduceat(samples[:usable], np.arange(0, usable, factor)) / factor)


def _explain_missing_mark(
    score: Array, slow: Array, rate_hz: float, programme: Programme
) -> RecordingError:
    """The error that fits what was found in place of two marks."""
    best = int(np.argmax(score))
    at_s = best / rate_hz
    rest = score.copy()
    rest[max(0, best - round(0.3 * rate_hz)) : best + round(0.3 * rate_hz)] = 0.0
    second_s = int(np.argmax(rest)) / rate_hz
    duration_s = len(slow) / rate_hz
    if score[best] < MARK_FOUND:
        message = (
            "this is not a recording of that programme: neither of its marks is in it; "
            "check that the right programme file was given and that it was really played"
        )
        return RecordingError(message, "wrong-programme")
    if float(np.max(rest)) >= MARK_FOUND:
        message = (
            f"this is a recording of another programme: its marks are {abs(second_s - at_s):.2f} "
            "s apart, not as in the programme given; give the programme file that was played"
        )
        return RecordingError(message, "wrong-programme", min(at_s, second_s))
    opening, closing = programme.blocks_of("mark")
    spacing_s = closing.start_s - opening.start_s
    mark = round(programme.recipe.mark_s * rate_hz)
    # The programme's sound lies after the opening mark and before the closing one.
    is_opening = np.sum(slow[best + mark :] ** 2) > np.sum(slow[:best] ** 2)
    if is_opening and at_s + spacing_s + programme.recipe.mark_s > duration_s:
        message = (
            f"the recording stops {duration_s:.2f} s in, before the closing mark; "
            "let the recorder run on until the programme has ended"
        )
        return RecordingError(message, "stops-early", duration_s)
    if not is_opening and at_s < spacing_s:
        message = (
            "the recording starts after the opening mark; start the recorder first, "
            "then play the programme"
        )
        return RecordingError(message, "starts-late", 0.0)
    message = (
        f"there is one mark, at {at_s:.2f} s, and the other is missing; "
        "the sound was cut off or another programme was played; record again"
    )
    return RecordingError(message, "wrong-programme", at_s)


def _correlate(samples: Array, template: Array) -> Array:
    """Correlation coefficient of the template with every stretch of the samples, row by row."""
    # What wraps around lies beyond the last whole stretch.
    size = find_next_fast_length(samples.shape[-1])
    product = np.fft.rfft(samples, size) * np.conj(np.fft.rfft(template, size))
    count = samples.shape[-1] - len(template) + 1
    raw = np.fft.irfft(product, size)[..., :count]
    energy = np.zeros((*samples.shape[:-1], samples.shape[-1] + 1))
    np.cumsum(samples**2, axis=-1, out=energy[..., 1:])
    local = energy[..., len(template) :] - energy[..., :count]
    # A floor keeps stretches of digital silence from scoring on rounding noise.
    floor = 1e-6 * np.max(local, axis=-1, keepdims=True) + 1e-30
    return np.asarray(np.abs(raw) / np.sqrt(np.sum(template**2) * (local + floor)))


MARGIN_S = 0.02
"""Around a mark: room for the handset's ringing and for 1000 ppm over 16 s, which is 16 ms."""


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
    # sum w y is the delay's error numerator; its scatter over bins gives the standard error.
    scatter = float(np.sum((omega * turned.imag) ** 2))
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
