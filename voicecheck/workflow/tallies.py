"""What a shop's book says as a whole: how many, what was wrong, how often it was told right."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.budgets import COVERAGE_95
from voicecheck.jobbook import JobBook
from voicecheck.records import Comparison, DialCheck
from voicecheck.records.terms import Verdict
from voicecheck.records.verdicts import find_gravest
from voicecheck.workflow.benches.store import BenchFile, list_benches
from voicecheck.workflow.checks.run import list_checks, name_document

if TYPE_CHECKING:
    from voicecheck.jobbook.tallies import Answer

BEFORE, DIAL, OTHER = "before", "dial", "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """Jobs opened and closed in one month, as "2031-05"."""

    month: str
    opened: int
    closed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCount:
    """How many sets of a type turned out to have a cause."""

    type_name: str
    code: str
    text: str
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DialsFound:
    """
    Dials as they came in: the gravest verdict of each, and their speeds, pulses a second.

    `middle_pps` and `low_pps` to `high_pps` (a tenth below and above) are `None` without a speed.
    """

    n: int = 0
    verdicts: tuple[tuple[Verdict, int], ...] = ()
    middle_pps: float | None = None
    low_pps: float | None = None
    high_pps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstCause:
    """
    How often the cause that stood first was the one that it was in the end.

    `n` are the jobs where a cause was kept and a list of causes had been made before; `low` to
    `high` is the 95 % interval of the share (Wilson's, J. Am. Stat. Assoc. 22, 1927).
    """

    n: int = 0
    n_right: int = 0
    n_listed: int = 0
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchHeld:
    """Daily checks of one bench: how many passed, and what moved how often."""

    bench: str
    n_checks: int
    n_passed: int
    moved: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tallies:
    """Everything that the statistics show; `simulated` where any of it is of no real telephone."""

    months: tuple[Month, ...]
    faults: tuple[FaultCount, ...]
    dials: DialsFound
    first_cause: FirstCause
    benches: tuple[BenchHeld, ...]
    simulated: bool = False


def tally(book: JobBook) -> Tallies:
    """
    Count a book; what is in the bin does not count.

    Parameters
    ----------
    book : JobBook
    """
    answers = book.list_answers()
    dials, is_made = _gather_dials(book)
    return Tallies(
        months=tuple(
            Month(month=month, opened=opened, closed=closed)
            for month, (opened, closed) in book.count_by_month().items()
        ),
        faults=_count_faults(answers),
        dials=count_dials(dials),
        first_cause=_judge_answers(book, answers),
        benches=tuple(map(judge_bench, list_benches(book))),
        simulated=is_made or book.has_simulated_runs(),
    )


def _count_faults(answers: Sequence[Answer]) -> tuple[FaultCount, ...]:
    texts = {(one.type_name, one.code, _name(one)): one.text for one in answers}
    counts = Counter((one.type_name, one.code, _name(one)) for one in answers)
    return tuple(
        FaultCount(type_name=key[0], code=key[1], text=texts[key], n=n)
        for key, n in sorted(counts.items(), key=lambda item: (item[0][0], -item[1], item[0]))
    )


def _name(one: Answer) -> str:
    """What tells two answers apart: those that no table names are told apart by their words."""
    return one.text.casefold() if one.code == OTHER else ""


def _gather_dials(book: JobBook) -> tuple[list[DialCheck], bool]:
    """The last dial check of each job as found, and whether any was a made scene."""
    found, is_made = [], False
    for job in book.list_jobs_with_file(name_document(DIAL)):
        kept = [
            one
            for one in list_checks(book, job)
            if one.stage == BEFORE and isinstance(one.check, DialCheck)
        ]
        if kept and isinstance(kept[-1].check, DialCheck):
            found.append(kept[-1].check)
            is_made |= kept[-1].is_simulated
    return found, is_made


def count_dials(dials: Sequence[DialCheck]) -> DialsFound:
    """
    Verdicts and speeds of dials.

    Parameters
    ----------
    dials : sequence of DialCheck
    """
    verdicts = Counter(
        find_gravest(finding.verdict for finding in one.findings) for one in dials if one.findings
    )
    unjudged = sum(1 for one in dials if not one.findings)
    if unjudged:
        verdicts["not comparable"] += unjudged
    speeds = sorted(one.pulses_per_s for one in dials if one.pulses_per_s is not None)
    tenths = statistics.quantiles(speeds, n=10, method="inclusive") if len(speeds) > 1 else speeds
    return DialsFound(
        n=len(dials),
        verdicts=tuple(verdicts.most_common()),
        middle_pps=statistics.median(speeds) if speeds else None,
        low_pps=tenths[0] if tenths else None,
        high_pps=tenths[-1] if tenths else None,
    )


def _judge_answers(book: JobBook, answers: Sequence[Answer]) -> FirstCause:
    listed = []
    for one in answers:
        codes = _list_codes(book.list_comparisons(one.job))
        if codes:
            listed.append((one.code, codes))
    n, n_right = len(listed), sum(1 for code, codes in listed if code == codes[0])
    low, high = interval_of_share(n_right, n) if n else (None, None)
    n_listed = sum(1 for code, codes in listed if code in codes)
    return FirstCause(n=n, n_right=n_right, n_listed=n_listed, low=low, high=high)


def _list_codes(comparisons: Sequence[Comparison]) -> list[str]:
    """Causes of the set as found, the likeliest first; those of its newest list."""
    lists = [one.hints for one in comparisons if one.stage == BEFORE and one.hints]
    return [hint.code for hint in lists[-1] if not hint.beside] if lists else []


def interval_of_share(n_right: int, n: int) -> tuple[float, float]:
    """
    95 % interval of a share, after Wilson.

    Examples
    --------
    >>> low, high = interval_of_share(81, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    share, z2 = n_right / n, COVERAGE_95**2
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = COVERAGE_95 / (1 + z2 / n) * (share * (1 - share) / n + z2 / (4 * n * n)) ** 0.5
    return max(0.0, middle - half), min(1.0, middle + half)


def judge_bench(file: BenchFile) -> BenchHeld:
    """
    How a bench held over its daily checks.

    Parameters
    ----------
    file : BenchFile
    """
    moved: dict[str, int] = defaultdict(int)
    for check in file.checks:
        for item in check.items:
            if item.verdict == "moved":
                moved[item.quantity] += 1
    return BenchHeld(
        bench=file.setup.name,
        n_checks=len(file.checks),
        n_passed=sum(1 for check in file.checks if check.is_passed),
        moved=tuple(sorted(moved.items(), key=lambda item: (-item[1], item[0]))),
    )
