"""Old recordings analysed anew, and which verdicts are others by that."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Against, Comparison
from voicecheck.workflow.books import analyse_again
from voicecheck.workflow.papers.comparing import compare

if TYPE_CHECKING:
    from voicecheck.jobbook.reanalysis import AnalysedAgain

TOKENS = {"baseline": "baseline", "stand-in": "baseline", "before": "before", "left": "left"}
"""What each kind of reference is asked for by; runs and elements are compared by hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overturned:
    """
    One verdict that is another since.

    Parameters
    ----------
    job : int
    label, stage : str
    against : Against
    was, now : str
        Of the whole comparison.
    findings : tuple of str
        Each quantity whose verdict is another: "transmit mid_db: within, now outside".
    """

    job: int
    label: str
    stage: str
    against: Against
    was: str
    now: str
    findings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Anew:
    """What was analysed anew, how many verdicts were looked at, and those that are others."""

    analysed: AnalysedAgain
    n_verdicts: int
    overturned: tuple[Overturned, ...]


def analyse_anew(
    book: JobBook,
    *,
    n_workers: int = -1,
    backend: str = "loky",
    on_progress: Callable[[int, int], None] | None = None,
) -> Anew:
    """
    Give old recordings new numbers, and hold what was compared before against the same again.

    The old numbers and comparisons stay in the book. Baselines are not built anew by this.

    Parameters
    ----------
    book : JobBook
    n_workers, backend, on_progress
        As `analyse_again`.
    """
    jobs = book.list_outdated_jobs()
    before = {job: traces.compared for job, traces in book.read_traces(jobs).items()}
    analysed = analyse_again(book, n_workers=n_workers, backend=backend, on_progress=on_progress)
    n_verdicts, found = 0, []
    for job, compared in before.items():
        for one in compared:
            again = _hold_again(book, job, one.comparison)
            n_verdicts += again is not None
            if again is not None and (changed := find_overturned(book, one.comparison, again)):
                found.append(changed)
    return Anew(analysed=analysed, n_verdicts=n_verdicts, overturned=tuple(found))


def _hold_again(book: JobBook, job: int, old: Comparison) -> Comparison | None:
    kind, name = old.against.kind, old.against.name
    token = f"mask:{name}" if kind == "mask" else TOKENS.get(kind)
    if token is None:
        return None
    try:
        return compare(book, job, stage=old.stage, against=token)
    except InputError:
        # The reference, or the runs of that stage, are gone since.
        return None


def find_overturned(book: JobBook, old: Comparison, new: Comparison) -> Overturned | None:
    """
    What differs in verdict between two comparisons of one stage; `None` for nothing.

    Parameters
    ----------
    book : JobBook
    old, new : Comparison
    """
    was = {(one.path, one.quantity): one.verdict for one in old.findings}
    findings = tuple(
        f"{one.path} {one.quantity}: {was[one.path, one.quantity]}, now {one.verdict}"
        for one in new.findings
        if was.get((one.path, one.quantity), one.verdict) != one.verdict
    )
    if old.overall == new.overall and not findings:
        return None
    number = new.job or 0
    return Overturned(
        job=number,
        label=book.load_job(number).label,
        stage=new.stage,
        against=new.against,
        was=old.overall,
        now=new.overall,
        findings=findings,
    )
