"""
Programme + recording -> measurement: the one entry into the analysis.

It never knows which bench a recording came from.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from voicecheck import (
    __version__,
    continuity,
    distortion,
    inspection,
    modelcheck,
    noise,
    response,
)
from voicecheck.budgets import combine_rows
from voicecheck.continuity import Continuity, Sound
from voicecheck.idle import IdleSpectrum, compute_idle_spectrum, make_idle_spectrum
from voicecheck.inspection import find_rounding, report_few_steps
from voicecheck.measure.echoes import doubt_echoes
from voicecheck.measure.fingerprint import take_fingerprint
from voicecheck.measure.intake import Intake, take_in
from voicecheck.measure.ratings import calibrate_noise, compute_shift_db, rate_loudness
from voicecheck.measure.reflected import hold_reflections, report_reflections
from voicecheck.measure.residual import find_residual
from voicecheck.measure.rounding import add_rounding
from voicecheck.measure.suspicions import check_sweeps, find_peak_dbfs, report_quiet, report_wire
from voicecheck.measure.sweeps import WITHHELD_SNR_DB, SweepAnalysis
from voicecheck.modelcheck import ModelCheck
from voicecheck.records import (
    BudgetRow,
    Calibration,
    Distortion,
    Linearity,
    Measurement,
    Noise,
    Problem,
    Programme,
    Recipe,
    Recording,
    RecordingInfo,
    Steadiness,
    Timeline,
    Timing,
)
from voicecheck.records.arrays import Array
from voicecheck.records.signals import SourceDistortion

UNUSUAL_DRIFT_PPM = 150.0
UNSURE_NOISE_DB = 3.0
"""Half-width of the noise's interval from which on it is said that the silence was too short."""


def measure_recording(
    programme: Programme,
    recording: Recording,
    *,
    known: Sequence[Recipe] = (),
    take: int | None = None,
) -> Measurement:
    """
    Every number of one recording.

    Parameters
    ----------
    programme : Programme
        What was played.
    recording : Recording
        What came back, at any rate from 16 kHz on.
    known : sequence of Recipe
        What may have been played instead, beside the programmes on offer.
    take : int, optional
        Which of several takes in the recording, from 1; the strongest if not given.

    Returns
    -------
    Measurement
        Withheld points are NaN, and `problems` says why.

    Raises
    ------
    InputError
        There is no such take.
    RecordingError
        It cannot be used: silent, another programme that cannot be had, cut off.

    Examples
    --------
    >>> from voicecheck.programme import make_programme
    >>> from voicecheck.records import Recording
    >>> programme = make_programme()
    >>> wire = Recording(samples=0.5 * programme.samples, rate_hz=48000)
    >>> measurement = measure_recording(programme, wire)
    >>> round(measurement.bands.at_1khz_db, 3)
    -6.021
    """
    found = take_in(programme, recording, known=known, take=take)
    programme = found.programme
    placed = continuity.check_continuity(programme, recording, found.timeline)
    timeline = placed.timeline
    heard = compute_idle_spectrum(programme, recording, timeline) or _assume_no_noise(recording)
    rounding = find_rounding(programme, recording, timeline, heard.sum_power(np.ones(1)))
    idle = heard.raise_power(rounding.power)
    sound = _inspect(programme, recording, placed, idle)
    calibration = recording.calibration
    sweep = SweepAnalysis(programme, sound.spectra, sound.used, idle, calibration)
    check_sweeps(sweep, recording, timeline, idle)
    shift_db = compute_shift_db(calibration)
    direct = response.clean_recording(recording, sweep.reflections)
    ladders = _measure_ladders(programme, direct, timeline, idle, sweep)
    checked = _check_model(found, direct, timeline, sweep, ladders, used=sound.used)
    withheld = checked.withheld | modelcheck.list_withheld([*found.problems, *sound.problems])
    figures = Noise() if "noise" in withheld else noise.measure_noise(heard)
    is_heard = "steps" not in withheld
    harmonics = sweep.make_distortion()
    told = (*found.problems, *_leave_out(sound.problems, checked), *report_few_steps(rounding))
    measured = Measurement(
        recording=_describe_with_fingerprint(found, recording, timeline),
        timing=_describe_timing(timeline),
        response=sweep.make_response(shift_db),
        fine=sweep.make_fine(shift_db),
        bands=sweep.make_bands(shift_db),
        loudness=rate_loudness(sweep, calibration, shift_db),
        **_describe_distortion(sweep, idle, figures, harmonics, withheld=withheld),
        linearity=_find_at_1khz(ladders) if is_heard else None,
        ladders=ladders if is_heard else (),
        noise=calibrate_noise(figures, calibration, recording.conditions.load_ohm),
        **_measure_tones(programme, direct, timeline, idle, sweep, withheld=withheld),
        steadiness=_describe_steadiness(programme, sound, checked),
        problems=(*told, *_note_sweeps(recording, sweep, figures, harmonics)),
        conditions=recording.conditions,
        steps=(*_list_steps(placed, sound.used, calibration), *found.steps),
        version=__version__,
    )
    measured = hold_reflections(measured, sweep.reflections)
    return add_rounding(measured, rounding, sweep.spectra.amplitude, shift_db)


def _describe_with_fingerprint(
    found: Intake, recording: Recording, timeline: Timeline
) -> RecordingInfo:
    """Which recording it is; an echo of the programme over the silences is alike in all takes."""
    is_echoing = any(one.kind == "echo" for one in found.problems)
    return dataclasses.replace(
        describe_recording(recording),
        fingerprint=None if is_echoing else take_fingerprint(found.programme, recording, timeline),
    )


def _check_model(
    found: Intake,
    recording: Recording,
    timeline: Timeline,
    sweep: SweepAnalysis,
    ladders: Sequence[Linearity],
    *,
    used: list[int],
) -> ModelCheck:
    """Ask the model check, and let the curve hold what it says."""
    heard_db = 20.0 * np.log10(np.maximum(np.abs(sweep.transfer.values), 1e-12))
    checked = modelcheck.check_model(
        found.programme,
        recording,
        timeline,
        kernels=sweep.kernels,
        spectra=sweep.spectra,
        noise=sweep.noise,
        linearity=_find_at_1khz(ladders),
        delay_s=sweep.delay_at_1khz_s,
        sweep_db=float(heard_db[sweep.fine_hz == 1000.0][0]),
        used=used,
    )
    own_db = response.combine_uncertainty_db(sweep.noise_db, sweep.bias_db)
    moved_db = checked.spread_db(sweep.fine_hz, heard_db, own_db) + found.level_doubt_db
    sweep.widen(moved_db + doubt_echoes(sweep, found.echoes))
    return checked


def _find_at_1khz(ladders: Sequence[Linearity]) -> Linearity | None:
    return next((one for one in ladders if one.frequency_hz == 1000.0), None)


def _leave_out(found: list[Problem], checked: ModelCheck) -> list[Problem]:
    """
    All that was found, each cause once.

    A lossy coder makes every sweep another one: no bursts are told beside it. What is clipped does
    not grow at the top: no other overload is told beside clipping.
    """
    is_coded = any(problem.kind == "lossy-coding" for problem in checked.problems)
    is_clipped = any(problem.kind == "clipping" for problem in found)
    kept = [problem for problem in found if not (is_coded and problem.kind == "burst")]
    asked = [one for one in checked.problems if not (is_clipped and one.kind == "overload")]
    return [*kept, *asked]


def _measure_tones(
    programme: Programme,
    recording: Recording,
    timeline: Timeline,
    idle: IdleSpectrum,
    sweep: SweepAnalysis,
    *,
    withheld: frozenset[str],
) -> dict[str, Any]:
    """Four-tone products and SINAD, without what is withheld."""
    figures: dict[str, Any] = {}
    if "four-tone" not in withheld:
        products = distortion.measure_intermodulation(programme, recording, timeline, idle)
        figures["intermodulation"] = sweep.limit_products(products)
    if "sinad" not in withheld:
        shares = sweep.find_source_shares(distortion.SINAD_HZ)
        figures |= _measure_sinad(programme, recording, timeline, idle, shares)
    return figures


def _describe_distortion(
    sweep: SweepAnalysis,
    idle: IdleSpectrum,
    figures: Noise,
    harmonics: Distortion,
    *,
    withheld: frozenset[str],
) -> dict[str, Any]:
    """Harmonics, and all that is not linear, unless withheld."""
    if "distortion" in withheld:
        return {}
    return {"distortion": harmonics, "residual": find_residual(sweep, idle, figures)}


def _note_sweeps(
    recording: Recording, sweep: SweepAnalysis, figures: Noise, harmonics: Distortion
) -> list[Problem]:
    """What the curve and the noise say of room, noise and what lies in the set's place."""
    return [
        *report_reflections(sweep.reflections, sweep.fine_hz),
        *_report_noise(figures, sweep),
        *report_wire(recording.conditions.path, sweep, harmonics),
    ]


def _describe_timing(timeline: Timeline) -> Timing:
    return Timing(
        latency_s=timeline.latency_s,
        drift_ppm=timeline.drift_ppm,
        drift_uncertainty_ppm=float(timeline.stretch_uncertainty * 1e6),
    )


def _describe_steadiness(programme: Programme, sound: Sound, checked: ModelCheck) -> Steadiness:
    """Drift over the sweeps that are used, and losses a minute of sound."""
    order = checked.order
    sounding = [b for b in programme.blocks if b.kind in ("sweep", "steps", "four-tone")]
    sounding_s = sum(block.end_s - block.start_s for block in sounding)
    n_losses = sum(problem.kind == "dropout" for problem in sound.problems)
    return Steadiness(
        drift_db=order.drift_db if order else None,
        drift_uncertainty_db=order.drift_uncertainty_db if order else None,
        losses_per_min=60.0 * n_losses / sounding_s if sounding_s > 0.0 else None,
    )


def _inspect(
    programme: Programme, recording: Recording, placed: Continuity, idle: IdleSpectrum
) -> Sound:
    """Sweeps to use, and what was found in the recording."""
    timeline = placed.timeline
    problems = [*recording.problems, *placed.problems, *_report_drift(timeline)]
    peak_dbfs = find_peak_dbfs(programme, recording, timeline)
    quiet = report_quiet(peak_dbfs)
    # A few steps of the recorder pile up at their largest without anything being cut off.
    problems += quiet or inspection.find_clipping(programme, recording, timeline)
    problems += inspection.find_gaps(programme, recording, timeline)
    inside = idle.frequency_hz < response.LOW_BAND_HZ
    idle_power = idle.sum_power(inside.astype(float))
    sound = continuity.set_aside(programme, placed, idle_power, problems)
    return dataclasses.replace(sound, problems=problems + sound.problems)


def _measure_sinad(
    programme: Programme,
    recording: Recording,
    timeline: Timeline,
    idle: IdleSpectrum,
    shares: Array | None,
) -> dict[str, Any]:
    """SINAD, its interval and its budget; nothing where it may be the source's own."""
    found = distortion.measure_sinad(programme, recording, timeline, idle)
    if found is None:
        return {}
    rows: tuple[BudgetRow, ...] = (found[1],)
    if shares is not None:
        row = distortion.judge_source(found[0], shares)
        if row is None:
            return {}
        rows = (*rows, row)
    return {
        "sinad_db": found[0], "sinad_uncertainty_db": combine_rows(rows), "sinad_budget": rows,
    }  # fmt: skip


def _measure_ladders(
    programme: Programme,
    recording: Recording,
    timeline: Timeline,
    idle: IdleSpectrum,
    sweep: SweepAnalysis,
) -> tuple[Linearity, ...]:
    """Level steps of every frequency that the programme has them at."""
    ladders = []
    for frequency_hz in programme.recipe.step_frequencies_hz:
        found = distortion.measure_linearity(programme, recording, timeline, idle, frequency_hz)
        shares = sweep.find_source_shares(frequency_hz)
        if found is not None:
            ladders.append(found if shares is None else distortion.limit_steps(found, shares))
    return tuple(ladders)


def measure_source(programme: Programme, recording: Recording) -> SourceDistortion:
    """
    What a source distorts itself, from a recording of nothing but the source.

    Parameters
    ----------
    programme : Programme
        As it was played; its level is the drive that the result holds at.
    recording : Recording
        One that `measure_recording` finds no fault in: all of its sweeps are used.

    Returns
    -------
    SourceDistortion

    Raises
    ------
    RecordingError
        As `measure_recording`.
    """
    marks = inspection.find_timeline(programme, recording)
    placed = continuity.check_continuity(programme, recording, marks)
    idle = compute_idle_spectrum(programme, recording, placed.timeline)
    kept = list(range(len(placed.spectra.values)))
    sweep = SweepAnalysis(programme, placed.spectra, kept, idle or _assume_no_noise(recording))
    products = distortion.measure_intermodulation(
        programme, recording, placed.timeline, idle or _assume_no_noise(recording)
    )
    second_db, third_db = (
        level_db if level_db is not None else below_db
        for level_db, below_db in (
            (products.order2_db, products.order2_below_db),
            (products.order3_db, products.order3_below_db),
        )
    )
    source = sweep.make_source()
    if second_db is None or third_db is None:
        return source
    return dataclasses.replace(source, products_db=(second_db, third_db))


def describe_recording(recording: Recording, file: str | None = None) -> RecordingInfo:
    """
    The part of a measurement that says which recording it is from.

    Parameters
    ----------
    recording : Recording
    file : str, optional
        Name to show.

    Returns
    -------
    RecordingInfo
    """
    return RecordingInfo(
        sha256=recording.sha256 or None,
        rate_hz=recording.rate_hz,
        duration_s=recording.duration_s,
        channel=recording.channel,
        file=file,
    )


def _assume_no_noise(recording: Recording) -> IdleSpectrum:
    """Stand-in for a programme without silence: no noise is known, so none is claimed."""
    return make_idle_spectrum([np.zeros(recording.rate_hz // 10)], recording.rate_hz)


def _report_drift(timeline: Timeline) -> list[Problem]:
    if abs(timeline.drift_ppm) < UNUSUAL_DRIFT_PPM:
        return []
    return [
        Problem(
            kind="drift",
            message=f"the recorder's clock differs from the player's by "
            f"{timeline.drift_ppm:.1f} ppm",
            effect="taken out; sound interfaces are usually within 100 ppm of each other",
        )
    ]


def _report_noise(figures: Noise, sweep: SweepAnalysis) -> list[Problem]:
    problems = _report_short_silence(figures)
    if figures.mains_hz is not None and figures.mains_dbfs is not None:
        problems.append(
            Problem(
                kind="mains",
                message=f"mains hum at {figures.mains_hz:.2f} Hz and its multiples, "
                f"{figures.mains_dbfs:.1f} dBFS in all",
                effect="points near its lines have a larger uncertainty",
            )
        )
    if sweep.n_withheld:
        problems.append(
            Problem(
                kind="noise",
                message=f"{sweep.n_withheld} of {np.count_nonzero(sweep.is_point)} points are "
                f"less than {WITHHELD_SNR_DB:.0f} dB above the noise",
                effect="those points are withheld",
            )
        )
    return problems


def _report_short_silence(figures: Noise) -> list[Problem]:
    """Noise that comes in pieces has to be heard for longer than steady noise."""
    if figures.psophometric_dbfs is None:
        return []
    half_width_db = figures.psophometric_uncertainty_db
    if half_width_db is not None and half_width_db < UNSURE_NOISE_DB:
        return []
    known = (
        "how well its level is known cannot be told"
        if half_width_db is None
        else f"its level is known to {half_width_db:.0f} dB"
    )
    return [
        Problem(
            kind="short-silence",
            message=f"the silence is too short to weigh crackle in it: {known}",
            effect="for a nearer figure take a programme with a longer one: "
            "voicecheck signal --silence-s 10",
        )
    ]


def _list_steps(
    placed: Continuity, kept: list[int], calibration: Calibration | None
) -> tuple[str, ...]:
    """What was done to the recording, in words."""
    timeline, n_sweeps = placed.timeline, len(placed.spectra.values)
    return (
        f"latency {timeline.latency_s:.6f} s and drift {timeline.drift_ppm:.3f} ppm taken out",
        f"{len(kept)} of {n_sweeps} sweeps used",
        f"calibrated: {calibration.name or 'yes'}" if calibration else "not calibrated: relative",
    )
