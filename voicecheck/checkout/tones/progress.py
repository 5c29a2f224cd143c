"""
Call-progress tones: every steady or cadenced tone, and all names that the tone table has for it.

Bursts of one to three components are found first; then the rows of the tone table are tried on
them, and the rows that explain the most of them from there on are its names. An even cadence that
no row explains is told without a name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.checkout.signals import resample
from voicecheck.checkout.tones.bursts import BANDS, RATE_HZ, Burst, find_bursts
from voicecheck.checkout.tones.fitting import Fit, find_evenness, fit_pattern
from voicecheck.checkout.tones.patterns import load_patterns
from voicecheck.records import ToneHeard, ToneName
from voicecheck.records.arrays import Array

UNNAMED = "tone"
MARGIN = 0.15
"""
Worse than the best row by which another one still is a name: all parts of a cadence off by a tenth
and a frequency by 1.5 % cost as much, and such is an exchange's tone (AS/CA S002:2010 5.3.4: 10 %).
"""
LEAST_OF_BEST = 0.75
"""Of the bursts that the best row explains: a cadence may begin or end within one."""
MAINS_HZ, MAINS_SHARE = (50.0, 60.0), 0.005
MAINS = ToneName(name="mains hum", region="any", period="", source="50 or 60 Hz and multiples")


@dataclass(frozen=True, slots=True)
class _Found:
    """Bursts from `at` on that make one tone: all fits, those of the chosen region, the period."""

    at: int
    n: int
    n_period: int
    fits: tuple[Fit, ...] = ()
    own: tuple[Fit, ...] = ()


def find_progress_tones(samples: Array, rate_hz: int, region: str = "") -> list[ToneHeard]:
    """
    Every steady or cadenced tone in a recording.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full-scale units.
    rate_hz : int
        8000 or more.
    region : str
        Whose names decide on `kind`; "" for all.

    Returns
    -------
    list of ToneHeard
        In order of time; kind "tone" where no row fits, or rows of different kinds.
    """
    sound = resample(samples, rate_hz, RATE_HZ)
    length_s = len(sound) / RATE_HZ
    events: list[ToneHeard] = []
    for band in BANDS:
        bursts = find_bursts(sound, band)
        index = 0
        while index < len(bursts):
            found = _find_at(bursts, index, region, length_s)
            if found.n:
                events.append(_describe(bursts, found, region))
            index += max(found.n, 1)
    return sorted(events, key=lambda event: event.start_s)


def _find_at(bursts: Sequence[Burst], at: int, region: str, length_s: float) -> _Found:
    """The tone that begins with a burst, if one does."""
    fits = [
        fit
        for pattern in load_patterns()
        if (fit := fit_pattern(bursts, at, pattern, length_s)) is not None
    ]
    rows = load_patterns(region)
    own = [fit for fit in fits if fit.pattern in rows]
    n_even, n_period = find_evenness(bursts, at)
    for some in (own, fits):
        n_named = max((fit.n for fit in some), default=0)
        if n_named and n_named >= n_even:
            most = [fit for fit in some if fit.n >= LEAST_OF_BEST * n_named]
            limit = min(fit.cost for fit in most) + MARGIN
            kept = [f for f in fits if f.n >= LEAST_OF_BEST * n_named and f.cost <= limit]
            kept.sort(key=lambda fit: (-fit.n, fit.cost))
            n_period = len(kept[0].pattern.cadence_s) // 2
            ours = tuple(fit for fit in kept if fit.pattern in rows)
            return _Found(at, n_named, n_period, tuple(kept), ours)
    return _Found(at, n_even, n_period)


def _describe(bursts: Sequence[Burst], found: _Found, region: str) -> ToneHeard:
    heard = bursts[found.at : found.at + found.n]
    weights = [burst.on_s for burst in heard]
    power = np.average([10.0 ** (0.1 * burst.level_dbfs) for burst in heard], weights=weights)
    names = [
        ToneName(
            name=fit.pattern.kind,
            region=fit.pattern.region,
            period=fit.pattern.period,
            source=fit.pattern.source,
        )
        for fit in found.fits
    ]
    kinds = {fit.pattern.kind for fit in found.own}
    if not found.n_period and _is_mains(heard[0].peaks_hz):
        names.append(MAINS)
        kinds.add(MAINS.name)
    best = (found.own or found.fits)[:1]
    return ToneHeard(
        kind=kinds.pop() if len(kinds) == 1 and found.own else UNNAMED,
        start_s=heard[0].start_s,
        end_s=heard[-1].end_s,
        level_dbfs=float(10.0 * np.log10(power)),
        frequencies_hz=_find_carriers(heard, best[0] if best else None),
        cadence_s=_measure_cadence(heard, 2 * found.n_period),
        region=region or None,
        names=tuple(dict.fromkeys(names)),
    )


def _is_mains(peaks_hz: tuple[float, ...]) -> bool:
    """Whether every component is the mains' or a multiple of it."""
    return any(
        all(
            hz < BANDS[-1].high_hz
            and abs(hz / (mains * max(1, round(hz / mains))) - 1.0) < MAINS_SHARE
            for hz in peaks_hz
        )
        for mains in MAINS_HZ
    )


def _find_carriers(heard: Sequence[Burst], fit: Fit | None) -> tuple[float, ...]:
    """Mean of each component; of a modulated tone the carrier, of tones in turn each of them."""
    if fit is None:
        return _average([burst.peaks_hz for burst in heard], heard)
    pattern, n_parts = fit.pattern, len(fit.pattern.peaks)
    parts = [(fit.phase + index) % n_parts for index in range(len(heard))]
    carriers: list[float] = []
    # Bursts of the same components count together.
    for peaks_hz in dict.fromkeys(pattern.peaks):
        chosen = [
            burst
            for burst, part in zip(heard, parts, strict=True)
            if pattern.peaks[part] == peaks_hz and len(burst.peaks_hz) == len(peaks_hz)
        ]
        nominal = pattern.carriers[pattern.peaks.index(peaks_hz)]
        means = _average([burst.peaks_hz for burst in chosen], chosen)
        carriers += [hz for hz, one in zip(means, peaks_hz, strict=True) if one in nominal]
    return tuple(carriers)


def _average(peaks: list[tuple[float, ...]], bursts: Sequence[Burst]) -> tuple[float, ...]:
    weights = [burst.on_s for burst in bursts]
    return tuple(np.average(np.array(peaks), axis=0, weights=weights).tolist())


def _measure_cadence(bursts: Sequence[Burst], n_parts: int) -> tuple[float, ...]:
    """Mean of every part of the cadence that was heard."""
    parts_s: list[list[float]] = [[] for _ in range(n_parts)]
    for index, burst in enumerate(bursts):
        if not n_parts:
            break
        parts_s[2 * index % n_parts].append(burst.on_s)
        if index + 1 < len(bursts):
            parts_s[(2 * index + 1) % n_parts].append(bursts[index + 1].start_s - burst.end_s)
    return tuple(float(np.mean(part)) for part in parts_s if part)
