"""
A bell before a microphone: strikes, their pattern, the gongs' notes, how they die away.

Levels are re full scale: they compare before with after at one distance and gain, and say nothing
absolute unless the microphone is calibrated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from voicecheck.checkout.bell import LEAST_RATE_HZ
from voicecheck.checkout.bell.pattern import (
    Pattern,
    count_blows,
    find_pattern,
    find_ringing_hz,
    find_turns,
    is_ringing,
    list_rises,
)
from voicecheck.checkout.signals import (
    average,
    check_sound,
    is_coded,
    level_dbfs,
    work_in_pieces,
)
from voicecheck.errors import InputError
from voicecheck.fourier import keep_awake
from voicecheck.records import BellCheck, Problem, Recording, Ring
from voicecheck.records.arrays import Array

FRAME_S = 0.001
PREDICT_FROM = 64
RISE_DB, LEAST_OVER_ROOM_DB = 4.0, 10.0
UNDER_LOUDEST_DB = 18.0
BLIND_S = 0.012
RING_GAP_S, LEAST_STRIKES = 0.14, 6
GROUP_EDGE_S = 0.008
GONG_FROM_HZ, GONG_TO_HZ = 400.0, 3200.0
GONG_DB, GONG_OVER_ROOM_DB, SAME_OCTAVE = 22.0, 20.0, 1.7
"""
A gong's note so far under the other's, and over the middle of the band: its blows may be 6 dB
fainter, and what the blows before have left sounds on with either sign.
"""
DOZEN = 12
DECAY_REACH_S = 0.5
"""Over 50 time constants of the narrowest band that is filtered, 14 % of 400 Hz."""
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
    power_db = _list_power(samples, rate_hz)
    groups = _split(_find_peaks(power_db, rate_hz))
    patterns = _find_patterns(groups, power_db, rate_hz)
    if not patterns:
        return _tell_no_ring(recording, np.concatenate([np.zeros(0), *groups]))
    rings = [group for group, _ in patterns]
    gongs_hz = _find_gongs(samples, rate_hz, rings)
    told = [_tell_ring(samples, rate_hz, gongs_hz, *one) for one in patterns]
    check = BellCheck(
        strikes_per_s=_pool([one["strikes_per_s"] for one in told]),
        gongs_hz=gongs_hz,
        level_dbfs=_measure_level(samples, rate_hz, rings),
        decay_s=_measure_decay(samples, rate_hz, rings, gongs_hz),
        rings=tuple(Ring(start_s=float(g[0]), end_s=float(g[-1])) for g in rings),
        cadence_s=_list_cadence(rings),
        taps=sum(len(group) for group in groups if not any(group is ring for ring in rings)),
        pattern_hz=_pool([1.0 / pattern.period_s for _, pattern in patterns]),
        ringing_hz=_pool([one["ringing_hz"] for one in told]),
        gap_percent=_pool([one["gap_percent"] for one in told]),
        gong_difference_db=_pool([one["gong_difference_db"] for one in told]),
        problems=(*recording.problems, *_find_problems(gongs_hz, told)),
    )
    return _withhold_blows(check) if is_coded(recording) else check


def _withhold_blows(check: BellCheck) -> BellCheck:
    """The noise of a telephone coding follows the sound, and its onsets look like blows."""
    message = "a telephone coding makes blows of its own beside the clapper's"
    effect = "strikes, ringing frequency and cadence are withheld; gongs, level and decay stand"
    kept = tuple(problem for problem in check.problems if problem.kind != "pattern")
    return replace(
        check,
        strikes_per_s=None,
        cadence_s=(),
        taps=0,
        pattern_hz=None,
        ringing_hz=None,
        gap_percent=None,
        gong_difference_db=None,
        problems=(*kept, Problem(kind="coded-blows", message=message, effect=effect)),
    )


def _find_patterns(
    groups: list[Array], power_db: Array, rate_hz: int
) -> list[tuple[Array, Pattern]]:
    """Groups that ring, each with its pattern."""
    rises = list_rises(power_db)
    frame_s = _frame_s(rate_hz)
    found = []
    for group in groups:
        if len(group) < LEAST_STRIKES:
            continue
        first = max(0, int((group[0] - GROUP_EDGE_S) / frame_s))
        last = int((group[-1] + GROUP_EDGE_S) / frame_s)
        pattern = find_pattern(rises[first:last], frame_s)
        if pattern is not None and is_ringing(pattern, group):
            found.append((group, pattern))
    return found


def _tell_ring(
    samples: Array, rate_hz: int, gongs_hz: tuple[float, ...], strikes_s: Array, pattern: Pattern
) -> dict[str, float | None]:
    """What one ring tells, by the names of the record."""
    blows = count_blows(pattern, strikes_s)
    turns = find_turns(samples, rate_hz, strikes_s, gongs_hz)
    ringing_hz = find_ringing_hz(blows, 1.0 / pattern.period_s, len(gongs_hz))
    if turns is not None:
        # Even gaps and like gongs repeat at every blow; the current goes there and back.
        halves = max(1, round(turns.period_s / pattern.period_s))
        ringing_hz = 1.0 / (halves * pattern.period_s)
    return {
        "strikes_per_s": blows / pattern.period_s,
        "ringing_hz": ringing_hz,
        "gap_percent": 100.0 * turns.share if turns else None,
        "gong_difference_db": turns.difference_db if turns else None,
    }


def _pool(values: list[float | None]) -> float | None:
    """Median over rings; of those that tell, where most do."""
    known = [value for value in values if value is not None]
    return float(np.median(known)) if 2 * len(known) > len(values) else None


def _measure_level(samples: Array, rate_hz: int, rings: list[Array]) -> float:
    """While it rings, the room before the first ring taken out."""
    room_dbfs = level_dbfs(samples[: max(1, int((rings[0][0] - 0.05) * rate_hz))])
    parts = [samples[int(g[0] * rate_hz) : int(g[-1] * rate_hz)] for g in rings]
    ringing_dbfs = level_dbfs(np.concatenate(parts))
    clean = 10.0 ** (0.1 * ringing_dbfs) - 10.0 ** (0.1 * room_dbfs)
    return float(10.0 * np.log10(clean)) if clean > 0.0 else ringing_dbfs


def _find_problems(
    gongs_hz: tuple[float, ...], told: list[dict[str, float | None]]
) -> list[Problem]:
    problems = []
    if len(gongs_hz) == 1:
        message = "one note only: the clapper reaches one gong, or both gongs sound the same"
        effect = "the strike rate is that of one gong; look at clapper and gongs"
        problems.append(Problem(kind="one-gong", message=message, effect=effect))
    if _pool([one["ringing_hz"] for one in told]) is None:
        message = "the blows do not tell when the clapper has gone there and back"
        effect = "the ringing frequency is withheld; strikes and how often they repeat stand"
        problems.append(Problem(kind="pattern", message=message, effect=effect))
    return problems


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
    return _find_peaks(_list_power(samples, rate_hz), rate_hz)


def _frame_s(rate_hz: int) -> float:
    """Frames are whole samples, so as long as the rate allows."""
    return max(1, round(FRAME_S * rate_hz)) / rate_hz


def _list_power(samples: Array, rate_hz: int) -> Array:
    """Power of what is sudden, frame by frame, decibels."""
    from scipy.signal import lfilter

    hop = max(1, round(FRAME_S * rate_hz))
    weights = _foretell(samples)

    def work(piece: Array, _first: int) -> Array:
        return average(np.asarray(lfilter(weights, [1.0], piece)) ** 2, 2 * hop)

    power = work_in_pieces(work, samples, PREDICT_FROM + 2 * hop, hop=hop)
    return np.asarray(10.0 * np.log10(power + 1e-20))


def _find_peaks(power_db: Array, rate_hz: int) -> Array:
    """Blows, seconds, shape (n_strikes,)."""
    from scipy.signal import find_peaks

    room_db = float(np.percentile(power_db, 10.0))
    least_db = max(room_db + LEAST_OVER_ROOM_DB, float(np.max(power_db)) - UNDER_LOUDEST_DB)
    peaks = find_peaks(power_db, height=least_db, distance=round(BLIND_S / FRAME_S))[0]
    before = np.array([np.min(power_db[max(0, at - 8) : at + 1]) for at in peaks], dtype=float)
    kept = peaks[power_db[peaks] - before > RISE_DB] if len(peaks) else peaks
    # The running mean peaks a frame after the blow.
    return np.asarray((kept - 0.5) * _frame_s(rate_hz), dtype=float)


def _foretell(samples: Array) -> Array:
    """
    Filter that leaves what the past does not predict: the blows, and noise.

    The notes of a gong go on as they were, so a linear prediction takes them out, wherever they
    lie; a filter would have to know where.
    """
    from scipy.linalg import solve_toeplitz

    n = len(samples)
    both = np.array([np.dot(samples[lag:], samples[: n - lag]) for lag in range(PREDICT_FROM + 1)])
    both[0] *= 1.0 + 1e-9
    past = solve_toeplitz(both[:PREDICT_FROM], both[1:])
    return np.concatenate([[1.0], -past])


def _split(strikes_s: Array) -> list[Array]:
    if not len(strikes_s):
        return []
    return list(np.split(strikes_s, np.flatnonzero(np.diff(strikes_s) > RING_GAP_S) + 1))


def _list_cadence(rings: list[Array]) -> tuple[float, ...]:
    """On, off, on, ... as it was heard."""
    parts = []
    for index, ring in enumerate(rings):
        parts.append(float(ring[-1] - ring[0]))
        if index + 1 < len(rings):
            parts.append(float(rings[index + 1][0] - ring[-1]))
    return tuple(parts)


def _list_tails(
    rings: list[Array], end_s: float, least_s: float, blow: int = -1
) -> list[tuple[float, float]]:
    """Ringing after each last strike, or another, until the next ring or the end."""
    tails = []
    for index, ring in enumerate(rings):
        until_s = float(rings[index + 1][0]) if index + 1 < len(rings) else end_s
        from_s = float(ring[max(blow, -len(ring))])
        if until_s - from_s - 0.02 > least_s:
            tails.append((from_s + 0.01, until_s - 0.01))
    return tails


def _find_gongs(samples: Array, rate_hz: int, rings: list[Array]) -> tuple[float, ...]:
    """
    First notes of one or two gongs, from what sounds on after the last strikes.

    Of gongs that die away at once the last but one has sounded before; and where a recording ends
    while it rings nothing sounds on, so its last dozen blows must do.
    """
    last = _find_notes(samples, rate_hz, rings, -1)
    if len(last) == 1:
        both = _find_notes(samples, rate_hz, rings, -2)
        return both if len(both) == 2 else last
    return last or _find_notes(samples, rate_hz, rings, -DOZEN)


def _find_notes(samples: Array, rate_hz: int, rings: list[Array], blow: int) -> tuple[float, ...]:
    """The same after one of the last strikes."""
    n_fft = 1 << 17
    total = np.zeros(n_fft // 2 + 1)
    for from_s, to_s in _list_tails(rings, len(samples) / rate_hz, 0.1, blow):
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
    room = float(np.median(band)) * 10.0 ** (0.1 * GONG_OVER_ROOM_DB)
    least = min(largest, max(room, largest * 10.0 ** (-0.1 * GONG_DB)))
    while len(gongs) < 2:
        at = int(np.argmax(band))
        if band[at] < least:
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

    def work(piece: Array, _first: int) -> Array:
        return average(sosfiltfilt(band, keep_awake(piece)) ** 2, 2 * hop)

    power = work_in_pieces(work, samples, round(DECAY_REACH_S * rate_hz), hop=hop)
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
