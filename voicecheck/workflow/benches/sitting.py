"""A sitting at a bench: every step's result is kept before the next one begins."""

from __future__ import annotations

import dataclasses
import datetime
import functools
from collections.abc import Callable, Iterable, Mapping, Sequence

from voicecheck.bench.calibration.daily import check_bench
from voicecheck.bench.calibration.guides import (
    Guide,
    Way,
    get_guide,
    list_daily,
    list_guides,
)
from voicecheck.bench.calibration.stepwork import StepTake, work_out
from voicecheck.bench.calibration.tones import make_tone
from voicecheck.bench.calibration.validity import (
    Standing,
    get_best,
    is_standing,
    list_expiries,
)
from voicecheck.bench.hardware import MOUTH_PATHS, HardwareBench
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.programme import DEFAULT_RECIPE, make_programme
from voicecheck.records import (
    BenchCheck,
    BenchSetup,
    Programme,
    Recipe,
    Recording,
    StepResult,
)
from voicecheck.records.benches import FIRST_RECEIVE_DBM
from voicecheck.records.signals import PATHS
from voicecheck.records.times import get_now_utc
from voicecheck.workflow.benches.driving import (
    HEADROOM_DB,
    MOUTH_DBFS,
    choose_level_dbfs,
    play_stimulus,
    play_tone_set,
)
from voicecheck.workflow.benches.locks import hold_bench
from voicecheck.workflow.benches.store import (
    SITTING_H,
    BenchFile,
    load_bench,
    save_check,
    save_result,
)

__all__ = ["Guide", "Sitting", "Standing", "get_guide", "get_now_utc"]

Progress = Callable[[float, float], None]
TONE_DBFS = -12.0
TAKE_S = 5.0
"""Long enough for a calibrator to be heard and the steady part of a tone to be cut out."""
SHORT_LIVED_DAYS = 2.0
"""Steps good for no longer are renewed by the daily check."""


class Sitting:
    """
    A calibration, or a daily check: each step is played, recorded and finished by itself.

    Any step can be left and taken up another day: what counts is in the results.

    Parameters
    ----------
    setup : BenchSetup
    stored : iterable of StepResult
        What was found before.
    fresh : iterable of StepResult
        What a daily check that was left found today.
    is_check : bool
        A daily check: its results are held against those of the calibration, and do not replace
        them.
    keep : callable, optional
        Given each result before the next step begins.
    now_utc : str, optional
        Date of what is found now; the present if left out.
    temperature_c : float, optional
    recipe : Recipe, optional
        What sweeps are played; rate, level and cap are the bench's. The default programme's if
        left out.
    progress : callable, optional
        Called about twenty times a second with the fraction done and the peak of the input, dBFS.
    """

    def __init__(
        self,
        setup: BenchSetup,
        stored: Iterable[StepResult] = (),
        *,
        fresh: Iterable[StepResult] = (),
        is_check: bool = False,
        keep: Callable[[StepResult], None] | None = None,
        now_utc: str | None = None,
        temperature_c: float | None = None,
        recipe: Recipe | None = None,
        progress: Progress | None = None,
    ) -> None:
        self.setup, self.is_check = setup, is_check
        self.stored = tuple(result for result in stored if result.bench == setup.name)
        self.fresh = tuple(fresh)
        self._keep_result = keep
        self._now_utc = now_utc
        self._temperature_c = temperature_c
        self._recipe = recipe or DEFAULT_RECIPE
        self._progress = progress
        self._played: dict[str, Programme] = {}

    @property
    def results(self) -> tuple[StepResult, ...]:
        """Everything known, old and new."""
        return (*self.stored, *self.fresh)

    def list_open(self) -> tuple[Guide, ...]:
        """
        Steps still to be done, in order.

        Returns
        -------
        tuple of Guide
            Of a check: its steps, but those done in this sitting. Of a calibration: never done,
            expired or spoilt; what is good for a day only, and was done once, is left to the
            daily check. Neither has steps of an ear that the bench does not have.
        """
        ear = self.setup.ear
        if self.is_check:
            done = {result.step for result in self.fresh}
            return tuple(guide for guide in list_daily(ear) if guide.name not in done)
        once = {one.step for one in self.results if is_standing(one, one.done_utc)}
        return tuple(
            guide
            for guide in list_guides(ear)
            if not (guide.replaces or guide.is_on_request)
            and not is_standing(self._find_best(guide.name), self._find_now())
            and not (guide.valid_days < SHORT_LIVED_DAYS and guide.name in once)
        )

    def list_wanted(self, steps: Iterable[str] = ()) -> tuple[Guide, ...]:
        """
        The steps asked for; where none is, those that are open, or a whole check once more.

        Raises
        ------
        InputError
            There is no such step, or it is none of a daily check.
        """
        guides = tuple(get_guide(step) for step in steps)
        if self.is_check:
            daily = list_daily(self.setup.ear)
            if any(guide not in daily for guide in guides):
                names = ", ".join(guide.name for guide in daily)
                raise InputError(f"step: a daily check has only {names}")
            return guides or self.list_open() or daily
        return guides or self.list_open()

    def play(
        self,
        step: str,
        *,
        frequency_hz: float = 1000.0,
        length_s: float = TAKE_S,
        is_stand_in: bool = False,
    ) -> Recording:
        """
        Play and record what a step asks for; its `conditions.level_dbfs` is what was played.

        Parameters
        ----------
        step : str
        frequency_hz, length_s : float
            Of the tone, for the steps that play one; long enough to read a meter.
        is_stand_in : bool
            The lesser way of the step.

        Raises
        ------
        InputError
            There is no such step, or another one comes first.
        BenchError
            The device is busy or the take failed; steps that are done are kept.
        """
        guide = get_guide(step)
        self._check_needs(guide)
        way = _choose_way(guide, is_stand_in=is_stand_in)
        bench = self._make_bench(way)
        programme = self._make_programme(way, bench, frequency_hz, length_s)
        self._played[step] = programme
        kind = "daily check" if self.is_check else "calibration"
        with hold_bench(bench, f"{kind} of bench {self.setup.name}, {step}"):
            return bench.play_and_record(programme, path=way.path)

    def play_pair(self, step: str) -> tuple[Recording, Recording]:
        """
        One of a step's several takes: the line drive plays, line tap and ear both listen.

        Raises
        ------
        InputError
            There is no such step, another one comes first, or line tap and ear share one input.
        BenchError
            As `play`.
        """
        guide = get_guide(step)
        self._check_needs(guide)
        bench = self._make_bench(guide)
        bench.check_both()
        play = functools.partial(bench.play_and_record_both, path=guide.path)
        setup = self.setup
        with hold_bench(bench, f"calibration of bench {setup.name}, {step}"):
            how = play_stimulus if guide.sound == "stimulus" else play_tone_set
            self._played[step], pair = how(play, setup.rate_hz, setup.line_drive_cap_dbfs)
        return pair

    def finish(
        self,
        step: str,
        recording: Recording | None = None,
        *,
        values: Sequence[float] = (),
        is_stand_in: bool = False,
        takes: Sequence[tuple[Recording, Recording]] = (),
        typed: Mapping[str, float] | None = None,
    ) -> StepResult:
        """
        Work a step out and keep its result.

        Parameters
        ----------
        step : str
        recording : Recording, optional
            As `play` returned it, of the steps that rest on one.
        values : sequence of float
            What was typed: a meter's readings, a calibrator's level.
        is_stand_in : bool
        takes : sequence of pairs of Recording
            As `play_pair` returned them, of a step that has several.
        typed : mapping of str to float, optional
            What was typed with those, by name.

        Raises
        ------
        InputError
            Something that the step needs is missing or cannot be.
        RecordingError
            The recording cannot be used.
        """
        guide = get_guide(step)
        self._check_needs(guide)
        result = work_out(
            StepTake(
                setup=self.setup,
                guide=guide,
                values=tuple(values),
                results=self.results,
                programme=self._played.get(step),
                recording=recording,
                is_stand_in=is_stand_in,
                level_dbfs=self.tone_dbfs,
                about={"done_utc": self._find_now(), "temperature_c": self._temperature_c},
                takes=tuple(takes),
                typed=typed or {},
            )
        )
        self.fresh = (*self.fresh, result)
        if self._keep_result is not None:
            self._keep_result(result)
        return result

    @property
    def tone_dbfs(self) -> float:
        """Level of the tone that the line drive is calibrated with, dBFS."""
        return min(TONE_DBFS, self.setup.line_drive_cap_dbfs)

    def check(self) -> BenchCheck:
        """
        Hold what was found in this sitting against what was stored.

        Store the check itself and today's seal, not the other results: a bench that wanders a
        little every day would never be noticed if each day were held against the day before.
        """
        return check_bench(self.setup, self.stored, self.fresh, self._find_now())

    def _find_now(self) -> str:
        return self._now_utc or get_now_utc()

    def _find_best(self, step: str) -> StepResult | None:
        return get_best(self.results, step, self._find_now())

    def _check_needs(self, guide: Guide) -> None:
        for need in guide.needs:
            if not is_standing(self._find_best(need), self._find_now()):
                raise InputError(f"{guide.name}: do the step {need} first")

    def _make_bench(self, way: Way) -> HardwareBench:
        return HardwareBench(
            self.setup,
            self.results,
            now_utc=self._now_utc,
            is_equalised=way.is_equalised,
            progress=self._progress,
        )

    def _make_programme(
        self, way: Way, bench: HardwareBench, frequency_hz: float, length_s: float
    ) -> Programme:
        rate_hz, setup = self.setup.rate_hz, self.setup
        is_mouth = way.path in MOUTH_PATHS
        cap_dbfs = setup.mouth_cap_dbfs if is_mouth else setup.line_drive_cap_dbfs
        if way.sound == "none":
            return make_tone(rate_hz, 0.0, cap_dbfs, length_s)
        if way.sound == "tones":
            level_dbfs = min(MOUTH_DBFS, cap_dbfs) if is_mouth else self.tone_dbfs
            return make_tone(rate_hz, frequency_hz, level_dbfs, length_s)
        wanted_dbfs = choose_level_dbfs(bench, way.path, FIRST_RECEIVE_DBM)
        return make_programme(
            dataclasses.replace(
                self._recipe,
                rate_hz=rate_hz,
                level_dbfs=min(wanted_dbfs, cap_dbfs - HEADROOM_DB),
                cap_dbfs=cap_dbfs,
            )
        )


def open_sitting(
    book: JobBook,
    name: str,
    *,
    is_check: bool = False,
    temperature_c: float | None = None,
    progress: Progress | None = None,
) -> Sitting:
    """
    A sitting at a bench in the book, which keeps each result; a check of today goes on.

    Raises
    ------
    InputError
        There is no such bench.
    """
    file = load_bench(book, name)

    def keep(result: StepResult) -> None:
        save_result(book, result, is_check=is_check)
        if is_check and result.step == "seal":
            # The one result that is worth more the fresher it is: receive levels rest on it.
            save_result(book, result)

    return Sitting(
        file.setup,
        file.results,
        fresh=filter(_is_of_now, file.check_results) if is_check else (),
        is_check=is_check,
        keep=keep,
        temperature_c=temperature_c,
        progress=progress,
    )


def keep_check(book: JobBook, sitting: Sitting) -> BenchCheck:
    """Hold what was found in a sitting against the calibration, and keep the outcome."""
    check = sitting.check()
    save_check(book, check)
    return check


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


def _choose_way(guide: Guide, *, is_stand_in: bool) -> Way:
    if not is_stand_in:
        return guide
    if guide.stand_in is None:
        raise InputError(f"{guide.name}: there is no other way to do it")
    return guide.stand_in


def _is_of_now(result: StepResult) -> bool:
    age = datetime.datetime.now(datetime.UTC) - datetime.datetime.fromisoformat(result.done_utc)
    return age <= datetime.timedelta(hours=SITTING_H)
