"""What was taken in a step -> its result: one function for each step, by the step's name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from voicecheck.bench.calibration import curves, levels
from voicecheck.bench.calibration.cavitysteps import Pair, compute_reciprocity
from voicecheck.bench.calibration.endsteps import compute_ends
from voicecheck.bench.calibration.guides import Guide
from voicecheck.bench.calibration.validity import get_best, get_newest
from voicecheck.errors import InputError
from voicecheck.records import BenchSetup, Programme, Recording, StepResult


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTake:
    """
    What a step gave to be worked out.

    Parameters
    ----------
    setup : BenchSetup
    guide : Guide
    values : tuple of float
        What was typed: of several tones the last ones, in their order; may be empty.
    results : tuple of StepResult
        Everything known of this bench.
    programme, recording
        As played and recorded last; `None` where the step needs none.
    is_stand_in : bool
        Whether it was taken the lesser way.
    level_dbfs : float
        Of the tones, where the step plays some.
    about : dict
        What every result carries.
    takes : tuple of pairs of Recording
        Line tap and ear, of a step that has several takes.
    typed : mapping of str to float
        What was typed with those, by name.
    """

    setup: BenchSetup
    guide: Guide
    values: tuple[float, ...]
    results: tuple[StepResult, ...]
    programme: Programme | None
    recording: Recording | None
    is_stand_in: bool
    level_dbfs: float
    about: dict[str, Any]
    takes: tuple[Pair, ...] = ()
    typed: Mapping[str, float] = field(default_factory=dict)

    @property
    def sound(self) -> tuple[Programme, Recording]:
        """
        Programme and recording of a step that rests on them.

        Raises
        ------
        InputError
            It was not played.
        """
        if self.programme is None or self.recording is None:
            raise InputError(f"{self.guide.name}: play and record it first")
        return self.programme, self.recording


def work_out(take: StepTake) -> StepResult:
    """
    The result of a step.

    Raises
    ------
    InputError
        Something that the step needs is missing or cannot be.
    RecordingError
        The recording cannot be used.
    """
    return WORK[take.guide.name](take)


def _work_out_line_drive(take: StepTake) -> StepResult:
    tones_hz = take.guide.tones_hz
    if len(take.values) > len(tones_hz):
        message = f"meter_v: need at most {len(tones_hz)} readings, got {len(take.values)}"
        raise InputError(message)
    readings = [
        levels.MeterReading(frequency_hz=hz, level_dbfs=take.level_dbfs, volts_rms=volts)
        for hz, volts in zip(tones_hz[-len(take.values) :], take.values, strict=False)
    ]
    return levels.compute_electrical_out(take.setup, readings, **take.about)


def _work_out_line_tap(take: StepTake) -> StepResult:
    programme, recording = take.sound
    return levels.compute_electrical_in(
        take.setup,
        recording,
        frequency_hz=programme.blocks[0].from_hz or take.guide.tones_hz[-1],
        length_s=programme.duration_s,
        volts_rms=take.values[-1] if take.values else None,
        output=get_newest(take.results, "electrical-out"),
        level_dbfs=programme.recipe.level_dbfs,
        **take.about,
    )


def _work_out_microphone(take: StepTake) -> StepResult:
    programme, recording = take.sound
    return levels.compute_microphone(
        take.setup,
        recording,
        length_s=programme.duration_s,
        level_dbspl=take.values[-1] if take.values else levels.CALIBRATOR_DBSPL,
        is_calibrator=not take.is_stand_in,
        **take.about,
    )


def _work_out_mouth(take: StepTake) -> StepResult:
    microphone = get_best(take.results, "microphone", take.about["done_utc"])
    if microphone is None:
        raise InputError("mouth: do the step microphone first")
    return curves.compute_mouth(take.setup, *take.sound, microphone, **take.about)


def _work_out_mouth_flat(take: StepTake) -> StepResult:
    microphone = get_best(take.results, "microphone", take.about["done_utc"])
    if microphone is None:
        raise InputError("mouth-flat: do the step microphone first")
    return curves.compute_mouth_flat(take.setup, *take.sound, microphone, **take.about)


def _work_out_seal(take: StepTake) -> StepResult:
    seals = [result for result in take.results if result.step == "seal"]
    sealed = min(seals, key=lambda result: result.done_utc, default=None)
    return curves.compute_seal(take.setup, *take.sound, sealed, **take.about)


def _work_out_reciprocity(take: StepTake) -> StepResult:
    if take.programme is None:
        raise InputError(f"{take.guide.name}: play and record its takes first")
    return compute_reciprocity(
        take.setup,
        take.guide.name,
        take.takes,
        take.typed,
        take.results,
        length_s=take.programme.duration_s,
        **take.about,
    )


def _work_out_ends(take: StepTake) -> StepResult:
    if take.programme is None:
        raise InputError(f"{take.guide.name}: play and record its takes first")
    return compute_ends(take.setup, take.programme, take.takes, take.typed, **take.about)


WORK: dict[str, Callable[[StepTake], StepResult]] = {
    "electrical-out": _work_out_line_drive,
    "electrical-in": _work_out_line_tap,
    "loop-back": lambda take: curves.compute_loop_back(take.setup, *take.sound, **take.about),
    "microphone": _work_out_microphone,
    "reciprocity": _work_out_reciprocity,
    "reciprocity-swapped": _work_out_reciprocity,
    "parts-ends": _work_out_ends,
    "mouth": _work_out_mouth,
    "mouth-flat": _work_out_mouth_flat,
    "seal": _work_out_seal,
    "reference-transmit": lambda take: curves.compute_reference(
        take.setup, *take.sound, **take.about
    ),
    "reference-receive": lambda take: curves.compute_reference(
        take.setup, *take.sound, **take.about
    ),
}
