"""Report of a job."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

from voicecheck import __version__
from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Comparison, Run
from voicecheck.records.parts import PartsCheck
from voicecheck.records.times import get_now_utc
from voicecheck.report import ReportContent, render_file, write_report
from voicecheck.words import load_words
from voicecheck.workflow.benches.store import find_check_of_runs
from voicecheck.workflow.checks.checklist import collect_results
from voicecheck.workflow.checks.run import StoredCheck, list_checks
from voicecheck.workflow.papers.comparing import find_judged_baselines
from voicecheck.workflow.papers.enclosures import (
    draw_checks,
    find_letterhead,
    find_photograph,
    find_voices,
    list_check_findings,
)
from voicecheck.workflow.papers.hearing import draw_sounds
from voicecheck.workflow.papers.lookup import choose_current, choose_language
from voicecheck.workflow.standing import set_standing
from voicecheck.workflow.trials import list_newest, read_trials
from voicecheck.workflow.trialwords import say_in_report
from voicecheck.writing import DOOR, Door

LEFT_OUT_STAGES = ("reference",)


def report_job(
    book: JobBook,
    job: int,
    folder: str | Path,
    *,
    pdf: bool = False,
    language: str = "",
    paper: str = "",
    shop: str = "",
    door: Door = DOOR,
) -> tuple[Path, ...]:
    """
    Write chart, report, JSON and CSV of a job into a folder.

    Parameters
    ----------
    book : JobBook
    job : int
    folder : path
        Made if it is not there.
    pdf : bool
        Also as PDF, which needs the extra `pdf`.
    language : str
        Of what the owner reads; the job's own if left out, English if it has none.
    paper : str
        What the language prints on, if left out.
    shop : str
        Named on the first page in place of the book's own.
    door : Door

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    InputError
        No such job, nothing to report, or the folder cannot be written.
    """
    content = collect_content(book, job, language=language, paper=paper, shop=shop)
    return write_report(content, folder, pdf=pdf, door=door)


def make_report_file(
    book: JobBook, job: int, name: str, *, language: str = "", paper: str = ""
) -> bytes:
    """
    One file of a job's report, as `report_job` names it.

    Raises
    ------
    InputError
        No such job or file, or nothing to report.
    """
    content = collect_content(book, job, language=language, paper=paper)
    return render_file(content, name)


def collect_content(
    book: JobBook, job: int, *, language: str = "", paper: str = "", shop: str = ""
) -> ReportContent:
    """
    All that a report of a job says, before it is put on paper.

    Parameters
    ----------
    book : JobBook
    job : int
    language, paper, shop : str
        As `report_job`.

    Returns
    -------
    ReportContent

    Raises
    ------
    InputError
        No such job, or nothing to report.
    """
    record = book.load_job(job)
    words = load_words(choose_language(record, language))
    bench = words.for_bench
    letterhead, sign = find_letterhead(book, shop)
    checks = list_checks(book, job)
    runs = state_feed(_latest_runs(book, job), checks)
    if not runs and not checks:
        raise InputError(
            f"job {job} has no run or check to report; sweep it, or take a check of it, first"
        )
    trials = list_newest(read_trials(book, record))
    return ReportContent(
        job=record,
        set_type=book.load_type(record.type_name),
        runs=runs,
        baselines=find_judged_baselines(book, record.type_name, {run.path for run in runs}),
        comparisons=_spread_out(book.list_comparisons(job)),
        bench_check=find_check_of_runs(book, runs),
        now_utc=get_now_utc(),
        version=__version__,
        language=words.code,
        paper=paper or words.paper,
        other_checks=collect_results(book, job),
        has_made_checks=any(one.is_simulated for one in checks)
        or any(one.is_simulated for one in trials),
        marks=set_standing(book, job, words.code).marks,
        shop=letterhead[0] if letterhead else "",
        address=letterhead[1:],
        sign=sign,
        photograph=find_photograph(book, job),
        check_findings=list_check_findings(checks, bench),
        voices=find_voices(book, checks),
        pictures=(*draw_sounds(book, runs, checks, bench), *draw_checks(checks, bench)),
        trials=tuple(one.trial for one in trials),
        tried=tuple(say_in_report(one, bench) for one in trials),
    )


def _spread_out(comparisons: tuple[Comparison, ...]) -> tuple[Comparison, ...]:
    """Each comparison after those that stand beside it, so that it remains the latest."""
    return tuple(one for found in comparisons for one in (*found.beside, found))


def _latest_runs(book: JobBook, job: int) -> tuple[Run, ...]:
    """The current run of each path and stage, in the order they were taken."""
    latest = choose_current(book.list_runs(job=job), lambda run: len(run.recordings))
    return tuple(run for run in latest.values() if run.stage not in LEFT_OUT_STAGES)


def state_feed(runs: Sequence[Run], checks: Sequence[StoredCheck]) -> tuple[Run, ...]:
    """
    Runs with the current that the dial's own breaks showed in the loop, where nothing else told it.

    Parameters
    ----------
    runs : sequence of Run
    checks : sequence of StoredCheck
        Of the same job, the oldest first; that of the run's stage counts, else the newest. A made
        scene says nothing of a real run, and none of a made one.

    Returns
    -------
    tuple of Run
    """
    read: dict[tuple[bool, str], float] = {}
    for one in checks:
        figure = one.check.figures.get("feed_ma") if isinstance(one.check, PartsCheck) else None
        if figure is not None and figure.value is not None:
            for stage in (one.stage, ""):
                read[one.is_simulated, stage] = figure.value
    stated = []
    for run in runs:
        conditions = run.pooled.conditions
        loop_ma = read.get((run.is_simulated, run.stage), read.get((run.is_simulated, "")))
        if conditions.loop_ma is None and loop_ma is not None:
            pooled = run.pooled.replace(conditions=conditions.replace(loop_ma=loop_ma))
            stated.append(dataclasses.replace(run, pooled=pooled))
        else:
            stated.append(run)
    return tuple(stated)
