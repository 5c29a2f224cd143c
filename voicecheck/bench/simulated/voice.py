"""
A made voice that counts: words of voiced sound and breath with pauses between.

Not a recording of anybody. Pitch, formants and word lengths are common practice, no source; the
truth is what was put together, not an active speech level by ITU-T P.56, whose hangover counts
part of each pause as speech.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from voicecheck.bench.simulated.draws import make_generator
from voicecheck.bench.simulated.scene import Scene, SceneKind, check_words
from voicecheck.records.arrays import Array

LEAD_S, TAIL_S = 0.8, 0.8
HIGHEST_HZ = 3800.0
EDGE_S = 0.02
FORMANTS = ((500.0, 1500.0), (650.0, 1100.0), (350.0, 2200.0), (750.0, 1300.0), (450.0, 1900.0))
VOICES = {
    "healthy": "six words, pauses of about half a second",
    "quiet": "a talker 10 dB fainter",
    "loud": "a talker 6 dB louder",
    "noisy": "noise 25 dB below the words",
    "hurried": "pauses of a tenth of a second",
}
"""Words that `make_voice` takes, joined with "+"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceSettings:
    """
    How the voice counts.

    Parameters
    ----------
    n_words : int
    pitch_hz : float
    pause_s : float
        Typical pause.
    word_dbfs : float
        RMS of the words re a full-scale sine.
    noise_dbfs : float
        RMS of white noise below it all, re a full-scale sine.
    """

    n_words: int = 6
    pitch_hz: float = 140.0
    pause_s: float = 0.55
    word_dbfs: float = -22.0
    noise_dbfs: float = -70.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceTruth:
    """
    What was put together.

    Parameters
    ----------
    settings : VoiceSettings
    words_s : tuple of (start_s, end_s)
    word_dbfs : float
        RMS within the words.
    long_term_dbfs : float
        RMS over everything, noise left out.
    peak_dbfs : float
        Largest sample re full scale, noise left out.
    spoken_percent : float
        Share of the time within words.
    """

    settings: VoiceSettings
    words_s: tuple[tuple[float, float], ...]
    word_dbfs: float
    long_term_dbfs: float
    peak_dbfs: float
    spoken_percent: float


def make_voice(text: str = "healthy", *, seed: int = 1, rate_hz: int = 48000) -> Scene[VoiceTruth]:
    """
    A voice that a text describes.

    Parameters
    ----------
    text : str
        Words of `VOICES`, joined with "+".
    seed : int
        Draws the talker.
    rate_hz : int

    Returns
    -------
    Scene of VoiceTruth

    Raises
    ------
    InputError
        A word is not known.

    Examples
    --------
    >>> len(make_voice(rate_hz=16000).truth.words_s)
    6
    """
    pitch_hz = float(make_generator(seed, "voice").uniform(95.0, 220.0))
    settings = VoiceSettings(pitch_hz=pitch_hz)
    for word in check_words(text, VOICES, "voice"):
        if word == "quiet":
            settings = replace(settings, word_dbfs=settings.word_dbfs - 10.0)
        elif word == "loud":
            settings = replace(settings, word_dbfs=settings.word_dbfs + 6.0)
        elif word == "noisy":
            settings = replace(settings, noise_dbfs=settings.word_dbfs - 25.0)
        elif word == "hurried":
            settings = replace(settings, pause_s=0.1)
    return make_voice_scene(settings, seed=seed, rate_hz=rate_hz)


def make_voice_scene(
    settings: VoiceSettings, *, seed: int = 1, rate_hz: int = 48000
) -> Scene[VoiceTruth]:
    """
    A voice with given settings.

    Parameters
    ----------
    settings : VoiceSettings
    seed : int
    rate_hz : int

    Returns
    -------
    Scene of VoiceTruth
    """
    draw = make_generator(seed, "voice", "words")
    words_s, now_s = [], LEAD_S
    for _ in range(settings.n_words):
        end_s = now_s + float(draw.uniform(0.3, 0.55))
        words_s.append((now_s, end_s))
        now_s = end_s + settings.pause_s * float(draw.uniform(0.8, 1.2))
    n_samples = round((words_s[-1][1] + TAIL_S) * rate_hz)
    speech = np.zeros(n_samples)
    within = np.zeros(n_samples, dtype=bool)
    for index, (start_s, end_s) in enumerate(words_s):
        first, last = round(start_s * rate_hz), round(end_s * rate_hz)
        formants = FORMANTS[index % len(FORMANTS)]
        speech[first:last] = _say(last - first, rate_hz, settings.pitch_hz, formants, draw)
        within[first:last] = True
    wanted = 10.0 ** (settings.word_dbfs / 20.0) / np.sqrt(2.0)
    speech *= wanted / np.sqrt(np.mean(speech[within] ** 2))
    noise = make_generator(seed, "voice", "noise").standard_normal(n_samples)
    noise *= 10.0 ** (settings.noise_dbfs / 20.0) / np.sqrt(2.0)
    truth = VoiceTruth(
        settings=settings,
        words_s=tuple(words_s),
        word_dbfs=settings.word_dbfs,
        long_term_dbfs=float(10.0 * np.log10(2.0 * np.mean(speech**2))),
        peak_dbfs=float(20.0 * np.log10(np.max(np.abs(speech)))),
        spoken_percent=float(100.0 * np.mean(within)),
    )
    return Scene(samples=np.clip(speech + noise, -1.0, 1.0), rate_hz=rate_hz, truth=truth)


def _say(
    n_samples: int,
    rate_hz: int,
    pitch_hz: float,
    formants: tuple[float, float],
    draw: np.random.Generator,
) -> Array:
    """One word: a glottal tone with two formants, falling in pitch, and a little breath."""
    time_s = np.arange(n_samples) / rate_hz
    length_s = n_samples / rate_hz
    glide = 1.1 - 0.2 * time_s / length_s
    phase = 2.0 * np.pi * pitch_hz * np.cumsum(glide) / rate_hz
    total = np.zeros(n_samples)
    for harmonic in range(1, int(HIGHEST_HZ / (1.1 * pitch_hz)) + 1):
        hz = harmonic * pitch_hz
        peaks = (1.0 / (1.0 + ((hz - formant) / 120.0) ** 2) for formant in formants)
        size = (0.05 + sum(peaks)) / harmonic**0.5
        total += size * np.cos(harmonic * phase + draw.uniform(0.0, 0.6))
    total += 0.03 * np.std(total) * draw.standard_normal(n_samples)
    edge = np.clip(np.minimum(time_s, length_s - time_s) / EDGE_S, 0.0, 1.0)
    return np.asarray(total * (0.5 - 0.5 * np.cos(np.pi * edge)))


def _make(words: str, _more: str, seed: int) -> Scene[VoiceTruth]:
    return make_voice(words, seed=seed)


SCENE = SceneKind(words=VOICES, make=_make)
