"""
What comes on top: hiss, room, frying, mains, crackle, dropouts, radio buzz.

Every function takes the generator of its own named draw, so that one disturbance does not move
another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicecheck.bench.simulated.grid import Grid, Spectrum
from voicecheck.bench.simulated.mechanics import compute_highpass, compute_lowpass
from voicecheck.records.arrays import Array

EDGE_S = 0.2e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbances:
    """
    What disturbs a take; every default is "nothing".

    Parameters
    ----------
    frying_per_s : float
        Rate of bursts in the carbon.
    frying_ratio : float
        Typical RMS of a burst at 40 mA re the direct voltage across the element.
    mains_hz : float
        Nominal mains frequency, 0 for none.
    mains_v : float
        RMS of the hum on the line.
    stray_hum : bool
        The mains field reaches a pickup coil, not the line.
    crackle_per_s, crackle_ohm : float
        Rate and typical size of resistance steps of a bad contact.
    dropout_per_s, dropout_s : float
        Rate and typical length of breaks of the cord.
    buzz_v : float
        RMS of demodulated radio on the line.
    fade_db : float
        Fall of level per minute.
    step_per_s, step_db : float
        Rate and size of level steps that last for seconds.
    howl_hz : float
        Frequency of acoustic feedback, 0 for none.
    reflection_s, reflection_ratio : float
        Delay and level of a reflection of the mouth's sound at the mouthpiece, re the direct one.
    room_pa : float
        RMS of steady noise in the room, 100 to 8000 Hz.
    babble_pa : float
        RMS of voices in the room.
    """

    frying_per_s: float = 0.0
    frying_ratio: float = 0.008
    mains_hz: float = 0.0
    mains_v: float = 0.0
    stray_hum: bool = False
    crackle_per_s: float = 0.0
    crackle_ohm: float = 5.0
    dropout_per_s: float = 0.0
    dropout_s: float = 0.015
    buzz_v: float = 0.0
    fade_db: float = 0.0
    step_per_s: float = 0.0
    step_db: float = 0.0
    howl_hz: float = 0.0
    reflection_s: float = 0.0
    reflection_ratio: float = 0.0
    room_pa: float = 0.0
    babble_pa: float = 0.0


def draw_noise(generator: np.random.Generator, grid: Grid, density: Array) -> Spectrum:
    """
    Spectrum of a Gaussian noise of a given power density.

    Parameters
    ----------
    generator : numpy.random.Generator
    grid : Grid
    density : ndarray, shape (n_samples / 2 + 1,)
        One-sided, squared units per hertz.

    Returns
    -------
    ndarray, shape (n_samples / 2 + 1,)
    """
    scale = np.sqrt(density * (0.25 * grid.n_samples * grid.rate_hz))
    parts = generator.standard_normal(2 * len(density)).view(np.complex128)
    noise = parts * scale
    noise[0] = noise[-1] = 0.0
    return np.asarray(noise)


def compute_room_density(frequency_hz: Array, pressure_pa: float) -> Array:
    """Power density of room noise, Pa^2/Hz, RMS 100-8000 Hz as given, falling 3 dB per octave."""
    density = 1.0 / np.maximum(frequency_hz, 50.0)
    return np.asarray(density * pressure_pa**2 / np.log(8000.0 / 100.0))


def draw_babble(generator: np.random.Generator, grid: Grid, n_voices: int = 6) -> Spectrum:
    """
    Voices of RMS 1 together: noise of a speech-like band, each voice with syllables of its own.

    Parameters
    ----------
    generator : numpy.random.Generator
    grid : Grid
    n_voices : int

    Returns
    -------
    ndarray, shape (n_samples / 2 + 1,)

    Notes
    -----
    Syllables 3 to 6 a second and pauses of a second or two; common practice, no source.
    """
    time_s = np.arange(grid.n_samples) / grid.rate_hz
    total = np.zeros(grid.n_samples)
    for _ in range(n_voices):
        pitch_hz, pause_hz = generator.uniform(3.0, 6.0), generator.uniform(0.2, 0.5)
        turn, other = generator.uniform(0.0, 2.0 * np.pi, 2)
        syllables = np.sin(np.pi * pitch_hz * time_s + turn) ** 2
        spoken = np.clip(0.5 + 2.0 * np.sin(2.0 * np.pi * pause_hz * time_s + other), 0.0, 1.0)
        total += syllables * spoken * generator.standard_normal(grid.n_samples)
    band = compute_highpass(grid.frequency_hz, 150.0) * compute_lowpass(grid.frequency_hz, 500.0)
    voices = grid.to_samples(grid.to_spectrum(total) * band)
    return grid.to_spectrum(voices / np.std(voices))


def draw_frying(generator: np.random.Generator, grid: Grid, rate_per_s: float) -> Spectrum:
    """
    Bursts of frying, their typical RMS 1.

    Poisson in time, log-normal in size (6 dB) and length (2 to 20 ms), a sharp start and a
    fading end, a band of 300 to 5000 Hz. Rate `carbon,frying_burst_rate`; size and length PROP.
    """
    samples = np.zeros(grid.n_samples)
    length_s = grid.n_samples / grid.rate_hz
    starts = np.sort(generator.uniform(0.0, length_s, generator.poisson(rate_per_s * length_s)))
    for start_s in starts:
        decay_s = float(np.clip(0.005 * np.exp(0.6 * generator.standard_normal()), 0.002, 0.02))
        size = 10.0 ** (6.0 * generator.standard_normal() / 20.0)
        first = int(start_s * grid.rate_hz)
        count = min(int(5.0 * decay_s * grid.rate_hz), grid.n_samples - first)
        fading = np.exp(-np.arange(count) / (decay_s * grid.rate_hz))
        samples[first : first + count] += size * fading * generator.standard_normal(count)
    band = compute_highpass(grid.frequency_hz, 300.0) * compute_lowpass(grid.frequency_hz, 5000.0)
    # White noise in a band this wide loses this much power.
    in_band = float(np.mean(np.abs(band) ** 2))
    return np.asarray(grid.to_spectrum(samples) * band / np.sqrt(in_band))


def draw_hum(generator: np.random.Generator, grid: Grid, mains_hz: float) -> Array:
    """
    Mains hum of RMS 1: the fundamental with harmonics to the 15th, odd ones leading.

    Parameters
    ----------
    generator : numpy.random.Generator
    grid : Grid
    mains_hz : float
        Nominal; the true one lies within 0.05 Hz.

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    time_s = np.arange(grid.n_samples) / grid.rate_hz
    true_hz = mains_hz + generator.uniform(-0.05, 0.05)
    order = np.arange(1, 16)
    size = np.where(order % 2 == 1, 1.0, 0.4) / order**0.8
    size *= 10.0 ** (3.0 * generator.standard_normal(15) / 20.0)
    phase = generator.uniform(0.0, 2.0 * np.pi, 15)
    total = np.zeros(grid.n_samples)
    for k in range(15):
        total += size[k] * np.sin(2.0 * np.pi * order[k] * true_hz * time_s + phase[k])
    return np.asarray(total / np.sqrt(0.5 * np.sum(size**2)))


def draw_buzz(generator: np.random.Generator, grid: Grid) -> Array:
    """
    Demodulated radio of RMS 1: short pulses 217 times a second, shape (n_samples,).

    The rate is that of time-slotted radio telephones, common practice, no source.
    """
    time_s = np.arange(grid.n_samples) / grid.rate_hz
    phase = generator.uniform()
    total = np.zeros(grid.n_samples)
    for k in range(1, 16):
        size = np.sinc(k / 8.0)
        total += size * np.cos(2.0 * np.pi * k * (216.68 * time_s + phase))
    return np.asarray(total / np.std(total))


def draw_crackle(generator: np.random.Generator, grid: Grid, rate_per_s: float) -> Array:
    """
    Excess resistance of a bad contact, typical size 1, shape (n_samples,).

    Steps last 0.5 to 200 ms (`cord,crackle_duration`, PROP), log-normal in length and size.
    """
    edges: list[tuple[float, float, float]] = []
    length_s = grid.n_samples / grid.rate_hz
    for start_s in generator.uniform(0.0, length_s, generator.poisson(rate_per_s * length_s)):
        step_s = float(np.clip(0.01 * np.exp(1.2 * generator.standard_normal()), 0.5e-3, 0.2))
        edges.append((start_s, step_s, float(np.exp(0.8 * generator.standard_normal()))))
    return _sum_plateaus(grid, edges)


def draw_dropouts(
    generator: np.random.Generator, grid: Grid, rate_per_s: float, typical_s: float
) -> Array:
    """Breaks of a conductor: 0 where it holds, 1 where it is broken, shape (n_samples,)."""
    edges: list[tuple[float, float, float]] = []
    length_s = grid.n_samples / grid.rate_hz
    for start_s in generator.uniform(0.0, length_s, generator.poisson(rate_per_s * length_s)):
        break_s = float(np.clip(typical_s * np.exp(0.8 * generator.standard_normal()), 0.5e-3, 0.2))
        edges.append((start_s, break_s, 1.0))
    return np.minimum(_sum_plateaus(grid, edges), 1.0)


def draw_steps(generator: np.random.Generator, grid: Grid, rate_per_s: float) -> Array:
    """Level steps: 0 where the contact is good, 1 where it is not, shape (n_samples,)."""
    edges: list[tuple[float, float, float]] = []
    length_s = grid.n_samples / grid.rate_hz
    now_s = generator.exponential(0.5 / rate_per_s)
    while now_s < length_s:
        step_s = float(generator.uniform(0.3, 2.5))
        edges.append((now_s, step_s, 1.0))
        now_s += step_s + generator.exponential(1.0 / rate_per_s)
    return _sum_plateaus(grid, edges)


def draw_howl(generator: np.random.Generator, grid: Grid, howl_hz: float) -> Array:
    """
    Feedback of amplitude 1: grows e-fold in 60 ms, stays for a while, dies away, comes again.

    Parameters
    ----------
    generator : numpy.random.Generator
    grid : Grid
    howl_hz : float

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    time_s = np.arange(grid.n_samples) / grid.rate_hz
    shape = np.zeros(grid.n_samples)
    now_s, length_s = float(generator.uniform(0.2, 2.0)), grid.n_samples / grid.rate_hz
    while now_s < length_s:
        hold_s = float(generator.uniform(0.8, 2.5))
        grown = np.exp(np.clip((time_s - now_s - 0.4) / 0.06, -40.0, 0.0))
        died = np.exp(-np.clip((time_s - now_s - 0.4 - hold_s) / 0.08, 0.0, 40.0))
        shape = np.maximum(shape, grown * died)
        now_s += 0.4 + hold_s + float(generator.uniform(1.0, 3.0))
    return np.asarray(shape * np.sin(2.0 * np.pi * howl_hz * time_s + generator.uniform(0.0, 6.0)))


def _sum_plateaus(grid: Grid, edges: list[tuple[float, float, float]]) -> Array:
    """Sum of (start, length, height) plateaus with edges of 0.2 ms, shape (n_samples,)."""
    total = np.zeros(grid.n_samples)
    for start_s, length_s, height in edges:
        first = int(start_s * grid.rate_hz)
        last = min(int((start_s + length_s + EDGE_S) * grid.rate_hz) + 1, grid.n_samples)
        time_s = np.arange(first, last) / grid.rate_hz - start_s
        rise = np.clip(time_s / EDGE_S, 0.0, 1.0) - np.clip((time_s - length_s) / EDGE_S, 0.0, 1.0)
        total[first:last] += height * np.sin(0.5 * np.pi * np.clip(rise, 0.0, 1.0)) ** 2
    return total
