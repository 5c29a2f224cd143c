"""A made recording with its exact truth: what the generators of dial, bell, cord and tones give."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np

from voicecheck.errors import InputError
from voicecheck.records import Conditions, Recording
from voicecheck.records.arrays import Array

Truth = TypeVar("Truth")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """
    What is played to a scene that answers it, and into what.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full-scale units.
    rate_hz : int
    part : str
        What is between the clips.
    resistor_ohm : float
        In series with it.
    reference_ohm : float
        Of the known resistor that may be in its place.
    hold_s : tuple of float
        From when to when something is moved.
    """

    samples: Array
    rate_hz: int
    part: str
    resistor_ohm: float
    reference_ohm: float
    hold_s: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene(Generic[Truth]):
    """
    Samples and what is true of them.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full-scale units.
    rate_hz : int
    truth : object
        Every time in seconds from the first sample.
    second : ndarray, shape (n_samples,), optional
        The other channel of a scene that has two.
    """

    samples: Array
    rate_hz: int
    truth: Truth
    second: Array | None = None

    def to_recording(self, handset: str, seed: int) -> Recording:
        """
        Recording as a bench would hand it over.

        Parameters
        ----------
        handset : str
            Text that the scene was made from.
        seed : int

        Returns
        -------
        Recording
            Of the loop, not calibrated.
        """
        conditions = Conditions(path="loop", bench="simulated", handset=handset, seed=seed)
        return Recording(
            samples=self.samples, second=self.second, rate_hz=self.rate_hz, conditions=conditions
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneKind:
    """
    Made scenes of one check.

    Parameters
    ----------
    words : mapping of str to str
        What may be asked for, joined with "+", each with a line about it.
    make : callable or None
        Words, what follows them after ":" ("" where nothing does), and `seed` -> Scene.
    make_driven : callable or None
        The same with a `Drive`, for scenes that answer what is played.
    takes_more : bool
        Whether anything may follow: the number that is dialled, say.
    example : str
        How it is asked for, where that is more than words.
    """

    words: Mapping[str, str]
    make: Callable[[str, str, int], Scene[Any]] | None = None
    make_driven: Callable[[str, str, int, Drive], Scene[Any]] | None = None
    takes_more: bool = False
    example: str = ""

    def make_recording(self, text: str, seed: int, drive: Drive | None = None) -> Recording:
        """
        Recording of the scene that a text asks for.

        Raises
        ------
        InputError
            A word is not known, or something follows where nothing may.
        """
        words, _, more = text.partition(":")
        if more and not self.takes_more:
            raise InputError(f"simulated: nothing may follow {words!r} here, got {more!r}")
        if self.make is not None:
            return self.make(words, more, seed).to_recording(text, seed)
        if self.make_driven is None or drive is None:
            raise InputError(f"simulated: {words!r} answers what is played; nothing was")
        return self.make_driven(words, more, seed, drive).to_recording(text, seed)


def add_noise(
    samples: Array, generator: np.random.Generator, *, signal_rms: float, snr_db: float
) -> Array:
    """
    Add white noise, then clip at full scale.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    generator : numpy.random.Generator
    signal_rms : float
        What the ratio refers to.
    snr_db : float
        Signal over noise in the whole band up to half the rate.

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    noise = signal_rms * 10.0 ** (-snr_db / 20.0) * generator.standard_normal(len(samples))
    return np.asarray(np.clip(samples + noise, -1.0, 1.0))


def open_edges(time_s: Array, at_s: float, width_s: float = 0.1e-3) -> Array:
    """Raised-cosine edge from 0 to 1, one half at `at_s`, shape kept."""
    position = np.clip((time_s - at_s) / width_s + 0.5, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * position))


def make_gate(n_samples: int, rate_hz: int, spans: list[tuple[float, float]]) -> Array:
    """
    1 inside the spans and 0 outside, with edges of 0.1 ms.

    Parameters
    ----------
    n_samples, rate_hz : int
    spans : list of (start_s, end_s)
        Not overlapping.

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    gate = np.zeros(n_samples)
    for start_s, end_s in spans:
        first = max(0, int((start_s - 1e-3) * rate_hz))
        last = min(n_samples, int((end_s + 1e-3) * rate_hz) + 1)
        time_s = np.arange(first, last) / rate_hz
        gate[first:last] += open_edges(time_s, start_s) - open_edges(time_s, end_s)
    return np.clip(gate, 0.0, 1.0)


def check_words(text: str, known: dict[str, str], subject: str) -> tuple[str, ...]:
    """
    Words of a text joined by "+", each of them known.

    Parameters
    ----------
    text : str
    known : dict
        Name to description.
    subject : str
        What the text names, for the message.

    Returns
    -------
    tuple of str

    Raises
    ------
    InputError
        A word is not known; the message lists those that are.
    """
    words = tuple(word.strip() for word in text.lower().split("+"))
    for word in words:
        if word not in known:
            message = f"{subject}: {word!r} is not known; known: {', '.join(known)}"
            raise InputError(message)
    return words
