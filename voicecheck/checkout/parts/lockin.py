"""Two channels of a take, tone by tone: complex amplitudes, their ratio and its noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicecheck.checkout.parts.stimulus import FADE_S, get_settle_s, get_window_s
from voicecheck.errors import InputError, RecordingError
from voicecheck.fourier import make_phasors
from voicecheck.inspection import find_timeline
from voicecheck.records import Programme, Recording, Timeline
from voicecheck.records.arrays import Array

Complex = NDArray[np.complexfloating[Any, Any]]
BESIDE = (*range(-9, -4), *range(5, 10))
"""Places beside a tone, in lines of its window, that are beyond its main lobe (4 lines)."""
MEDIAN_SHARE = float(np.log(2.0))
"""Median of the power of complex normal noise re its mean: a line of the mains moves it little."""
BLACKMAN_HARRIS = (0.35875, -0.48829, 0.14128, -0.01168)
"""Harris, Proc. IEEE 66(1), 1978: side lobes at -92 dB (MEM)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ratios:
    """
    What stood across the part re what stood before the resistor.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_tones,)
    ratio : ndarray of complex, shape (n_tones,)
        Channel 2 over channel 1.
    sd : ndarray, shape (n_tones,)
        Standard deviation of real and of imaginary part, by noise.
    first, second : ndarray, shape (n_tones,)
        Amplitudes of the channels, full-scale units.
    """

    frequency_hz: Array
    ratio: Complex
    sd: Array
    first: Array
    second: Array

    def pick(self, frequency_hz: Array) -> Ratios:
        """
        The same at some of its tones.

        Raises
        ------
        InputError
            One of them was not played.
        """
        places = np.searchsorted(self.frequency_hz, frequency_hz)
        places = np.minimum(places, len(self.frequency_hz) - 1)
        if not np.allclose(self.frequency_hz[places], frequency_hz, rtol=1e-9):
            raise InputError(
                "open, short or reference: taken with another stimulus; take them with the same one"
            )
        return self.take(places)

    def take(self, places: Sequence[int] | NDArray[np.intp]) -> Ratios:
        """The same at tones given by their places, some of them more than once if need be."""
        at = np.asarray(places, dtype=np.intp)
        return Ratios(
            frequency_hz=self.frequency_hz[at],
            ratio=self.ratio[at],
            sd=self.sd[at],
            first=self.first[at],
            second=self.second[at],
        )

    def join(self, other: Ratios) -> Ratios:
        """Tones of another take behind these, so that what both share is moved once."""
        return Ratios(
            frequency_hz=np.concatenate([self.frequency_hz, other.frequency_hz]),
            ratio=np.concatenate([self.ratio, other.ratio]),
            sd=np.concatenate([self.sd, other.sd]),
            first=np.concatenate([self.first, other.first]),
            second=np.concatenate([self.second, other.second]),
        )


def place(programme: Programme, recording: Recording) -> Timeline:
    """
    Where the stimulus lies in a take, by the marks in either channel.

    Raises
    ------
    RecordingError
        There is one channel, or neither holds the stimulus.
    """
    if recording.second is None:
        raise RecordingError(
            "the recording has one channel, this needs two: 1 before the resistor, 2 across the "
            "part; record in stereo and repeat",
            "one-channel",
        )
    try:
        return find_timeline(programme, recording)
    except RecordingError:
        return find_timeline(programme, recording.replace(samples=recording.second, second=None))


def measure_ratios(programme: Programme, recording: Recording, timeline: Timeline) -> Ratios:
    """
    Lock in to every tone of the stimulus, both channels at once.

    Parameters
    ----------
    programme : Programme
        Of `make_stimulus`.
    recording : Recording
        With its second channel.
    timeline : Timeline

    Returns
    -------
    Ratios
        By rising frequency.

    Raises
    ------
    RecordingError
        Nothing came in before the resistor.

    Notes
    -----
    Blackman-Harris window over whole tones; the noise is the median of what stands 5 to 9 lines
    beside each tone.
    """
    blocks = sorted(programme.blocks_of("tone"), key=lambda one: one.from_hz or 0.0)
    found = []
    for block in blocks:
        tone_hz = block.from_hz or 0.0
        start_s = timeline.locate_s(block.start_s + FADE_S + get_settle_s(tone_hz))
        found.append(lock_in(recording, tone_hz / timeline.stretch, start_s, get_window_s(tone_hz)))
    amplitudes: Complex = np.array([one for one, _ in found], dtype=np.complex128)
    noise = np.array([one for _, one in found])
    first, second = amplitudes[:, 0], amplitudes[:, 1]
    if np.all(np.abs(first) < 10.0 * noise[:, 0] + 1e-7):
        raise RecordingError(
            "nothing came in before the resistor (channel 1); check its lead and the output",
            "no-signal",
        )
    size = np.maximum(np.abs(first), 1e-12)
    ratio = second / np.where(np.abs(first) > 0.0, first, 1e-12)
    return Ratios(
        frequency_hz=np.array([block.from_hz or 0.0 for block in blocks]),
        ratio=ratio,
        sd=np.hypot(noise[:, 1], np.abs(ratio) * noise[:, 0]) / size,
        first=np.abs(first),
        second=np.abs(second),
    )


def lock_in(
    recording: Recording, tone_hz: float, start_s: float, length_s: float
) -> tuple[Complex, Array]:
    """
    Amplitude and noise of a tone in both channels.

    Parameters
    ----------
    recording : Recording
    tone_hz, start_s, length_s : float

    Returns
    -------
    amplitude : ndarray of complex, shape (2,)
    sd : ndarray, shape (2,)
        Of real and of imaginary part.

    Raises
    ------
    RecordingError
        The take ends before.
    """
    rate_hz, first = recording.rate_hz, round(start_s * recording.rate_hz)
    count = round(length_s * rate_hz)
    last = first + count
    second = recording.samples if recording.second is None else recording.second
    if first < 0 or last > len(recording.samples):
        raise RecordingError(
            "the recording does not hold the whole stimulus; let the recorder run on", "stops-early"
        )
    turns = np.arange(count) / count
    window = sum(
        part * np.cos(2.0 * np.pi * order * turns) for order, part in enumerate(BLACKMAN_HARRIS)
    )
    both = np.stack([recording.samples[first:last], second[first:last]])
    shown = 2.0 * both * (window / np.sum(window))
    turned = shown * make_phasors(-tone_hz / rate_hz, count, first)
    beside = turned @ make_phasors(-np.asarray(BESIDE) / count, count)
    power = np.median(np.abs(beside) ** 2, axis=1) / MEDIAN_SHARE
    return np.sum(turned, axis=1), np.sqrt(0.5 * power)
