"""
Named random draws: the same name and seed give the same number, whatever else is drawn.

Every draw has a name ("element", "receiver", "jig", "seat", "take", "fault", ...). The name is
hashed to the `spawn_key` of a `numpy.random.SeedSequence` whose entropy is the seed, so each name
has a stream of its own: adding a fault, or fitting another element, leaves the receiver, the jig
and every other draw as it was.
"""

from __future__ import annotations

import hashlib

import numpy as np

from voicecheck.errors import InputError


def make_generator(seed: int, *names: str | int) -> np.random.Generator:
    """
    Random generator of one named draw.

    Parameters
    ----------
    seed : int
        0 or more.
    *names : str or int
        What is drawn, as ("seat", 2, "transmitter").

    Returns
    -------
    numpy.random.Generator

    Raises
    ------
    InputError
        The seed is not a whole number of 0 or more.

    Examples
    --------
    >>> first = make_generator(7, "receiver").standard_normal()
    >>> first == make_generator(7, "receiver").standard_normal()
    True
    >>> first == make_generator(7, "jig").standard_normal()
    False
    """
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        message = f"seed: need a whole number of 0 or more, got {seed!r}"
        raise InputError(message)
    key = [
        int.from_bytes(hashlib.blake2b(str(name).encode(), digest_size=4).digest(), "little")
        for name in names
    ]
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))


def draw_factor(generator: np.random.Generator, sd_db: float) -> float:
    """
    Amplitude factor that is normal in decibels, held within 2.5 standard deviations.

    Parameters
    ----------
    generator : numpy.random.Generator
    sd_db : float
        Standard deviation, dB.

    Returns
    -------
    float
        Ratio, no unit.
    """
    deviate = float(np.clip(generator.standard_normal(), -2.5, 2.5))
    return float(10.0 ** (sd_db * deviate / 20.0))
