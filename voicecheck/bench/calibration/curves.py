"""Sweeps of the bench itself -> mouth, loop-back, seal and reference handset."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from voicecheck.bench.calibration.guides import make_result
from voicecheck.bench.calibration.microphone import read_curve_db
from voicecheck.errors import InputError
from voicecheck.measure import measure_recording, measure_source
from voicecheck.records import Measurement, Problem, Programme, Recording
from voicecheck.records.arrays import Array
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.records.signals import SourceDistortion
from voicecheck.units import TALK_LEVEL_DBPA, db_from_ratio, ratio_from_db

FLATNESS_DB = 0.5
THD_PERCENT = 0.1
SEAL_DB = 1.0
SPOILT_KINDS = {"clipping", "dropout", "burst", "lost-samples", "howl", "interference"}
MOUTH_FLAT_DB = 1.0
"""From where on an equalised mouth is said not to be flat; it is corrected all the same (PROP)."""


def compute_mouth(
    setup: BenchSetup,
    programme: Programme,
    recording: Recording,
    microphone: StepResult,
    **about: Any,
) -> StepResult:
    """
    Pascal at the mouthpiece for a played amplitude of 1.0, at 1 kHz and along the band.

    Parameters
    ----------
    setup : BenchSetup
    programme : Programme
    recording : Recording
        Microphone at the mouthpiece, mouth not equalised.
    microphone : StepResult

    Returns
    -------
    StepResult
        Unit "Pa"; `level_db` is in dB re 1 Pa per unit at 1/12-octave points.

    Raises
    ------
    InputError
        The microphone has no value.
    RecordingError
        The recording cannot be used.
    """
    microphone_pa = _need_microphone_pa(microphone, "mouth")
    measurement = _measure(programme, recording)
    frequency_hz, level_db, spread_db = _read_curve(measurement)
    level_db = level_db + db_from_ratio(microphone_pa)
    at_1khz_db = float(np.interp(np.log(1000.0), np.log(frequency_hz), level_db))
    # The sine that makes the talk level has its RMS there, hence the 3 dB.
    drive_dbfs = TALK_LEVEL_DBPA + db_from_ratio(math.sqrt(2.0)) - at_1khz_db
    return make_result(
        setup,
        "mouth",
        value=ratio_from_db(at_1khz_db),
        unit="Pa",
        uncertainty_db=math.hypot(microphone.uncertainty_db, spread_db),
        method=f"sweep, microphone at the mouthpiece ({microphone.method})",
        is_fallback=microphone.is_fallback,
        frequency_hz=frequency_hz,
        level_db=level_db,
        figures={
            "drive_for_talk_level_dbfs": drive_dbfs,
            "lowest_db": float(np.min(level_db)) - at_1khz_db,
            "highest_db": float(np.max(level_db)) - at_1khz_db,
            "microphone_pa": microphone_pa,
            "own_uncertainty_db": spread_db,
        },
        source=_find_source(programme, recording, measurement),
        problems=measurement.problems,
        **about,
    )


def compute_mouth_flat(
    setup: BenchSetup,
    programme: Programme,
    recording: Recording,
    microphone: StepResult,
    **about: Any,
) -> StepResult:
    """
    The mouth once more with its equaliser in: what that leaves, and what the mouth distorts.

    Parameters
    ----------
    setup : BenchSetup
    programme : Programme
    recording : Recording
        Microphone at the mouthpiece, mouth made flat, at the level that sets are measured at.
    microphone : StepResult

    Returns
    -------
    StepResult
        `value` is the largest deviation from 1 kHz in dB, the microphone's curve taken off;
        `level_db` is as read, in dB re 1 Pa per unit.

    Raises
    ------
    InputError
        The microphone has no value.
    RecordingError
        The recording cannot be used.
    """
    microphone_pa = _need_microphone_pa(microphone, "mouth-flat")
    measurement = _measure(programme, recording)
    frequency_hz, level_db, spread_db = _read_curve(measurement)
    level_db = level_db + db_from_ratio(microphone_pa)
    flat_db = level_db - read_curve_db(setup.microphone_curve, frequency_hz)
    flat_db -= np.interp(np.log(1000.0), np.log(frequency_hz), flat_db)
    value = float(np.max(np.abs(flat_db)))
    problems = list(measurement.problems)
    if value > MOUTH_FLAT_DB:
        message = f"the mouth is flat within {value:.1f} dB only with its equaliser in"
        effect = "taken off every curve; do the step mouth again if the mouth was moved"
        problems.append(Problem(kind="flatness", message=message, effect=effect))
    thd_percent = _read_thd_percent(measurement)
    return make_result(
        setup,
        "mouth-flat",
        value=value,
        unit="dB",
        uncertainty_db=spread_db,
        method="sweep, microphone at the mouthpiece, mouth made flat",
        frequency_hz=frequency_hz,
        level_db=level_db,
        figures={} if thd_percent is None else {"thd_percent": thd_percent},
        source=_find_source(programme, recording, measurement),
        problems=tuple(problems),
        **about,
    )


def compute_loop_back(
    setup: BenchSetup, programme: Programme, recording: Recording, **about: Any
) -> StepResult:
    """
    Level, flatness, distortion and noise of the bench without a set.

    Returns
    -------
    StepResult
        `value` is the gain at 1 kHz in dB re full scale both ways, `level_db` the curve.

    Raises
    ------
    RecordingError
        The recording cannot be used.
    """
    measurement = _measure(programme, recording)
    frequency_hz, level_db, spread_db = _read_curve(measurement)
    at_1khz_db = float(np.interp(np.log(1000.0), np.log(frequency_hz), level_db))
    figures = {"flatness_db": float(np.max(np.abs(level_db - at_1khz_db)))}
    problems = list(measurement.problems)
    if figures["flatness_db"] > FLATNESS_DB:
        message = f"the bench itself is flat within {figures['flatness_db']:.1f} dB only"
        problems.append(Problem(kind="flatness", message=message, effect="it adds to every curve"))
    thd_percent = _read_thd_percent(measurement)
    if thd_percent is not None:
        figures["thd_percent"] = thd_percent
        if thd_percent > THD_PERCENT:
            message = f"the bench itself distorts by {thd_percent:.2f} % at 1 kHz"
            effect = "turn levels down until it is under 0.1 %"
            problems.append(Problem(kind="distortion", message=message, effect=effect))
    figures |= _read_noise(measurement)
    return make_result(
        setup,
        "loop-back",
        value=at_1khz_db,
        unit="dB",
        uncertainty_db=spread_db,
        method="sweep through the pad",
        frequency_hz=frequency_hz,
        level_db=level_db,
        figures=figures,
        problems=tuple(problems),
        **about,
    )


def compute_seal(
    setup: BenchSetup,
    programme: Programme,
    recording: Recording,
    sealed: StepResult | None = None,
    **about: Any,
) -> StepResult:
    """
    Loss at 200 Hz re 1 kHz with the blank on the coupler.

    Parameters
    ----------
    sealed : StepResult, optional
        The first result, taken with grease; the loss is counted from it.

    Returns
    -------
    StepResult
        `value` is the loss in dB, with a `Problem` where it is 1 dB or more.

    Raises
    ------
    RecordingError
        The recording cannot be used.
    """
    measurement = _measure(programme, recording)
    frequency_hz, level_db, spread_db = _read_curve(measurement)
    loss_db = _read_loss_db(frequency_hz, level_db)
    if sealed is not None and sealed.frequency_hz is not None and sealed.level_db is not None:
        loss_db -= _read_loss_db(sealed.frequency_hz, sealed.level_db)
    problems = list(measurement.problems)
    if loss_db >= SEAL_DB:
        message = f"the coupler leaks: {loss_db:.1f} dB are lost at 200 Hz, allowed is 1 dB"
        effect = "low frequencies of every receiver would read low; seat the ring again"
        problems.append(Problem(kind="leak", message=message, effect=effect))
    return make_result(
        setup,
        "seal",
        value=loss_db,
        unit="dB",
        uncertainty_db=spread_db,
        method="blank on the coupler" + (", against the sealed one" if sealed else ""),
        frequency_hz=frequency_hz,
        level_db=level_db,
        problems=tuple(problems),
        **about,
    )


def compute_reference(
    setup: BenchSetup, programme: Programme, recording: Recording, **about: Any
) -> StepResult:
    """
    Level of the handset that is kept for the bench, on the path of the recording.

    Returns
    -------
    StepResult
        `value` is the mean level over 200-4000 Hz in the recording's own unit: relative where
        the bench is not calibrated.

    Raises
    ------
    InputError
        The path is neither transmit nor receive.
    RecordingError
        The recording cannot be used.
    """
    path = recording.conditions.path
    if path not in ("transmit", "receive"):
        message = f"reference handset: need path transmit or receive, got {path}"
        raise InputError(message)
    measurement = measure_recording(programme, recording)
    frequency_hz, level_db, spread_db = _read_curve(measurement)
    unit = measurement.response.unit if measurement.response else ""
    return make_result(
        setup,
        f"reference-{path}",
        value=10.0 * math.log10(float(np.mean(10.0 ** (level_db / 10.0)))),
        unit=unit,
        uncertainty_db=spread_db,
        method="reference handset",
        frequency_hz=frequency_hz,
        level_db=level_db,
        figures=_read_noise(measurement),
        problems=measurement.problems,
        **about,
    )


def _measure(programme: Programme, recording: Recording) -> Measurement:
    """A recording without a set: that none is heard is no fault here."""
    found = measure_recording(programme, recording.replace(calibration=None))
    kept = tuple(problem for problem in found.problems if problem.kind != "no-handset")
    return found.replace(problems=kept)


def _find_source(
    programme: Programme, recording: Recording, measurement: Measurement
) -> SourceDistortion | None:
    """The mouth's harmonics; nothing where something came into the recording."""
    kinds = {problem.kind for problem in measurement.problems}
    if kinds & SPOILT_KINDS:
        return None
    return measure_source(programme, recording.replace(calibration=None))


def _need_microphone_pa(microphone: StepResult, step: str) -> float:
    if microphone.value is None:
        raise InputError(f"{step}: calibrate the microphone first")
    return microphone.value


def _read_curve(measurement: Measurement) -> tuple[Array, Array, float]:
    """Points that were not withheld, and the largest uncertainty among them."""
    response = measurement.response
    if response is None or not np.any(np.isfinite(response.level_db)):
        message = "the recording gives no response; raise the level and record again"
        raise InputError(message)
    known = np.isfinite(response.level_db)
    spread_db = float(np.nanmax(response.uncertainty_db[known]))
    return response.frequency_hz[known], response.level_db[known], spread_db


def _read_loss_db(frequency_hz: Array, level_db: Array) -> float:
    low_db, mid_db = np.interp(np.log([200.0, 1000.0]), np.log(frequency_hz), level_db)
    return float(mid_db - low_db)


def _read_thd_percent(measurement: Measurement) -> float | None:
    distortion = measurement.distortion
    if distortion is None:
        return None
    at = int(np.argmin(np.abs(distortion.frequency_hz - 1000.0)))
    shown = distortion.thd_percent[at]
    below = distortion.thd_below_percent[at]
    figure = float(shown if np.isfinite(shown) else below)
    return figure if math.isfinite(figure) else None


def _read_noise(measurement: Measurement) -> dict[str, float]:
    noise = measurement.noise
    figures = {
        "noise_dbfs": noise.flat_dbfs,
        "psophometric_dbfs": noise.psophometric_dbfs,
        "mains_dbfs": noise.mains_dbfs,
    }
    return {
        name: value for name, value in figures.items() if value is not None and math.isfinite(value)
    }
