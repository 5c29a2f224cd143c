"""One part of the protocol done: asked, taken, kept, read."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol as Face

import numpy as np

from voicecheck import __version__
from voicecheck.bench.hardware import HardwareBench
from voicecheck.benchspread import SEATS_DOF, SEATS_STEP
from voicecheck.errors import InputError, RecordingError
from voicecheck.jobbook import JobBook
from voicecheck.programme import make_programme
from voicecheck.programme.recipes import RECIPES
from voicecheck.records import (
    Calibration,
    DialCheck,
    Job,
    Programme,
    ProtocolPart,
    Recording,
    SetType,
    StepResult,
)
from voicecheck.records.orders import DeviceSource, SimulatedSource, Stated, SweepOrder
from voicecheck.records.signals import SIMULATED
from voicecheck.records.times import get_now_utc
from voicecheck.verdicts.protocol import StepKind, find_step, list_parts, load_steps
from voicecheck.verdicts.protocol.judging import analyse_seats
from voicecheck.verdicts.protocol.steps import (
    ENVELOPE,
    OPENED,
    StepReading,
    count_takes,
    find_person,
)
from voicecheck.workflow.benches.choosing import ChosenBench, choose_bench
from voicecheck.workflow.benches.locks import hold_bench
from voicecheck.workflow.benches.store import find_bench, save_result
from voicecheck.workflow.books import check_open
from voicecheck.workflow.checks.run import keep_flac, run_check
from voicecheck.workflow.protocol.driving import (
    choose_check_source,
    make_made_bench,
    set_level,
)
from voicecheck.workflow.protocol.figures import (
    Figures,
    answer_round,
    load_kept,
    read_dial,
    read_kept,
    read_takes,
)
from voicecheck.workflow.protocol.kept import load_measured, read_parts, save_part
from voicecheck.workflow.sweeping.run import sweep
from voicecheck.workflow.sweeping.seats import (
    Attendant,
    SeatGuide,
    SeatRequest,
    needs_conditioning,
)

SEATS_OF_ROUNDS = ("seats 2A", "seats 2B")
"""What the rounds are held against: the first of these that was done."""


class ProtocolAttendant(Attendant, Face):
    """Who stands at the bench, and can read a meter."""

    def ask_number(self, reading: StepReading) -> float | None:
        """What somebody reads; `None` where nobody does."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PartOrder:
    """
    A part as it is asked for.

    Parameters
    ----------
    job : int
    part : str
    source : SimulatedSource or DeviceSource
    typed : dict of str to float
        Readings by name; what is missing is asked for.
    n_takes : int or None
        Fewer than the table says, where time is short.
    """

    job: int
    part: str
    source: SimulatedSource | DeviceSource
    typed: Mapping[str, float] = field(default_factory=dict)
    n_takes: int | None = None

    @property
    def bench(self) -> str:
        """As documents name it."""
        return SIMULATED if isinstance(self.source, SimulatedSource) else self.source.name


def find_next(book: JobBook, job: int) -> str:
    """
    The part that comes next; "" where all are done.

    Raises
    ------
    InputError
        There is no such job.
    """
    done = {one.part for one in read_parts(book, book.load_job(job))}
    return next((part for part in list_parts() if part not in done), "")


def get_caution(part: str) -> str:
    """
    What can hurt during a part.

    Raises
    ------
    InputError
        There is no such part.
    """
    return load_steps()[find_step(part)].caution


def take_part(book: JobBook, order: PartOrder, attendant: ProtocolAttendant) -> ProtocolPart:
    """
    Do a part of the protocol, and keep what it gave with the job.

    Parameters
    ----------
    book : JobBook
    order : PartOrder
    attendant : ProtocolAttendant

    Returns
    -------
    ProtocolPart

    Raises
    ------
    InputError
        No such job or part, a reading that is missing, or a round whose envelope is not closed.
    RecordingError, BenchError, JobBookError
        The take, the device or the book failed; what was recorded is kept.
    KeyboardInterrupt
        Stopped; what was recorded is kept.
    """
    step = find_step(order.part)
    kind = load_steps()[step]
    job = book.load_job(order.job)
    check_open(job)
    done = {one.part: one for one in read_parts(book, job)}
    seats = _check_round(step, order, done)
    if attendant.is_asked:
        attendant.ask(_ask(order.part, kind))
    typed = _read_typed(kind, order, attendant)
    sitting = _Sitting(book=book, order=order, step=step, kind=kind, attendant=attendant)
    take = {"programme": sitting.play, "silence": sitting.listen, "check": sitting.check}
    part = take[kind.sound](job, typed, seats)
    save_part(book, order.job, part)
    if step == "seats":
        _keep_days(book, order, read_parts(book, book.load_job(order.job)))
    return part


def _keep_days(book: JobBook, order: PartOrder, parts: Sequence[ProtocolPart]) -> None:
    """Once both evenings are there: what they say of days goes to the bench, where it counts."""
    newest = {one.part: one for one in parts if one.step == "seats"}
    benches = {one.bench for one in newest.values()}
    table = analyse_seats(tuple(newest.values()))
    if table is None or benches != {order.bench} or find_bench(book, order.bench) is None:
        return
    days = table.estimate("day", "person:day")
    result = StepResult(
        bench=order.bench, step=SEATS_STEP, done_utc=get_now_utc(), value=days.sd, unit="dB",
        figures={SEATS_DOF: float(days.fewest_dof)}, method="seats of two people on two days",
    )  # fmt: skip
    save_result(book, result, is_check=True)


def _check_round(
    step: str, order: PartOrder, done: Mapping[str, ProtocolPart]
) -> ProtocolPart | None:
    """What a round is held against; refuses one that could not be judged."""
    if step != "round":
        return None
    if ENVELOPE not in done:
        raise InputError(
            f"{order.part}: a friend closes the envelope first: "
            f"`voicecheck protocol hide {order.job} ENVELOPE.json`; nothing was recorded"
        )
    if OPENED in done:
        raise InputError(
            f"{order.part}: the envelope is open, a round after it proves nothing; nothing was "
            "recorded"
        )
    seats = next((done[name] for name in SEATS_OF_ROUNDS if name in done), None)
    if seats is None:
        raise InputError(
            f"{order.part}: nothing of this evening to hold it against; do seats 2A first; nothing "
            "was recorded"
        )
    return seats


def _ask(part: str, kind: StepKind) -> SeatRequest:
    who = find_person(part)
    return SeatRequest(
        title=f"{part}: {kind.title}",
        steps=tuple(line.replace("{who}", who) for line in kind.do),
        caution=kind.caution,
        button="Go on",
    )


def _read_typed(kind: StepKind, order: PartOrder, attendant: ProtocolAttendant) -> dict[str, float]:
    """Every reading of the step: given with the order, asked for, or as the table offers it."""
    known = {one.name for one in kind.reading}
    if unknown := sorted(set(order.typed) - known):
        names = ", ".join(one.name for one in kind.reading) or "none"
        raise InputError(
            f"{order.part}: no reading {unknown[0]!r} (there: {names}); nothing was recorded"
        )
    found: dict[str, float] = {}
    for reading in kind.reading:
        value = order.typed.get(reading.name)
        if value is None and attendant.is_asked:
            value = attendant.ask_number(reading)
        value = _offer(order, reading) if value is None else value
        if value is None:
            raise InputError(
                f"{order.part}: {reading.name} is missing ({reading.label}, {reading.unit}); give "
                f"it with --read {reading.name}=NUMBER; nothing was recorded"
            )
        found[reading.name] = reading.check(value)
    return found


def _offer(order: PartOrder, reading: StepReading) -> float | None:
    """What stands for a reading that nobody gave: a made bench has true meters."""
    if isinstance(order.source, SimulatedSource):
        from voicecheck.bench.simulated.proving import READINGS

        return READINGS.get(reading.name, reading.default)
    return reading.default


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sitting:
    """What does not change while a part is done."""

    book: JobBook
    order: PartOrder
    step: str
    kind: StepKind
    attendant: ProtocolAttendant

    def play(self, job: Job, typed: dict[str, float], seats: ProtocolPart | None) -> ProtocolPart:
        """Takes of a programme, kept as a run of the job."""
        set_type = self.book.load_type(job.type_name)
        n_takes = self.order.n_takes or count_takes(self.order.part)
        order = SweepOrder(
            job=self.order.job, stage=self.order.part, path=self.kind.path,
            source=self.order.source, n_seats=n_takes,
        )  # fmt: skip
        ready = self._choose(order, set_type)
        guide = self._guide(order, set_type, ready)
        is_turned = self.attendant.is_asked and needs_conditioning(
            self.kind.path, set_type.transmitter
        )
        result = sweep(
            self.book, order.job, stage=order.stage, path=self.kind.path, bench=ready.bench,
            programme=ready.programme, n_seats=n_takes,
            before_seat=guide.before_seat if guide else self._begin,
            after_seat=guide.after_seat if guide else None,
            stated=Stated(conditioned=True) if is_turned else None,
        )  # fmt: skip
        takes = result.run.recordings
        sounds = tuple(one.recording.sha256 or "" for one in takes)
        calibration = self.book.load_recording(sounds[0]).calibration
        answer = ""
        if seats is not None:
            answer = answer_round(self.order.part, takes, load_measured(self.book, job.job, seats))
        figures = read_takes(self.step, takes, calibration)
        found = {(one.kind, one.message): one for take in takes for one in take.problems}
        part = self._make(figures, typed, sounds, calibration, answer)
        return dataclasses.replace(part, problems=tuple(found.values()))

    def listen(self, job: Job, typed: dict[str, float], seats: ProtocolPart | None) -> ProtocolPart:
        """A recording while nothing is played, kept as a file of the job."""
        del seats
        self.attendant.begin(1, 1)
        recording = self._record_silence(self.book.load_type(job.type_name))
        kept = keep_flac(
            self.book, self.order.job, f"protocol-{self.order.part.replace(' ', '-')}", recording
        )
        stored = load_kept(self.book, kept.sha256)
        try:
            figures = read_kept(self.step, stored, recording.calibration)
        except RecordingError as error:
            told = f"{error}; the recording is kept with job {self.order.job}"
            raise RecordingError(told, error.kind, error.at_s) from error
        return self._make(figures, typed, (kept.sha256,), recording.calibration)

    def check(self, job: Job, typed: dict[str, float], seats: ProtocolPart | None) -> ProtocolPart:
        """The check of the step's name, kept as any check of the job."""
        del seats
        self.attendant.begin(1, 1)
        source = choose_check_source(self.book, self.order.source)
        check, document = run_check(
            self.step, source, book=self.book, job=job.job, progress=self._follow
        )
        if not isinstance(check, DialCheck):
            message = f"{self.step}: no check whose figures are read here"
            raise TypeError(message)
        sounds = (document["recording_sha256"],)
        return self._make(read_dial(check), typed, sounds, None)

    def _make(
        self,
        figures: Figures,
        typed: dict[str, float],
        sounds: Sequence[str],
        calibration: Calibration | None,
        answer: str = "",
    ) -> ProtocolPart:
        return ProtocolPart(
            part=self.order.part,
            step=self.step,
            taken_utc=get_now_utc(),
            bench=self.order.bench,
            version=__version__,
            figures=figures.value,
            uncertainty=figures.uncertainty,
            typed=typed,
            sounds=tuple(sounds),
            calibration=calibration,
            answer=answer,
        )

    def _follow(self, fraction: float, peak_dbfs: float | None) -> None:
        if peak_dbfs is not None:
            self.attendant.follow(fraction, peak_dbfs)

    def _begin(self, seat: int, n_seats: int) -> None:
        self.attendant.begin(seat, n_seats)

    def _choose(self, order: SweepOrder, set_type: SetType) -> ChosenBench:
        """The bench of a part: a made one stands as the part needs it."""
        if isinstance(self.order.source, SimulatedSource):
            # Level steps that bend want the time of the usual programme.
            recipe = RECIPES["default" if self.step == "diodes" else "quick"]
            return ChosenBench(
                bench=make_made_bench(self.order.source, self.order.part, set_type.feed_ma),
                programme=make_programme(recipe),
            )
        ready = choose_bench(order, set_type, book=self.book, progress=self.attendant.follow)
        if self.kind.level_dbm is not None and isinstance(ready.bench, HardwareBench):
            programme = set_level(ready.bench, ready.programme, self.kind)
            ready = dataclasses.replace(ready, programme=programme)
        for note in ready.notes:
            self.attendant.note(note)
        self.attendant.prepare(ready.programme, self.kind.path)
        return ready

    def _guide(self, order: SweepOrder, set_type: SetType, ready: ChosenBench) -> SeatGuide | None:
        """Who leads through the seats of a handset; the bench alone needs nobody."""
        if self.kind.path == "loop":
            return None
        setup = ready.setup
        feed_ma = set_type.feed_ma if setup is None or setup.feed_ma is None else setup.feed_ma
        return SeatGuide(
            order, set_type.transmitter, feed_ma=feed_ma, attendant=self.attendant, setup=setup
        )

    def _record_silence(self, set_type: SetType) -> Recording:
        if isinstance(self.order.source, SimulatedSource):
            from voicecheck.bench.simulated.proving import record_switched_ohm

            return record_switched_ohm(seed=self.order.source.seed, seconds=self.kind.seconds)
        order = SweepOrder(
            job=self.order.job, stage=self.order.part, path=self.kind.path,
            source=self.order.source, n_seats=1,
        )  # fmt: skip
        ready = self._choose(order, set_type)
        recipe = ready.programme.recipe
        silent = Programme(
            recipe=recipe, blocks=(), samples=np.zeros(round(self.kind.seconds * recipe.rate_hz))
        )
        with hold_bench(ready.bench, f"protocol of job {self.order.job}, {self.order.part}"):
            return ready.bench.play_and_record(silent, path=self.kind.path)
