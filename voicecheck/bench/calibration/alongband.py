"""
What a path's calibration knows along the band: the microphone's curve, the mouth made flat.

The mouth is measured and made flat by the microphone's reading less its curve. What the curve's
own error c(f) does to a path follows from where the microphone stands in it: to talking it comes
once (the mouth's pressure), to hearing once (the ear's), to sidetone twice with opposite signs, so
that there it cancels.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

import numpy as np

from voicecheck.bench.calibration.equaliser import MOST_DB
from voicecheck.bench.calibration.microphone import (
    describe_curve,
    estimate_curve_db,
    identify_curve,
    read_curve_db,
    read_usual_db,
)
from voicecheck.benchspread import estimate_bench_spread
from voicecheck.records import Calibration
from voicecheck.records.arrays import Array
from voicecheck.records.benches import BenchSetup, MicrophoneCurve, StepResult
from voicecheck.records.signals import CalibrationCurve, SourceDistortion
from voicecheck.response import convert_source
from voicecheck.units import db_from_ratio
from voicecheck.weighting import make_band_frequencies

BAND_HZ = (100.0, 8000.0)
EQUALISER_DB = 0.1
"""What the filter leaves between its points on a bumpy mouth (a test holds it to that)."""
REPEAT_DB = 0.2
"""How far the mouth may have moved since it was checked with its equaliser in (PROP)."""
UNCHECKED_DB = 0.5
"""The same where that was never checked: the step mouth's own target (PROP)."""
PLACE_MM, USUAL_MM = 1.0, 25.0
"""How well a mouthpiece comes to where the microphone was (PROP), and how far that is (MEM)."""
MOUTH_PATHS = ("transmit", "sidetone")


def correct_mouth(mouth: StepResult, curve: MicrophoneCurve | None) -> StepResult:
    """The mouth's result with the microphone's curve taken off."""
    if mouth.frequency_hz is None or mouth.level_db is None:
        return mouth
    read_db = read_curve_db(curve, mouth.frequency_hz)
    return dataclasses.replace(mouth, level_db=mouth.level_db - read_db)


def find_residue_db(flat: StepResult, frequency_hz: Array) -> Array:
    """
    Reading at the mouthpiece with the equaliser in, re 1 kHz.

    Parameters
    ----------
    flat : StepResult
        Of the step "mouth-flat".
    frequency_hz : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        dB, the microphone's curve in it; 0 where the result has no curve.
    """
    if flat.frequency_hz is None or flat.level_db is None:
        return np.zeros(len(frequency_hz))
    points = np.log(flat.frequency_hz)
    level_db = np.interp(np.log(frequency_hz), points, flat.level_db)
    return np.asarray(level_db - np.interp(np.log(1000.0), points, flat.level_db))


def add_curve(
    calibration: Calibration,
    setup: BenchSetup,
    path: str,
    output: StepResult,
    *,
    flat: StepResult | None = None,
    loop_back: StepResult | None = None,
) -> Calibration:
    """
    A path's calibration with what is known along the band, and what its source distorts.

    Parameters
    ----------
    calibration : Calibration
        Of 1 kHz.
    setup : BenchSetup
    path : str
    output : StepResult
        Of what the path is driven by: the mouth or the line drive.
    flat : StepResult, optional
        The mouth with its equaliser in, where that was checked.
    loop_back : StepResult, optional
        For the interface's own flatness.

    Returns
    -------
    Calibration
        Its name tells apart what was corrected by one curve from what was by another.
    """
    if path == "loop":
        return calibration
    microphone = setup.microphone_curve
    frequency_hz = make_band_frequencies(12, *BAND_HZ)
    read_db = read_curve_db(microphone, frequency_hz)
    off_db = estimate_curve_db(microphone, frequency_hz)
    parts_db = [np.full(len(frequency_hz), _find_flatness_db(loop_back))]
    correction_db = -read_db
    if path in MOUTH_PATHS:
        residue_db = read_db if flat is None else find_residue_db(flat, frequency_hz)
        # What a microphone's curve leaves is in the residue as read; at the ear it comes once more.
        correction_db = (read_db if path == "transmit" else 0.0) - residue_db
        parts_db += _list_mouth_parts_db(setup, output, flat, frequency_hz)
    input_off_db = 0.0 * off_db if path == "transmit" else off_db
    if path == "sidetone":
        off_db = np.zeros(len(frequency_hz))
    notes = () if path == "sidetone" else (describe_curve(microphone),)
    names = [calibration.name]
    names += [f"microphone curve {identify_curve(microphone)}"] if microphone else []
    names += [f"mouth checked {flat.done_utc[:10]}"] if flat and path in MOUTH_PATHS else []
    return dataclasses.replace(
        calibration,
        name=", ".join(names),
        curve=CalibrationCurve(
            frequency_hz=_list(frequency_hz),
            correction_db=_list(correction_db),
            input_db=_list(0.0 * read_db if path == "transmit" else -read_db),
            input_off_db=_list(input_off_db),
            microphone_db=_list(off_db),
            bench_db=_list(np.sqrt(np.sum(np.square(parts_db), axis=0))),
        ),
        source=_find_source(setup, output, flat) if path in MOUTH_PATHS else None,
        notes=tuple(filter(None, notes)),
    )


def add_days(calibration: Calibration, path: str, results: Iterable[StepResult]) -> Calibration:
    """
    A path's calibration with the scatter of the bench from day to day.

    Parameters
    ----------
    calibration : Calibration
    path : str
    results : iterable of StepResult
        Of calibrations and of daily checks, as `estimate_bench_spread` takes them.

    Returns
    -------
    Calibration
        As it was where the history is too short, and on the path with no set.
    """
    spread = estimate_bench_spread(path, tuple(results))
    if path == "loop" or spread.dof is None:
        return calibration
    return dataclasses.replace(calibration, day_sd_db=spread.level_db, day_dof=spread.dof)


def _list_mouth_parts_db(
    setup: BenchSetup, mouth: StepResult, flat: StepResult | None, frequency_hz: Array
) -> list[Array]:
    """Half-widths of what is not known of the pressure at the mouthpiece, dB."""
    distance_mm = setup.mouth_mm or USUAL_MM
    place_db = db_from_ratio(1.0 + PLACE_MM / distance_mm)
    left_db = EQUALISER_DB * np.ones(len(frequency_hz))
    if flat is None and mouth.frequency_hz is not None and mouth.level_db is not None:
        corrected = correct_mouth(mouth, setup.microphone_curve)
        curve_db = find_residue_db(corrected, frequency_hz)
        # What the filter may not make up for is known to be missing, but not measured.
        short_db = np.maximum(np.abs(curve_db) - MOST_DB, 0.0)
        left_db = np.hypot(UNCHECKED_DB, short_db)
    elif flat is not None:
        left_db = np.hypot(left_db, np.hypot(REPEAT_DB, flat.uncertainty_db))
    is_off = np.minimum(np.abs(np.log2(frequency_hz / 1000.0)), 1.0)
    return [
        np.full(len(frequency_hz), place_db),
        # At 1 kHz itself the mouth's figure and its uncertainty hold.
        left_db * is_off,
        read_usual_db("handset", frequency_hz),
    ]


def _find_flatness_db(loop_back: StepResult | None) -> float:
    return loop_back.figures.get("flatness_db", 0.0) if loop_back is not None else 0.0


def _find_source(
    setup: BenchSetup, mouth: StepResult, flat: StepResult | None
) -> SourceDistortion | None:
    """Harmonics of the mouth as sets hear it; from the step mouth their sizes only, about."""
    if flat is not None and flat.source is not None:
        return flat.source
    corrected = correct_mouth(mouth, setup.microphone_curve)
    if mouth.source is None or corrected.frequency_hz is None:
        return None
    gain_db = np.clip(-find_residue_db(corrected, corrected.frequency_hz), -MOST_DB, MOST_DB)
    return convert_source(mouth.source, corrected.frequency_hz, gain_db)


def _list(values: Array) -> tuple[float, ...]:
    return tuple(np.round(values, 6).tolist())
