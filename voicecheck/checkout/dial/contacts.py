"""
When a pulse contact opened and closed, from a tone that runs through it.

The envelope of a tone of about 1 kHz shows make and break too coarsely, so each edge is found where
the recording departs from what the state before it predicts: the fitted tone before an opening,
near silence before a closing. The end of a bounce is looked for backwards, from the steady tone of
the closed contact into what the transformer's ringing, as smooth as the openings show it to be,
does not explain; there a known tone is missing, which is tested for besides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.checkout.dial.edges import (
    Edge,
    Foretelling,
    find_departure,
    find_tone_edge,
    list_surprises,
    make_foretelling,
)
from voicecheck.checkout.signals import (
    demodulate,
    find_spans,
    find_tone_hz,
    fit_tone,
    join_spans,
    make_tone,
    mean_square,
    work_in_pieces,
)
from voicecheck.errors import RecordingError
from voicecheck.records import Recording
from voicecheck.records.arrays import Array

SHORTEST_BREAK_S, SHORTEST_MAKE_S = 0.012, 0.006
"""
Of the envelope: a shorter break is a spark or crackle, a shorter make a bounce. The shortest real
ones, at 12 pulses/s and 50 % break, are 42 ms; half or twice these bounds changes no count there.
"""
LONGEST_BREAK_S = 0.25
"""Longer, the handset was put down: at 7.5 pulses/s and 72 % break an opening lasts 96 ms."""
LONGEST_BOUNCE_S = 0.015
"""After the first closure. Made dials bounce up to 6 ms; a make of 20 ms must still end steady."""
LEAST_TONE_DB = 10.0
"""Tone over all else: twice it refuses recordings at 14 dB, which are read well."""
LEAST_BOUNCE_RATE_HZ = 16000
"""At 8 kHz a sample is 0.125 ms, and a band of 4 kHz rounds every edge of a bounce."""
HIDDEN_SHARE = 0.12
"""
Of the tone: more noise would hide the edges of a bounce (some 17 dB at 16 kHz). Half of it
withholds every bounce at 20 dB, where 95 of 100 are right to 0.2 ms; twice it states them at
14 dB too.
"""
FLOOR_SHARE = 0.03
"""
Of the tone: what is neither noise nor an edge (filters that ring, a tone that wanders). Half of it
makes the largest error of a bounce a seventh larger, twice it that of a break ratio a sixth.
"""
HUM_S = 0.6e-3
"""
Smooth length of what goes on in a state; what is shorter counts as its noise. Half and twice it
change no figure by a tenth of its error.
"""
LEAST_WHITE_SHARE = 0.02
"""
Of the tone: foretelling from less noise would follow the edges of a telephone band too. Half and
twice it change nothing on loops without such a band: `tests/test_checkout_loops.py` has them.
"""
RINGING_SHARE = 0.4
"""
Of the tone: ringing that lasts into a bounce (common practice, no source). Twice it costs a
twentieth of a bounce's error, half of it nothing.
"""
SHORTEST_RINGING_S, LONGEST_RINGING_S = 0.1e-3, 0.6e-3
"""Between them `_measure_ringing` is believed: periods of some 0.6 to 3.6 ms, or six lengths."""
SMOOTHER = 1.7
"""Ringing's length is taken so much longer: still foretells it, and less of an edge's band."""
SAME_EDGE_S, SURE_S = 0.4e-3, 0.05e-3
"""
Two tests within the first see one edge; a departure surer than the second says where. Twice the
second costs a tenth of a bounce's error, half of it and either of the first nothing.
"""
LOST_S = 0.5e-3
"""Deviation of an edge that no test finds: what the envelope alone gives."""


@dataclass(frozen=True, slots=True)
class Break:
    """
    First opening, first closure, and time to the last closure (`None`: hidden by noise).

    Each with its standard deviation.
    """

    opened_s: float
    closed_s: float
    bounce_s: float | None
    opened_deviation_s: float
    closed_deviation_s: float
    bounce_deviation_s: float | None


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
    envelope = np.abs(phasor)
    # In any order it has the same mean square, and it need not be held twice.
    amplitude = float(np.percentile(envelope, 80, overwrite_input=True))
    _check_tone(samples, envelope, amplitude, tone_hz, found_hz)
    del envelope
    spans = _find_coarse(_leave_closed(phasor, amplitude, rate_hz), rate_hz)
    if not spans:
        return []
    edges = _Edges(samples, rate_hz, found_hz, amplitude)
    opened = [edges.find_opening(first) for first, _ in spans]
    closed = [
        edges.find_closing(start, last) for start, (_, last) in zip(opened, spans, strict=True)
    ]
    following = [*(edge.at for edge in opened[1:]), len(samples)]
    ringing_s = _measure_ringing(samples, rate_hz, opened, amplitude)
    last = [
        edges.find_last_closing(one, until, ringing_s)
        for one, until in zip(closed, following, strict=True)
    ]
    return [_make_break(*three, rate_hz) for three in zip(opened, closed, last, strict=True)]


def _make_break(opened: Edge, closed: Edge, last: Edge | None, rate_hz: int) -> Break:
    bounce_s = deviation_s = None
    if last is not None:
        bounce_s = max(0.0, last.at - closed.at) / rate_hz
        deviation_s = float(np.hypot(last.deviation, closed.deviation)) / rate_hz
    return Break(
        opened_s=opened.at / rate_hz,
        closed_s=closed.at / rate_hz,
        bounce_s=bounce_s,
        opened_deviation_s=opened.deviation / rate_hz,
        closed_deviation_s=closed.deviation / rate_hz,
        bounce_deviation_s=deviation_s,
    )


def _measure_ringing(
    samples: Array, rate_hz: int, opened: Sequence[Edge], amplitude: float
) -> float:
    """Length over which ringing is smooth, seconds, from what follows the sparks of openings."""
    lag = max(1, round(1e-4 * rate_hz))
    once = twice = 0.0
    for edge in opened:
        first = round(edge.at)
        part = samples[first + round(1.2e-3 * rate_hz) : first + round(8e-3 * rate_hz)]
        once += float(np.mean(part[lag:] * part[:-lag])) / len(opened)
        twice += float(np.mean(part[2 * lag :] * part[: -2 * lag])) / len(opened)
    if once < (0.05 * amplitude) ** 2:
        return LONGEST_RINGING_S
    # exp(-(t / length)^2 / 2) at one lag and at two, neither of which white noise reaches.
    fall = np.log(once / max(twice, 0.05 * once))
    length_s = SMOOTHER * lag / rate_hz * np.sqrt(1.5 / max(fall, 1e-6))
    return float(np.clip(length_s, SHORTEST_RINGING_S, LONGEST_RINGING_S))


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

    def work(piece: NDArray[np.complex128], first: int) -> Array:
        place = np.arange(first, first + len(piece))
        steady = np.interp(place, centre, closed[known].real) + 1j * np.interp(
            place, centre, closed[known].imag
        )
        return np.asarray(np.abs(piece - steady) / np.abs(steady))

    return work_in_pieces(work, phasor, 0)


def _check_tone(
    samples: Array, envelope: Array, amplitude: float, nominal_hz: float, found_hz: float
) -> None:
    """Refuse a recording in which the tone is not the rule, or hardly above the rest."""
    rest = max(mean_square(samples) - 0.5 * mean_square(envelope), 1e-30) ** 0.5
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
        self.amplitude = amplitude

    def _n(self, time_s: float) -> int:
        return round(time_s * self.rate_hz)

    def find_opening(self, coarse: int) -> Edge:
        """Where the closed contact's tone no longer explains the sound."""
        first, begin = max(coarse - self._n(0.014), 0), coarse - self._n(0.004)
        return self._follow(first, begin, coarse + self._n(0.004), coarse)

    def find_closing(self, opened: Edge, coarse: int) -> Edge:
        """Where an open contact no longer explains the sound."""
        start = round(opened.at)
        begin = max(coarse - self._n(0.012), start + (coarse - start) // 2)
        # Of a very short break, what rings still has to serve as quiet.
        first = min(max(begin - self._n(0.01), start + self._n(0.008)), begin - self._n(0.003))
        return self._follow(first, begin, coarse + self._n(0.006), coarse)

    def find_last_closing(self, closed: Edge, following: float, ringing_s: float) -> Edge | None:
        """Where, backwards, the closed contact's tone no longer explains the sound."""
        if self.rate_hz < LEAST_BOUNCE_RATE_HZ:
            return None
        start = round(closed.at)
        first, last = self._find_steady(start, round(following))
        if first < start + self._n(0.002):
            return None
        tone = self._fit(first, last)
        rest = self._take_off(tone, start - self._n(0.002), last)[::-1]
        steady = rest[: last - first]
        white = max(_find_white(steady), LEAST_WHITE_SHARE * self.amplitude)
        foretelling = make_foretelling(
            RINGING_SHARE * self.amplitude, white, self.rate_hz, ringing_s
        )
        surprises = list_surprises(rest, foretelling)
        noise = _find_rms(surprises[len(foretelling.weights) : last - first])
        if noise > HIDDEN_SHARE * self.amplitude:
            return None
        noise = self._soften(max(noise, foretelling.left))
        end = min(start + self._n(LONGEST_BOUNCE_S), first)
        place = end - 1 - np.arange(len(surprises) - (last - end))
        found = self._settle(surprises[last - end :], noise, self._turn(-tone, place), foretelling)
        return closed if found is None else Edge(end - 1 - found.at, found.deviation)

    def _settle(
        self,
        surprises: Array,
        noise: float,
        tone: NDArray[np.complex128],
        foretelling: Foretelling,
    ) -> Edge | None:
        """The first of a departure and of the tone's edge, the surer where they may be the same."""
        known = find_tone_edge(surprises, noise, tone, foretelling)
        departed = find_departure(surprises, noise, self.amplitude)
        if known is None or departed is None:
            return known or departed
        before = surprises[: max(0, round(known.at))]
        earlier = find_departure(before, noise, self.amplitude) if len(before) else None
        if earlier is not None:
            return earlier
        is_same = abs(departed.at - known.at) < self._n(SAME_EDGE_S)
        return departed if is_same and departed.deviation < SURE_S * self.rate_hz else known

    def _turn(self, tone: complex, place: NDArray[np.intp]) -> NDArray[np.complex128]:
        return np.asarray(tone * np.exp(2j * np.pi * self.tone_hz / self.rate_hz * place))

    def _find_steady(self, closed: int, following: int) -> tuple[int, int]:
        """Samples after a closing that no bounce reaches, before the next opening."""
        first = closed + self._n(0.02)
        last = min(first + self._n(0.02), following - self._n(0.001), len(self.samples))
        return (first, last) if last - first >= self._n(0.005) else (last - self._n(0.008), last)

    def _follow(self, first: int, begin: int, end: int, coarse: int) -> Edge:
        """Where first..end departs from what first..begin foretells."""
        rest = self._take_off(self._fit(first, begin), first, end)
        quiet = rest[: begin - first]
        noise = max(self._find_noise(quiet), FLOOR_SHARE * self.amplitude)
        smooth = float(np.sqrt(max(_find_rms(quiet) ** 2 - noise**2, 0.0)))
        foretelling = make_foretelling(smooth, noise, self.rate_hz, HUM_S)
        surprises = list_surprises(rest, foretelling)
        noise = self._soften(_find_rms(surprises[len(foretelling.weights) : begin - first]))
        found = find_departure(surprises[begin - first :], noise, self.amplitude)
        if found is None:
            return Edge(coarse, LOST_S * self.rate_hz)
        return Edge(begin + found.at, found.deviation)

    def _fit(self, first: int, last: int) -> complex:
        return fit_tone(self.samples, self.rate_hz, self.tone_hz, first, last)

    def _find_noise(self, values: Array) -> float:
        """RMS of what is not smooth, by a difference over half a wave of 2 kHz."""
        lag = max(1, self._n(0.25e-3))
        return float(_find_rms(values[lag:] - values[:-lag]) * 0.5**0.5)

    def _take_off(self, tone: complex, first: int, last: int) -> Array:
        away = make_tone(tone, self.rate_hz, self.tone_hz, first, last)
        return np.asarray(self.samples[first:last] - away)

    def _soften(self, noise: float) -> float:
        return float(np.hypot(noise, FLOOR_SHARE * self.amplitude))


def _find_rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _find_white(values: Array) -> float:
    """RMS of white noise in a sound that is smooth otherwise, by its fourth difference."""
    return float(np.std(np.diff(values, 4)) / np.sqrt(70.0))
