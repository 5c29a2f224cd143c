"""Many steady tones at once, and the ratio of two channels that heard them in one take."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.bench.calibration.tones import FADE_S, QUIET_PEAK, find_steady
from voicecheck.errors import RecordingError
from voicecheck.fourier import raise_cosine
from voicecheck.records import Block, Programme, Recipe, Recording
from voicecheck.records.arrays import Array
from voicecheck.units import ratio_from_db

BAND_HZ = (104.0, 4000.0)
TONES_PER_OCTAVE = 6
MAINS_HZ = (50, 60)
MAINS_APART_HZ = 4
SEGMENT_S = 1.0
"""Whole periods of every tone."""
MOST_STRONGER = 30.0
OVERLAP_SHARE = 1.0 + 2.0 / 36.0
"""What half-overlapping segments under a raised cosine share: correlation 1/6, squared (CALC)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ratio:
    """
    One channel over another at each tone.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_tones,)
    value : complex ndarray, shape (n_tones,)
        No unit: full-scale units over full-scale units.
    spread : ndarray, shape (n_tones,)
        Standard uncertainty of its size, as a share of it.
    coherence : ndarray, shape (n_tones,)
        1 where all of the one channel follows from the other.
    dof : float
        Degrees of freedom of the spread.
    """

    frequency_hz: Array
    value: NDArray[np.complex128]
    spread: Array
    coherence: Array
    dof: float


def list_tones_hz() -> Array:
    """
    Whole frequencies, six to the octave, none within 4 Hz of a harmonic of the mains.

    Returns
    -------
    ndarray, shape (n_tones,)

    Examples
    --------
    >>> list_tones_hz()[:4].tolist()
    [104.0, 116.0, 131.0, 146.0]
    """
    n_tones = math.floor(TONES_PER_OCTAVE * math.log2(BAND_HZ[1] / BAND_HZ[0])) + 1
    wanted = BAND_HZ[0] * 2.0 ** (np.arange(n_tones) / TONES_PER_OCTAVE)
    return np.array([_move_off_mains(round(hz)) for hz in wanted], dtype=float)


def _move_off_mains(hz: int) -> int:
    """The nearest whole frequency that hum leaves alone."""
    near = sorted(range(hz - 10, hz + 11), key=lambda one: abs(one - hz))
    return next(
        one
        for one in near
        if all(abs(one - mains * round(one / mains)) >= MAINS_APART_HZ for mains in MAINS_HZ)
    )


def make_tone_set(
    rate_hz: int, peak_dbfs: float, length_s: float, strengths: Array | None = None
) -> Programme:
    """
    The tones at once, faded in and out.

    Parameters
    ----------
    rate_hz : int
    peak_dbfs : float
        Of the sum.
    length_s : float
    strengths : ndarray, shape (n_tones,), optional
        Of the tones against one another; equal if left out.

    Returns
    -------
    Programme
        One block of kind "tone". Phases that grow with the square of a tone's number keep the
        peak low (a closed form for equally spaced tones; near enough for these).
    """
    tones_hz = list_tones_hz()
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    phases = np.pi * np.arange(len(tones_hz)) ** 2 / len(tones_hz)
    samples = np.zeros(len(time_s))
    weights = np.ones(len(tones_hz)) if strengths is None else strengths
    for hz, phase, weight in zip(tones_hz, phases, weights, strict=True):
        samples += weight * np.sin(2.0 * np.pi * hz * time_s + phase)
    edge = raise_cosine(np.minimum(time_s, time_s[-1] - time_s) / FADE_S)
    peak = ratio_from_db(peak_dbfs)
    samples *= peak / np.max(np.abs(samples)) * edge
    block = Block(
        kind="tone",
        start_s=0.0,
        end_s=length_s,
        peak=peak,
        from_hz=float(tones_hz[0]),
        to_hz=float(tones_hz[-1]),
    )
    recipe = Recipe(rate_hz=rate_hz, level_dbfs=peak_dbfs)
    return Programme(recipe=recipe, blocks=(block,), samples=samples)


def choose_strengths(pair: tuple[Recording, Recording], length_s: float) -> Array:
    """
    Strengths that a second take should have: what came back weakly, in either channel, stronger.

    Parameters
    ----------
    pair : pair of Recording
        Of a take of equal tones.
    length_s : float

    Returns
    -------
    ndarray, shape (n_tones,)
        The root of what would make the weaker channel flat, at most 30 dB over the least: noise
        has its share, and both channels of it.
    """
    tones_hz, weakest = list_tones_hz(), math.inf
    for recording in pair:
        steady = recording.samples[find_steady(recording, length_s)]
        sizes = np.mean(np.abs(_demodulate(steady, recording.rate_hz, tones_hz)), axis=0)
        weakest = np.minimum(weakest, sizes / max(float(np.max(sizes)), 1e-12))
    return np.asarray(1.0 / np.sqrt(np.maximum(weakest, MOST_STRONGER**-2)))


def read_ratio(upper: Recording, lower: Recording, length_s: float, what: str) -> Ratio:
    """
    One channel of a take over the other, tone by tone.

    Parameters
    ----------
    upper, lower : Recording
        Of one take, so that both have one clock.
    length_s : float
        How long the tones were played.
    what : str
        What the lower channel heard, for the message.

    Returns
    -------
    Ratio
        The delay between player and recorder is in neither; one between the channels is.

    Raises
    ------
    RecordingError
        Kind "no-signal": one of them is silent.

    Notes
    -----
    The upper one's power over the cross spectrum, since the microphone in its cavity is far over
    its noise and a receiver below its resonance is not; the variance follows from the coherence
    (closed form for the sum of a fixed tone and white noise), and what the upper channel's own
    noise adds to the ratio is at most 1 - coherence.
    """
    for recording, name in ((upper, "microphone"), (lower, what)):
        if float(np.max(np.abs(recording.samples), initial=0.0)) < QUIET_PEAK:
            message = f"nothing came in from the {name}: check its wires and take it again"
            raise RecordingError(message, "no-signal")
    tones_hz = list_tones_hz()
    steady = find_steady(lower, length_s)
    above = _demodulate(upper.samples[steady], upper.rate_hz, tones_hz)
    below = _demodulate(lower.samples[steady], lower.rate_hz, tones_hz)
    cross = np.sum(above * np.conj(below), axis=0)
    powers = np.sum(np.abs(above) ** 2, axis=0), np.sum(np.abs(below) ** 2, axis=0)
    coherence = np.clip(np.abs(cross) ** 2 / (powers[0] * powers[1]), 1e-9, 1.0)
    n_own = len(above) / OVERLAP_SHARE
    lost = 1.0 - coherence
    return Ratio(
        frequency_hz=tones_hz,
        value=np.asarray(powers[0] / np.conj(cross)),
        spread=np.hypot(np.sqrt(lost / (2.0 * coherence * n_own)), lost),
        coherence=coherence,
        dof=max(2.0 * n_own - 2.0, 1.0),
    )


def _demodulate(samples: Array, rate_hz: int, tones_hz: Array) -> NDArray[np.complex128]:
    """Phasors of each tone in each segment, shape (n_segments, n_tones)."""
    n_segment = round(SEGMENT_S * rate_hz)
    starts = range(0, len(samples) - n_segment + 1, n_segment // 2)
    segments = np.array([samples[start : start + n_segment] for start in starts])
    time_s = np.arange(n_segment) / rate_hz
    # A raised cosine: clocks that run apart shift every tone a little, and none may leak.
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * time_s / SEGMENT_S)
    bins = np.round(tones_hz * SEGMENT_S).astype(int)
    return np.asarray(np.fft.rfft(segments * window, axis=1)[:, bins])
