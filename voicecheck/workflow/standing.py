"""Where a set stands: its marks, what is open, and the one next step."""

from __future__ import annotations

import datetime
from collections import OrderedDict
from collections.abc import Iterable, Sequence

from voicecheck.jobbook import JobBook
from voicecheck.jobbook.traces import Traces
from voicecheck.records import CheckList, Job
from voicecheck.records.standing import Mark, NextStep, Standing
from voicecheck.words import Words, load_words
from voicecheck.workflow.checks.checklist import Holdings, build_sheet, read_holdings
from voicecheck.workflow.strip import PATHS, make_marks

__all__ = ["Mark", "NextStep", "Standing", "list_standings", "set_standing"]

MOST_KEPT = 2000
"""Jobs whose standing is remembered as long as nothing happens to them: some megabytes."""
_Kept = tuple[tuple[Mark, ...], bool, NextStep, tuple[int, ...]]
_kept: OrderedDict[tuple[str, int, str, str], _Kept] = OrderedDict()


def set_standing(book: JobBook, job_number: int, language: str = "en") -> Standing:
    """
    Where the set of one job stands.

    Parameters
    ----------
    book : JobBook
    job_number : int
    language : str

    Returns
    -------
    Standing

    Raises
    ------
    InputError
        No such job or language.
    JobBookError
        A document of the job is damaged.
    """
    return list_standings(book, [book.load_job(job_number)], language)[job_number]


def list_standings(book: JobBook, jobs: Sequence[Job], language: str = "en") -> dict[int, Standing]:
    """
    Where the sets of several jobs stand, by the number of the job.

    A job to which nothing has happened since it was last asked for is not read again.

    Parameters
    ----------
    book : JobBook
    jobs : sequence of Job
    language : str

    Raises
    ------
    InputError, JobBookError
        As `set_standing`.
    """
    words = load_words(language)
    seal = _find_seal(book)
    marks = book.read_marks([job.job for job in jobs])
    keys = {
        job.job: (book.name, job.job, f"{marks.get(job.job, 0)} {seal}", language) for job in jobs
    }
    unknown = [job for job in jobs if keys[job.job] not in _kept]
    for number, holdings in read_holdings(book, unknown).items():
        _kept[keys[number]] = _work_out(book, holdings, words)
    standings = {job.job: _make(job, _kept[keys[job.job]]) for job in jobs}
    while len(_kept) > MOST_KEPT:
        _kept.popitem(last=False)
    return standings


def _find_seal(book: JobBook) -> str:
    """What beside a job's own time line its standing depends on."""
    marks = book.find_marks()
    return f"{marks.types} {marks.benches}"


def _make(job: Job, kept: _Kept) -> Standing:
    strip, simulated, next_step, open_steps = kept
    return Standing(
        job=job.job,
        stage=job.stage,
        marks=strip,
        simulated=simulated,
        next_step=next_step,
        open_steps=open_steps,
        days_on_bench=_count_days(job),
    )


def _work_out(book: JobBook, holdings: Holdings, words: Words) -> _Kept:
    job, traces, checks = holdings.job, holdings.traces, holdings.checks
    strip = make_marks(traces, checks, job.stage, words)
    checked = build_sheet(book, holdings).checked
    simulated = any(run.is_simulated for run in traces.runs if not run.aside) or any(
        one.is_simulated for one in checks
    )
    number = job.job
    hazard = next((one.number for one in job.work if one.is_open_hazard), None)
    if job.closed_utc is None and hazard is not None:
        step = _step("hazard", f"work answer {number} {hazard}", f"/jobs/{number}#hazard", words)
    elif job.closed_utc is None and _is_uncompared(strip, job, words):
        step = _step("compare", f"compare {number}", f"/jobs/{number}#compare", words)
    else:
        step = _find_next(job, checked, traces, words)
    return strip, simulated, step, checked.open_steps


def _count_days(job: Job) -> int:
    opened = datetime.datetime.fromisoformat(job.opened_utc)
    until = datetime.datetime.now(datetime.UTC)
    if job.closed_utc is not None:
        until = datetime.datetime.fromisoformat(job.closed_utc)
    return max(0, (until - opened).days)


def _find_next(job: Job, checked: CheckList, traces: Traces, words: Words) -> NextStep:
    number = job.job
    for step in checked.steps if job.closed_utc is None else ():
        kind, _, rest = step.filled_by.removesuffix("+").partition(":")
        if step.state != "open" or rest.partition(":")[0] not in (job.stage, "any"):
            continue
        if kind == "sweep" and (missing := _list_missing(traces, job.stage)):
            return _step_sweep(job, missing, words)
        is_left = not step.result or (step.partly and not step.filled_by.endswith("+"))
        if kind in ("dial", "flex", "bell", "line") and is_left:
            stage = words.say("standing", f"stage_{job.stage}")
            target = f"/jobs/{number}/checks#{kind}"
            return _step(kind, f"{kind} {number}", target, words, stage=stage)
    key, command, anchor = "report", "report", "report"
    if job.closed_utc is not None:
        key, command, anchor = "reopen", "job reopen", "state"
    elif job.stage == "before":
        key, command, anchor = "done", "job done", "done"
    elif checked.final == "ready":
        key, command, anchor = "close", "job close", "state"
    return _step(key, f"{command} {number}", f"/jobs/{number}#{anchor}", words)


def _step(key: str, command: str, target: str, words: Words, **values: str) -> NextStep:
    sentence = words.say("standing", f"next_{key}", **values)
    return NextStep(key=key, sentence=sentence, command=f"voicecheck {command}", target=target)


def _step_sweep(job: Job, missing: Sequence[str], words: Words) -> NextStep:
    path = "both" if {"transmit", "sidetone"} <= set(missing) else missing[0]
    return _step(
        "sweep",
        f"sweep {job.job} --path {path} --bench NAME",
        f"/jobs/{job.job}#sweep",
        words,
        names=", ".join(words.say("path_term", path) for path in missing),
        stage=words.say("standing", f"stage_{job.stage}"),
    )


def _list_missing(traces: Traces, stage: str) -> list[str]:
    swept = {run.path for run in traces.runs if run.stage == stage and not run.aside}
    return [path for path in PATHS.values() if path not in swept]


def _is_uncompared(strip: Iterable[Mark], job: Job, words: Words) -> bool:
    """Whether what was swept at the job's stage still waits to be compared."""
    waits = (words.say("standing", "not_compared"), words.say("standing", "overtaken"))
    shown = (mark for mark in strip if mark.key in PATHS and mark.sentence in waits)
    return any(mark.now is not None or job.stage == "before" for mark in shown)
