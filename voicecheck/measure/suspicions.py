"""Recordings of something else than a set: a wire in its place, or hardly anything at all."""

from __future__ import annotations

import math

import numpy as np

from voicecheck.errors import RecordingError
from voicecheck.idle import IdleSpectrum
from voicecheck.measure.sweeps import SweepAnalysis
from voicecheck.ranks import find_median
from voicecheck.records import Distortion, Problem, Programme, Recording, Timeline
from voicecheck.records.arrays import Array

TOO_QUIET_DBFS = -50.0
"""Peak of the sweeps below which the recorder's own noise and steps count (judgement)."""
WANTED_PEAK_DBFS = -12.0
"""What the gain is to be turned up to: room for the level steps and for carbon's jumps."""
WIRE_SPAN_DB, WIRE_TURN_DEG, WIRE_THD_PERCENT = 0.15, 4.0, 0.05
"""
A wire is flatter than this over 200-4000 Hz, turns the phase by less, and distorts less.

What tells a flat electronic element from it is the circuit around it: a coupling capacitor with a
corner at 20 Hz turns the phase at 200 Hz by 5.7 degrees, and transformers, capsules and couplers
bend the curve by more than half a decibel. Two sound interfaces with corners at 5 Hz turn it by
2.9 degrees.
"""
KNOWN_DB = 0.1
"""With a larger error of the points nothing is said: noise hides what would tell."""


def find_peak_dbfs(programme: Programme, recording: Recording, timeline: Timeline) -> float:
    """
    Peak of the recorded sweeps, dB re full scale; -200 where there is nothing.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    timeline : Timeline
    """
    sweeps = programme.blocks_of("sweep")
    first = max(0, round(timeline.locate_s(sweeps[0].start_s) * recording.rate_hz))
    last = round(timeline.locate_s(sweeps[-1].end_s) * recording.rate_hz)
    part = recording.samples[first:last]
    peak = max(np.max(part, initial=0.0), -np.min(part, initial=0.0), 1e-10)
    return float(20.0 * np.log10(peak))


def report_quiet(peak_dbfs: float) -> list[Problem]:
    """
    A recording that is far too quiet, with what to turn.

    Parameters
    ----------
    peak_dbfs : float
        Of the sweeps.
    """
    if peak_dbfs >= TOO_QUIET_DBFS:
        return []
    return [
        Problem(
            kind="too-quiet",
            message=f"the sweeps peak at {peak_dbfs:.0f} dBFS: turn the gain up by about "
            f"{WANTED_PEAK_DBFS - peak_dbfs:.0f} dB",
            effect="the recorder's own noise and steps count; noise and distortion are the "
            "recorder's as much as the set's",
        )
    ]


FOREIGN_SHARE = 0.05
"""
Least share of the kernels' energy near their arrival where the sweeps stand out of the noise.

Measured on eight plants: 0.96 and more in noise 20 dB down, 0.40 under a howl as loud as the
sweeps; sweeps of two thirds of the length that the recipe says reach 0.0004.
"""
NEAR_S = (0.03, 0.25)
"""Before and after the arrival: a set, its echo and the room have done with by then."""


def check_sweeps(
    sweep: SweepAnalysis, recording: Recording, timeline: Timeline, idle: IdleSpectrum
) -> None:
    """
    Refuse sweeps that are not the programme's although the marks are.

    Parameters
    ----------
    sweep : SweepAnalysis
    recording : Recording
    timeline : Timeline
    idle : IdleSpectrum

    Raises
    ------
    RecordingError
        Kind "wrong-programme".
    """
    first = max(0, round(timeline.locate_s(0.0) * recording.rate_hz))
    idle_rms = float(np.std(np.concatenate(idle.stretches)))
    if _compute_rms(recording.samples[first:]) < 10.0 * idle_rms:
        return
    kernel, rate_hz = sweep.kernels.mean, sweep.kernels.rate_hz
    before, after = (round(edge * rate_hz) for edge in NEAR_S)
    near = _sum_squares(kernel[:after]) + _sum_squares(kernel[-before:])
    if near < FOREIGN_SHARE * _sum_squares(kernel):
        raise RecordingError(
            "the marks are those of the programme, its sweeps are not: another programme was "
            "played between them, or the sound was edited; give the programme file that was played",
            "wrong-programme",
        )


def _compute_rms(samples: Array) -> float:
    """Root mean square about the mean."""
    mean = float(np.mean(samples))
    return math.sqrt(max(_sum_squares(samples) / len(samples) - mean**2, 0.0))


def _sum_squares(values: Array) -> float:
    # Not a product of vectors, which would start threads that cost more than they bring.
    return float(np.einsum("i,i->", values, values))


def report_wire(path: str, sweep: SweepAnalysis, distortion: Distortion) -> list[Problem]:
    """
    A wire where a handset should be.

    Parameters
    ----------
    path : str
        Nothing is said of `loop`, where a wire is what should be there.
    sweep : SweepAnalysis
    distortion : Distortion
    """
    here = sweep.is_point
    level_db = sweep.level_db[here]
    error_db = np.hypot(sweep.noise_db[here], sweep.bias_db[here])
    if path == "loop" or not np.all(np.isfinite(level_db)) or np.max(error_db) > KNOWN_DB:
        return []
    frequency_hz, phase_rad = sweep.fine_hz[here], sweep.phase_rad[here]
    # Half turns are polarity; the rest of a wire's phase is a delay.
    turned = phase_rad - np.pi * np.round(phase_rad[0] / np.pi)
    slope = float(np.sum(turned * frequency_hz) / np.sum(frequency_hz**2))
    left_deg = np.degrees(np.abs(turned - slope * frequency_hz))
    thd = np.where(
        np.isfinite(distortion.thd_percent), distortion.thd_percent, distortion.thd_below_percent
    )
    thd = thd[~np.isnan(thd)]
    is_wire = (
        np.ptp(level_db) < WIRE_SPAN_DB
        and np.max(left_deg) < WIRE_TURN_DEG
        and len(thd) > 0
        and find_median(thd) < WIRE_THD_PERCENT
    )
    if not is_wire:
        return []
    return [
        Problem(
            kind="no-handset",
            message=f"no handset was heard: the curve is flat within {np.ptp(level_db):.2f} dB, "
            "without any turn of the phase or distortion, as only a wire is",
            effect="the numbers are those of a wire; connect the handset and record again "
            "(path loop is for the bench alone)",
        )
    ]
