"""Absolute figures: what a calibration adds, and the loudness ratings of ITU-T P.79."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from voicecheck import response, weighting
from voicecheck.budgets import add_row
from voicecheck.measure.sweeps import SweepAnalysis
from voicecheck.records import BudgetRow, Calibration, Loudness, Noise
from voicecheck.records.arrays import Array
from voicecheck.units import (
    LINE_IMPEDANCE_OHM,
    REFERENCE_NOISE_DBM,
    db_from_ratio,
    dbm_from_volts,
    dbspl_from_pa,
)

STMR_EXTRAPOLATED_DB = 0.3
"""What the three bands beyond the sweep may add to STMR (proposal; their share is below 7 %)."""


def compute_shift_db(calibration: Calibration | None) -> float:
    """What turns full-scale over full-scale into the calibrated unit."""
    if calibration is None:
        return 0.0
    return db_from_ratio(calibration.input_per_unit / calibration.output_per_unit)


def rate_loudness(
    sweep: SweepAnalysis, calibration: Calibration | None, shift_db: float
) -> Loudness:
    """Loudness ratings where the units and every band allow them."""
    if calibration is None:
        return Loudness()
    bands_hz = weighting.make_band_frequencies(3, 199.0, 4000.0)
    bands_db, spreads_db = sweep.average_bands_db(shift_db)
    if not np.all(np.isfinite(bands_db)):
        return Loudness()

    def state(found: Loudness, figure: str, rate: Callable[[Array], float]) -> Loudness:
        # A rating moves with each band by the band's own share.
        moved = [rate(bands_db + step) - rate(bands_db) for step in np.diag(spreads_db)]
        own = BudgetRow(name="noise", half_width=float(np.linalg.norm(moved)))
        found = add_row(found, figure, own)
        if sweep.moved_row is not None:
            found = add_row(found, figure, sweep.moved_row)
        slopes = [rate(bands_db + step) - rate(bands_db) for step in np.eye(len(bands_db))]
        for row in response.weigh_shared_rows(calibration, bands_hz, np.array(slopes)):
            found = add_row(found, figure, row)
        return found

    if calibration.unit == "dB V/Pa":
        rate = weighting.rate_transmit
        return state(Loudness(slr_db=rate(bands_db)), "slr_db", rate)
    if calibration.unit == "dB Pa/V":
        rate = weighting.rate_receive
        return state(Loudness(rlr_db=rate(bands_db)), "rlr_db", rate)
    if calibration.unit == "dB Pa/Pa":
        wide_db = sweep.average_wide_bands_db(shift_db)
        found = Loudness(stmr_db=weighting.rate_sidetone(wide_db))
        found = state(
            found, "stmr_db", lambda bands: weighting.rate_sidetone(_put_bands(wide_db, bands))
        )
        # What the bands beyond the sweep may add is common to every seat.
        beyond = BudgetRow(name="bench", half_width=STMR_EXTRAPOLATED_DB)
        return add_row(found, "stmr_db", beyond)
    return Loudness()


def _put_bands(wide_db: Array, bands_db: Array) -> Array:
    """The 20 bands with the inner 14 replaced."""
    return np.concatenate([wide_db[:3], bands_db, wide_db[17:]])


def calibrate_noise(
    figures: Noise, calibration: Calibration | None, load_ohm: float | None = None
) -> Noise:
    """
    Add absolute levels beside those in full scale.

    Parameters
    ----------
    figures : Noise
    calibration : Calibration or None
    load_ohm : float, optional
        What the line tap lies across; 600 where it is not stated.

    Returns
    -------
    Noise
        Electrical: power in the load, dBm; weighted after ITU-T O.41 in dBmp, by C-message in
        dBrnC (0 dBrn is -90 dBm; `noise_reference.csv`, PUB-2ND). Acoustic: dB SPL.
    """
    if calibration is None or figures.flat_dbfs is None or figures.psophometric_dbfs is None:
        return figures
    full_scale_db = db_from_ratio(calibration.input_per_unit * math.sqrt(0.5))
    if calibration.input_unit == "Pa":
        flat = figures.flat_dbfs + full_scale_db + dbspl_from_pa(1.0)
        return dataclasses.replace(figures, flat_dbspl=flat)
    to_dbm = full_scale_db + dbm_from_volts(1.0, load_ohm or LINE_IMPEDANCE_OHM)
    c_message = figures.c_message_dbfs
    return dataclasses.replace(
        figures,
        flat_dbm=figures.flat_dbfs + to_dbm,
        psophometric_dbm=figures.psophometric_dbfs + to_dbm,
        psophometric_dbmp=figures.psophometric_dbfs + to_dbm,
        c_message_dbrnc=None if c_message is None else c_message + to_dbm - REFERENCE_NOISE_DBM,
    )
