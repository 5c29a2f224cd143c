"""
What arrives later and apart from the set's own sound: reflections, found and taken out.

A reflection gives the spectrum a ripple of one period, 1 / delay, over the whole band. In the
cepstrum, the transform of the level, that is a peak at the delay; a resonance of pole radius rho
gives rho^n / n, small by the time it could be taken for one (Bogert, Healy and Tukey, The
quefrency alanysis of time series for echoes, 1963, MEM for the place, CALC for the law). The
reflection's own filter, half a millisecond long, is fitted to that ripple, and the spectrum is
divided by 1 + Q(f).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from voicecheck.fourier import find_next_fast_length, make_phasors, raise_cosine
from voicecheck.ranks import find_median
from voicecheck.records import Recording
from voicecheck.records.arrays import Array
from voicecheck.response.sweeps import ComplexArray, Kernels, SweepSpectra

FIRST_S, LAST_S = 0.0018, 0.12
"""Sooner it is the handset's own cavity; later it is an echo, which marks tell."""
LOWEST_HZ, HIGHEST_HZ = 160.0, 5800.0
BEFORE_S, AFTER_S, EDGE_S = 0.02, 0.18, 0.04
"""Stretch of the kernel that is looked at, and the ramp at its end."""
QUIET_S = -0.26
"""Where the kernel holds nothing but noise."""
N_FFT = 4096
LEAST_GAIN, POLE_GAIN_S, POLE_DECAY_S = 0.008, 0.0003, 0.006
"""
Least ripple that is called a reflection (-42 dB), and what a set's own poles may make.

A pole's ripple is its decay over the delay. Receivers with two peaks of Q 8 to 20 make 0.00007 to
0.00017 s over the delay at 2 ms, 0.00005 at 6 ms, 0.00002 at 10 ms; the bound lies above that by a
fifth and more: -19 dB at 2 ms, -27 dB at 4 ms. What is weaker and sooner cannot be told from a set.
"""
ROUNDS = 6
APART_S = 0.001
NOISE_RATIO = 7.0
"""Of the median of the cepstrum: white noise passes k medians in 2^-k^2 (Rayleigh)."""
MOST_REFLECTIONS = 3
TAP_S, SIDE_TAPS = 0.00009, 3
SMOOTH_S = 0.0013
"""Quefrencies up to here are the set's."""
LEFT_RATIO, LEAST_LEFT = 1.6, 0.02
"""
Of the ripple that stays near the delays, which is a mean over the band; and the share of a
reflection that is always held to be left, since its filter is half a millisecond long. Found on
plants and reflections other than those of the tables: at least 96 of 100 points of each of 15 takes
were inside.
"""


@dataclass(frozen=True, slots=True)
class Reflections:
    """
    Taps of all reflections: when, and how much of the direct sound (shape (n_taps,) each).

    `delays_s` and `gains` are one each for every reflection, the earliest first; `left` is the
    size of what may be left of them, re the direct sound.
    """

    taps_s: Array
    taps: Array
    delays_s: tuple[float, ...]
    gains: tuple[float, ...]
    left: float

    def compute_spectrum(self, frequency_hz: Array) -> ComplexArray:
        """What they make of a spectrum: 1 + Q(f)."""
        turns = np.multiply.outer(frequency_hz, self.taps_s)
        return np.asarray(1.0 + np.exp(-2j * np.pi * turns) @ self.taps)

    def doubt_db(self, frequency_hz: Array) -> Array:
        """Half-width of what may be left of them in a level, dB."""
        whole = np.abs(self.compute_spectrum(frequency_hz))
        return np.asarray(20.0 / math.log(10.0) * self.left / whole)


def find_reflections(kernels: Kernels, reference: tuple[Array, Array]) -> Reflections | None:
    """
    Look for reflections in the linear kernel.

    Parameters
    ----------
    kernels : Kernels
    reference : (ndarray, ndarray)
        `take_level` of the programme's own sweep at the same rate.

    Returns
    -------
    Reflections or None
    """
    frequency_hz, level = take_level(kernels)
    level -= np.interp(frequency_hz, *reference)
    taper = _taper(len(frequency_hz))
    delays_s: list[float] = []
    rest = level
    while len(delays_s) < MOST_REFLECTIONS:
        found_s = _find_peak(frequency_hz, rest, taper)
        if found_s is None or any(abs(found_s - one) < APART_S for one in delays_s):
            break
        delays_s = sorted([*delays_s, found_s])
        taps_s, taps = _fit(frequency_hz, level, delays_s)
        rest = level - _ripple(frequency_hz, taps_s, taps)
    if not delays_s:
        return None
    groups = taps.reshape(len(delays_s), -1)
    middle = np.exp(-2j * np.pi * 1000.0 * TAP_S * np.arange(-SIDE_TAPS, SIDE_TAPS + 1))
    gains = tuple(float(np.abs(group @ middle)) for group in groups)
    at_s, after = _transform(frequency_hz, rest, taper)
    near = np.min(np.abs(np.subtract.outer(at_s, delays_s)), axis=1) < APART_S / 2.0
    return Reflections(
        taps_s=taps_s,
        taps=taps,
        delays_s=tuple(delays_s),
        gains=gains,
        left=LEFT_RATIO * float(np.max(after[near])) + LEAST_LEFT * max(gains),
    )


def remove_reflections(spectra: SweepSpectra, found: Reflections) -> SweepSpectra:
    """
    The sweeps' spectra without reflections.

    Parameters
    ----------
    spectra : SweepSpectra
    found : Reflections

    Returns
    -------
    SweepSpectra
    """
    step_turns = -found.taps_s * (spectra.rate_hz / spectra.n_fft)
    whole = 1.0 + make_phasors(step_turns, spectra.values.shape[1]) @ found.taps
    return dataclasses.replace(spectra, values=spectra.values / whole)


def clean_recording(recording: Recording, found: Reflections | None) -> Recording:
    """
    A recording without its reflections, for what is not read from the sweeps.

    Parameters
    ----------
    recording : Recording
    found : Reflections or None

    Returns
    -------
    Recording
        The same one where there are none.
    """
    if found is None:
        return recording
    n_fft = find_next_fast_length(len(recording.samples) + recording.rate_hz)
    spectrum = np.fft.rfft(recording.samples, n_fft)
    step_turns = -found.taps_s * (recording.rate_hz / n_fft)
    spectrum /= 1.0 + make_phasors(step_turns, len(spectrum)) @ found.taps
    samples = np.fft.irfft(spectrum, n_fft)[: len(recording.samples)]
    return dataclasses.replace(recording, samples=np.asarray(samples))


def take_level(kernels: Kernels) -> tuple[Array, Array]:
    """
    Natural logarithm of the linear kernel's magnitude over the band, the noise's not below.

    Parameters
    ----------
    kernels : Kernels

    Returns
    -------
    frequency_hz, level : ndarray, shape (n_frequencies,) each
    """
    frequency_hz = np.arange(N_FFT // 2 + 1) * kernels.repeats_rate_hz / N_FFT
    here = (frequency_hz >= LOWEST_HZ) & (frequency_hz <= HIGHEST_HZ)
    power = np.abs(np.fft.rfft(_cut(kernels, 0.0), N_FFT)[here]) ** 2
    floor = np.mean(np.abs(np.fft.rfft(_cut(kernels, QUIET_S), N_FFT)[here]) ** 2)
    return frequency_hz[here], 0.5 * np.log(power + floor + 1e-30)


def _cut(kernels: Kernels, at_s: float) -> Array:
    """The kernel about one instant, faded at both ends."""
    kernel, rate_hz = kernels.choose(low=True)
    reach = np.arange(-round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz))
    time_s = reach / rate_hz
    window = raise_cosine(np.minimum((time_s + BEFORE_S) / 0.01, (AFTER_S - time_s) / EDGE_S))
    return np.take(kernel, reach + round(at_s * rate_hz), mode="wrap") * window


@lru_cache(maxsize=8)
def _taper(n: int) -> Array:
    return np.asarray(np.hanning(n))


@lru_cache(maxsize=8)
def _make_smooth(n: int) -> Array:
    """Polynomials up to the fourth order over a stretch, orthonormal; shape (n, 5)."""
    return np.asarray(np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, n), 5))[0])


def _transform(frequency_hz: Array, level: Array, taper: Array) -> tuple[Array, Array]:
    """Quefrencies and the size of the ripple of each."""
    # What is smooth is the set's: a polynomial takes most of it.
    smooth = _make_smooth(len(level))
    bare = (level - smooth @ (level @ smooth)) * taper
    n = 8192
    ripple = 2.0 * np.abs(np.fft.rfft(bare, n)) / np.sum(taper)
    return np.arange(len(ripple)) / (n * (frequency_hz[1] - frequency_hz[0])), ripple


def _find_peak(frequency_hz: Array, level: Array, taper: Array) -> float | None:
    """Delay of the largest ripple above what a set and noise make; `None` where there is none."""
    at_s, ripple = _transform(frequency_hz, level, taper)
    here = (at_s >= FIRST_S) & (at_s <= LAST_S)
    at_s, ripple = at_s[here], ripple[here]
    limit = np.maximum(LEAST_GAIN, NOISE_RATIO * find_median(ripple[at_s > 0.02]))
    excess = ripple / (limit + POLE_GAIN_S * np.exp(-at_s / POLE_DECAY_S) / at_s)
    best = int(np.argmax(excess))
    return float(at_s[best]) if excess[best] > 1.0 else None


def _fit(frequency_hz: Array, level: Array, delays_s: list[float]) -> tuple[Array, Array]:
    """Taps about each delay: the level's ripple, beside what is smooth, by least squares."""
    side_s = TAP_S * np.arange(-SIDE_TAPS, SIDE_TAPS + 1)
    taps_s = (np.array(sorted(delays_s))[:, None] + side_s).ravel()
    count = int(SMOOTH_S * 2.0 * (HIGHEST_HZ - LOWEST_HZ))
    angle = np.pi * np.outer(frequency_hz - LOWEST_HZ, np.arange(count)) / (HIGHEST_HZ - LOWEST_HZ)
    smooth = np.cos(angle)
    taper = weight = np.sqrt(_taper(len(frequency_hz)))
    turn = np.exp(-2j * np.pi * np.outer(frequency_hz, taps_s))
    taps = np.zeros(len(taps_s))
    for _ in range(ROUNDS):
        whole = 1.0 + turn @ taps
        slopes = (turn / whole[:, None]).real
        target = level - np.log(np.abs(whole)) + slopes @ taps
        columns = np.hstack([slopes, smooth])
        # Taps nearer than the band resolves share what they hold.
        found = np.linalg.lstsq(columns * weight[:, None], target * weight, rcond=1e-3)[0]
        taps = found[: len(taps_s)]
        # A sharp resonance is neither smooth nor a ripple: it counts little.
        left = np.abs(target - columns @ found)
        weight = taper / np.sqrt(np.maximum(left / (2.0 * find_median(left) + 1e-9), 1.0))
    return taps_s, taps


def _ripple(frequency_hz: Array, taps_s: Array, taps: Array) -> Array:
    turn = np.exp(-2j * np.pi * np.outer(frequency_hz, taps_s))
    return np.asarray(np.log(np.abs(1.0 + turn @ taps)))
