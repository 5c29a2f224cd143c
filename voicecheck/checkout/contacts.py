"""
When a pulse contact opened and closed, from a tone that runs through it.

A tone of about 1 kHz shows make and break too coarsely for bounce, so each edge is found where
the recording departs from what the state before it predicts: the fitted tone before an opening,
near silence before a closing. The end of a bounce is the last sharp edge, seen in a fourth
difference, which the line transformer's ringing (a few hundred hertz) does not reach.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.checkout.signals import (
    average,
    demodulate,
    find_spans,
    find_tone_hz,
    fit_tone,
    join_spans,
    make_tone,
)
from voicecheck.errors import RecordingError
from voicecheck.records import Recording
from voicecheck.records.arrays import Array

SHORTEST_BREAK_S, SHORTEST_MAKE_S = 0.012, 0.006
LONGEST_BREAK_S = 0.25
LONGEST_BOUNCE_S = 0.015
EDGE_S = 62e-6
"""Spacing of the fourth difference; edges of a contact are about as short."""
LEAST_TONE_DB = 10.0
SURE = 7.0
"""Deviations of the noise: millions of samples are looked at in a long number."""
HIDDEN_SHARE = 0.5
"""Of the tone: noise that reaches this far in the difference would hide an edge."""


@dataclass(frozen=True, slots=True)
class Break:
    """First opening, first closure, and time to the last closure (`None`: hidden by noise)."""

    opened_s: float
    closed_s: float
    bounce_s: float | None


def find_breaks(recording: Recording, tone_hz: float = 1000.0) -> list[Break]:
    """
    Every break of the contact, in order.

    Parameters
    ----------
    recording : Recording
    tone_hz : float
        Nominal frequency of the tone, within 2 %.

    Returns
    -------
    list of Break

    Raises
    ------
    RecordingError
        Kind "no-signal": the tone is not there.
    """
    samples, rate_hz = recording.samples, recording.rate_hz
    found_hz = find_tone_hz(samples, rate_hz, tone_hz)
    phasor = demodulate(samples, rate_hz, found_hz, 2)
    amplitude = float(np.percentile(np.abs(phasor), 80))
    _check_tone(samples, np.abs(phasor), amplitude, tone_hz, found_hz)
    spans = _find_coarse(_leave_closed(phasor, amplitude, rate_hz), rate_hz)
    if not spans:
        return []
    edges = _Edges(samples, rate_hz, found_hz, amplitude)
    opened = [edges.find_opening(first) for first, _ in spans]
    closed = [
        edges.find_closing(start, last) for start, (_, last) in zip(opened, spans, strict=True)
    ]
    following = [*opened[1:], len(samples)]
    bounces = [edges.measure_bounce(*pair) for pair in zip(closed, following, strict=True)]
    return [
        Break(
            start / rate_hz,
            end / rate_hz,
            None if bounce is None else bounce / rate_hz,
        )
        for start, end, bounce in zip(opened, closed, bounces, strict=True)
    ]


def _leave_closed(phasor: NDArray[np.complex128], amplitude: float, rate_hz: int) -> Array:
    """
    How far the tone is from what it is while the contact is closed: 0 closed, about 1 open.

    Phase counts: ringing of the transformer near the tone's frequency may be as loud as the tone,
    but it turns against it.
    """
    block = rate_hz
    starts = range(0, len(phasor), block)
    closed = np.full(len(starts), np.nan, dtype=complex)
    for index, start in enumerate(starts):
        part = phasor[start : start + block]
        near = part[np.abs(np.abs(part) - amplitude) < 0.3 * amplitude]
        if len(near) > 0.05 * block:
            closed[index] = complex(np.median(near.real), np.median(near.imag))
    known = np.flatnonzero(np.isfinite(closed))
    if not len(known):
        return np.asarray(1.0 - np.abs(phasor) / amplitude)
    centre = (np.array(starts) + 0.5 * block)[known]
    place = np.arange(len(phasor))
    steady = np.interp(place, centre, closed[known].real) + 1j * np.interp(
        place, centre, closed[known].imag
    )
    return np.asarray(np.abs(phasor - steady) / np.abs(steady))


def _check_tone(
    samples: Array, envelope: Array, amplitude: float, nominal_hz: float, found_hz: float
) -> None:
    """Refuse a recording in which the tone is not the rule, or hardly above the rest."""
    rest = max(float(np.mean(samples**2) - 0.5 * np.mean(envelope**2)), 1e-30) ** 0.5
    is_weak = amplitude < 1e-4 or amplitude < rest * 10.0 ** (LEAST_TONE_DB / 20.0) / np.sqrt(2.0)
    if is_weak or abs(found_hz - nominal_hz) > 0.03 * nominal_hz:
        message = (
            f"no steady {nominal_hz:g} Hz tone in the recording; play it through the loop while "
            "dialling, name another with --tone-hz, or use --clicks where only clicks were recorded"
        )
        raise RecordingError(message, "no-signal")


def _find_coarse(away: Array, rate_hz: int) -> list[tuple[int, int]]:
    """Spans that are open, short makes joined, then short breaks dropped, by sample."""
    # A little hysteresis keeps noise on the way from making edges of its own.
    spans = [
        (first, last) for first, last in find_spans(away > 0.4) if np.max(away[first:last]) > 0.6
    ]
    spans = join_spans(spans, round(SHORTEST_MAKE_S * rate_hz))
    margin = round(0.02 * rate_hz)
    return [
        (first, last)
        for first, last in spans
        if SHORTEST_BREAK_S * rate_hz < last - first < LONGEST_BREAK_S * rate_hz
        and first > margin
        and last < len(away) - margin
    ]


class _Edges:
    """Edge finder of one recording; positions in samples."""

    def __init__(self, samples: Array, rate_hz: int, tone_hz: float, amplitude: float) -> None:
        self.samples, self.rate_hz, self.tone_hz = samples, rate_hz, tone_hz
        self.raw = samples
        self.amplitude = amplitude
        noise = float(np.std(np.diff(samples, 2))) / np.sqrt(6.0)
        if noise > 0.02 * amplitude:
            # Half of the noise is worth more than 0.05 ms of sharpness.
            self.samples = average(samples, max(1, round(1e-4 * rate_hz)))

    def _n(self, time_s: float) -> int:
        return round(time_s * self.rate_hz)

    def find_opening(self, coarse: int) -> int:
        """First sample that the closed contact's tone does not explain."""
        first, begin = max(coarse - self._n(0.014), 0), coarse - self._n(0.004)
        end = coarse + self._n(0.004)
        rest = self._take_tone_off(self.raw, first, begin, first, end)
        sharp = self._find_sharp(rest, begin - first)
        if sharp is not None:
            return first + sharp
        rest = self._take_tone_off(self.samples, first, begin, first, end)
        noise = float(np.std(rest[: begin - first]))
        limit = max(5.5 * noise, 0.06 * self.amplitude)
        beyond = np.flatnonzero(np.abs(rest[begin - first :]) > limit)
        return begin + int(beyond[0]) if len(beyond) else coarse

    def find_closing(self, opened: int, coarse: int) -> int:
        """First sample that an open contact does not explain."""
        begin = max(coarse - self._n(0.012), opened + (coarse - opened) // 2)
        first, end = max(begin - self._n(0.01), opened + self._n(0.008)), coarse + self._n(0.006)
        sharp = self._find_sharp(self.raw[first:end], begin - first)
        if sharp is not None:
            return first + sharp
        quiet = self.samples[max(begin - self._n(0.004), opened) : begin]
        limit = max(5.5 * float(np.sqrt(np.mean(quiet**2))), 0.1 * self.amplitude)
        beyond = np.flatnonzero(np.abs(self.samples[begin:end]) > limit)
        return begin + int(beyond[0]) if len(beyond) else coarse

    def _take_tone_off(
        self, samples: Array, fit_first: int, fit_last: int, first: int, last: int
    ) -> Array:
        """Samples first..last less the tone that runs through the fit's."""
        tone = fit_tone(samples, self.rate_hz, self.tone_hz, fit_first, fit_last)
        return samples[first:last] - make_tone(tone, self.rate_hz, self.tone_hz, first, last)

    def _find_sharp(self, rest: Array, n_quiet: int) -> int | None:
        """Sample of the first sharp edge after the quiet ones; `None` where noise may hide it."""
        step = max(1, round(EDGE_S * self.rate_hz))
        sharp = _fourth_difference(rest, step)
        quiet = sharp[: n_quiet - 4 * step]
        if len(quiet) < 4 * step:
            return None
        limit = max(SURE * float(np.sqrt(np.mean(quiet**2))), 0.1 * self.amplitude)
        if limit > HIDDEN_SHARE * self.amplitude:
            return None
        beyond = np.flatnonzero(np.abs(sharp[len(quiet) :]) > limit)
        # The difference reaches two steps to either side of an edge.
        return len(quiet) + 4 * step + int(beyond[0]) if len(beyond) else None

    def measure_bounce(self, closed: int, following: int) -> int | None:
        """From the first closure to the last; `None` where noise would hide an edge."""
        step = max(1, round(EDGE_S * self.rate_hz))
        first = closed + self._n(0.02)
        last = min(first + self._n(0.02), following - self._n(0.001), len(self.samples))
        if last - first < self._n(0.005):
            first = last - self._n(0.008)
        end = min(closed + self._n(LONGEST_BOUNCE_S), first)
        if self.rate_hz < 16000 or end - closed < 4 * step:
            return None
        begin = closed - 2 * step
        rest = self._take_tone_off(self.raw, first, last, begin, last)
        sharp = _fourth_difference(rest, step)
        noise = float(np.std(sharp[first - begin - 2 * step :]))
        limit = max(SURE * noise, 0.1 * self.amplitude)
        if limit > HIDDEN_SHARE * self.amplitude:
            return None
        beyond = np.flatnonzero(np.abs(sharp[: end - closed]) > limit)
        if not len(beyond):
            return 0
        # The difference reaches two steps to either side of an edge.
        return max(0, int(beyond[-1]) - round(1.5 * step))


def _fourth_difference(values: Array, step: int) -> Array:
    """Centred on the samples from 2 steps on, shape (n - 4 step,)."""
    n = len(values) - 4 * step
    weights = (1.0, -4.0, 6.0, -4.0, 1.0)
    parts = (w * values[k * step : k * step + n] for k, w in enumerate(weights))
    return np.asarray(sum(parts))
