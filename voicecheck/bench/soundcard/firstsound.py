"""The first sound to a receiver: quiet, rising and listened to, before anything louder goes out."""

from __future__ import annotations

import numpy as np

from voicecheck.bench.soundcard.takes import Wiring, capture, check_cap
from voicecheck.errors import BenchError
from voicecheck.fourier import raise_cosine
from voicecheck.records.arrays import Array

FIRST_PEAK, FIRST_S, FIRST_HZ = 0.01, 0.5, 440.0
"""
Peak of the first sound, -40 dBFS: at an output of 1 to 2 V at full scale 7 to 14 mV, which startles
nobody whose ear is at a receiver by mistake; and long enough to be noticed (PROP).
"""
FULL_SCALE, FULL_SHARE = 0.999, 0.01
"""An input that is so full for so much of the time while next to nothing is played (PROP)."""


def make_first_sound(rate_hz: int) -> Array:
    """
    A tone that rises from silence to its peak, and ends in silence.

    Returns
    -------
    ndarray, shape (n_samples,)
        Full-scale units.

    Examples
    --------
    >>> sound = make_first_sound(48000)
    >>> len(sound), round(float(abs(sound).max()), 3), float(abs(sound[:2400]).max()) < 0.001
    (24000, 0.01, True)
    """
    time_s = np.arange(round(FIRST_S * rate_hz)) / rate_hz
    rise = raise_cosine(time_s / (0.8 * FIRST_S))
    fall = raise_cosine((FIRST_S - time_s) / (0.1 * FIRST_S))
    return np.asarray(FIRST_PEAK * rise * fall * np.sin(2.0 * np.pi * FIRST_HZ * time_s))


class QuietStart:
    """Plays the first sound once, before the first take of a bench that needs it."""

    def __init__(self) -> None:
        self._was_heard = False

    def play_before(self, sound: Array, wiring: Wiring, rate_hz: int) -> None:
        """
        Play the first sound, where what comes next is louder and none was played yet.

        Parameters
        ----------
        sound : ndarray, shape (n_frames, 1)
            What comes next, full-scale units.
        wiring : Wiring
            Of what comes next, with one output.
        rate_hz : int

        Raises
        ------
        BenchError
            The input is full while next to nothing is played, the take failed, or what comes next
            would exceed its cap: then nothing is played at all.
        """
        check_cap(wiring, sound)
        if self._was_heard or np.max(np.abs(sound), initial=0.0) <= FIRST_PEAK:
            return
        # What is louder than the first sound and within its cap leaves room for the first sound.
        take = capture(wiring, make_first_sound(rate_hz)[:, None], rate_hz)
        if np.mean(np.abs(take.captured) >= FULL_SCALE, axis=0).max() > FULL_SHARE:
            message = (
                f"{wiring.name}: the input is full while next to nothing is played: it howls, or "
                "its gain is far too high; nothing louder was played; keep receiver and "
                "mouthpiece apart, turn the input gain down and try again"
            )
            raise BenchError(message)
        self._was_heard = True
