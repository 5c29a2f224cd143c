"""
Speech on the line: active speech level by ITU-T P.56 method B, pauses, share of full level.

Parameters are those that the ITU-T Software Tool Library states for P.56 (PUB), the length of
the hangover in samples as its source rounds it (PUB-2ND).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.checkout.signals import check_sound, level_dbfs
from voicecheck.errors import InputError
from voicecheck.records import Problem, Recording, SpeechCheck
from voicecheck.records.arrays import Array
from voicecheck.units import db_from_ratio

TIME_CONSTANT_S = 0.03
HANGOVER_S = 0.2
MARGIN_DB = 15.9
N_THRESHOLDS = 15
LEAST_RATE_HZ = 600
SINE_DB = 10.0 * np.log10(2.0)
"""A level re full scale is this much higher re a full-scale sine."""
FULL_WITHIN_DB = 10.0
SHORTEST_PAUSES_S = 0.2
LEAST_ACTIVITY_PERCENT, MOST_ACTIVITY_PERCENT = 5.0, 95.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ActiveLevel:
    """
    Active speech level; `None` where nothing is above the lowest threshold.

    Parameters
    ----------
    active_db : float or None
        RMS while active, dB re the reference.
    activity_percent : float
    long_term_db : float or None
        RMS over everything, dB re the reference.
    threshold : float or None
        Envelope at which speech counts as active, full-scale units.
    """

    active_db: float | None
    activity_percent: float
    long_term_db: float | None
    threshold: float | None


def estimate_active_level(
    samples: Array, rate_hz: int, *, reference: float = 1.0, margin_db: float = MARGIN_DB
) -> ActiveLevel:
    """
    Active speech level and activity factor by ITU-T P.56, method B.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : int
        600 or more.
    reference : float
        RMS that is 0 dB, in the unit of the samples.
    margin_db : float
        Between active level and threshold.

    Returns
    -------
    ActiveLevel

    Raises
    ------
    InputError
        No samples, or a rate below 600 Hz.

    Notes
    -----
    Source: ITU-T P.56 as stated and coded in the ITU-T Software Tool Library (PUB, PUB-2ND). The
    margin's crossing is found on a straight line between two thresholds a factor of two apart.

    Examples
    --------
    >>> tone = 0.1 * np.sqrt(2.0) * np.sin(2 * np.pi * 0.125 * np.arange(80000))
    >>> round(estimate_active_level(tone, 8000).active_db, 2)
    -19.99
    """
    if rate_hz < LEAST_RATE_HZ or not len(samples):
        message = f"active level: need sound at {LEAST_RATE_HZ} Hz or more, got {rate_hz} Hz"
        raise InputError(message)
    energy = float(np.dot(samples, samples))
    envelope = follow_envelope(samples, rate_hz)
    hangover = int(np.floor(rate_hz * HANGOVER_S + 0.5))
    thresholds = 2.0 ** np.arange(-N_THRESHOLDS, 0)
    counts = np.array([np.sum(find_active(envelope, c, hangover)) for c in thresholds])
    used = counts > 0
    if energy == 0.0 or not np.any(used):
        return ActiveLevel(active_db=None, activity_percent=0.0, long_term_db=None, threshold=None)
    own_db = 20.0 * np.log10(reference)
    long_term_db = 10.0 * np.log10(energy / len(samples)) - own_db
    levels_db = 10.0 * np.log10(energy / counts[used]) - own_db
    limits_db = 20.0 * np.log10(thresholds[used]) - own_db
    active_db, limit_db = _cross(levels_db, limits_db, margin_db)
    return ActiveLevel(
        active_db=active_db,
        activity_percent=float(100.0 * 10.0 ** (0.1 * (long_term_db - active_db))),
        long_term_db=float(long_term_db),
        threshold=float(10.0 ** ((limit_db + own_db) / 20.0)),
    )


def _cross(levels_db: Array, limits_db: Array, margin_db: float) -> tuple[float, float]:
    """Level and threshold where their difference falls through the margin."""
    over_db = levels_db - limits_db - margin_db
    below = np.flatnonzero(over_db <= 0.0)
    if not len(below):
        # So faint or so peaky that even the highest threshold used is below the margin.
        return float(levels_db[-1]), float(limits_db[-1])
    at = int(below[0])
    if at == 0:
        return float(levels_db[0]), float(limits_db[0])
    share = over_db[at - 1] / (over_db[at - 1] - over_db[at])
    return (
        float(levels_db[at - 1] + share * (levels_db[at] - levels_db[at - 1])),
        float(limits_db[at - 1] + share * (limits_db[at] - limits_db[at - 1])),
    )


def follow_envelope(samples: Array, rate_hz: int) -> Array:
    """
    Rectified sound through two equal one-pole smoothers of 0.03 s, shape (n_samples,).

    Examples
    --------
    >>> bool(follow_envelope(np.ones(8000), 8000)[-1] > 0.999)
    True
    """
    from scipy.signal import lfilter

    pole = np.exp(-1.0 / (rate_hz * TIME_CONSTANT_S))
    smooth = np.abs(samples)
    for _ in range(2):
        smooth = lfilter([1.0 - pole], [1.0, -pole], smooth)
    return np.asarray(smooth)


def find_active(envelope: Array, threshold: float, hangover: int) -> NDArray[np.bool_]:
    """
    Samples that count as active at a threshold.

    Parameters
    ----------
    envelope : ndarray, shape (n_samples,)
    threshold : float
    hangover : int
        Samples during which activity goes on after the envelope has fallen below.

    Returns
    -------
    ndarray of bool, shape (n_samples,)

    Examples
    --------
    >>> find_active(np.array([0.0, 1.0, 0.0, 0.0, 0.0]), 0.5, 2).tolist()
    [False, True, True, True, False]
    """
    # Of 32 bits, since five minutes of sound make these four times over.
    place = np.arange(len(envelope), dtype=np.int32)
    last = np.maximum.accumulate(np.where(envelope >= threshold, place, -hangover - 1))
    return np.asarray(place - last <= hangover)


def measure_speech(recording: Recording) -> SpeechCheck:
    """
    Level, activity, crest, noise in the pauses and share of full level of spoken words.

    Parameters
    ----------
    recording : Recording
        Somebody counting to six, say, with pauses.

    Returns
    -------
    SpeechCheck

    Raises
    ------
    RecordingError
        Silent, or shorter than a second.
    """
    check_sound(recording, 1.0)
    samples, rate_hz = recording.samples, recording.rate_hz
    found = estimate_active_level(samples, rate_hz)
    envelope = follow_envelope(samples, rate_hz)
    hangover = int(np.floor(rate_hz * HANGOVER_S + 0.5))
    threshold = found.threshold or 1.0
    active = find_active(envelope, threshold, hangover)
    # The envelope is late by two time constants: what comes just before it crosses is speech.
    lead = round(3.0 * TIME_CONSTANT_S * rate_hz)
    pauses = ~_spread_back(active, lead)
    pauses[: round(0.01 * rate_hz)] = False
    has_pauses = np.sum(pauses) > SHORTEST_PAUSES_S * rate_hz
    noise_dbfs = level_dbfs(samples[pauses]) if has_pauses else None
    peak_dbfs = db_from_ratio(float(np.max(np.abs(samples))))
    active_dbfs = None if found.active_db is None else found.active_db + float(SINE_DB)
    full = (
        10.0 ** (-FULL_WITHIN_DB / 20.0) * np.percentile(envelope[active], 99)
        if np.any(active)
        else np.inf
    )
    above = envelope >= threshold
    return SpeechCheck(
        active_level_dbfs=active_dbfs,
        activity_percent=found.activity_percent,
        peak_dbfs=peak_dbfs,
        crest_db=None if found.active_db is None else peak_dbfs - found.active_db,
        noise_dbfs=noise_dbfs,
        full_transmit_percent=(
            float(100.0 * np.mean(envelope[above] >= full)) if np.any(above) else None
        ),
        problems=(*recording.problems, *_find_problems(found, noise_dbfs, active_dbfs, peak_dbfs)),
    )


def _spread_back(mask: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    """Mask that starts `length` samples earlier at each of its spans."""
    turned = find_active(mask[::-1].astype(float), 0.5, length)
    return np.asarray(turned[::-1])


def _find_problems(
    found: ActiveLevel, noise_dbfs: float | None, active_dbfs: float | None, peak_dbfs: float
) -> list[Problem]:
    problems = []
    if noise_dbfs is None:
        message = "no pause long enough between the words"
        effect = "noise in the pauses is withheld; count more slowly and repeat"
        problems.append(Problem(kind="no-pause", message=message, effect=effect))
    elif active_dbfs is not None and noise_dbfs > active_dbfs - MARGIN_DB - 3.0:
        message = f"noise is only {active_dbfs - noise_dbfs:.0f} dB below the speech"
        effect = "near the margin of P.56 noise counts as speech: the active level is doubtful"
        problems.append(Problem(kind="noise", message=message, effect=effect))
    if found.activity_percent > MOST_ACTIVITY_PERCENT:
        message = f"{found.activity_percent:.0f} % of the time counts as speech"
        effect = "noise may count as speech: leave pauses, or lower the noise, and repeat"
        problems.append(Problem(kind="noise", message=message, effect=effect))
    if found.active_db is None or found.activity_percent < LEAST_ACTIVITY_PERCENT:
        message = "hardly any speech in the recording"
        effect = "the level stands on little; speak for most of the time"
        problems.append(Problem(kind="no-speech", message=message, effect=effect))
    if peak_dbfs > -0.01:
        message = "the recording reaches full scale"
        effect = "level and crest are too low; lower the gain and repeat"
        problems.append(Problem(kind="clipping", message=message, effect=effect))
    return problems


def match_levels(first: Recording, second: Recording, *, peak_dbfs: float = -3.0) -> Array:
    """
    Two recordings one after the other at the same active level, for listening.

    Parameters
    ----------
    first, second : Recording
        At the same rate.
    peak_dbfs : float
        Highest sample re full scale.

    Returns
    -------
    ndarray, shape (n_samples,)
        A second of silence between them; full-scale units.

    Raises
    ------
    InputError
        Different rates, or no speech in one of them.
    """
    if first.rate_hz != second.rate_hz:
        message = (
            f"listening file: need two recordings of one rate, got {first.rate_hz} and "
            f"{second.rate_hz} Hz; record both alike"
        )
        raise InputError(message)
    parts = []
    for recording in (first, second):
        level = estimate_active_level(recording.samples, recording.rate_hz).active_db
        if level is None:
            raise InputError("listening file: no speech in one of the recordings; repeat it")
        parts.append(recording.samples * 10.0 ** (-level / 20.0))
    joined = np.concatenate([parts[0], np.zeros(first.rate_hz), parts[1]])
    return np.asarray(joined * 10.0 ** (peak_dbfs / 20.0) / np.max(np.abs(joined)))
