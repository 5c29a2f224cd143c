"""Response, bands and distortion: everything that comes from the sweeps of a recording."""

from __future__ import annotations

import dataclasses
import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicecheck import distortion, response, weighting
from voicecheck.budgets import add_row, combine_curve_rows
from voicecheck.idle import IdleSpectrum
from voicecheck.records import (
    Bands,
    BudgetRow,
    Calibration,
    CurveBudgetRow,
    Distortion,
    FineResponse,
    Intermodulation,
    Programme,
    Response,
)
from voicecheck.records.arrays import Array
from voicecheck.records.budgets import Budget
from voicecheck.records.signals import SourceDistortion
from voicecheck.response import SweepSpectra

BANDS_HZ = {"low": (200.0, 500.0), "mid": (500.0, 2000.0), "high": (2000.0, 3400.0)}
NEIGHBOUR_CORRELATION = 0.7
"""
What correlation with its neighbours adds to each point's share in the variance of a band's mean.

Measured on white noise under the shortest window (1000 draws): 0.6 over 200-500 Hz, 0.7 over
500-2000 Hz, 0.9 over 2000-3400 Hz; under windows twice as long and more none. With 0.1 the bands
of a recording in noise of -30 dBFS lay outside their 95 % interval in 5 to 13 of 100 (60 seeds).
"""
BIAS_NEIGHBOURS = 0.2
"""
Of the variance that independent biases would give a band's mean.

A bias changes its sign along a curve, so the mean has less of it. Found by trial, not derived:
bands of resonant plants are covered in 98 of 100 (`tests/bench/interval_coverage.py`).
"""
WITHHELD_SNR_DB = 6.0
"""
Below this a point is withheld.

At 6 dB the error's standard deviation is 3 dB and the logarithm begins to be biased; lower, a
level is reported where there may be none.
"""
HIGHEST_SNR_DB = 150.0
"""Reported in place of infinity when a recording has no noise at all."""


@lru_cache(maxsize=1)
def _make_grid() -> tuple[Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """
    Frequencies at which the transfer function is taken, and which of them are reported where.

    The 1/12-octave points, midpoints between them, the frequencies of the standards.
    """
    points_hz = weighting.make_band_frequencies(12)
    extra_hz = np.array(distortion.STANDARD_LADDER_HZ)
    middle_hz = np.sqrt(points_hz[1:] * points_hz[:-1])
    # 1000 Hz is a midpoint too; twice on the grid it would have no slope.
    middle_hz = middle_hz[np.min(np.abs(middle_hz[:, None] / extra_hz - 1.0), axis=1) > 1e-6]
    # One more beyond either end, so that slopes are known at the first and last point.
    beyond_hz = np.array([points_hz[0] ** 2 / middle_hz[0], points_hz[-1] ** 2 / middle_hz[-1]])
    fine_hz = np.sort(np.concatenate([points_hz, middle_hz, extra_hz, beyond_hz]))
    is_point = np.any(fine_hz[:, None] == points_hz, axis=1)
    return fine_hz, is_point, is_point | np.any(fine_hz[:, None] == extra_hz, axis=1)


class SweepAnalysis:
    """Everything that comes from the sweeps, each piece computed once."""

    def __init__(
        self,
        programme: Programme,
        spectra: SweepSpectra,
        kept: list[int],
        idle: IdleSpectrum,
        calibration: Calibration | None = None,
    ) -> None:
        self.calibration = calibration
        self.recipe, self.spectra = programme.recipe, spectra
        self.kernels = response.compute_kernels(spectra, kept)
        level = response.evaluate_reference_level(self.recipe, spectra.rate_hz)
        self.reflections = response.find_reflections(self.kernels, level)
        if self.reflections:
            self.spectra = response.remove_reflections(spectra, self.reflections)
            self.kernels = response.compute_kernels(self.spectra, kept)
        self.noise = response.make_noise_density(idle.frequency_hz, idle.power)
        self.fine_hz, self.is_point, self.is_distortion_point = _make_grid()
        self.transfer = response.compute_transfer(
            self.kernels, spectra, self.recipe, self.fine_hz, self.noise
        )
        magnitude = np.abs(self.transfer.values)
        with np.errstate(divide="ignore"):
            level_db = 20.0 * np.log10(magnitude)
            self.snr_db = 20.0 * np.log10(magnitude) - 10.0 * np.log10(self.transfer.variance)
        self.snr_db = np.minimum(self.snr_db, HIGHEST_SNR_DB)
        self.level_db = np.where(self.snr_db >= WITHHELD_SNR_DB, level_db, np.nan)
        self.level_db += self._correct_db(self.fine_hz)
        self.phase_rad = np.unwrap(np.angle(self.transfer.values))
        self.noise_db, self.bias_db = response.estimate_uncertainty_db(self.transfer)
        if self.reflections:
            # Where they had weakened a point, taking them out lifts its noise.
            whole = np.abs(self.reflections.compute_spectrum(self.fine_hz))
            self.noise_db /= np.minimum(whole, 1.0)
            self.bias_db = np.hypot(self.bias_db, self.reflections.doubt_db(self.fine_hz))
        self.moved_db = np.zeros(len(self.fine_hz))
        self.is_doubted = np.zeros(len(self.fine_hz), dtype=bool)

    @property
    def n_withheld(self) -> int:
        """How many of the 1/12-octave points are withheld for noise."""
        return int(np.count_nonzero((np.isnan(self.level_db) & ~self.is_doubted)[self.is_point]))

    def _correct_db(self, frequency_hz: Array) -> Array:
        curve = self.calibration.curve if self.calibration else None
        return response.read_column_db(curve, "correction_db", frequency_hz)

    def widen(self, moved_db: Array) -> None:
        """Let the intervals hold what the level moved by; an infinite one withholds its point."""
        self.is_doubted = np.isinf(moved_db)
        self.level_db = np.where(self.is_doubted, np.nan, self.level_db)
        self.moved_db = np.where(self.is_doubted, 0.0, moved_db)

    @property
    def delay_at_1khz_s(self) -> float:
        """Delay of the set at 1 kHz against the timeline; 0 where it was not heard."""
        at = int(np.flatnonzero(self.fine_hz == 1000.0)[0])
        turned = self.phase_rad[at + 1] - self.phase_rad[at - 1]
        delay_s = -turned / (2.0 * np.pi * (self.fine_hz[at + 1] - self.fine_hz[at - 1]))
        return float(delay_s) if math.isfinite(delay_s) else 0.0

    def make_response(self, shift_db: float) -> Response:
        """The 1/12-octave points."""
        here = self.is_point
        withheld = np.isnan(self.level_db)
        own_db = response.combine_uncertainty_db(self.noise_db, self.bias_db)
        own_db = np.where(withheld, np.nan, own_db)[here]
        shared = response.list_shared_rows(self.calibration, self.fine_hz[here])
        shared_db = combine_curve_rows(shared) if shared else np.zeros(np.count_nonzero(here))
        shared_db = np.where(withheld[here], np.nan, shared_db)
        own = [CurveBudgetRow(name="noise", half_width=own_db)]
        if np.any(self.moved_db):
            moved_db = _beside_noise(self.moved_db[here], own_db)
            own.append(CurveBudgetRow(name="unsteadiness", half_width=moved_db))
        budget = (*own, *shared)
        delay_s = -np.gradient(self.phase_rad, 2.0 * np.pi * self.fine_hz)
        return Response(
            unit=self.calibration.unit if self.calibration else "dB relative",
            frequency_hz=self.fine_hz[here],
            level_db=self.level_db[here] + shift_db,
            uncertainty_db=np.where(withheld[here], np.nan, combine_curve_rows(budget)),
            snr_db=self.snr_db[here],
            phase_rad=np.where(withheld, np.nan, self.phase_rad)[here],
            group_delay_s=np.where(withheld, np.nan, delay_s)[here],
            noise_uncertainty_db=own_db,
            calibration_uncertainty_db=shared_db,
            budget=budget,
        )

    def make_fine(self, shift_db: float) -> FineResponse:
        """The finer curve, for drawing."""
        return FineResponse(
            frequency_hz=self.fine_hz,
            level_db=self.level_db + shift_db,
            phase_rad=np.where(np.isnan(self.level_db), np.nan, self.phase_rad),
        )

    def make_bands(self, shift_db: float) -> Bands:
        """Power means over the bands, and the level at 1 kHz, each with its interval."""
        found = Bands()
        places = {name: self._is_inside(*edges) for name, edges in BANDS_HZ.items()}
        for name, here in {**places, "at_1khz": self.fine_hz == 1000.0}.items():
            mean_db = _mean_power_db(self.level_db[here])
            # What is withheld of a band here is its loudest part: the rest is no mean of it.
            if mean_db is None or np.any(self.is_doubted[here]):
                continue
            figure = f"{name}_db"
            stated: dict[str, Any] = {figure: mean_db + shift_db}
            found = dataclasses.replace(found, **stated)
            noise_db = self._spread_db(here)
            found = add_row(found, figure, BudgetRow(name="noise", half_width=noise_db))
            if np.any(self.moved_db):
                moved_db = float(_beside_noise(self._average_moved_db(here), noise_db))
                row = BudgetRow(name="unsteadiness", half_width=moved_db)
                found = add_row(found, figure, row)
            for row in self._list_shared_rows(here):
                found = add_row(found, figure, row)
        return found

    def _list_shared_rows(self, here: NDArray[np.bool_]) -> Budget:
        """What the calibration adds to a power mean of some points."""
        known = here & np.isfinite(self.level_db)
        power = 10.0 ** (self.level_db[known] / 10.0)
        share = power / np.sum(power)
        return response.weigh_shared_rows(self.calibration, self.fine_hz[known], share)

    def _is_inside(self, lowest_hz: float, highest_hz: float) -> NDArray[np.bool_]:
        inside = self.is_point & (self.fine_hz >= lowest_hz) & (self.fine_hz <= highest_hz)
        return np.asarray(inside)

    def _spread_db(self, here: NDArray[np.bool_]) -> float:
        """Half-width of a 95 % interval for the power mean of some points, dB."""
        known = here & np.isfinite(self.level_db)
        power = 10.0 ** (self.level_db[known] / 10.0)
        share = power / np.sum(power)
        # Neighbours share part of their windows, the less the longer those are.
        scale = self.transfer.scale[known]
        neighbours = 1.0 + NEIGHBOUR_CORRELATION / np.maximum(scale, 1.0) ** 2
        neighbours = neighbours / np.minimum(scale, 1.0) if len(share) > 1 else np.ones(1)
        noise_db = math.sqrt(float(np.sum(neighbours * (share * self.noise_db[known]) ** 2)))
        # A window's bias changes its sign along a curve, but hardly between near neighbours.
        bias_db = math.sqrt(BIAS_NEIGHBOURS * float(np.sum((share * self.bias_db[known]) ** 2)))
        bias_db = min(bias_db, float(np.sum(share * self.bias_db[known])))
        return float(response.combine_uncertainty_db(np.array(noise_db), np.array(bias_db)))

    def _average_moved_db(self, here: NDArray[np.bool_]) -> float:
        """How far the power mean of some points moved within the take, dB."""
        known = here & np.isfinite(self.level_db)
        power = 10.0 ** (self.level_db[known] / 10.0)
        return float(np.sum(power * self.moved_db[known]) / np.sum(power))

    @property
    def moved_row(self) -> BudgetRow | None:
        """What a rating over the whole band moved by within the take."""
        if not np.any(self.moved_db) or np.any(self.is_doubted):
            return None
        return BudgetRow(name="unsteadiness", half_width=self._average_moved_db(self.is_point))

    def make_distortion(self) -> Distortion:
        """Harmonics at the 1/12-octave points and at the frequencies of the standards."""
        here = self.is_distortion_point
        usable = np.where(np.isnan(self.level_db), np.nan, np.abs(self.transfer.values))
        return distortion.compute_distortion(
            self.kernels,
            self.spectra,
            self.recipe,
            frequency_hz=self.fine_hz[here],
            fundamental=usable[here],
            noise=self.noise,
            calibration=self.calibration,
        )

    def find_source_shares(self, frequency_hz: float) -> Array | None:
        """
        Harmonics of the source at one frequency, re the fundamental, sizes only; shape (n_orders,).

        `None` where nothing is known of the source.
        """
        source = self.calibration.source if self.calibration else None
        if source is None:
            return None
        # Some neighbours below, since the window of each point is chosen with theirs.
        near = (self.fine_hz <= frequency_hz * 1.001) & (self.fine_hz >= frequency_hz / 1.6)
        if np.count_nonzero(near) < 2:
            return None
        at_hz, fundamental = self.fine_hz[near], np.abs(self.transfer.values[near])
        return np.array(
            [
                response.find_share(
                    dataclasses.replace(source, is_phased=False),
                    self.kernels,
                    self.spectra,
                    self.recipe,
                    frequency_hz=at_hz,
                    fundamental=fundamental,
                    noise=self.noise,
                    order=order,
                ).left[-1]
                / fundamental[-1]
                for order in distortion.ORDERS
            ]
        )

    def limit_products(self, found: Intermodulation) -> Intermodulation:
        """
        Four-tone products with the source's share in mind.

        The set passes them by its own response at their frequencies; a share grows by 1 and 2 dB
        for each dB that the drive is above the one it was measured at.
        """
        source = self.calibration.source if self.calibration else None
        tones_hz = sorted(self.recipe.tones_hz)
        if source is None or source.products_db is None or len(tones_hz) != 4:
            return found
        low_hz, high_hz = tones_hz[0], tones_hz[2]
        gap_db = self.recipe.level_dbfs - source.level_dbfs

        def level_db(*at_hz: float) -> Array:
            return np.asarray(np.interp(at_hz, self.fine_hz, np.nan_to_num(self.level_db)))

        tones_db = float(np.min(level_db(low_hz, high_hz)))
        second_db = float(np.max(level_db(high_hz - low_hz, high_hz + low_hz))) - tones_db
        third_db = float(level_db(2.0 * high_hz - low_hz)[0]) - tones_db
        second, third = source.products_db
        shares_db = (second + second_db + gap_db, third + third_db + 2.0 * gap_db)
        return distortion.limit_products(found, shares_db)

    def make_source(self) -> SourceDistortion:
        """Harmonics of the source itself, from a recording that holds nothing else."""
        frequency_hz = self.fine_hz[self.is_distortion_point]
        harmonics = []
        for order in distortion.ORDERS:
            reached = order * frequency_hz <= distortion.HIGHEST_SHARE * self.spectra.rate_hz
            harmonics.append(
                response.compute_source_harmonic(
                    self.kernels,
                    self.spectra,
                    self.recipe,
                    frequency_hz[reached],
                    self.noise,
                    order=order,
                )
            )
        return SourceDistortion(level_dbfs=self.recipe.level_dbfs, harmonics=tuple(harmonics))

    def _measure_level_db(self, frequency_hz: Array) -> Array:
        """Levels at other frequencies than those of the curve."""
        transfer = response.compute_transfer(
            self.kernels, self.spectra, self.recipe, frequency_hz, self.noise
        )
        return 20.0 * np.log10(np.abs(transfer.values)) + self._correct_db(frequency_hz)

    def average_bands_db(self, shift_db: float) -> tuple[Array, Array]:
        """
        Power means over the 14 third-octave bands 200-4000 Hz, and their 95 % half-widths.

        Shape (14,) each; NaN where too many points miss. The bands at either end reach beyond the
        points that are reported: their outer halves are measured for this alone.
        """
        means, spreads = [], []
        outer_hz = weighting.make_band_frequencies(12, 150.0, 4700.0)
        outer_db = self._measure_level_db(outer_hz)
        is_beyond = (outer_hz < self.fine_hz[self.is_point][0]) | (
            outer_hz > self.fine_hz[self.is_point][-1]
        )
        for centre_hz in weighting.make_band_frequencies(3, 199.0, 4000.0):
            here = self.is_point & (np.abs(np.log2(self.fine_hz / centre_hz)) <= 1.0 / 6.0)
            beyond = is_beyond & (np.abs(np.log2(outer_hz / centre_hz)) <= 1.0 / 6.0)
            mean_db = _mean_power_db(np.append(self.level_db[here], outer_db[beyond]))
            if np.any(self.is_doubted[here]):
                mean_db = None
            means.append(np.nan if mean_db is None else mean_db + shift_db)
            spreads.append(np.nan if mean_db is None else self._spread_db(here))
        return np.array(means), np.array(spreads)

    def average_wide_bands_db(self, shift_db: float) -> Array:
        """
        Power means over the 20 third-octave bands 100-8000 Hz, shape (20,).

        The sweep is at full level from 140 to 7040 Hz: the bands at 100, 125 and 8000 Hz go on
        along the slope of their two neighbours.
        """
        lowest_hz, highest_hz = 142.0, 7000.0
        wide_hz = weighting.make_band_frequencies(12, lowest_hz, highest_hz)
        level_db = self._measure_level_db(wide_hz) + shift_db
        centres_hz = weighting.make_band_frequencies(3, 99.0, 8000.0)
        means_db = np.full(len(centres_hz), np.nan)
        for index, centre_hz in enumerate(centres_hz):
            here = np.abs(np.log2(wide_hz / centre_hz)) <= 1.0 / 6.0
            if np.count_nonzero(here) >= 3:
                means_db[index] = 10.0 * np.log10(np.mean(10.0 ** (level_db[here] / 10.0)))
        known = np.flatnonzero(np.isfinite(means_db))
        first, last = known[0], known[-1]
        for index in range(first - 1, -1, -1):
            means_db[index] = 2.0 * means_db[index + 1] - means_db[index + 2]
        for index in range(last + 1, len(means_db)):
            means_db[index] = 2.0 * means_db[index - 1] - means_db[index - 2]
        return means_db


def _beside_noise(moved_db: Array | float, noise_db: Array | float) -> Array:
    """
    Half-width that makes the sum of both when it is added in quadrature.

    A level that moved is anywhere up to its ends, and noise blurs the ends: they add up.
    """
    return np.asarray(np.sqrt(np.square(moved_db) + 2.0 * np.multiply(moved_db, noise_db)))


def _mean_power_db(level_db: Array) -> float | None:
    """Power mean of some levels; `None` when more than half of them are withheld."""
    known = level_db[np.isfinite(level_db)]
    if len(known) == 0 or 2 * len(known) < len(level_db):
        return None
    return float(10.0 * np.log10(np.mean(10.0 ** (known / 10.0))))
