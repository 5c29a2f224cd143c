"""
Where the programme lies in a recording: every pair of marks, echoes, what is missing.

The opening and the closing mark are found by a matched filter at a low rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NoReturn

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from voicecheck.errors import RecordingError
from voicecheck.fourier import find_next_fast_length
from voicecheck.inspection.placing import Pair, place_take
from voicecheck.programme import make_mark
from voicecheck.records import Programme, Recording, Timeline
from voicecheck.records.arrays import Array

MAX_DRIFT_PPM = 1000.0
"""Beyond this the marks do not belong to one programme played on one clock."""
MARK_SEARCH_RATE_HZ = 8000.0
"""Keeps the mark's band (600-3000 Hz) below half the rate; slower would fold it onto itself."""
MARK_FOUND = 0.35
"""
Least correlation coefficient that counts as a mark.

Measured: 16 s of white noise reach 0.12, the rest of the programme 0.09, a mark through a carbon
response in noise of -8 dBFS 0.73. Below 0.15 noise passes for a mark; above 0.7 loud rooms lose it.
"""
APART_S = 0.15
"""Arrivals nearer than this are one mark with the room's early sound."""
ECHO_S = (0.15, 1.2)
"""Between these a further mark is an echo or a second arrival; later it is another take."""
LEAST_ECHO_DB = -30.0
"""
A weaker one moves no point by more than 0.3 dB.

The silence after the opening mark holds nothing else: 0 of 36 takes of nine plants without an
echo showed one.
"""
ALIKE_DB = 0.5
"""Takes within this of the strongest are as strong; the earliest of them is taken."""
GAUGE = 8
"""Samples at the search rate, 1 ms: a mark's correlation has died away by then."""
SILENT_PEAK = 1e-5
"""A third of one step of 16 bits: what a live input never stays below, its own hiss being more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrivals:
    """
    The takes that a recording holds, in their order, and arrivals of a mark beside them.

    An echo is a time after the opening mark of a take (before it if negative) and a level against
    it, in seconds and dB.
    """

    takes: tuple[Pair, ...]
    echoes: tuple[tuple[tuple[float, float], ...], ...]

    @property
    def best(self) -> int:
        """Index of the strongest take; of those that are as strong the earliest."""
        levels_db = [one.level_db for one in self.takes]
        return next(i for i, db in enumerate(levels_db) if db > max(levels_db) - ALIKE_DB)


def find_timeline(programme: Programme, recording: Recording) -> Timeline:
    """
    Latency and drift from the two marks of the strongest take.

    Parameters
    ----------
    programme : Programme
    recording : Recording

    Returns
    -------
    Timeline

    Raises
    ------
    RecordingError
        Kind "no-signal", "wrong-programme", "lost-samples", "starts-late" or "stops-early".
    """
    arrivals = find_arrivals(programme, recording)
    return place_take(programme, recording, arrivals.takes[arrivals.best])


def find_arrivals(programme: Programme, recording: Recording) -> Arrivals:
    """
    Every pair of marks as far apart as the programme's, by a matched filter at a low rate.

    Parameters
    ----------
    programme : Programme
    recording : Recording

    Returns
    -------
    Arrivals
        At least one take.

    Raises
    ------
    RecordingError
        As `find_timeline`.
    """
    samples = recording.samples
    _refuse_silence(samples)
    opening, closing = programme.blocks_of("mark")
    spacing_s = closing.start_s - opening.start_s
    factor, rate_hz = _choose_search_rate(recording)
    template = _make_template(programme, rate_hz)
    n_slow = len(samples) // factor
    if n_slow <= len(template):
        _refuse_shortness(programme, recording)
    slack = round(MAX_DRIFT_PPM * 1e-6 * spacing_s * rate_hz) + 2
    spacing = round(spacing_s * rate_hz)
    # Both marks lie within what the recording is longer than their distance: no need to look
    # for them anywhere else; echoes of the opening one come a little later.
    room = n_slow - spacing - len(template) + slack
    if room >= 0:
        after = round(ECHO_S[1] * rate_hz)
        early = _slow_down(samples[: (room + after + len(template)) * factor], factor)
        late = _slow_down(samples[(spacing - slack) * factor :], factor)
        early_score, level = _correlate(early, template)
        late_score, _ = _correlate(late, template)
        # The closing mark's score is widened by the drift that may lie between the two.
        later = sliding_window_view(np.pad(late_score, (0, 2 * slack)), 2 * slack + 1)
        n_starts = min(len(early_score), len(later))
        starts = np.flatnonzero(early_score[:n_starts] >= MARK_FOUND)
        both = np.zeros(n_starts)
        both[starts] = np.minimum(early_score[starts], np.max(later[starts], axis=-1))
        peaks = _find_peaks(both, round(APART_S * rate_hz))
        if len(peaks):
            found = tuple(
                Pair(
                    opening_s=start / rate_hz,
                    closing_s=(start + np.argmax(later[start]) + spacing - slack) / rate_hz,
                    level_db=_gauge_db(level, start),
                )
                for start in peaks.tolist()
            )
            return _sort_arrivals(found, early_score, level, rate_hz)
    slow = _slow_down(samples, factor)
    raise _explain_missing_mark(_correlate(slow, template)[0], slow, rate_hz, programme)


def _refuse_silence(samples: Array) -> None:
    if np.max(samples, initial=0.0) < SILENT_PEAK and np.min(samples, initial=0.0) > -SILENT_PEAK:
        message = (
            "the recording is silent: nothing came back from the handset; "
            "check the cables, the input channel and its gain, then record again"
        )
        raise RecordingError(message, "no-signal")


def _refuse_shortness(programme: Programme, recording: Recording) -> NoReturn:
    message = (
        f"the recording is {recording.duration_s:.2f} s long and the programme needs "
        f"{programme.duration_s:.1f} s; let the recorder run for the whole programme"
    )
    raise RecordingError(message, "stops-early", recording.duration_s)


def find_marks(programme: Programme, recording: Recording) -> tuple[float, ...]:
    """
    Starts of everything that sounds like the programme's mark, seconds of the recording.

    Parameters
    ----------
    programme : Programme
    recording : Recording

    Returns
    -------
    tuple of float
    """
    factor, rate_hz = _choose_search_rate(recording)
    template = _make_template(programme, rate_hz)
    slow = _slow_down(recording.samples, factor)
    if len(slow) <= len(template):
        return ()
    score, _ = _correlate(slow, template)
    peaks = _find_peaks(score, round(APART_S * rate_hz))
    return tuple((peaks / rate_hz).tolist())


def _choose_search_rate(recording: Recording) -> tuple[int, float]:
    factor = max(1, round(recording.rate_hz / MARK_SEARCH_RATE_HZ))
    return factor, recording.rate_hz / factor


def _make_template(programme: Programme, rate_hz: float) -> Array:
    length_s = programme.recipe.mark_s
    return make_mark(programme.recipe, np.arange(round(length_s * rate_hz)) / rate_hz)


def _gauge_db(level: Array, place: int) -> float:
    """Level of an arrival: the gain around it, whatever part of a sample it is late by."""
    near = level[max(0, place - GAUGE) : place + GAUGE + 1]
    return 10.0 * math.log10(float(np.mean(near**2)) + 1e-30)


def _find_peaks(score: Array, apart: int) -> NDArray[np.intp]:
    """Places of scores that count and are the largest within `apart` on either side."""
    places = np.flatnonzero(score >= MARK_FOUND)
    keep: list[int] = []
    for place in places[np.argsort(-score[places], kind="stable")].tolist():
        if all(abs(place - other) > apart for other in keep):
            keep.append(place)
    return np.array(sorted(keep), dtype=np.intp)


def _sort_arrivals(found: tuple[Pair, ...], score: Array, level: Array, rate_hz: float) -> Arrivals:
    """Takes apart from the echoes that follow (or precede) a stronger one closely."""
    takes: list[Pair] = []
    for pair in sorted(found, key=lambda one: -one.level_db):
        if all(abs(pair.opening_s - one.opening_s) > ECHO_S[1] for one in takes):
            takes.append(pair)
    takes.sort(key=lambda one: one.opening_s)
    reach, dead = (round(edge * rate_hz) for edge in reversed(ECHO_S))
    echoes = []
    for take in takes:
        at = round(take.opening_s * rate_hz)
        first = max(0, at - reach)
        near = score[first : at + reach].copy()
        near[max(0, at - dead - first) : at + dead - first] = 0.0
        heard = []
        for place in (_find_peaks(near, round(APART_S * rate_hz)) + first).tolist():
            down_db = _gauge_db(level, place) - _gauge_db(level, at)
            if down_db > LEAST_ECHO_DB:
                heard.append(((place - at) / rate_hz, down_db))
        echoes.append(tuple(heard))
    return Arrivals(takes=tuple(takes), echoes=tuple(echoes))


def _slow_down(samples: Array, factor: int) -> Array:
    """Means over `factor` samples: a crude low rate, good enough to find a mark."""
    usable = len(samples) // factor * factor
    # Sums of long strides: over rows of a few samples they would take twice as long.
    total = np.array(samples[:usable:factor])
    for offset in range(1, factor):
        total += samples[offset:usable:factor]
    return np.asarray(total / factor)


def _explain_missing_mark(
    score: Array, slow: Array, rate_hz: float, programme: Programme
) -> RecordingError:
    """The error that fits what was found in place of two marks."""
    best = int(np.argmax(score))
    at_s = best / rate_hz
    rest = score.copy()
    rest[max(0, best - round(0.3 * rate_hz)) : best + round(0.3 * rate_hz)] = 0.0
    second_s = int(np.argmax(rest)) / rate_hz
    duration_s = len(slow) / rate_hz
    if score[best] < MARK_FOUND:
        message = (
            "this is not a recording of that programme: neither of its marks is in it; "
            "check that the right programme file was given and that it was really played"
        )
        return RecordingError(message, "wrong-programme")
    opening, closing = programme.blocks_of("mark")
    spacing_s = closing.start_s - opening.start_s
    if float(np.max(rest)) >= MARK_FOUND:
        message = (
            f"this is a recording of another programme: its marks are {abs(second_s - at_s):.2f} "
            "s apart, not as in the programme given; give the programme file that was played"
        )
        return RecordingError(message, "wrong-programme", min(at_s, second_s))
    mark = round(programme.recipe.mark_s * rate_hz)
    # The programme's sound lies after the opening mark and before the closing one.
    is_opening = np.sum(slow[best + mark :] ** 2) > np.sum(slow[:best] ** 2)
    if is_opening and at_s + spacing_s + programme.recipe.mark_s > duration_s:
        message = (
            f"the recording stops {duration_s:.2f} s in, before the closing mark; "
            "let the recorder run on until the programme has ended"
        )
        return RecordingError(message, "stops-early", duration_s)
    if not is_opening and at_s < spacing_s:
        message = (
            "the recording starts after the opening mark; start the recorder first, "
            "then play the programme"
        )
        return RecordingError(message, "starts-late", 0.0)
    message = (
        f"there is one mark, at {at_s:.2f} s, and the other is missing; "
        "the sound was cut off or another programme was played; record again"
    )
    return RecordingError(message, "wrong-programme", at_s)


@lru_cache(maxsize=8)
def _transform_template(template: bytes, size: int) -> NDArray[np.complex128]:
    """Conjugate spectrum of a template, which is the same for every recording of a length."""
    return np.asarray(np.conj(np.fft.rfft(np.frombuffer(template), size)))


def _correlate(samples: Array, template: Array) -> tuple[Array, Array]:
    """Correlation coefficient of the template with every stretch, and its gain there."""
    # What wraps around lies beyond the last whole stretch.
    size = find_next_fast_length(len(samples))
    product = np.fft.rfft(samples, size) * _transform_template(template.tobytes(), size)
    count = len(samples) - len(template) + 1
    raw = np.abs(np.fft.irfft(product, size)[:count])
    energy = np.zeros(len(samples) + 1)
    np.cumsum(samples**2, out=energy[1:])
    local = energy[len(template) :] - energy[:count]
    # A floor keeps stretches of digital silence from scoring on rounding noise.
    floor = 1e-6 * np.max(local) + 1e-30
    own = float(np.sum(template**2))
    return np.asarray(raw / np.sqrt(own * (local + floor))), np.asarray(raw / own)
