"""
Tones and meter readings -> what one unit of a sample stands for.

A value per unit is what one full-scale unit means: a sine of amplitude 1.0 that puts 0.7746 V RMS
on the line has 1.0954 V per unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from voicecheck.bench.calibration.guides import make_result
from voicecheck.bench.calibration.tones import cut_steady, fit_sine
from voicecheck.errors import InputError
from voicecheck.records import Problem, Recording
from voicecheck.records.arrays import Array
from voicecheck.records.benches import BenchSetup, StepResult
from voicecheck.units import REFERENCE_PRESSURE_PA, db_from_ratio, ratio_from_db

TONES_HZ = (400.0, 1000.0)
HONEST_DB = 0.2
"""A meter that differs by more between the two tones is not honest at the upper one (PROP)."""
CALIBRATOR_DBSPL = 94.0
CALIBRATOR_DB = 0.3
SOUND_LEVEL_METER_DB = 2.0
"""Uncertainty of a reading beside the microphone with an ordinary sound level meter (PROP)."""
STEADY_DB = 0.1
N_SEGMENTS = 10
CLIPPED_PEAK = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """What the meter showed across the load while a tone was played."""

    frequency_hz: float
    level_dbfs: float
    volts_rms: float


def compute_electrical_out(
    setup: BenchSetup, readings: Sequence[MeterReading], **about: Any
) -> StepResult:
    """
    Volts at the line for a played amplitude of 1.0.

    Parameters
    ----------
    setup : BenchSetup
        Its meter's accuracy is the largest part of the uncertainty.
    readings : sequence of MeterReading
        At 400 Hz and 1000 Hz, or at one of them.
    **about
        `done_utc`, and `temperature_c` if known.

    Returns
    -------
    StepResult
        Unit "V". Where the readings differ by more than 0.2 dB the one at 400 Hz counts, with a
        `Problem` that says so.

    Raises
    ------
    InputError
        No reading, or one that cannot be.
    """
    for reading in readings:
        if not 1e-4 < reading.volts_rms < 100.0:
            message = (
                f"volts_rms: need 0.0001 to 100 V, got {reading.volts_rms}; "
                "is the meter on AC volts, or were these millivolts?"
            )
            raise InputError(message)
    if not readings:
        message = "electrical-out: type at least the reading at 1000 Hz"
        raise InputError(message)
    per_unit = {
        reading.frequency_hz: reading.volts_rms * math.sqrt(2.0) / ratio_from_db(reading.level_dbfs)
        for reading in readings
    }
    lowest, highest = per_unit[min(per_unit)], per_unit[max(per_unit)]
    gap_db = db_from_ratio(highest / lowest)
    problems: tuple[Problem, ...] = ()
    value = math.sqrt(lowest * highest)
    if abs(gap_db) > HONEST_DB:
        value = lowest
        message = (
            f"the meter reads {gap_db:+.1f} dB at {max(per_unit):.0f} Hz against "
            f"{min(per_unit):.0f} Hz: it is not honest there"
        )
        effect = "the lower tone's reading is used; a meter rated to 1 kHz would settle it"
        problems = (Problem(kind="meter", message=message, effect=effect),)
    meter_db = db_from_ratio(1.0 + setup.meter_percent / 100.0)
    return make_result(
        setup,
        "electrical-out",
        value=value,
        unit="V",
        uncertainty_db=math.hypot(meter_db, 0.0 if problems else 0.5 * gap_db),
        method=f"meter, {setup.meter_percent:g} %, across {setup.load_ohm:.0f} ohm",
        figures={"gap_400_to_1000_db": gap_db} if len(per_unit) > 1 else {},
        problems=problems,
        **about,
    )


def compute_electrical_in(
    setup: BenchSetup,
    recording: Recording,
    *,
    frequency_hz: float,
    length_s: float,
    volts_rms: float | None = None,
    output: StepResult | None = None,
    level_dbfs: float = 0.0,
    **about: Any,
) -> StepResult:
    """
    Volts at the line tap for a recorded amplitude of 1.0.

    Parameters
    ----------
    setup : BenchSetup
    recording : Recording
        Of the tone, line tap across the load.
    frequency_hz, length_s : float
        The tone as played.
    volts_rms : float, optional
        The meter's reading; else the voltage follows from `output` and `level_dbfs`.
    output : StepResult, optional
        Of the step "electrical-out".
    level_dbfs : float
        Of the tone as played.

    Returns
    -------
    StepResult
        Unit "V".

    Raises
    ------
    InputError
        Neither a reading nor a result to take the voltage from.
    RecordingError
        There is no tone in the recording.
    """
    fit = fit_sine(cut_steady(recording, length_s), recording.rate_hz, frequency_hz)
    if volts_rms is not None:
        source_db = db_from_ratio(1.0 + setup.meter_percent / 100.0)
        method = f"meter, {setup.meter_percent:g} %"
    elif output is not None and output.value is not None:
        volts_rms = output.value * ratio_from_db(level_dbfs) / math.sqrt(2.0)
        source_db, method = output.uncertainty_db, "from the step electrical-out"
    else:
        message = "electrical-in: type the meter's reading, or do the step electrical-out first"
        raise InputError(message)
    return make_result(
        setup,
        "electrical-in",
        value=volts_rms * math.sqrt(2.0) / fit.amplitude,
        unit="V",
        uncertainty_db=math.hypot(source_db, fit.uncertainty_db),
        method=method,
        figures={"tone_dbfs": db_from_ratio(fit.amplitude)},
        problems=find_clipping(recording),
        **about,
    )


def compute_microphone(
    setup: BenchSetup,
    recording: Recording,
    *,
    length_s: float,
    level_dbspl: float = CALIBRATOR_DBSPL,
    is_calibrator: bool = True,
    source_db: float | None = None,
    **about: Any,
) -> StepResult:
    """
    Pascal at the ear's microphone for a recorded amplitude of 1.0.

    Parameters
    ----------
    setup : BenchSetup
    recording : Recording
        Of a calibrator at 1 kHz, or of the mouth's 1 kHz tone for the stand-in.
    length_s : float
        How much of it is the tone.
    level_dbspl : float
        What the calibrator makes, or what the sound level meter beside the microphone read.
    is_calibrator : bool
        False for the sound level meter; the result is marked as a stand-in.
    source_db : float, optional
        Uncertainty of that level; 0.3 dB for a calibrator, 2 dB for a meter if left out.

    Returns
    -------
    StepResult
        Unit "Pa".

    Raises
    ------
    InputError
        The level cannot be, or the ear is a coil.
    RecordingError
        There is no tone in the recording.
    """
    if setup.ear == "coil":
        message = "microphone: the ear of this bench is a pickup coil, which hears no pressure"
        raise InputError(message)
    if not 50.0 <= level_dbspl <= 130.0:
        message = f"level_dbspl: need 50 to 130 dB SPL, got {level_dbspl}; was it dBPa?"
        raise InputError(message)
    steady = cut_steady(recording, length_s)
    fit = fit_sine(steady, recording.rate_hz, 1000.0)
    spread_db = _estimate_unsteadiness_db(steady, recording.rate_hz)
    if source_db is None:
        source_db = CALIBRATOR_DB if is_calibrator else SOUND_LEVEL_METER_DB
    problems = list(find_clipping(recording))
    if spread_db > STEADY_DB:
        message = f"the tone wanders by {spread_db:.2f} dB within the recording"
        effect = "seat the calibrator again and repeat"
        problems.append(Problem(kind="unsteady", message=message, effect=effect))
    pressure_pa = REFERENCE_PRESSURE_PA * ratio_from_db(level_dbspl)
    by = "calibrator" if is_calibrator else "sound level meter beside the microphone"
    return make_result(
        setup,
        "microphone",
        value=pressure_pa * math.sqrt(2.0) / fit.amplitude,
        unit="Pa",
        uncertainty_db=math.hypot(source_db, fit.uncertainty_db, spread_db),
        method=f"{by}, {level_dbspl:g} dB SPL",
        is_fallback=not is_calibrator,
        figures={"tone_dbfs": db_from_ratio(fit.amplitude), "frequency_hz": fit.frequency_hz},
        problems=tuple(problems),
        **about,
    )


def _estimate_unsteadiness_db(steady: Array, rate_hz: int) -> float:
    """Half-width of a 95 % interval for the level of any part of a tone, from its parts."""
    parts = np.array_split(steady, N_SEGMENTS)
    levels_db = [db_from_ratio(fit_sine(part, rate_hz, 1000.0).amplitude) for part in parts]
    return 2.0 * float(np.std(levels_db, ddof=1))


def find_clipping(*recordings: Recording) -> tuple[Problem, ...]:
    """Whether a tone reached the end of an input's range."""
    peak = max(float(np.max(np.abs(one.samples))) for one in recordings)
    if peak < CLIPPED_PEAK:
        return ()
    message = f"the tone peaks at {db_from_ratio(peak):.1f} dBFS: the input is clipped"
    return (
        Problem(kind="clipping", message=message, effect="turn the input gain down and repeat"),
    )
