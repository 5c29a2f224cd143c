"""
A bell before a microphone: strikes, their rate, the gongs' notes, how they die away.

Levels are re full scale: they compare before with after at one distance and gain, and say nothing
absolute unless the microphone is calibrated.
"""

from __future__ import annotations

import numpy as np

from voicecheck.checkout.signals import average, check_sound, level_dbfs
from voicecheck.errors import InputError
from voicecheck.records import BellCheck, Problem, Recording, Ring
from voicecheck.records.arrays import Array

FRAME_S = 0.001
PREDICT_FROM = 64
RISE_DB, LEAST_OVER_ROOM_DB = 4.0, 10.0
UNDER_LOUDEST_DB = 18.0
BLIND_S = 0.012
RING_GAP_S, LEAST_STRIKES = 0.14, 6
UNEVEN = 0.12
"""Ringing strikes evenly; the two edges of a dial pulse do not."""
GONG_FROM_HZ, GONG_TO_HZ = 400.0, 3200.0
GONG_DB, SAME_OCTAVE = 14.0, 1.7
LEAST_RATE_HZ = 16000
LOUD_ROOM_DBFS = -45.0


def measure_bell(recording: Recording) -> BellCheck:
    """
    Strikes, gongs, decay and cadence of a bell.

    Parameters
    ----------
    recording : Recording
        Of the ringing set, microphone at a fixed distance; 16 kHz or more.

    Returns
    -------
    BellCheck
        Without rings where none is heard, `None` for what then cannot be had.

    Raises
    ------
    InputError
        The rate is too low.
    RecordingError
        Silent, or shorter than a second.
    """
    if recording.rate_hz < LEAST_RATE_HZ:
        message = f"bell: need a recording at {LEAST_RATE_HZ} Hz or more, got {recording.rate_hz}"
        raise InputError(message)
    check_sound(recording, 1.0)
    samples, rate_hz = recording.samples, recording.rate_hz
    strikes_s = find_strikes(samples, rate_hz)
    groups = _split(strikes_s)
    rings = [group for group in groups if len(group) >= LEAST_STRIKES and _is_even(group)]
    if not rings:
        return _tell_no_ring(recording, strikes_s)
    gaps_s = np.concatenate([np.diff(group) for group in rings])
    room_dbfs = level_dbfs(samples[: max(1, int((rings[0][0] - 0.05) * rate_hz))])
    gongs_hz = _find_gongs(samples, rate_hz, rings)
    parts = [samples[int(g[0] * rate_hz) : int(g[-1] * rate_hz)] for g in rings]
    ringing_dbfs = level_dbfs(np.concatenate(parts))
    clean = 10.0 ** (0.1 * ringing_dbfs) - 10.0 ** (0.1 * room_dbfs)
    problems = list(recording.problems)
    if len(gongs_hz) == 1:
        message = "one note only: the clapper reaches one gong, or both gongs sound the same"
        effect = "the strike rate is that of one gong; look at clapper and gongs"
        problems.append(Problem(kind="one-gong", message=message, effect=effect))
    return BellCheck(
        strikes_per_s=_mean_rate(gaps_s),
        gongs_hz=gongs_hz,
        level_dbfs=float(10.0 * np.log10(clean)) if clean > 0.0 else ringing_dbfs,
        decay_s=_measure_decay(samples, rate_hz, rings, gongs_hz),
        rings=tuple(Ring(start_s=float(g[0]), end_s=float(g[-1])) for g in rings),
        cadence_s=_list_cadence(rings),
        taps=sum(len(group) for group in groups if not any(group is ring for ring in rings)),
        problems=tuple(problems),
    )


def _mean_rate(gaps_s: Array) -> float:
    """Strikes per second, a missed or doubled strike left out."""
    usual_s = float(np.median(gaps_s))
    kept = gaps_s[np.abs(gaps_s / usual_s - 1.0) < 0.3]
    return float(1.0 / np.mean(kept))


def _tell_no_ring(recording: Recording, strikes_s: Array) -> BellCheck:
    n = len(strikes_s)
    if n:
        message = f"{n} single blows and no ringing"
        effect = "where a digit was dialled, the bell taps: look at its bias spring and wiring"
        problem = Problem(kind="tap", at_s=float(strikes_s[0]), message=message, effect=effect)
    else:
        message = "no ringing is heard"
        effect = "nothing to measure; check the ring source, the bell's wiring and the microphone"
        problem = Problem(kind="no-ring", message=message, effect=effect)
        if level_dbfs(recording.samples) > LOUD_ROOM_DBFS:
            message = "no blow stands out of a loud room"
            effect = "a bell may be hidden in it; move the microphone nearer, or quieten the room"
            problem = Problem(kind="noise", message=message, effect=effect)
    return BellCheck(
        strikes_per_s=None,
        gongs_hz=(),
        level_dbfs=None,
        decay_s=None,
        rings=(),
        taps=n,
        problems=(*recording.problems, problem),
    )


def find_strikes(samples: Array, rate_hz: int) -> Array:
    """
    When the clapper struck.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
    rate_hz : int

    Returns
    -------
    ndarray, shape (n_strikes,)
        Seconds.
    """
    from scipy.signal import find_peaks

    hop = max(1, round(FRAME_S * rate_hz))
    power = average(_keep_sudden(samples) ** 2, 2 * hop)[::hop]
    power_db = 10.0 * np.log10(power + 1e-20)
    room_db = float(np.percentile(power_db, 10.0))
    least_db = max(room_db + LEAST_OVER_ROOM_DB, float(np.max(power_db)) - UNDER_LOUDEST_DB)
    peaks = find_peaks(power_db, height=least_db, distance=round(BLIND_S / FRAME_S))[0]
    before = np.array([np.min(power_db[max(0, at - 8) : at + 1]) for at in peaks], dtype=float)
    kept = peaks[power_db[peaks] - before > RISE_DB] if len(peaks) else peaks
    # The running mean peaks a frame after the blow.
    return np.asarray((kept - 0.5) * hop / rate_hz, dtype=float)


def _keep_sudden(samples: Array) -> Array:
    """
    What the past does not predict: the blows, and noise.

    The notes of a gong go on as they were, so a linear prediction takes them out, wherever they
    lie; a filter would have to know where.
    """
    from scipy.linalg import solve_toeplitz
    from scipy.signal import fftconvolve, lfilter

    n = len(samples)
    both = fftconvolve(samples, samples[::-1])[n - 1 : n + PREDICT_FROM]
    both[0] *= 1.0 + 1e-9
    past = solve_toeplitz(both[:PREDICT_FROM], both[1 : PREDICT_FROM + 1])
    return np.asarray(lfilter(np.concatenate([[1.0], -past]), [1.0], samples))


def _split(strikes_s: Array) -> list[Array]:
    if not len(strikes_s):
        return []
    return list(np.split(strikes_s, np.flatnonzero(np.diff(strikes_s) > RING_GAP_S) + 1))


def _is_even(strikes_s: Array) -> bool:
    gaps_s = np.diff(strikes_s)
    usual_s = float(np.median(gaps_s))
    # Of a dialled digit the median is one edge's gap, and the other edge's differ from it.
    return float(np.mean(np.abs(gaps_s / usual_s - 1.0) < UNEVEN)) > 0.6


def _list_cadence(rings: list[Array]) -> tuple[float, ...]:
    """On, off, on, ... as it was heard."""
    parts = []
    for index, ring in enumerate(rings):
        parts.append(float(ring[-1] - ring[0]))
        if index + 1 < len(rings):
            parts.append(float(rings[index + 1][0] - ring[-1]))
    return tuple(parts)


def _list_tails(rings: list[Array], end_s: float, least_s: float) -> list[tuple[float, float]]:
    """Free ringing after each last strike, until the next ring or the end."""
    tails = []
    for index, ring in enumerate(rings):
        until_s = float(rings[index + 1][0]) if index + 1 < len(rings) else end_s
        if until_s - ring[-1] - 0.02 > least_s:
            tails.append((float(ring[-1]) + 0.01, until_s - 0.01))
    return tails


def _find_gongs(samples: Array, rate_hz: int, rings: list[Array]) -> tuple[float, ...]:
    """First notes of one or two gongs, from what sounds on after the last strikes."""
    n_fft = 1 << 17
    total = np.zeros(n_fft // 2 + 1)
    for from_s, to_s in _list_tails(rings, len(samples) / rate_hz, 0.1):
        part = samples[int(from_s * rate_hz) : int(min(to_s, from_s + 0.4) * rate_hz)]
        window = np.hanning(2 * len(part))[len(part) :]
        total += np.abs(np.fft.rfft(part * window, n_fft)) ** 2
    step_hz = rate_hz / n_fft
    first, last = int(GONG_FROM_HZ / step_hz), int(GONG_TO_HZ / step_hz)
    band = total[first:last].copy()
    if not np.any(band):
        return ()
    gongs: list[float] = []
    largest = float(np.max(band))
    while len(gongs) < 2:
        at = int(np.argmax(band))
        if band[at] < largest * 10.0 ** (-0.1 * GONG_DB):
            break
        hz = (first + at) * step_hz
        reach = int(0.04 * hz / step_hz)
        is_peak = 0 < at < len(band) - 1 and total[first + at] >= np.max(
            total[first + at - 3 : first + at + 4]
        )
        if is_peak and (not gongs or 1.0 / SAME_OCTAVE < hz / gongs[0] < SAME_OCTAVE):
            gongs.append(hz)
        band[max(0, at - reach) : at + reach] = 0.0
    return tuple(sorted(gongs))


def _measure_decay(
    samples: Array, rate_hz: int, rings: list[Array], gongs_hz: tuple[float, ...]
) -> float | None:
    """Time of a fall by 60 dB of the gongs' first notes, from a straight line in decibels."""
    from scipy.signal import butter, sosfiltfilt

    if not gongs_hz:
        return None
    edges = (0.93 * gongs_hz[0], min(1.07 * gongs_hz[-1], 0.45 * rate_hz))
    band = butter(3, edges, "bandpass", fs=rate_hz, output="sos")
    hop = round(0.005 * rate_hz)
    power = average(sosfiltfilt(band, samples) ** 2, 2 * hop)[::hop]
    power_db = 10.0 * np.log10(power + 1e-20)
    room_db = float(np.percentile(power_db, 5.0))
    slopes, weights = [], []
    for from_s, to_s in _list_tails(rings, len(samples) / rate_hz, 0.05):
        first, last = int((from_s + 0.01) / 0.005), int(to_s / 0.005)
        tail_db = power_db[first:last]
        # Down to where the room would bend the line.
        low = np.flatnonzero(tail_db < room_db + 12.0)
        tail_db = tail_db[: int(low[0])] if len(low) else tail_db
        if len(tail_db) >= 5:
            slopes.append(float(np.polyfit(0.005 * np.arange(len(tail_db)), tail_db, 1)[0]))
            weights.append(float(len(tail_db)))
    if not slopes or np.average(slopes, weights=weights) >= 0.0:
        return None
    return float(-60.0 / np.average(slopes, weights=weights))
