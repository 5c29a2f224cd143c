"""Sets over the years: how each left, how it drifted, and the label of its box."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.benchspread import BenchSpread
from voicecheck.budgets import COVERAGE_95
from voicecheck.jobbook import JobBook
from voicecheck.records import Job, Run
from voicecheck.records.sets import LevelPoint, Telephone
from voicecheck.verdicts.readings import mean_level_db
from voicecheck.words import load_words
from voicecheck.workflow.papers.lookup import choose_current, find_bench_spreads
from voicecheck.writing import DOOR, Door

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.figure import Figure

AFTER, BEFORE = "after", "before"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """One job of a set; `left_at` is the stage that it went home with, "" where none was swept."""

    job: int
    label: str
    opened_utc: str
    closed_utc: str | None
    left_at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """A set with its jobs, the oldest first."""

    telephone: Telephone
    stays: tuple[Stay, ...]


def load_history(book: JobBook, number: int) -> History:
    """
    A set and its jobs, in few columns.

    Raises
    ------
    InputError
        There is no such set.
    """
    telephone = book.load_set(number)
    return History(telephone=telephone, stays=_list_stays(book, telephone.jobs))


def list_earlier(book: JobBook, job: Job) -> tuple[Stay, ...]:
    """Earlier jobs of the set of a job, the oldest first."""
    jobs = book.load_set(job.set).jobs if job.set is not None else ()
    return _list_stays(book, [number for number in jobs if number < job.job])


def _list_stays(book: JobBook, jobs: Sequence[int]) -> tuple[Stay, ...]:
    if not jobs:
        return ()
    labels, traces, stays = book.list_labels(jobs), book.read_traces(jobs), []
    for job in jobs:
        label, opened_utc, closed_utc = labels[job]
        stages = {run.stage for run in traces[job].runs if not run.aside}
        left_at = next((one for one in (AFTER, BEFORE) if one in stages), "")
        stays.append(
            Stay(
                job=job, label=label, opened_utc=opened_utc, closed_utc=closed_utc, left_at=left_at
            )
        )
    return tuple(stays)


def find_left(book: JobBook, job: int) -> Stay | None:
    """
    The latest earlier job of the same set that was swept; `None` where there is none.

    Raises
    ------
    InputError
        The job is not in the book.
    """
    earlier = list_earlier(book, book.load_job(job))
    return next((stay for stay in reversed(earlier) if stay.left_at), None)


def say_left(stay: Stay, language: str = "en") -> str:
    """How an earlier job of a set is called: "as it left in 2031-05 (job 3)"."""
    gone = stay.closed_utc or stay.opened_utc
    key = "left" if stay.left_at == AFTER else "left_unmended"
    return load_words(language).say("years", key, month=gone[:7], job=stay.job)


def list_levels(book: JobBook, number: int) -> tuple[LevelPoint, ...]:
    """
    Levels of a set, path by path and stage by stage, in the order of time.

    Raises
    ------
    InputError
        There is no such set.
    """
    points: list[LevelPoint] = []
    # A bench's history is long: it is read once, not for every run that was taken on it.
    known: dict[tuple[str, str], BenchSpread | None] = {}
    for job in book.load_set(number).jobs:
        runs = book.list_runs(job=job)
        chosen = choose_current(runs, lambda run: len(run.recordings))
        for (path, stage), run in chosen.items():
            if stage not in (BEFORE, AFTER):
                continue
            bench = run.pooled.conditions.bench, path
            if bench not in known:
                known[bench] = find_bench_spreads(book, {path: run}, {path: run}).get(path)
            if (spread := known[bench]) is not None:
                points += _read_point(job, run, spread.level_db, spread.is_stated)
    return tuple(sorted(points, key=lambda one: one.taken_utc))


def _read_point(job: int, run: Run, bench_db: float, is_stated: bool) -> list[LevelPoint]:
    response = run.pooled.response
    if response is None or not run.taken_utc:
        return []
    level_db = mean_level_db(response.frequency_hz, response.level_db)
    if not math.isfinite(level_db):
        return []
    own_db = (run.level_sd_db or 0.0) / math.sqrt(max(len(run.recordings), 1))
    return [
        LevelPoint(
            job=job,
            stage=run.stage,
            path=run.path,
            taken_utc=run.taken_utc,
            unit=response.unit,
            level_db=level_db,
            uncertainty_db=COVERAGE_95 * math.hypot(own_db, bench_db),
            bench_db=bench_db,
            is_stated=is_stated,
            is_simulated=run.is_simulated,
        )
    ]


def draw_drift(book: JobBook, number: int, language: str = "en") -> Figure:
    """
    The years of a set as one picture.

    Raises
    ------
    InputError
        No such set, or no path of it was swept twice.
    """
    from voicecheck.charts.years import draw_years

    label = book.load_set(number).label
    return draw_years(list_levels(book, number), label, load_words(language))


def render_drift(book: JobBook, number: int, file_format: str, language: str = "en") -> bytes:
    """
    The same as the bytes of a picture: "png", "svg" or "pdf".

    Raises
    ------
    InputError
        As `draw_drift`, or another format.
    """
    from voicecheck.charts import render_figure

    return render_figure(draw_drift(book, number, language), file_format)


def write_drift(
    levels: Sequence[LevelPoint],
    title: str,
    path: str | Path,
    door: Door = DOOR,
    language: str = "en",
) -> Path:
    """
    Write the same picture of levels that were listed; the name's ending says the format.

    Raises
    ------
    InputError
        As `draw_drift`, another ending, or the place cannot be written.
    """
    from voicecheck.charts import save_figure
    from voicecheck.charts.years import draw_years

    return save_figure(draw_years(levels, title, load_words(language)), path, door)


def say_drift(levels: Sequence[LevelPoint], language: str = "en") -> list[str]:
    """
    What the newest level of each path is to the job before, and what the bench alone would show.

    Without an earlier job it is held against the first of its own.
    """
    from voicecheck.charts.years import choose_rows, find_unchanged_db

    words, told = load_words(language), []
    for path, row in choose_rows(levels).items():
        last = row[-1]
        first = next((one for one in reversed(row) if one.job != last.job), row[0])
        change_db = last.level_db - first.level_db
        alone_db = find_unchanged_db(row)
        key = "louder" if change_db >= 0.0 else "fainter"
        key = key if abs(change_db) > alone_db else "steady"
        told.append(
            words.say(
                "years",
                key,
                path=words.say("path", path),
                amount=words.number(abs(change_db)),
                since=first.taken_utc[:7],
                alone=words.number(alone_db),
            )
        )
    return told


def make_label(book: JobBook, job: int) -> bytes:
    """
    Label for the box of a set, 62 mm by 29 mm, as SVG.

    Its code holds the job's number and label as text, no address: it leads to nothing outside.

    Raises
    ------
    InputError
        No such job, or the extra `label` is not installed.
    """
    from voicecheck.report.boxlabel import draw_label

    record = book.load_job(job)
    return draw_label(
        job=record.job, number=record.set, label=record.label, type_name=record.type_name,
        came_in=record.opened_utc[:10],
    )  # fmt: skip
