"""
Second- and third-order products of four tones.

The products lie 6 to 16 Hz apart, which in a short block is two bins: lines of one group are
fitted together, each with the known spectrum of the window, so that none is counted twice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicecheck.budgets import COVERAGE_95, add_row
from voicecheck.fourier import find_previous_fast_length
from voicecheck.idle import IdleSpectrum, compute_hann_energy, make_hann
from voicecheck.records import BudgetRow, Intermodulation, Programme, Recording, Timeline
from voicecheck.records.arrays import Array

CLEAR_DB = 6.0
"""How far a product is above what the source may have added, for it to be stated (PROP)."""
SETTLE_S = 0.03
"""Left out at either end of the block."""
REACH_BINS = 4
"""Beyond the outer lines of a group: twice the half-width of a Hann-windowed line."""
HANN_SQUARED = (0.375, -0.25, 0.0625)
"""Spectrum of the squared Hann window over its length: what bins apart share of their noise."""
DETECTED = 3.5
"""
Standard deviations of the noise's own power from which products are stated, not "less than".

Three lines of noise pass it in 6 of 1000, eight in 3 of 1000 (gamma law).
"""


def measure_intermodulation(
    programme: Programme, recording: Recording, timeline: Timeline, idle: IdleSpectrum
) -> Intermodulation:
    """
    Second- and third-order products of the four tones.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    idle : IdleSpectrum

    Returns
    -------
    Intermodulation
        dB re the total power of the tones at the output.

    Notes
    -----
    Source: ITU-T O.42 four-tone method; tone frequencies and the formulas are MEM
    (`imd.csv`): second order is the mean power of the bands B-A and B+A, third order the power
    of the band 2B-A. Deviation: the lines themselves are measured, not 50 Hz bands, and the
    noise is taken from the silence, not from a second tone pair.
    """
    blocks = programme.blocks_of("four-tone")
    tones_hz: list[float] = sorted(programme.recipe.tones_hz)
    if not blocks or len(tones_hz) != 4:
        return Intermodulation()
    first = round((timeline.locate_s(blocks[0].start_s) + SETTLE_S) * recording.rate_hz)
    last = round((timeline.locate_s(blocks[0].end_s) - SETTLE_S) * recording.rate_hz)
    lines = _LineSpectrum(
        recording.samples[max(0, first) : last], recording.rate_hz, timeline, idle
    )
    low, high = tones_hz[:2], tones_hz[2:]
    tones = lines.fit_power(low).add(lines.fit_power(high))
    if tones.power <= 0.0:
        return Intermodulation()
    lower = lines.fit_power({b - a for a in low for b in high})
    upper = lines.fit_power({b + a for a in low for b in high})
    cubic = lines.fit_power({b + c - a for a in low for b in high for c in high})
    found = _state(Intermodulation(), 2, lower.add(upper).scale(0.5), tones)
    return _state(found, 3, cubic, tones)


def limit_products(found: Intermodulation, shares_db: tuple[float, float]) -> Intermodulation:
    """
    Products that may be the source's own, said to be "less than".

    Parameters
    ----------
    found : Intermodulation
        With a set.
    shares_db : tuple of float
        What the source may have added to the products of second and third order, dB re the tones.

    Returns
    -------
    Intermodulation
        No phase of a product is known, so nothing is subtracted: the set's own lies within the
        source's share of what was read. Less than `CLEAR_DB` above the share only a limit is
        stated, above it an interval that holds the share.
    """
    read_db = (found.order2_db, found.order3_db)
    below_db = (found.order2_below_db, found.order3_below_db)
    for order, level_db, limit_db, share_db in zip(
        (2, 3), read_db, below_db, shares_db, strict=True
    ):
        figure = f"order{order}_db"
        if level_db is not None and level_db >= share_db + CLEAR_DB:
            half_width_db = -20.0 * math.log10(1.0 - 10.0 ** ((share_db - level_db) / 20.0))
            found = add_row(found, figure, BudgetRow(name="bench", half_width=half_width_db))
            continue
        most_db = level_db if level_db is not None else limit_db
        if most_db is None:
            continue
        both_db = 20.0 * math.log10(10.0 ** (most_db / 20.0) + 10.0 ** (share_db / 20.0))
        stated = {figure: None, f"order{order}_below_db": both_db}
        found = found.replace(
            **stated,
            **{f"order{order}_uncertainty_db": None},
            budget={name: rows for name, rows in found.budget.items() if name != figure},
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Power:
    """
    Mean square of some lines, the noise's share in it, and the variance that it causes.

    `own_variance` is the part of it that noise without any line would have.
    """

    power: float
    noise: float
    variance: float
    own_variance: float

    def add(self, other: _Power) -> _Power:
        return _Power(
            power=self.power + other.power,
            noise=self.noise + other.noise,
            variance=self.variance + other.variance,
            own_variance=self.own_variance + other.own_variance,
        )

    def scale(self, factor: float) -> _Power:
        return _Power(
            power=factor * self.power,
            noise=factor * self.noise,
            variance=factor**2 * self.variance,
            own_variance=factor**2 * self.own_variance,
        )


class _LineSpectrum:
    """Lines a few Hz apart in one Hann-windowed spectrum."""

    def __init__(
        self, samples: Array, rate_hz: int, timeline: Timeline, idle: IdleSpectrum
    ) -> None:
        # A little shorter makes a length that transforms fast.
        self.count = find_previous_fast_length(len(samples))
        self.transform = np.fft.rfft(samples[: self.count] * make_hann(self.count))
        self.bins_per_hz = self.count / rate_hz / timeline.stretch
        self.idle = idle

    def fit_power(self, lines_hz: Iterable[float]) -> _Power:
        """Summed power of some lines, fitted together by least squares over the bins around."""
        at = np.array(sorted(lines_hz)) * self.bins_per_hz
        bins = np.arange(round(at[0]) - REACH_BINS, round(at[-1]) + REACH_BINS + 1)
        shapes = 0.5 * _transform_hann(bins[:, None] - at, self.count)
        solve = np.linalg.pinv(shapes)
        heard = self.transform[bins]
        amplitude = solve @ heard
        left = float(np.sum(np.abs(heard - shapes @ amplitude) ** 2)) / (len(bins) - len(at))
        noise = max(left / compute_hann_energy(self.count), self._idle_power(at))
        apart = np.abs(bins[:, None] - bins)
        alike = np.where(apart < 3, np.take(HANN_SQUARED, np.minimum(apart, 2)), 0.0)
        spread = noise * self.count * (solve @ alike @ solve.conj().T)
        own = 0.5 * float(np.trace(spread).real)
        along = 0.5 * float((amplitude.conj() @ spread @ amplitude).real)
        among = 0.25 * float(np.sum(np.abs(spread) ** 2))
        return _Power(
            power=0.5 * float(np.sum(np.abs(amplitude) ** 2)),
            noise=own,
            variance=along + among,
            own_variance=among,
        )

    def _idle_power(self, at: Array) -> float:
        edges_hz = np.array([at[0] - REACH_BINS, at[-1] + REACH_BINS + 1])
        edges_hz *= self.idle.rate_hz / self.count
        return float(
            np.mean(self.idle.power[slice(*self.idle.frequency_hz.searchsorted(edges_hz))])
        )


def _transform_hann(offset: Array, n: int) -> NDArray[np.complex128]:
    """Spectrum of the Hann window of n samples, `offset` bins from a line."""
    turn = np.exp(1j * np.pi / n)
    sides = turn * _sum_turns(offset - 1.0, n) + turn.conjugate() * _sum_turns(offset + 1.0, n)
    return np.asarray(0.5 * _sum_turns(offset, n) - 0.25 * sides)


def _sum_turns(bins: Array, n: int) -> NDArray[np.complex128]:
    """Sum of exp(-2 pi j k bins / n) over n samples k, in closed form."""
    near = np.where(np.abs(bins) < 1e-9, 1e-9, bins)
    size = np.sin(np.pi * near) / np.sin(np.pi * near / n)
    return np.asarray(size * np.exp(-1j * np.pi * near * (n - 1) / n))


def _state(found: Intermodulation, order: int, product: _Power, tones: _Power) -> Intermodulation:
    """Products of one order re the tones, or what they are less than."""
    clean = max(product.power - product.noise, 0.0)
    if clean <= DETECTED * math.sqrt(product.own_variance) + 1e-30:
        limit = clean + product.noise + 2.0 * math.sqrt(product.variance) + 1e-30
        limit_db = 10.0 * math.log10(limit / tones.power)
        return found.replace(**{f"order{order}_below_db": limit_db})
    figure = f"order{order}_db"
    level_db = 10.0 * math.log10(clean / tones.power)
    relative = math.hypot(
        math.sqrt(product.variance) / clean, math.sqrt(tones.variance) / tones.power
    )
    row = BudgetRow(name="noise", half_width=COVERAGE_95 * 10.0 / math.log(10.0) * relative)
    return add_row(found.replace(**{figure: level_db}), figure, row)
