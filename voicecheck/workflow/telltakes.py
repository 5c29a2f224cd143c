"""What a sweep or a check left, in a few lines: what was found, what disturbed it, what is next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from voicecheck.charts import say_value
from voicecheck.jobbook import JobBook
from voicecheck.records import Measurement, Problem, Run
from voicecheck.records.standing import NextStep
from voicecheck.records.verdicts import TELLING
from voicecheck.verdicts.readings import READERS
from voicecheck.words import Words, load_words
from voicecheck.workflow.checks.kinds import CheckKind
from voicecheck.workflow.standing import set_standing
from voicecheck.workflow.strip import CHECKS, judge_check, say_limit
from voicecheck.workflow.told import Told, say_stage_name, write_sentence


def tell_check(
    kind: CheckKind,
    check: Any,
    *,
    simulated: bool,
    next_step: NextStep | None = None,
    language: str = "en",
) -> Told:
    """
    A check in a few lines.

    Parameters
    ----------
    kind : CheckKind
    check : record
        Of that kind.
    simulated : bool
        Nothing real was listened to.
    next_step : NextStep, optional
        Of the job that it was kept with.
    language : str

    Returns
    -------
    Told
    """
    words = load_words(language)
    told = kind.describe(check)
    is_judged = kind.name in CHECKS.values()
    verdict = words.say("verdict", judge_check(check)) if is_judged else ""
    headline = words.say(
        "told", "check" if verdict else "check_alone", verdict=verdict.capitalize(), told=told
    )
    beyond = (one for one in getattr(check, "findings", ()) if one.verdict in TELLING)
    limits = [write_sentence(say_limit(one, words)) for one in beyond]
    return Told(
        simulated=words.say("chart", "simulated") if simulated else "",
        headline=write_sentence(headline),
        parts=(),
        lines=(*count_alike(limits, words), *tell_problems(check.problems, words)),
        next_step=next_step,
    )


def tell_runs(book: JobBook, runs: Sequence[Run], language: str = "en") -> Told:
    """
    What one order of sweeps left, in a few lines.

    Parameters
    ----------
    book : JobBook
    runs : sequence of Run
        At least one, all of one job.
    language : str

    Returns
    -------
    Told

    Raises
    ------
    InputError
        No such language.
    """
    words = load_words(language)
    problems = [problem for run in runs for problem in run.pooled.problems]
    lines = tell_problems(problems, words)
    job = runs[0].job
    return Told(
        simulated=words.say("chart", "simulated") if any(one.is_simulated for one in runs) else "",
        headline=" ".join(_say_kept(run, words) for run in runs),
        parts=(),
        lines=lines or (words.say("told", "undisturbed"),),
        next_step=None if job is None else set_standing(book, job, language).next_step,
    )


def _say_kept(run: Run, words: Words) -> str:
    n = len(run.recordings)
    spread = ""
    if run.level_sd_db is not None:
        spread = words.say("told", "spread", amount=words.number(run.level_sd_db))
    return words.say(
        "told",
        "kept",
        path=words.say("path_term", run.path),
        stage=say_stage_name(run.stage, words),
        seats=words.say("told", "kept_seat" if n == 1 else "kept_seats", n=n),
        spread=spread,
    )


def tell_measurement(measurement: Measurement, language: str = "en") -> Told:
    """
    One recording in a few lines.

    Parameters
    ----------
    measurement : Measurement
    language : str

    Returns
    -------
    Told
    """
    words = load_words(language)
    problems = tell_problems(measurement.problems, words)
    name = measurement.recording.file or words.say("told", "recording")
    at_1khz_db = measurement.bands.at_1khz_db
    unit = measurement.response.unit if measurement.response else ""
    level = say_value(at_1khz_db, unit, words, quantity="at_1khz_db")
    rows = (("at_1khz_db", level), *_read_distortion(measurement, words))
    figures = (f"{words.say('quantity', quantity)} {value}" for quantity, value in rows)
    return Told(
        simulated=words.say("chart", "simulated") if measurement.is_simulated else "",
        headline=words.say("told", "disturbed" if problems else "clean", name=name),
        parts=(),
        lines=(words.say("told", "measured", figures="; ".join(figures)), *problems),
    )


def _read_distortion(measurement: Measurement, words: Words) -> tuple[tuple[str, str], ...]:
    quantity = "thd_1000_percent"
    found = READERS[quantity](measurement)
    return () if found is None else ((quantity, say_value(found, "%", words, quantity=quantity)),)


def tell_problems(problems: Iterable[Problem], words: Words) -> tuple[str, ...]:
    """
    What disturbed a recording, alike ones once with their count.

    Parameters
    ----------
    problems : iterable of Problem
    words : Words
    """
    alike: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        alike.setdefault((problem.kind, problem.effect), []).append(problem)
    said = []
    for group in alike.values():
        first = group[0]
        key = "problem" if first.at_s is None else "problem_at"
        at = "" if first.at_s is None else words.number(first.at_s, 2)
        line = words.say("told", key, at=at, message=first.message, effect=first.effect)
        line = write_sentence(line)
        if len(group) > 1:
            line = words.say("told", "times", n=len(group), said=line[:1].lower() + line[1:])
        said.append(line)
    return tuple(said)


def count_alike(lines: Iterable[str], words: Words) -> tuple[str, ...]:
    """Each line once, with how often it was there."""
    return tuple(
        line if n == 1 else words.say("told", "times", n=n, said=line)
        for line, n in Counter(lines).items()
    )
