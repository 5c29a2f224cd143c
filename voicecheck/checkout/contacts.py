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
HIDDEN_SHARE = 0.4
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
    envelope = np.abs(demodulate(samples, rate_hz, found_hz, 2))
    amplitude = float(np.percentile(envelope, 80))
    _check_tone(samples, envelope, amplitude, tone_hz, found_hz)
    spans = _find_coarse(envelope, amplitude, rate_hz)
    edges = _Edges(samples, rate_hz, found_hz, amplitude)
    breaks = []
    for index, (first, last) in enumerate(spans):
        following = spans[index + 1][0] if index + 1 < len(spans) else len(samples)
        opened = edges.find_opening(first)
        closed = edges.find_closing(first, last)
        bounce = edges.measure_bounce(closed, following)
        breaks.append(
            Break(opened / rate_hz, closed / rate_hz, None if bounce is None else bounce / rate_hz)
        )
    return breaks


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


def _find_coarse(envelope: Array, amplitude: float, rate_hz: int) -> list[tuple[int, int]]:
    """Spans below half the tone, short makes joined, then short breaks dropped, by sample."""
    # A little hysteresis keeps noise on the way down from making edges of its own.
    low = find_spans(envelope < 0.6 * amplitude)
    spans = [(first, last) for first, last in low if np.min(envelope[first:last]) < 0.4 * amplitude]
    spans = join_spans(spans, round(SHORTEST_MAKE_S * rate_hz))
    margin = round(0.02 * rate_hz)
    return [
        (first, last)
        for first, last in spans
        if SHORTEST_BREAK_S * rate_hz < last - first < LONGEST_BREAK_S * rate_hz
        and first > margin
        and last < len(envelope) - margin
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
        first, begin = coarse - self._n(0.014), coarse - self._n(0.004)
        end = coarse + self._n(0.004)
        first = max(first, 0)
        tone = fit_tone(self.samples, self.rate_hz, self.tone_hz, first, begin)
        rest = self.samples[first:end] - make_tone(tone, self.rate_hz, self.tone_hz, first, end)
        noise = float(np.std(rest[: begin - first]))
        limit = max(5.5 * noise, 0.06 * self.amplitude)
        beyond = np.flatnonzero(np.abs(rest[begin - first :]) > limit)
        return begin + int(beyond[0]) if len(beyond) else coarse

    def find_closing(self, opened: int, coarse: int) -> int:
        """First sample that an open contact does not explain."""
        begin = max(coarse - self._n(0.012), opened + (coarse - opened) // 2)
        quiet = self.samples[max(begin - self._n(0.004), opened) : begin]
        limit = max(5.5 * float(np.sqrt(np.mean(quiet**2))), 0.1 * self.amplitude)
        beyond = np.flatnonzero(np.abs(self.samples[begin : coarse + self._n(0.006)]) > limit)
        return begin + int(beyond[0]) if len(beyond) else coarse

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
        tone = fit_tone(self.raw, self.rate_hz, self.tone_hz, first, last)
        begin = closed - 2 * step
        rest = self.raw[begin:last] - make_tone(tone, self.rate_hz, self.tone_hz, begin, last)
        sharp = _fourth_difference(rest, step)
        noise = float(np.std(sharp[first - begin - 2 * step :]))
        limit = max(6.0 * noise, 0.1 * self.amplitude)
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
