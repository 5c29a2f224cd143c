"""
The job book for notebooks and scripts: sets, jobs and what was measured, as objects.

`voicecheck.open_book()` gives a `Book`. Each object shows in a line what it is and how good;
records (runs, comparisons, distortion, ...) draw themselves and become frames.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, Self, TypeVar

import voicecheck.charts  # noqa: F401  (records show themselves from now on)
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Baseline, Comparison, Run, SetType
from voicecheck.records import Job as JobRecord
from voicecheck.records.jobwords import JOB_WORDS
from voicecheck.records.orders import (
    DeviceSource,
    FileSource,
    SimulatedSource,
    Source,
    SweepOrder,
)
from voicecheck.records.standing import Standing
from voicecheck.workflow.books import Where
from voicecheck.workflow.recipes import refuse_name
from voicecheck.workflow.wording import say_mark_name, say_stage

if TYPE_CHECKING:
    from voicecheck.records.sets import Telephone
    from voicecheck.workflow.checks.run import StoredCheck

Thing = TypeVar("Thing")
MOST_SHOWN = 10
ALL = 1 << 30


def open_book(where: Where = None) -> Book:
    """
    Open the job book of a folder or a database address, or the user's own one.

    Parameters
    ----------
    where : path, address or None

    Returns
    -------
    Book
        A context manager.

    Raises
    ------
    InputError, JobBookError
        As `JobBook.open`.

    Examples
    --------
    >>> import tempfile, voicecheck
    >>> with voicecheck.open_book(tempfile.mkdtemp()) as book:
    ...     _ = book.add_type("Lakeside 4", transmitter="carbon")
    ...     job = book.open_job("hall set", "Lakeside 4")
    ...     job, book
    (<job 1: hall set (Lakeside 4), as found; nothing tested>, <job book: 1 job of 1 set>)
    """
    return Book(JobBook.open(where))


class Listing(Generic[Thing]):
    """
    Things of a book by their number, the newest first; read from the book as they are asked for.

    Parameters
    ----------
    load : callable
        One by its number.
    find : callable
        Those that hold a text, or all with "", as many of them at most.
    count : callable
        How many there are.
    """

    def __init__(
        self,
        load: Callable[[int], Thing],
        find: Callable[[str, int], tuple[Thing, ...]],
        count: Callable[[], int],
    ) -> None:
        self._load, self._find, self._count = load, find, count

    def __getitem__(self, number: int) -> Thing:
        if isinstance(number, bool) or not isinstance(number, int):
            raise InputError(f"number: need a whole one, got {number!r:.40}; `search` finds words")
        return self._load(number)

    def __iter__(self) -> Iterator[Thing]:
        return iter(self._find("", ALL))

    def __len__(self) -> int:
        return self._count()

    def search(self, text: str) -> tuple[Thing, ...]:
        """Those that hold all words of a text."""
        return self._find(text, ALL)

    def __repr__(self) -> str:
        lines = [repr(one) for one in self._find("", MOST_SHOWN)]
        if len(self) > MOST_SHOWN:
            lines.append(f"... and {len(self) - MOST_SHOWN} more")
        return "\n".join(lines) or "<nothing yet>"


class Book:
    """
    An open job book; `record` is what the program itself works with.

    Parameters
    ----------
    record : JobBook
    """

    def __init__(self, record: JobBook) -> None:
        self.record = record

    @property
    def jobs(self) -> Listing[Job]:
        """Jobs by number; `book.jobs[3]`, `book.jobs.search("green")`."""
        return Listing(
            lambda number: Job(self, self.record.load_job(number)),
            lambda text, most: tuple(
                Job(self, one) for one in self.record.list_jobs(search=text, limit=most)
            ),
            self.record.count_jobs,
        )

    @property
    def sets(self) -> Listing[Set]:
        """Sets by number."""
        return Listing(
            lambda number: Set(self, self.record.load_set(number)),
            lambda text, most: tuple(
                Set(self, one) for one in self.record.list_sets(search=text, limit=most)
            ),
            self.record.count_sets,
        )

    @property
    def types(self) -> tuple[SetType, ...]:
        """Set types by name."""
        return self.record.list_types()

    @property
    def baselines(self) -> Mapping[tuple[str, str], Baseline]:
        """The newest baseline of each type and path."""
        return {(one.type_name, one.path): one for one in self.record.list_baselines()}

    def add_type(self, name: str, *, transmitter: str, **values: Any) -> SetType:
        """
        Add a set type.

        Parameters
        ----------
        name, transmitter : str
        **values : object
            Further fields of `SetType`, as feed_ma and region.

        Raises
        ------
        InputError
            A field that there is not, or a value out of range.
        """
        known = tuple(field.name for field in dataclasses.fields(SetType))
        for one in values:
            if one not in known:
                raise refuse_name("set type", one, known)
        made = SetType(name=name, transmitter=transmitter, **values)
        self.record.add_type(made)
        return made

    def open_job(
        self, label: str, type_name: str, *, of_set: int | Set | None = None, **words: str
    ) -> Job:
        """
        Open a job.

        Parameters
        ----------
        label, type_name : str
        of_set : int or Set, optional
            A set that comes back.
        **words : str
            As owner and complaint.

        Raises
        ------
        InputError
            No such type, set or word.
        """
        for one in words:
            if one not in JOB_WORDS:
                raise refuse_name("job", one, JOB_WORDS)
        number = of_set.number if isinstance(of_set, Set) else of_set
        return Job(self, self.record.open_job(label, type_name, of_set=number, **words))

    def build_baseline(self, type_name: str, path: str | None = None) -> tuple[Baseline, ...]:
        """
        Build and keep the baselines of a type from its runs of stage "reference".

        Raises
        ------
        InputError
            No such type, or fewer than two reference sets.
        """
        from voicecheck.workflow.papers.comparing import build_baselines

        return build_baselines(self.record, type_name, path)

    def close(self) -> None:
        """Close the book; nothing is lost without it."""
        self.record.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        n_jobs, n_sets = self.record.count_jobs(), len(self.sets)
        return f"<job book: {n_jobs} {_many('job', n_jobs)} of {n_sets} {_many('set', n_sets)}>"


class Set:
    """
    One telephone with its jobs over the years.

    Parameters
    ----------
    book : Book
    record : Telephone
    """

    def __init__(self, book: Book, record: Telephone) -> None:
        self._book, self.record = book, record

    @property
    def number(self) -> int:
        """Within the book."""
        return self.record.set

    @property
    def jobs(self) -> tuple[Job, ...]:
        """Its jobs, the oldest first."""
        return tuple(self._book.jobs[number] for number in self.record.jobs)

    def plot(self, language: str = "en") -> Any:
        """
        Its level over the years, as a figure.

        Raises
        ------
        InputError
            No path of it was swept twice.
        """
        from voicecheck.workflow.sets import draw_drift

        return draw_drift(self._book.record, self.number, language)

    def __repr__(self) -> str:
        one, n_jobs = self.record, len(self.record.jobs)
        return f"<set {one.set}: {one.label} ({one.type_name}), {n_jobs} {_many('job', n_jobs)}>"


class Job:
    """
    One stay of a set; what it holds is read from the book each time.

    Parameters
    ----------
    book : Book
    record : voicecheck.records.Job
    """

    def __init__(self, book: Book, record: JobRecord) -> None:
        self._book, self.number = book, record.job

    @property
    def record(self) -> JobRecord:
        """What the book says of it now."""
        return self._book.record.load_job(self.number)

    @property
    def set(self) -> Set:
        """The set whose stay it is."""
        return Set(self._book, self._book.record.give_set(self.number))

    @property
    def runs(self) -> tuple[Run, ...]:
        """Its runs, the oldest first."""
        return self._book.record.list_runs(job=self.number)

    def run(self, path: str = "transmit", stage: str | None = None) -> Run:
        """
        The run of a path and stage that counts.

        Parameters
        ----------
        path : str
        stage : str, optional
            The job's own when left out.

        Raises
        ------
        InputError
            There is none.
        """
        from voicecheck.workflow.papers.lookup import current_runs

        stage = stage or self.record.stage
        runs = current_runs(self._book.record, self.number, stage)
        if path not in runs:
            have = ", ".join(sorted({f"{one.path} {one.stage}" for one in self.runs})) or "none"
            raise InputError(f"job {self.number}: no run {path} {stage} (it has: {have})")
        return runs[path]

    @property
    def checks(self) -> tuple[StoredCheck, ...]:
        """Its checks beside the sweeps, the oldest first."""
        from voicecheck.workflow.checks.run import list_checks

        return tuple(list_checks(self._book.record, self.number))

    @property
    def comparisons(self) -> tuple[Comparison, ...]:
        """What was compared, the oldest first."""
        return self._book.record.list_comparisons(self.number)

    @property
    def standing(self) -> Standing:
        """Where its set stands, part by part, and what is next."""
        from voicecheck.workflow.standing import set_standing

        return set_standing(self._book.record, self.number)

    def sweep(
        self,
        path: str = "transmit",
        *,
        simulated: str | None = None,
        bench: str | None = None,
        files: tuple[str | Path, ...] | list[str | Path] = (),
        signal: str | Path | None = None,
        stage: str | None = None,
        seats: int | None = None,
        seed: int = 1,
        specimen: int = 1,
        level_dbm: float | None = None,
        on_coupler: bool = False,
    ) -> tuple[Run, ...]:
        """
        Sweep, and keep what was measured; nobody is asked between the seats.

        Parameters
        ----------
        path : str
            "transmit", "receive", "sidetone", "loop", "both" or "all".
        simulated, bench, files : str, str, sequence of path
            One of them: a handset of the simulated bench ("carbon+packed"), a bench that was set
            up, or recordings with their `signal`.
        signal : path, optional
        stage : str, optional
            The job's own when left out.
        seats : int
        seed, specimen : int
            Which simulated set, and which element is fitted in it.
        level_dbm : float, optional
            Nominal level to a receiver.
        on_coupler : bool
            The receiver is on its coupler and at nobody's ear: said before anything sounds.

        Returns
        -------
        tuple of Run

        Raises
        ------
        InputError, RecordingError, BenchError
            As a sweep of the command line.
        """
        from voicecheck.workflow.sweeping.order import carry_out
        from voicecheck.workflow.sweeping.unattended import Nobody

        order = SweepOrder(
            job=self.number,
            stage=stage or self.record.stage,
            path=path,  # type: ignore[arg-type]  # bounded as the order is made
            source=_choose_source(simulated, bench, tuple(map(Path, files)), seed, specimen),
            n_seats=seats,
            signal=Path(signal) if signal is not None else None,
            level_dbm=level_dbm,
            is_on_coupler=on_coupler,
        )
        return tuple(one.run for one in carry_out(self._book.record, order, Nobody()))

    def compare(self, against: str = "baseline", *, stage: str | None = None) -> Comparison:
        """
        Hold a stage against a reference, and keep what is found.

        Parameters
        ----------
        against : str
            "baseline", "before", "left", "mask:NAME", "JOB:STAGE".
        stage : str, optional

        Raises
        ------
        InputError
            Nothing to compare, or no such reference.
        """
        from voicecheck.workflow.papers.comparing import compare

        return compare(self._book.record, self.number, stage=stage, against=against)

    def report(self, folder: str | Path = "reports", **options: Any) -> tuple[Path, ...]:
        """
        Write chart, report, JSON and CSV into a folder.

        Parameters
        ----------
        folder : path
        **options : object
            pdf, language, paper, shop.

        Raises
        ------
        InputError
            Nothing to report, or an option that there is not.
        """
        from voicecheck.workflow.papers.reporting import report_job

        for name in options:
            if name not in ("pdf", "language", "paper", "shop"):
                raise refuse_name("report", name, ("pdf", "language", "paper", "shop"))
        return report_job(self._book.record, self.number, folder, **options)

    def note(self, text: str) -> None:
        """
        Keep a note.

        Raises
        ------
        InputError
            It is empty, or the job is closed.
        """
        self._book.record.add_note(self.number, text)

    def done(self) -> None:
        """Say that the work is done: what is measured from now on is after it."""
        self._book.record.set_stage(self.number, "after")

    def __repr__(self) -> str:
        record, standing = self.record, self.standing
        told = [
            f"{say_mark_name(mark.key)} {mark.state}"
            for mark in standing.marks
            if mark.state != "not tested"
        ]
        head = f"{record.label} ({record.type_name}), {say_stage(record.stage)}"
        shout = "SIMULATED, " if standing.simulated else ""
        return f"<job {record.job}: {shout}{head}; {', '.join(told) or 'nothing tested'}>"


def _many(word: str, n: int) -> str:
    return word if n == 1 else f"{word}s"


def _choose_source(
    simulated: str | None, bench: str | None, files: tuple[Path, ...], seed: int, specimen: int
) -> Source:
    given = [one for one in (simulated, bench, files) if one]
    if len(given) != 1:
        raise InputError(
            "sweep: say one of simulated, bench or files; `voicecheck handsets` lists what is "
            "simulated"
        )
    if files:
        return FileSource(files=files)
    return (
        SimulatedSource(handset=simulated, seed=seed, specimen=specimen)
        if simulated
        else DeviceSource(name=bench or "")
    )
