"""Going through the steps of a calibration, or the daily check, on a bench that is set up."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from typing import Any

from voicecheck.bench.calibration import curves, levels
from voicecheck.bench.calibration.daily import check_bench
from voicecheck.bench.calibration.guides import Guide, get_guide, load_guides
from voicecheck.bench.calibration.tones import make_tone
from voicecheck.bench.calibration.validity import get_newest, is_standing
from voicecheck.bench.hardware import MOUTH_PATHS, HardwareBench
from voicecheck.bench.soundcard.card import get_time_utc
from voicecheck.bench.soundcard.takes import Progress
from voicecheck.errors import InputError
from voicecheck.programme import DEFAULT_RECIPE, make_programme
from voicecheck.records import Programme, Recipe, Recording
from voicecheck.records.benches import FIRST_RECEIVE_DBM, BenchCheck, BenchSetup, StepResult
from voicecheck.units import TALK_LEVEL_DBPA

TONE_DBFS = -12.0
TONE_S = 5.0
LOOP_DBFS = -12.0
MOUTH_DBFS = -20.0
"""Where the mouth is not calibrated yet (PROP)."""
UNKNOWN_RECEIVE_DBFS = -40.0
"""-30 dBm where full scale is +10 dBm, as taken for an output that was never calibrated."""
HEADROOM_DB = 6.1
"""How far the programme's loudest block is above its nominal level, and a little."""


class CalibrationSession:
    """
    One sitting at the bench: each step is played, recorded and finished by itself.

    Any step can be left and taken up another day: what counts is in the results.

    Parameters
    ----------
    setup : BenchSetup
    stored : iterable of StepResult
        What was found before.
    now_utc : str, optional
        Date of what is found now; the present if left out.
    temperature_c : float, optional
    recipe : Recipe, optional
        What sweeps are played; rate, level and cap are the bench's. The default programme's if
        left out.
    progress : callable, optional
        As of the sound-card bench.
    """

    def __init__(
        self,
        setup: BenchSetup,
        stored: Iterable[StepResult] = (),
        *,
        now_utc: str | None = None,
        temperature_c: float | None = None,
        recipe: Recipe | None = None,
        progress: Progress | None = None,
    ) -> None:
        self.setup = setup
        self.stored = tuple(result for result in stored if result.bench == setup.name)
        self.fresh: tuple[StepResult, ...] = ()
        self.now_utc = now_utc
        self.temperature_c = temperature_c
        self.recipe = recipe or DEFAULT_RECIPE
        self.progress = progress
        self._played: dict[str, Programme] = {}

    @property
    def results(self) -> tuple[StepResult, ...]:
        """Everything known, old and new."""
        return (*self.stored, *self.fresh)

    def list_open(self) -> tuple[Guide, ...]:
        """
        Steps that are still to be done, in order.

        Returns
        -------
        tuple of Guide
            Never done, expired, or spoilt. A bench with a pickup coil has neither microphone
            nor seal, and so no mouth in absolute units.
        """
        now_utc = self.now_utc or get_time_utc()
        left_out = ("microphone", "mouth", "seal") if self.setup.ear == "coil" else ()
        return tuple(
            guide
            for guide in load_guides().values()
            if guide.name not in left_out
            and not is_standing(get_newest(self.results, guide.name), now_utc)
        )

    def play(
        self, step: str, *, frequency_hz: float = 1000.0, length_s: float = TONE_S
    ) -> Recording:
        """
        Play and record what a step asks for.

        Parameters
        ----------
        step : str
        frequency_hz, length_s : float
            Of the tone, for the steps that play one; long enough to read a meter.

        Returns
        -------
        Recording

        Raises
        ------
        InputError
            There is no such step, or another one comes first.
        BenchError
            The take failed.
        """
        guide = get_guide(step)
        self._check_needs(guide)
        programme = self._make_programme(guide, frequency_hz, length_s)
        self._played[step] = programme
        bench = HardwareBench(
            self.setup,
            self.results,
            now_utc=self.now_utc,
            is_equalised=step != "mouth",
            progress=self.progress,
        )
        return bench.play_and_record(programme, path=guide.path)

    def finish(
        self,
        step: str,
        recording: Recording | None = None,
        *,
        readings: Sequence[levels.MeterReading] = (),
        level_dbspl: float = levels.CALIBRATOR_DBSPL,
        is_calibrator: bool = True,
    ) -> StepResult:
        """
        Work out a step and keep its result among `fresh`.

        Parameters
        ----------
        step : str
        recording : Recording, optional
            As `play` returned it; all steps but "electrical-out" need one.
        readings : sequence of MeterReading
            What the meter showed: for "electrical-out" at 400 and 1000 Hz, for "electrical-in"
            at the tone played, or none to go by the line drive.
        level_dbspl, is_calibrator
            For "microphone".

        Returns
        -------
        StepResult

        Raises
        ------
        InputError
            Something that the step needs is missing or cannot be.
        RecordingError
            The recording cannot be used.
        """
        self._check_needs(get_guide(step))
        if step == "electrical-out":
            return self._keep(
                levels.compute_electrical_out(self.setup, readings, **self._describe())
            )
        if recording is None or step not in self._played:
            message = f"{step}: play and record it first"
            raise InputError(message)
        programme = self._played[step]
        if step == "electrical-in":
            result = self._finish_line_tap(programme, recording, readings)
        elif step == "microphone":
            result = levels.compute_microphone(
                self.setup,
                recording,
                length_s=programme.duration_s,
                level_dbspl=level_dbspl,
                is_calibrator=is_calibrator,
                **self._describe(),
            )
        else:
            result = self._finish_curve(step, programme, recording)
        return self._keep(result)

    def check(self) -> BenchCheck:
        """
        Hold what was found in this sitting against what was stored.

        Store the check itself and today's seal, not the other results: a bench that wanders a
        little every day would never be noticed if each day were held against the day before.

        Returns
        -------
        BenchCheck
        """
        now_utc = self.now_utc or get_time_utc()
        return check_bench(self.setup, self.stored, self.fresh, now_utc)

    def _keep(self, result: StepResult) -> StepResult:
        self.fresh = (*self.fresh, result)
        return result

    def _check_needs(self, guide: Guide) -> None:
        now_utc = self.now_utc or get_time_utc()
        for need in guide.needs:
            if not is_standing(get_newest(self.results, need), now_utc):
                message = f"{guide.name}: do the step {need} first"
                raise InputError(message)

    def _make_programme(self, guide: Guide, frequency_hz: float, length_s: float) -> Programme:
        rate_hz = self.setup.rate_hz
        is_mouth = guide.path in MOUTH_PATHS
        cap_dbfs = self.setup.mouth_cap_dbfs if is_mouth else self.setup.line_drive_cap_dbfs
        if guide.sound == "none":
            return make_tone(rate_hz, 0.0, cap_dbfs, length_s)
        if guide.sound == "tones":
            return make_tone(rate_hz, frequency_hz, min(TONE_DBFS, cap_dbfs), length_s)
        level_dbfs = min(self._choose_level_dbfs(guide), cap_dbfs - HEADROOM_DB)
        return make_programme(
            dataclasses.replace(
                self.recipe, rate_hz=rate_hz, level_dbfs=level_dbfs, cap_dbfs=cap_dbfs
            )
        )

    def _choose_level_dbfs(self, guide: Guide) -> float:
        """Talk level at the mouth, -30 dBm to a receiver, or what is safe while unknown."""
        if guide.path == "loop":
            return LOOP_DBFS
        bench = HardwareBench(self.setup, self.results, now_utc=self.now_utc)
        if guide.path == "receive":
            level_dbfs = bench.find_level_dbfs("receive", FIRST_RECEIVE_DBM)
            return UNKNOWN_RECEIVE_DBFS if level_dbfs is None else level_dbfs
        level_dbfs = bench.find_level_dbfs(guide.path, TALK_LEVEL_DBPA)
        return MOUTH_DBFS if level_dbfs is None or guide.name == "mouth" else level_dbfs

    def _describe(self) -> dict[str, Any]:
        """What every result carries."""
        done_utc = self.now_utc or get_time_utc()
        return {"done_utc": done_utc, "temperature_c": self.temperature_c}

    def _finish_line_tap(
        self,
        programme: Programme,
        recording: Recording,
        readings: Sequence[levels.MeterReading],
    ) -> StepResult:
        return levels.compute_electrical_in(
            self.setup,
            recording,
            frequency_hz=programme.blocks[0].from_hz or 1000.0,
            length_s=programme.duration_s,
            volts_rms=readings[-1].volts_rms if readings else None,
            output=get_newest(self.results, "electrical-out"),
            level_dbfs=programme.recipe.level_dbfs,
            **self._describe(),
        )

    def _finish_curve(self, step: str, programme: Programme, recording: Recording) -> StepResult:
        setup, about = self.setup, self._describe()
        if step == "loop-back":
            return curves.compute_loop_back(setup, programme, recording, **about)
        if step == "mouth":
            microphone = get_newest(self.results, "microphone")
            if microphone is None:
                message = "mouth: do the step microphone first"
                raise InputError(message)
            return curves.compute_mouth(setup, programme, recording, microphone, **about)
        if step == "seal":
            seals = [result for result in self.results if result.step == "seal"]
            sealed = min(seals, key=lambda result: result.done_utc, default=None)
            return curves.compute_seal(setup, programme, recording, sealed, **about)
        return curves.compute_reference(setup, programme, recording, **about)
