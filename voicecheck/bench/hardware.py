"""A bench as it was set up: the right channels for each path, its caps, its units."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from voicecheck.bench.calibration.alongband import add_days, correct_mouth
from voicecheck.bench.calibration.equaliser import equalise, make_equaliser
from voicecheck.bench.calibration.microphone import identify_curve
from voicecheck.bench.calibration.validity import Standing, get_newest, judge_path
from voicecheck.bench.interface import Bench
from voicecheck.bench.soundcard.card import (
    check_rate,
    find_problems,
    is_complete,
    name_devices,
)
from voicecheck.bench.soundcard.firstsound import QuietStart
from voicecheck.bench.soundcard.takes import Progress, Take, Wiring, capture
from voicecheck.errors import BenchError, InputError
from voicecheck.records import Conditions, Programme, Recording
from voicecheck.records.arrays import Array
from voicecheck.records.benches import FIRST_RECEIVE_DBM, BenchSetup, StepResult
from voicecheck.records.bounds import check_bounds
from voicecheck.records.times import get_now_utc
from voicecheck.units import dbm_from_volts, ratio_from_db, volts_from_dbm

MOUTH_PATHS = ("transmit", "sidetone")
TAP_PATHS = ("transmit", "loop")
UNKNOWN_FULL_SCALE_DBM = 10.0
"""Taken for an output that was never calibrated: a strong line output (PROP)."""


def check_setup(setup: BenchSetup) -> None:
    """
    Refuse a set-up that cannot be.

    Raises
    ------
    InputError
        A value is out of range.
    """
    if not setup.name.strip():
        raise InputError("name: the bench needs one")
    if not setup.device.strip():
        raise InputError("device: choose one of the list by name")
    check_bounds(setup)


def list_plugs(setup: BenchSetup, path: str, before: str | None = None) -> tuple[str, ...]:
    """
    What to re-plug on a board with one output or one input before a path is measured.

    Parameters
    ----------
    setup : BenchSetup
    path : str
    before : str, optional
        The path measured before; nothing is said about a plug that is right already.

    Returns
    -------
    tuple of str
        Empty where each path has channels of its own.
    """
    prompts = []
    to_mouth, to_tap = path in MOUTH_PATHS, path in TAP_PATHS
    if setup.mouth_channel == setup.line_drive_channel and (
        before is None or to_mouth != (before in MOUTH_PATHS)
    ):
        goes_to = "mouth's amplifier" if to_mouth else "line drive"
        prompts.append(f"plug output {setup.mouth_channel} into the {goes_to}")
    if setup.line_tap_channel == setup.ear_channel and (
        before is None or to_tap != (before in TAP_PATHS)
    ):
        comes_from = "line tap" if to_tap else f"ear ({setup.ear})"
        prompts.append(f"plug the {comes_from} into input {setup.ear_channel}")
    return tuple(prompts)


class HardwareBench(Bench):
    """
    A set-up and its calibration, ready to play and record.

    Parameters
    ----------
    setup : BenchSetup
    results : iterable of StepResult
        The history of its calibration; may be empty, then levels are relative.
    now_utc : str, optional
        When the validity of the results is judged; now if left out.
    conditions : Conditions, optional
        What is known beyond the set-up.
    allowed_dbm : float
        Highest nominal level on the path "receive". Louder is refused until the user has been
        asked: a receiver at an ear is dangerous.
    is_equalised : bool
        Whether the mouth is made flat; not while the mouth itself is measured.
    progress : callable, optional
        As of the sound-card bench.
    checks : iterable of StepResult
        Of daily checks: what the bench does from day to day.
    """

    def __init__(
        self,
        setup: BenchSetup,
        results: Iterable[StepResult] = (),
        *,
        now_utc: str | None = None,
        conditions: Conditions | None = None,
        allowed_dbm: float = FIRST_RECEIVE_DBM,
        is_equalised: bool = True,
        progress: Progress | None = None,
        checks: Iterable[StepResult] = (),
    ) -> None:
        check_setup(setup)
        self.setup = setup
        self.results = tuple(result for result in results if result.bench == setup.name)
        self.checks = tuple(checks)
        self.now_utc = now_utc
        self.conditions = conditions or Conditions()
        self.allowed_dbm = allowed_dbm
        self.is_equalised = is_equalised
        self.progress = progress
        self._quiet_start = QuietStart()

    @property
    def devices(self) -> tuple[str, ...]:
        """Sound devices that a take drives and listens to."""
        return name_devices(self.setup.device, self.setup.input_device)

    def judge(self, path: str) -> Standing:
        """Whether a path has an absolute unit now, and why not."""
        return judge_path(self.setup, self.results, path, self.now_utc or get_now_utc())

    def find_level_dbfs(self, path: str, level: float) -> float | None:
        """
        Drive for a level at the mouth (dBPa) or on the line (dBm).

        Parameters
        ----------
        path : str
        level : float
            RMS of a sine: dBPa on the paths of the mouth, dBm on the others.

        Returns
        -------
        float or None
            dBFS for a recipe; `None` where the output is not calibrated.
        """
        step = "mouth" if path in MOUTH_PATHS else "electrical-out"
        result = get_newest(self.results, step)
        if result is None or result.value is None:
            return None
        if result.get_days_left(self.now_utc or get_now_utc()) < 0:
            return None
        if path in MOUTH_PATHS:
            rms = ratio_from_db(level)
        else:
            rms = volts_from_dbm(level, self.setup.load_ohm)
        return 20.0 * math.log10(rms * math.sqrt(2.0) / result.value)

    def play_and_record(
        self, programme: Programme, *, path: str = "transmit", seat: int = 1
    ) -> Recording:
        """
        Play on the output of a path and record from its input.

        Parameters
        ----------
        programme : Programme
        path : str
        seat : int

        Returns
        -------
        Recording
            With the calibration of the path, where it has one today.

        Raises
        ------
        InputError
            The bench is set up for another rate.
        BenchError
            The take failed, the output cap would be exceeded, or the receive level is above what
            was allowed.
        """
        channel = self.setup.line_tap_channel if path in TAP_PATHS else self.setup.ear_channel
        take = self._capture(programme, path, (channel,))
        return self._make_recording(programme, take, 0, path, seat)

    def check_both(self) -> None:
        """
        Refuse to listen to line tap and ear at once where they are plugged in turn.

        Raises
        ------
        InputError
            They share one input.
        """
        if self.setup.line_tap_channel == self.setup.ear_channel:
            message = "line tap and ear share one input: measure transmit and sidetone in turn"
            raise InputError(message)

    def play_and_record_both(
        self, programme: Programme, *, seat: int = 1, path: str = "transmit"
    ) -> tuple[Recording, Recording]:
        """
        Line tap and ear from one take: the mouth talks, or on the path "loop" the line drive.

        Returns
        -------
        tap, ear : Recording
            Transmit and sidetone, or loop and receive.

        Raises
        ------
        InputError
            Line tap and ear share one input.
        BenchError
            As `play_and_record`.
        """
        self.check_both()
        inputs = (self.setup.line_tap_channel, self.setup.ear_channel)
        take = self._capture(programme, path, inputs)
        at_ear = "sidetone" if path == "transmit" else "receive"
        return (
            self._make_recording(programme, take, 0, path, seat),
            self._make_recording(programme, take, 1, at_ear, seat),
        )

    def make_sound(self, programme: Programme, path: str) -> Array:
        """
        What really goes to the output: the programme, made flat at the mouth.

        Parameters
        ----------
        programme : Programme
        path : str

        Returns
        -------
        ndarray, shape (n_samples,)
            Full-scale units, starting and ending in silence.
        """
        mouth = get_newest(self.results, "mouth")
        if path not in MOUTH_PATHS or not self.is_equalised or mouth is None:
            return programme.samples
        mouth = correct_mouth(mouth, self.setup.microphone_curve)
        taps = make_equaliser(mouth, programme.rate_hz)
        sound = equalise(programme.samples, taps)
        # The filter rings a little into the silence at either end; a ramp takes it to zero.
        ramp = np.linspace(0.0, 1.0, min(len(taps) // 2, len(sound) // 2))
        sound[: len(ramp)] *= ramp
        sound[len(sound) - len(ramp) :] *= ramp[::-1]
        return sound

    def _capture(self, programme: Programme, path: str, inputs: tuple[int, ...]) -> Take:
        setup = self.setup
        check_rate(setup.name, setup.rate_hz, programme)
        self._check_receive_level(programme, path)
        is_mouth = path in MOUTH_PATHS
        wiring = Wiring(
            name=setup.name,
            device=setup.device,
            input_device=setup.input_device,
            host_api=setup.host_api,
            outputs=(setup.mouth_channel if is_mouth else setup.line_drive_channel,),
            inputs=inputs,
            caps_dbfs=(setup.mouth_cap_dbfs if is_mouth else setup.line_drive_cap_dbfs,),
        )
        sound = self.make_sound(programme, path)[:, None]
        if path == "receive" or (path == "loop" and len(inputs) > 1):
            self._quiet_start.play_before(sound, wiring, programme.rate_hz)
        return capture(
            wiring,
            sound,
            programme.rate_hz,
            progress=self.progress,
            look=lambda captured: is_complete(programme, captured[:, 0]),
        )

    def _check_receive_level(self, programme: Programme, path: str) -> None:
        if path != "receive" or not np.any(programme.samples):
            return
        level_dbfs = programme.recipe.level_dbfs
        result = get_newest(self.results, "electrical-out")
        if result is None or result.value is None:
            level_dbm, known = UNKNOWN_FULL_SCALE_DBM + level_dbfs, "up to "
        else:
            volts = result.value * ratio_from_db(level_dbfs) / math.sqrt(2.0)
            level_dbm, known = dbm_from_volts(volts, self.setup.load_ohm), ""
        if level_dbm > self.allowed_dbm + 0.05:
            message = (
                f"receive level would be {known}{level_dbm:.1f} dBm, allowed so far is "
                f"{self.allowed_dbm:.1f} dBm: lower the level, or allow more when the receiver is "
                "on its coupler and at nobody's ear"
            )
            raise BenchError(message)

    def _make_recording(
        self, programme: Programme, take: Take, column: int, path: str, seat: int
    ) -> Recording:
        setup = self.setup
        calibration = self.judge(path).calibration
        if calibration is not None:
            calibration = add_days(calibration, path, (*self.results, *self.checks))
        channel = setup.line_tap_channel if path in TAP_PATHS else setup.ear_channel
        conditions = self.conditions.replace(
            path=path,
            seat=seat,
            bench=setup.name,
            time_utc=get_now_utc(),
            feed_ma=setup.feed_ma if self.conditions.feed_ma is None else self.conditions.feed_ma,
            load_ohm=setup.load_ohm,
            ear=setup.ear,
            mouth_mm=setup.mouth_mm,
            angle_deg=setup.angle_deg,
            level_dbfs=programme.recipe.level_dbfs,
            calibration=calibration.name if calibration else None,
            calibration_notes=calibration.notes if calibration else (),
            day_sd_db=calibration.day_sd_db if calibration else None,
            day_dof=calibration.day_dof if calibration else None,
            microphone=identify_curve(setup.microphone_curve),
        )
        return Recording(
            samples=take.captured[:, column],
            rate_hz=programme.rate_hz,
            channel=channel,
            conditions=conditions,
            calibration=calibration,
            problems=find_problems(programme, take, column),
        )
