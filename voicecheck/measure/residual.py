"""Residual distortion of a recording, the bench's share in it kept apart."""

from __future__ import annotations

import numpy as np

from voicecheck.distortion import (
    LEFTOVER_HZ,
    compute_leftover,
    limit_residual,
    list_leftover_bins_hz,
    measure_residual,
)
from voicecheck.idle import IdleSpectrum
from voicecheck.measure.sweeps import SweepAnalysis
from voicecheck.records import Noise, Residual
from voicecheck.records.arrays import Array
from voicecheck.records.signals import SourceDistortion
from voicecheck.response import read_column_db


def find_residual(sweep: SweepAnalysis, idle: IdleSpectrum, noise: Noise) -> Residual:
    """
    All that is not the linear part of the answer.

    Parameters
    ----------
    sweep : SweepAnalysis
    idle : IdleSpectrum
    noise : Noise
        Tells the lines of the mains.

    Returns
    -------
    Residual
        Each output frequency corrected for the input's microphone; what the source may have put
        into it is a floor.
    """
    calibration = sweep.calibration
    curve = calibration.curve if calibration else None
    gain = None
    if curve is not None:
        bins_hz = list_leftover_bins_hz(sweep.kernels)
        gain = 10.0 ** (read_column_db(curve, "input_db", np.maximum(bins_hz, 1.0)) / 20.0)
    own_db = noise.flat_uncertainty_db
    left = compute_leftover(
        sweep.kernels,
        sweep.spectra,
        idle,
        idle_doubt=1.0 if own_db is None else 10.0 ** (own_db / 10.0) - 1.0,
        gain=gain,
    )
    here = sweep.is_point
    frequency_hz = sweep.fine_hz[here]
    answer = np.where(np.isnan(sweep.level_db), np.nan, np.abs(sweep.transfer.values))[here]
    heard = sweep.spectra.amplitude * answer
    heard = heard * 10.0 ** (read_column_db(curve, "input_db", frequency_hz) / 20.0)
    found = measure_residual(left, frequency_hz, np.square(heard) / 2.0, _sum_hum(noise))
    if calibration is not None and calibration.source is not None:
        gap_db = sweep.recipe.level_dbfs - calibration.source.level_dbfs
        floor = _find_floor(calibration.source, gap_db, found.frequency_hz, frequency_hz, answer)
        found = limit_residual(found, floor, "bench")
    if sweep.spectra.n_clean is not None:
        # What is left of stretches that were taken from the other sweeps looks like distortion.
        found = limit_residual(found, np.nan_to_num(found.percent), "unsteadiness")
    if curve is not None:
        off_db = float(np.max(read_column_db(curve, "input_off_db", np.array(LEFTOVER_HZ))))
        found = limit_residual(found, _scale(found, off_db), "microphone")
    return found


def _scale(found: Residual, off_db: float) -> Array:
    return np.asarray(np.nan_to_num(found.percent) * (10.0 ** (off_db / 20.0) - 1.0))


def _sum_hum(noise: Noise) -> float:
    """Mean square of the mains' lines within the band of the residual."""
    if noise.mains_hz is None or noise.mains_line_dbfs is None:
        return 0.0
    at_hz = noise.mains_hz * np.arange(1, len(noise.mains_line_dbfs) + 1)
    inside = (at_hz > LEFTOVER_HZ[0]) & (at_hz < LEFTOVER_HZ[1])
    return float(np.nansum(10.0 ** (noise.mains_line_dbfs[inside] / 10.0))) / 2.0


def _find_floor(
    source: SourceDistortion, gap_db: float, bands_hz: Array, frequency_hz: Array, answer: Array
) -> Array:
    """
    The source's own harmonics as the set passes them, percent of the fundamental.

    They are not taken off: the residual holds no phases. Beyond the band of the answer the set is
    taken to pass them as at its end.
    """

    def pass_through(at_hz: Array) -> Array:
        return np.asarray(np.interp(np.log(at_hz), np.log(frequency_hz), np.nan_to_num(answer)))

    total = np.zeros(len(bands_hz))
    for one in source.harmonics:
        if not one.size_hz:
            continue
        grown = 10.0 ** ((one.order - 1) * gap_db / 20.0)
        size = grown * np.interp(np.log(bands_hz), np.log(one.size_hz), one.size)
        passed = pass_through(one.order * bands_hz) / np.maximum(pass_through(bands_hz), 1e-12)
        total += np.where(one.order * bands_hz < LEFTOVER_HZ[1], np.square(size * passed), 0.0)
    return np.asarray(100.0 * np.sqrt(total))
