"""A trial carried out: each step asked, taken, kept and read; what follows is kept with the job."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import msgspec
import numpy as np

from voicecheck import __version__
from voicecheck.bench.interface import Bench
from voicecheck.checkout.crackling import count_crackle, make_crackle_sound
from voicecheck.errors import InputError, JobBookError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.programme.recipes import RECIPES
from voicecheck.records import (
    Job,
    Measurement,
    Problem,
    Programme,
    Recording,
    SetType,
    Trial,
    TrialReading,
    from_json,
    to_document,
)
from voicecheck.records.orders import FileSource, SimulatedSource, SweepOrder
from voicecheck.records.signals import SIMULATED
from voicecheck.records.times import get_now_utc
from voicecheck.units import ratio_from_db
from voicecheck.verdicts.trialjudge import judge_trial
from voicecheck.verdicts.trialodds import find_evidence
from voicecheck.verdicts.trials import TrialKind, TrialStep, get_trial, load_trials
from voicecheck.workflow.analysis import measure_known
from voicecheck.workflow.benches.choosing import ChosenBench, choose_bench
from voicecheck.workflow.benches.locks import hold_bench
from voicecheck.workflow.books import check_open
from voicecheck.workflow.checks.run import choose_stage, keep_flac, save_document
from voicecheck.workflow.sweeping.seats import Attendant, SeatReport, SeatRequest

__all__ = [
    "StoredTrial",
    "TrialAttendant",
    "find_newest",
    "get_trial",
    "list_newest",
    "load_trials",
    "name_trial_file",
    "read_figures",
    "read_trials",
    "run_trial",
]

SILENT_DB = -60.0
"""What counts where nothing came back, far below any level of a telephone that talks."""
SILENT_KINDS = ("no-signal", "wrong-programme")
OVERLOAD_KINDS = ("overload", "clipping")
TOLD = {
    "level_db": "level {:.1f} dB",
    "quiet_events": "{:.0f} bursts in silence",
    "sounding_events": "{:.0f} under a tone",
    "loop_ma": "{:.1f} mA",
}
"""What is told of each take while a trial goes on."""
THD_FROM_HZ, THD_TO_HZ = 300.0, 1100.0


class TrialAttendant(Attendant, Protocol):
    """Who stands at the bench, and can read a meter."""

    def ask_ma(self, request: SeatRequest) -> float | None:
        """What the meter shows, mA; `None` where nobody reads one."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredTrial:
    """A trial of a job as it is kept; `aside` says why it does not count, "" if it does."""

    trial: Trial
    stage: str
    taken_utc: str
    bench: str
    aside: str = ""
    document_sha256: str = ""

    @property
    def is_simulated(self) -> bool:
        """Whether no real telephone was tried."""
        return self.bench == SIMULATED

    @property
    def kind(self) -> TrialKind:
        """Its entry in the table."""
        return get_trial(self.trial.name)


def run_trial(
    book: JobBook,
    name: str,
    order: SweepOrder,
    attendant: TrialAttendant,
    *,
    clock: Callable[[], float] = time.monotonic,
) -> tuple[Trial, dict[str, Any]]:
    """
    Go through a trial, and keep what it gave with the job.

    Parameters
    ----------
    book : JobBook
    name : str
        Of the trial.
    order : SweepOrder
        Job, stage and where the sound comes from; the path is the trial's.
    attendant : TrialAttendant
    clock : callable
        Seconds that never go back; a made set does not wait for them.

    Returns
    -------
    trial : Trial
    document : dict
        As it is kept.

    Raises
    ------
    InputError
        No such trial or job, recordings that are not one for each step, or figures that are needed
        could not be read; what was recorded is kept.
    RecordingError, BenchError, JobBookError
        A take, the device or the book failed.
    KeyboardInterrupt
        Stopped; what was recorded is kept.
    """
    kind = get_trial(name)
    job = book.load_job(order.job)
    check_open(job)
    set_type = book.load_type(job.type_name)
    order = order.replace(path=kind.path, stage=choose_stage(book, order.job, order.stage))
    _check_files(name, kind, order)
    ready = choose_bench(order, set_type, book=book, progress=attendant.follow)
    programme = _choose_programme(kind, order, ready)
    for note in ready.notes:
        attendant.note(note)
    attendant.prepare(programme, kind.path)
    sitting = _Sitting(
        book=book, name=name, kind=kind, order=order, set_type=set_type, bench=ready.bench,
        programme=programme,
    )  # fmt: skip
    readings: list[TrialReading] = []
    with hold_bench(ready.bench, f"trial of job {order.job}, {name}"):
        began_s = clock()
        for number, step in enumerate(kind.step, 1):
            loop_ma = _ask(kind, step, number, attendant, clock() - began_s)
            attendant.begin(number, len(kind.step))
            readings.append(sitting.take(step, number, loop_ma))
            attendant.report(_report(readings[-1], number, len(kind.step)))
    return sitting.conclude(readings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sitting:
    """What does not change from take to take of one trial."""

    book: JobBook
    name: str
    kind: TrialKind
    order: SweepOrder
    set_type: SetType
    bench: Bench
    programme: Programme

    def take(self, step: TrialStep, number: int, loop_ma: float | None) -> TrialReading:
        """Play, keep, read."""
        bench = _choose_take_bench(self.order, self.set_type, step, self.bench)
        seat = number if isinstance(self.order.source, FileSource) else step.seat
        recording = bench.play_and_record(self.programme, path=self.kind.path, seat=seat)
        kept = keep_flac(self.book, self.order.job, f"trial-{self.name}-{number}", recording)
        figures, problems = _read_take(self.kind, self.programme, recording, self.book)
        known_ma = recording.conditions.loop_ma if loop_ma is None else loop_ma
        return TrialReading(
            step=step.name,
            figures={
                **figures,
                "feed_ma": step.feed_ma or self.set_type.feed_ma,
                "loop_ma": known_ma,
            },
            sound_sha256=kept.sha256,
            problems=problems,
        )

    def conclude(self, readings: Sequence[TrialReading]) -> tuple[Trial, dict[str, Any]]:
        """What follows, kept with the job."""
        transmitter = self.set_type.transmitter
        outcome, figures = judge_trial(self.name, [one.figures for one in readings])
        trial = Trial(
            name=self.name,
            outcome=outcome,
            transmitter=transmitter,
            figures=figures,
            readings=tuple(readings),
            evidence=find_evidence(self.name, transmitter, outcome),
            problems=tuple(problem for one in readings for problem in one.problems),
        )
        bench = name_bench(self.order)
        document = {
            **to_document(trial),
            **({"simulated": True} if bench == SIMULATED else {}),
            "job": self.order.job,
            "stage": self.order.stage,
            "bench": bench,
            "taken_utc": get_now_utc(),
            "version": __version__,
        }
        save_document(self.book, self.order.job, name_trial_file(self.name), document)
        return trial, document


def name_bench(order: SweepOrder) -> str:
    """The bench of an order, as documents name it."""
    if isinstance(order.source, SimulatedSource):
        return SIMULATED
    return "file" if isinstance(order.source, FileSource) else order.source.name


def _check_files(name: str, kind: TrialKind, order: SweepOrder) -> None:
    if not isinstance(order.source, FileSource):
        return
    if kind.figure == "crackle":
        raise InputError(f"{name}: needs a bench or a simulated handset; recordings do not do")
    if len(order.source.files) != len(kind.step):
        steps = ", ".join(step.name for step in kind.step)
        raise InputError(
            f"{name}: needs {len(kind.step)} recordings, one for each step in this order: {steps}; "
            f"got {len(order.source.files)}"
        )


def _choose_programme(kind: TrialKind, order: SweepOrder, ready: ChosenBench) -> Programme:
    programme = ready.programme
    if isinstance(order.source, SimulatedSource) and order.signal is None:
        programme = make_programme(RECIPES["quick"])
    if kind.figure != "crackle":
        return programme
    recipe = programme.recipe
    sound = make_crackle_sound(recipe.rate_hz, ratio_from_db(recipe.level_dbfs))
    return Programme(recipe=recipe, blocks=(), samples=sound)


def _ask(
    kind: TrialKind,
    step: TrialStep,
    number: int,
    attendant: TrialAttendant,
    waited_s: float,
) -> float | None:
    """What is done before a take, and the meter's reading; time passes where somebody waits."""
    if not attendant.is_asked:
        return None
    left_s = round(60.0 * step.at_min - waited_s)
    if left_s > 0:
        attendant.settle(left_s, "Touch nothing")
    title = f"{kind.title}, {number} of {len(kind.step)}: {step.name}"
    request = SeatRequest(title=title, steps=step.do, caution=kind.caution, button="Start the take")
    if step.do:
        attendant.ask(request)
    if step.wait_s:
        attendant.settle(step.wait_s, "Feed settling")
    return attendant.ask_ma(request) if step.asks_ma else None


def _choose_take_bench(
    order: SweepOrder, set_type: SetType, step: TrialStep, bench: Bench
) -> Bench:
    """The bench itself; of a made set one in the state of the step."""
    source = order.source
    if not isinstance(source, SimulatedSource):
        return bench
    from voicecheck.bench.simulated.trialled import prepare_trial_bench

    return prepare_trial_bench(
        source.handset,
        seed=source.seed,
        specimen=source.specimen,
        feed_ma=step.feed_ma or order.stated.feed_ma or set_type.feed_ma,
        state=step.state,
        seat=step.seat,
        at_min=step.at_min,
    )


def _read_take(
    kind: TrialKind, programme: Programme, recording: Recording, book: JobBook
) -> tuple[dict[str, float | None], tuple[Problem, ...]]:
    """Figures of one take, and what was found in it."""
    if kind.figure == "crackle":
        quiet, sounding = count_crackle(recording)
        return {"quiet_events": float(quiet), "sounding_events": float(sounding)}, ()
    try:
        measured = measure_known(programme, recording, book.list_recipes)
    except RecordingError as error:
        is_silent = error.kind in SILENT_KINDS
        problem = Problem(
            kind=error.kind,
            message=str(error),
            effect=f"counts as {SILENT_DB:g} dB" if is_silent else "no figures",
        )
        return {"level_db": SILENT_DB if is_silent else None}, (problem,)
    is_overloaded = any(one.kind in OVERLOAD_KINDS for one in measured.problems)
    return {**read_figures(measured), "overload": float(is_overloaded)}, measured.problems


def read_figures(measured: Measurement) -> dict[str, float | None]:
    """What trials use of a measurement."""
    bands, noise = measured.bands, measured.noise
    found: dict[str, float | None] = {
        "level_db": bands.mid_db,
        "noise_db": noise.flat_dbfs,
        "tilt_db": None
        if bands.high_db is None or bands.low_db is None
        else bands.high_db - bands.low_db,
    }
    part = measured.distortion
    if part is not None:
        inside = (part.frequency_hz >= THD_FROM_HZ) & (part.frequency_hz <= THD_TO_HZ)
        thd = np.where(np.isfinite(part.thd_percent), part.thd_percent, part.thd_below_percent)
        known = thd[inside & np.isfinite(thd)]
        found["thd_percent"] = float(np.median(known)) if len(known) else None
    return found


def _report(reading: TrialReading, number: int, n_steps: int) -> SeatReport:
    told = [
        form.format(value)
        for name, form in TOLD.items()
        if (value := reading.figures.get(name)) is not None
    ]
    line = f"{reading.step}: {', '.join(told) or 'nothing could be read'}"
    return SeatReport(seat=number, n_seats=n_steps, line=line)


def name_trial_file(name: str) -> str:
    """Name of the job's file that holds a trial."""
    return f"trial-{name}.json"


def read_trials(book: JobBook, job: Job, *, aside: bool = False) -> tuple[StoredTrial, ...]:
    """
    Trials of a job, the oldest first; with `aside` those that do not count, too.

    Raises
    ------
    JobBookError
        A document is damaged.
    """
    names = {name_trial_file(name) for name in load_trials()}
    found = []
    for file in job.attachments:
        if file.name not in names or (file.aside and not aside):
            continue
        text = book.read_document(file.sha256)
        try:
            outer = msgspec.json.decode(text)
            stored = StoredTrial(
                trial=from_json(text, Trial),
                stage=file.stage or outer["stage"],
                taken_utc=outer["taken_utc"],
                bench=outer.get("bench", ""),
                aside=file.aside,
                document_sha256=file.sha256,
            )
        except (msgspec.MsgspecError, KeyError, TypeError) as error:
            told = f"job {job.job}: {file.name} cannot be read ({error})"
            raise JobBookError(f"{told}; the rest is untouched") from error
        found.append(stored)
    return tuple(sorted(found, key=lambda one: one.taken_utc))


def list_newest(trials: Sequence[StoredTrial]) -> tuple[StoredTrial, ...]:
    """Of each trial at each stage the newest, in the order in which they were first done."""
    return tuple({(one.stage, one.trial.name): one for one in trials}.values())


def find_newest(trials: Sequence[StoredTrial], stage: str) -> tuple[Trial, ...]:
    """Of each trial that was done at a stage the newest: what the causes are weighed with."""
    return tuple(one.trial for one in list_newest(trials) if one.stage == stage)
