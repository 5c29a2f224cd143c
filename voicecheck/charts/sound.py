"""Sound against time and pitch, for those who look rather than read."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from voicecheck.charts.style import FAINT_INK, INK, make_figure, write_text
from voicecheck.errors import InputError
from voicecheck.records.arrays import Array
from voicecheck.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_MM, HEIGHT_MM = 88.0, 58.0
RATE_HZ = 8000
"""The band of a telephone, and a little more."""
LOW_HZ, HIGH_HZ = 120.0, 3900.0
N_BANDS = 56
N_FFT = 1024
WINDOW_S, HOP_S = 0.032, 0.008
SHOWN_DB = 55.0
"""From the darkest to white: what lies further down is not heard beside it."""
TICKS_HZ = (300.0, 700.0, 1500.0, 3000.0)
MUTE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sound:
    """One stretch of sound: its name, samples of shape (n_samples,) in full-scale units, rate."""

    name: str
    samples: Array
    rate_hz: int


def draw_sounds(
    sounds: Sequence[Sound], words: Words, *, window_s: float = WINDOW_S
) -> tuple[Figure, ...]:
    """
    A picture of each sound, the louder the darker, all on one scale.

    Parameters
    ----------
    sounds : sequence of Sound
        Before and after, as a rule.
    words : Words
    window_s : float
        How long a stretch is looked at at once: shorter tells blows apart, longer tones.

    Returns
    -------
    tuple of Figure
        88 mm by 58 mm, so that two stand side by side on paper and one fills a telephone. Without
        the library that knows how ears part pitches they say so.

    Raises
    ------
    InputError
        A sound is shorter than a window.
    """
    try:
        heard = [estimate_bands_db(one, window_s=window_s) for one in sounds]
    except ImportError:
        return tuple(_write_missing(one, words) for one in sounds)
    loudest_db = max((float(np.max(levels)) for levels in heard), default=0.0)
    longest_s = max((len(one.samples) / one.rate_hz for one in sounds), default=1.0)
    return tuple(
        _draw_one(sound, levels_db - loudest_db, longest_s, words)
        for sound, levels_db in zip(sounds, heard, strict=True)
    )


def _make(sound: Sound) -> Figure:
    figure = make_figure(WIDTH_MM, HEIGHT_MM)
    write_text(figure, 0.02, 0.94, sound.name, va="center", fontsize=9.5, weight="bold")
    return figure


def _write_missing(sound: Sound, words: Words) -> Figure:
    figure = _make(sound)
    told = "\n".join(textwrap.wrap(words.say("chart", "sound_missing"), 40))
    write_text(figure, 0.5, 0.5, told, ha="center", va="center", fontsize=9)
    return figure


def _draw_one(sound: Sound, levels_db: Array, longest_s: float, words: Words) -> Figure:
    figure = _make(sound)
    darker = words.say("chart", "sound_darker")
    write_text(figure, 0.98, 0.94, darker, ha="right", va="center", fontsize=8.5)
    axes = figure.add_axes((0.165, 0.2, 0.805, 0.66))
    _draw(axes, levels_db, len(sound.samples) / sound.rate_hz)
    _dress(axes, longest_s, words)
    return figure


def estimate_bands_db(sound: Sound, *, window_s: float = WINDOW_S) -> Array:
    """
    Level in bands as wide as an ear parts them, against time.

    Parameters
    ----------
    sound : Sound
    window_s : float

    Returns
    -------
    ndarray, shape (n_bands, n_times)
        dB re a full-scale square wave's mean power in each band, every `HOP_S` seconds.

    Raises
    ------
    ImportError
        The library is not installed.
    InputError
        The sound is shorter than a window.

    Notes
    -----
    Bands of the mel scale from librosa (`librosa.filters.mel`), power from scipy.
    """
    # The short-time transform of the library itself compiles for 20 s when it is first used, its
    # bands need no compilation.
    from librosa.filters import mel
    from scipy.signal import ShortTimeFFT, resample_poly
    from scipy.signal.windows import hann

    divisor = int(np.gcd(RATE_HZ, sound.rate_hz))
    samples = resample_poly(sound.samples, RATE_HZ // divisor, sound.rate_hz // divisor)
    window = hann(round(window_s * RATE_HZ), sym=False)
    if len(samples) < len(window):
        raise InputError(f"picture of sound: {sound.name}: need at least {window_s:.3f} s")
    transform = ShortTimeFFT(window, round(HOP_S * RATE_HZ), RATE_HZ, mfft=N_FFT)
    power = np.abs(transform.stft(samples)) ** 2 / np.sum(window) ** 2
    bands = mel(sr=RATE_HZ, n_fft=N_FFT, n_mels=N_BANDS, fmin=LOW_HZ, fmax=HIGH_HZ, norm=None)
    levels_db: Array = 10.0 * np.log10(bands @ power + MUTE**2)
    return levels_db


def place_hz(frequency_hz: float) -> float:
    """Where a frequency stands on the upright axis, 0 to 1."""
    from librosa.core.convert import hz_to_mel

    low, high, at = (float(hz_to_mel(one)) for one in (LOW_HZ, HIGH_HZ, frequency_hz))
    return (at - low) / (high - low)


def _draw(axes: Axes, levels_db: Array, length_s: float) -> None:
    # Steps of grey print as they are seen.
    axes.imshow(
        levels_db,
        origin="lower",
        aspect="auto",
        extent=(0.0, length_s, 0.0, 1.0),
        cmap="Greys",
        vmin=-SHOWN_DB,
        vmax=0.0,
        interpolation="nearest",
    )


def _dress(axes: Axes, longest_s: float, words: Words) -> None:
    axes.set_xlim(0.0, longest_s)
    axes.set_yticks([place_hz(hz) for hz in TICKS_HZ], [words.number(hz, 0) for hz in TICKS_HZ])
    axes.tick_params(labelsize=8.5, labelfontfamily="DejaVu Sans", colors=INK, length=3)
    axes.set_xlabel(words.say("chart", "sound_time"), fontsize=8.5, color=FAINT_INK)
    axes.set_ylabel("Hz", fontsize=8.5, color=FAINT_INK, labelpad=1)
