"""Small operations that several checks share: demodulation, spans of a mask, levels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicecheck.errors import RecordingError
from voicecheck.records import Recording
from voicecheck.records.arrays import Array

TINY = 1e-30
SILENT_DBFS = -90.0
PIECE_SAMPLES = 2**19
"""Worked on at a time, so that five minutes of sound are not held many times over."""


def is_coded(recording: Recording) -> bool:
    """Whether a telephone coding left its noise in the sound, as the reader of the file says."""
    return any(problem.kind == "coded" for problem in recording.problems)


def check_sound(recording: Recording, least_s: float) -> None:
    """
    Refuse a recording that holds nothing.

    Parameters
    ----------
    recording : Recording
    least_s : float
        Shortest that makes sense, seconds.

    Raises
    ------
    RecordingError
        Kind "too-short" or "no-signal".
    """
    if recording.duration_s < least_s:
        message = (
            f"the recording lasts {recording.duration_s:.2f} s, this check needs at least "
            f"{least_s:g} s; record again"
        )
        raise RecordingError(message, "too-short")
    if level_dbfs(recording.samples) < SILENT_DBFS:
        message = "the recording is silent; check the cable, the channel and the gain, then repeat"
        raise RecordingError(message, "no-signal", 0.0)


def level_dbfs(samples: Array) -> float:
    """
    RMS level re a full-scale sine.

    Examples
    --------
    >>> round(level_dbfs(np.array([0.5, -0.5])), 2)
    -3.01
    """
    return float(10.0 * np.log10(2.0 * mean_square(samples) + TINY)) if len(samples) else -300.0


def mean_square(samples: Array) -> float:
    """
    Mean of the squares, without a second copy of a long sound; 0 of none.

    Examples
    --------
    >>> mean_square(np.array([3.0, -4.0]))
    12.5
    """
    return float(np.dot(samples, samples)) / max(1, len(samples))


def work_in_pieces(
    work: Callable[[NDArray[Any], int], NDArray[Any]],
    samples: NDArray[Any],
    reach: int,
    *,
    hop: int = 1,
) -> NDArray[Any]:
    """
    A long sound worked on piece by piece, every `hop`-th value kept.

    Parameters
    ----------
    work : callable
        (samples, place of the first of them) -> values, as many.
    samples : ndarray, shape (n_samples,)
    reach : int
        No value depends on samples farther away.
    hop : int

    Returns
    -------
    ndarray, shape (ceil(n_samples / hop),)

    Examples
    --------
    >>> work_in_pieces(lambda piece, first: piece + first, np.arange(5), 0, hop=2)
    array([0, 2, 4])
    """
    n = len(samples)
    size = max(1, PIECE_SAMPLES // hop) * hop
    if n <= size:
        return work(samples, 0)[::hop]
    kept: NDArray[Any] | None = None
    for first in range(0, n, size):
        begin, end = max(0, first - reach), min(n, first + size + reach)
        values = work(samples[begin:end], begin)[first - begin : first - begin + size : hop]
        if kept is None:
            kept = np.empty(-(-n // hop), values.dtype)
        kept[first // hop : first // hop + len(values)] = values
    return np.zeros(0) if kept is None else kept


def average(values: NDArray[Any], length: int) -> NDArray[Any]:
    """
    Running mean of `length` samples, centred, same shape; the ends are padded with zeros.

    Examples
    --------
    >>> average(np.array([0.0, 0.0, 3.0, 0.0, 0.0]), 3)
    array([0., 1., 1., 1., 0.])
    """
    return work_in_pieces(lambda piece, _: _average_piece(piece, length), values, length)


def _average_piece(values: NDArray[Any], length: int) -> NDArray[Any]:
    before = length // 2
    padded = np.concatenate([np.zeros(before + 1), values, np.zeros(length - before - 1)])
    total = np.cumsum(padded)
    return np.asarray((total[length:] - total[:-length]) / length)


def demodulate(
    samples: Array, rate_hz: int, tone_hz: float, n_periods: int, *, hop: int = 1
) -> NDArray[np.complex128]:
    """
    Complex amplitude of a tone, through two running means of whole periods.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : int
    tone_hz : float
    n_periods : int
        Of each running mean.
    hop : int
        Every so many samples a value.

    Returns
    -------
    ndarray, shape (ceil(n_samples / hop),)
        A steady sine of amplitude A gives |z| = A.
    """
    length = max(1, round(n_periods * rate_hz / tone_hz))

    def work(piece: Array, first: int) -> NDArray[np.complex128]:
        place = np.arange(first, first + len(piece))
        turned = 2.0 * piece * np.exp(-2j * np.pi * tone_hz / rate_hz * place)
        return _average_piece(_average_piece(turned, length), length)

    return work_in_pieces(work, samples, 2 * length, hop=hop)


def find_spans(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """
    Runs of true values as (first, one past the last).

    Examples
    --------
    >>> find_spans(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def join_spans(spans: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """
    Spans with gaps shorter than `gap` closed.

    Examples
    --------
    >>> join_spans([(0, 2), (3, 5), (9, 10)], 2)
    [(0, 5), (9, 10)]
    """
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and first - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def resample(samples: Array, rate_hz: int, wanted_hz: int) -> Array:
    """Sound at another rate, shape (about n_samples * wanted_hz / rate_hz,)."""
    if rate_hz == wanted_hz:
        return samples
    from math import gcd

    from scipy.signal import resample_poly

    common = gcd(rate_hz, wanted_hz)
    return np.asarray(resample_poly(samples, wanted_hz // common, rate_hz // common))


def lower_rate(samples: Array, rate_hz: int, *, least_hz: int = 16000) -> tuple[Array, int]:
    """
    The same sound at a whole fraction of its rate, where half an hour is to fit into memory.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : int
    least_hz : int
        The new rate is this or more.

    Returns
    -------
    samples : ndarray, shape (about n_samples / k,)
    rate_hz : int

    Examples
    --------
    >>> lower_rate(np.zeros(48000), 48000)[1], lower_rate(np.zeros(8000), 8000)[1]
    (16000, 8000)
    """
    parts = max(k for k in range(1, 13) if k == 1 or (rate_hz % k == 0 and rate_hz >= k * least_hz))
    if parts == 1:
        return samples, rate_hz
    from scipy.signal import resample_poly

    return np.asarray(resample_poly(samples, 1, parts)), rate_hz // parts


def find_tone_hz(samples: Array, rate_hz: int, nominal_hz: float) -> float:
    """
    Frequency of the tone near a nominal one, from its phase where it is there.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : int
    nominal_hz : float
        Within 2 %.

    Returns
    -------
    float
        Hz.
    """
    found_hz = nominal_hz
    step = max(1, round(0.002 * rate_hz))
    for lag_s in (0.01, 0.1, 0.5):
        envelope = demodulate(samples, rate_hz, found_hz, round(0.01 * found_hz), hop=step)
        lag = round(lag_s * rate_hz / step)
        size = np.abs(envelope)
        steady = size > 0.7 * np.percentile(size, 90.0)
        both = steady[lag:] & steady[:-lag] if lag < len(steady) else np.zeros(0, dtype=bool)
        if not np.any(both):
            break
        turned = np.angle(np.sum((envelope[lag:] * np.conj(envelope[:-lag]))[both]))
        found_hz += float(turned) / (2.0 * np.pi * lag * step / rate_hz)
    return found_hz


def fit_tone(samples: Array, rate_hz: int, tone_hz: float, first: int, last: int) -> complex:
    """
    Amplitude and phase of a tone over samples first..last, phase counted from sample 0.

    Returns
    -------
    complex
        z of Re(z exp(j 2 pi f t)).
    """
    angle = 2.0 * np.pi * tone_hz / rate_hz * np.arange(first, last)
    basis = np.column_stack([np.cos(angle), -np.sin(angle)])
    cosine, sine = np.linalg.lstsq(basis, samples[first:last], rcond=None)[0]
    return complex(cosine, sine)


def make_tone(amplitude: complex, rate_hz: int, tone_hz: float, first: int, last: int) -> Array:
    """Tone as `fit_tone` describes it, over samples first..last."""
    turning = np.exp(2j * np.pi * tone_hz / rate_hz * np.arange(first, last))
    return np.asarray((amplitude * turning).real)
