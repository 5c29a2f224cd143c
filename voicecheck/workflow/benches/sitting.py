"""A sitting at a bench: every step's result is in the book before the next one begins."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence

from voicecheck.bench.calibration import levels
from voicecheck.bench.calibration.daily import DAILY_STEPS
from voicecheck.bench.calibration.guides import Guide, get_guide
from voicecheck.bench.calibration.tones import make_tone
from voicecheck.bench.calibration.validity import Standing, is_standing, list_expiries
from voicecheck.bench.hardware import HardwareBench
from voicecheck.bench.session import MOUTH_DBFS, TONE_DBFS, CalibrationSession
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import BenchCheck, Recording, StepResult
from voicecheck.records.signals import PATHS
from voicecheck.workflow.benches.locks import hold_bench
from voicecheck.workflow.benches.store import (
    SITTING_H,
    BenchFile,
    load_bench,
    save_check,
    save_result,
)

__all__ = ["DAILY_STEPS", "Guide", "Sitting", "Standing", "get_guide"]

Progress = Callable[[float, float], None]
TONES_HZ = levels.TONES_HZ
SHORT_LIVED_DAYS = 2.0
"""Steps good for no longer are renewed by the daily check."""


class Sitting:
    """
    A calibration, or a daily check, of a bench in the book.

    Parameters
    ----------
    book : JobBook
    name : str
        Of the bench.
    is_check : bool
        A daily check: its results are held against those of the calibration, and do not replace
        them.
    temperature_c : float, optional
    progress : callable, optional
        Called about twenty times a second with the fraction done and the peak of the input, dBFS.

    Raises
    ------
    InputError
        There is no such bench.
    """

    def __init__(
        self,
        book: JobBook,
        name: str,
        *,
        is_check: bool = False,
        temperature_c: float | None = None,
        progress: Progress | None = None,
    ) -> None:
        file = load_bench(book, name)
        self.setup = file.setup
        self._book, self._is_check = book, is_check
        self._session = CalibrationSession(
            file.setup, file.results, temperature_c=temperature_c, progress=progress
        )
        if is_check:
            self._session.fresh = tuple(filter(_is_of_now, file.check_results))

    def list_open(self) -> tuple[Guide, ...]:
        """
        Steps still to be done, in order.

        Returns
        -------
        tuple of Guide
            Of a check: its steps, but those done in this sitting and those of an ear that the
            bench does not have. Of a calibration: never done, expired or spoilt; what is good
            for a day only, and was done once, is left to the daily check.
        """
        if self._is_check:
            done = {result.step for result in self._session.fresh}
            left_out = {"seal"} if self.setup.ear == "coil" else set()
            steps = [step for step in DAILY_STEPS if step not in done | left_out]
            return tuple(get_guide(step) for step in steps)
        once = {result.step for result in self._session.results if _is_good(result)}
        return tuple(
            guide
            for guide in self._session.list_open()
            if not (guide.valid_days < SHORT_LIVED_DAYS and guide.name in once)
        )

    def play(self, step: str, *, frequency_hz: float = 1000.0, length_s: float = 5.0) -> Recording:
        """
        Play and record what a step asks for; its `conditions.level_dbfs` is what was played.

        Raises
        ------
        InputError
            There is no such step, or another one comes first.
        BenchError
            The device is busy or the take failed; steps that are done are kept.
        """
        with hold_bench(HardwareBench(self.setup), self._describe(step)):
            return self._session.play(step, frequency_hz=frequency_hz, length_s=length_s)

    def play_stand_in(self, length_s: float = 10.0) -> Recording:
        """
        Play 1 kHz at the mouth while a sound level meter beside the microphone is read.

        Raises
        ------
        BenchError
            The device is busy, or the take failed.
        """
        setup = self.setup
        level_dbfs = min(MOUTH_DBFS, setup.mouth_cap_dbfs)
        bench = HardwareBench(setup, is_equalised=False, progress=self._session.progress)
        tone = make_tone(setup.rate_hz, 1000.0, level_dbfs, length_s)
        with hold_bench(bench, self._describe("microphone")):
            return bench.play_and_record(tone, path="sidetone")

    def finish(
        self, step: str, recording: Recording | None, *, level_dbspl: float | None = None
    ) -> StepResult:
        """
        Work a step out and keep its result.

        Parameters
        ----------
        step : str
        recording : Recording or None
            As `play` returned it.
        level_dbspl : float, optional
            Of the calibrator, for "microphone".

        Returns
        -------
        StepResult

        Raises
        ------
        InputError
            Something that the step needs is missing.
        RecordingError
            The recording cannot be used.
        """
        level_dbspl = levels.CALIBRATOR_DBSPL if level_dbspl is None else level_dbspl
        return self._keep(self._session.finish(step, recording, level_dbspl=level_dbspl))

    def finish_stand_in(
        self, recording: Recording, length_s: float, level_dbspl: float
    ) -> StepResult:
        """
        Calibrate the microphone by a sound level meter; marked as a stand-in.

        Raises
        ------
        InputError, RecordingError
            As `finish`.
        """
        result = levels.compute_microphone(
            self.setup,
            recording,
            length_s=length_s,
            level_dbspl=level_dbspl,
            is_calibrator=False,
            done_utc=get_now_utc(),
            temperature_c=self._session.temperature_c,
        )
        self._session.fresh = (*self._session.fresh, result)
        return self._keep(result)

    def finish_line(
        self, step: str, volts_rms: Sequence[float], recording: Recording | None = None
    ) -> StepResult:
        """
        Work out a step of the line from what the meter showed.

        Parameters
        ----------
        step : str
            "electrical-out" or "electrical-in".
        volts_rms : sequence of float
            For the line drive at 400 and 1000 Hz, or at 1000 Hz alone; for the line tap one, or
            none to go by the line drive.
        recording : Recording, optional
            Of the line tap.

        Raises
        ------
        InputError, RecordingError
            As `finish`.
        """
        if len(volts_rms) > len(TONES_HZ):
            message = f"meter_v: need at most two readings, got {len(volts_rms)}"
            raise InputError(message)
        level_dbfs = self.tone_dbfs
        tones_hz = TONES_HZ[-len(volts_rms) :] if volts_rms else ()
        readings = [
            levels.MeterReading(frequency_hz=hz, level_dbfs=level_dbfs, volts_rms=volts)
            for hz, volts in zip(tones_hz, volts_rms, strict=True)
        ]
        return self._keep(self._session.finish(step, recording, readings=readings))

    @property
    def tone_dbfs(self) -> float:
        """Level of the tone that the line drive is calibrated with, dBFS."""
        return min(TONE_DBFS, self.setup.line_drive_cap_dbfs)

    def check(self) -> BenchCheck:
        """Hold what was found in this sitting against the calibration, and keep the outcome."""
        check = self._session.check()
        save_check(self._book, check)
        return check

    def _describe(self, step: str) -> str:
        kind = "daily check" if self._is_check else "calibration"
        return f"{kind} of bench {self.setup.name}, {step}"

    def _keep(self, result: StepResult) -> StepResult:
        save_result(self._book, result, is_check=self._is_check)
        if self._is_check and result.step == "seal":
            # The one result that is worth more the fresher it is: receive levels rest on it.
            save_result(self._book, result)
        return result


def get_now_utc() -> str:
    """Now, as it is stored."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def judge_paths(file: BenchFile) -> dict[str, Standing]:
    """Of each path whether its levels are absolute today, and why not."""
    bench = HardwareBench(file.setup, file.results)
    return {path: bench.judge(path) for path in PATHS}


def list_warnings(file: BenchFile) -> tuple[str, ...]:
    """Calibration steps that have expired or soon will, in words."""
    newest = {result.step: result for result in file.results}
    lasting = (result for result in newest.values() if result.valid_days >= SHORT_LIVED_DAYS)
    return list_expiries(lasting, get_now_utc())


def is_counting(result: StepResult) -> bool:
    """Whether a result counts today."""
    return is_standing(result, get_now_utc())


def _is_good(result: StepResult) -> bool:
    """Whether it counted when it was done."""
    return is_standing(result, result.done_utc)


def _is_of_now(result: StepResult) -> bool:
    age = datetime.datetime.now(datetime.UTC) - datetime.datetime.fromisoformat(result.done_utc)
    return age <= datetime.timedelta(hours=SITTING_H)
