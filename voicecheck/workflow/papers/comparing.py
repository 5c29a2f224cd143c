"""Baselines and comparisons out of the job book."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from pathlib import Path

from voicecheck.errors import InputError
from voicecheck.incoming import decode_text, read_ordinary
from voicecheck.jobbook import JobBook
from voicecheck.records import Against, Baseline, Comparison, Job, Mask, Run
from voicecheck.records.checkout import FlexCheck
from voicecheck.records.terms import check_word
from voicecheck.records.times import get_now_utc
from voicecheck.verdicts import (
    Identity,
    build_baseline,
    compare_elements,
    compare_runs,
    compare_to_baseline,
    compare_to_mask,
    identify_element,
    list_masks,
    load_mask,
    load_mask_text,
    rank_hints,
    widen_baseline,
)
from voicecheck.verdicts.floors import read_floor_evidence
from voicecheck.verdicts.signatures import load_clues
from voicecheck.workflow.checks.run import list_checks
from voicecheck.workflow.papers.lookup import (
    REFERENCE,
    current_runs,
    find_baselines,
    find_bench_spreads,
    find_kindred,
    tell_passed_over,
)
from voicecheck.workflow.papers.standins import (
    IN_PASSING,
    build_in_passing,
    compare_in_place,
    fill_in,
    find_provisional,
)
from voicecheck.workflow.sets import find_left, say_left
from voicecheck.workflow.trials import find_newest, read_trials

MOST_MASK_BYTES = 1_000_000
BY_HAND = ("test", "measured", "dial", "line")
"""Where those clues belong that somebody may type in; the others are read from recordings."""
FLEX_TESTS = {"cord": "test.flex_events_per_min", "hook": "test.press_events_per_min"}


def build_baselines(
    book: JobBook, type_name: str, path: str | None = None, *, without: Collection[int] = ()
) -> tuple[Baseline, ...]:
    """
    Build the baseline of each path of a type from its reference runs, and keep them.

    Parameters
    ----------
    book : JobBook
    type_name : str
    path : str, optional
        Only this one; every path with reference runs when left out.
    without : collection of int
        Jobs whose sets are left out, as the baselines then say.

    Returns
    -------
    tuple of Baseline

    Raises
    ------
    InputError
        No such type, fewer than two reference sets, or a set to be left out that is none of them.
    """
    runs = book.list_runs(type_name=type_name, stage=REFERENCE, path=path)
    paths = [path] if path else sorted({run.path for run in runs})
    if not runs:
        wanted = f" and path {path}" if path else ""
        raise InputError(
            f"no reference runs of type {type_name!r}{wanted}: sweep known-good sets of the type "
            "with --stage reference first"
        )
    _check_known(without, {run.job for run in runs}, type_name)
    kindred = find_kindred(book, type_name)
    baselines = []
    for name in paths:
        of_path = [run for run in runs if run.path == name]
        built = build_baseline(
            of_path, type_name=type_name, path=name, kindred=kindred, without=without
        )
        simulated = any(run.is_simulated for run in of_path)
        baseline = dataclasses.replace(built, built_utc=get_now_utc(), simulated=simulated)
        book.save_baseline(baseline)
        baselines.append(baseline)
    return tuple(baselines)


def _check_known(without: Collection[int], jobs: Collection[int | None], type_name: str) -> None:
    unknown = sorted(set(without) - set(jobs))
    if unknown:
        have = ", ".join(str(job) for job in sorted(job for job in jobs if job is not None))
        raise InputError(
            f"without: job {unknown[0]} is no reference set of {type_name!r} (they are: {have}); "
            "nothing was built"
        )


def find_judged_baselines(
    book: JobBook, type_name: str, paths: Collection[str]
) -> dict[str, Baseline]:
    """Baselines of some paths, their limits as they are judged together: one band, one rule."""
    found = find_baselines(book, type_name)
    n_paths = len([path for path in found if path in paths])
    return {
        path: widen_baseline(baseline, n_paths) if path in paths else baseline
        for path, baseline in found.items()
    }


def compare(
    book: JobBook,
    job: int,
    *,
    stage: str | None = None,
    against: str = "baseline",
    results: Mapping[str, float] | None = None,
) -> Comparison:
    """
    Hold one stage of a job against a reference, find likely causes, and keep the result.

    Parameters
    ----------
    book : JobBook
    job : int
    stage : str, optional
        Left out: where the job stands, once somebody has said so and it has runs there; else
        "after" where there is such a run, "before" otherwise.
    against : str
        "baseline", "before", "left" (as the set left its last job), "mask:NAME_OR_FILE",
        "JOB:STAGE", or "element:STAGE" for another element on the same set.
    results : mapping of str to float, optional
        What separating tests gave, as "flex_events_per_min"; the hints use them.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        No such job, stage, baseline, mask or separating test, or nothing in common to compare.
    """
    comparison = hold(book, job, stage=stage, against=against, results=results)
    book.save_comparison(comparison)
    return comparison


def hold(
    book: JobBook,
    job: int,
    *,
    stage: str | None = None,
    against: str = "baseline",
    results: Mapping[str, float] | None = None,
) -> Comparison:
    """As `compare`, and keep nothing."""
    _check_results(results, against)
    record = book.load_job(job)
    stage = stage or _choose_stage(book, record, against)
    if against == stage == "before":
        raise InputError(
            f"job {job}: nothing but the set as found is there to be held against it; say that the "
            f"work is done (`voicecheck job done {job}`) and sweep again"
        )
    runs = current_runs(book, job, stage)
    if not runs:
        have = sorted({run.stage for run in book.list_runs(job=job, recordings=False)})
        raise InputError(
            f"job {job} has no run at stage {stage!r} (it has: {', '.join(have) or 'none'}); "
            f"sweep it with --stage {stage} first"
        )
    comparison = _compare(book, record, stage, runs, against=against, results=results)
    if any(run.is_simulated for run in runs.values()):
        comparison = dataclasses.replace(comparison, simulated=True)
    passed_over = tell_passed_over(book, job, stage)
    if passed_over:
        comparison = dataclasses.replace(comparison, notes=(*comparison.notes, *passed_over))
    return comparison


def _choose_stage(book: JobBook, job: Job, against: str) -> str:
    stages = {run.stage for run in book.list_runs(job=job.job, recordings=False)}
    # A job that nobody spoke of is opened as found; stages that were swept by name say more.
    is_said = any(event.kind == "stage" for event in book.list_events(job.job))
    if is_said and job.stage in stages - {against}:
        return job.stage
    return next((stage for stage in ("after", "before") if stage in stages), job.stage)


def _compare(
    book: JobBook,
    job: Job,
    stage: str,
    runs: Mapping[str, Run],
    *,
    against: str,
    results: Mapping[str, float] | None,
) -> Comparison:
    if against == "baseline":
        return _compare_to_type(book, job, stage, runs, results)
    if against.startswith("element:"):
        return _compare_to_element(book, job, stage, runs, against.partition(":")[2])
    if against.startswith("mask:"):
        return compare_to_mask(runs, open_mask(against[5:]), job=job.job, stage=stage)
    number, other_stage, reference = _find_reference(book, against, job.job)
    others = current_runs(book, number, other_stage)
    if not others:
        raise InputError(f"job {number} has no run at stage {other_stage!r} to compare with")
    comparison = compare_runs(
        runs,
        others,
        job=job.job,
        stage=stage,
        against=reference,
        bench=find_bench_spreads(book, runs, others),
    )
    simulated = any(run.is_simulated for run in others.values())
    return dataclasses.replace(comparison, simulated=simulated)


def _compare_to_element(
    book: JobBook, job: Job, stage: str, runs: Mapping[str, Run], other: str
) -> Comparison:
    """One element against another on the same set, with what the level does at other feeds."""
    former = current_runs(book, job.job, other)
    if not former:
        raise InputError(f"job {job.job} has no run at stage {other!r}; sweep that element first")
    return compare_elements(
        runs,
        former,
        job=job.job,
        fitted_name=stage,
        former_name=other,
        fitted_series=find_series(book, job.job, stage),
        former_series=find_series(book, job.job, other),
        bench=find_bench_spreads(book, runs, former),
    )


def find_series(book: JobBook, job: int, stage: str) -> tuple[Run, ...]:
    """
    Transmit runs of one element at other feed currents or positions.

    They are the stages named after it: "electret 20 mA" and "electret tilted" go with "electret".
    """
    runs = book.list_runs(job=job, path="transmit")
    return tuple(run for run in runs if run.stage.startswith(f"{stage} "))


def identify(book: JobBook, job: int, stage: str) -> Identity:
    """
    Which kind of transmitter element a stage's measurements speak for.

    Raises
    ------
    InputError
        No such job, or no transmit run at that stage.
    """
    run = current_runs(book, job, stage).get("transmit")
    if run is None:
        raise InputError(f"job {job} has no transmit run at stage {stage!r}; sweep it first")
    return identify_element(run, find_series(book, job, stage))


def _gather_flex(book: JobBook, job: int, stage: str) -> dict[str, float]:
    """Events per minute while the cord was flexed or the hook pressed, as the hints know them."""
    found = {}
    for one in list_checks(book, job):
        name = FLEX_TESTS.get(one.part)
        if isinstance(one.check, FlexCheck) and name and one.stage in ("", stage):
            found[name] = float(one.check.events_per_min)
    return found


def _gather_coil(book: JobBook, job: Job, stage: str) -> dict[str, float]:
    """
    Level of a pickup coil on the receiver against the reference sets under the same coil, dB.

    The runs are the receive runs of the stages "reference coil" and, for "before", "before coil".
    A coil has a rising response of its own and no pascals: only this difference is used. Magnetic
    and weak with a usual coil reading means diaphragm or magnet gap; weak in both, electrical.
    """
    run = current_runs(book, job.job, f"{stage} coil").get("receive")
    references = book.list_runs(
        type_name=job.type_name, path="receive", stage=f"{REFERENCE} coil", recordings=False
    )
    known = [one.pooled.bands.mid_db for one in references if one.pooled.bands.mid_db is not None]
    if run is None or run.pooled.bands.mid_db is None or not known:
        return {}
    return {"test.coil_db": run.pooled.bands.mid_db - sum(known) / len(known)}


def _check_results(results: Mapping[str, float] | None, against: str) -> None:
    """Refuse a test that has no name among those that tell causes apart, and one for no causes."""
    told = [name for name in load_clues() if name.partition(".")[0] in BY_HAND]
    for name in results or {}:
        check_word(
            name.removeprefix("test."), (one.removeprefix("test.") for one in told), "result"
        )
    if results and against != "baseline":
        raise InputError(
            "result: only against the baseline are there likely causes; leave --against out"
        )


def _name_results(results: Mapping[str, float] | None) -> dict[str, float]:
    """Names of separating tests as the hints know them."""
    given = results or {}
    return {name if "." in name else f"test.{name}": value for name, value in given.items()}


def _compare_to_type(
    book: JobBook,
    job: Job,
    stage: str,
    runs: Mapping[str, Run],
    results: Mapping[str, float] | None,
) -> Comparison:
    kept = find_baselines(book, job.type_name)
    baselines = kept or build_in_passing(book, job.type_name)
    is_stand_in = not runs.keys() & baselines.keys()
    if is_stand_in:
        comparison = compare_in_place(book, job, stage, runs)
        baselines = find_provisional(book, job)
    else:
        transmitter = book.load_type(job.type_name).transmitter
        comparison = compare_to_baseline(
            runs, baselines, job=job.job, stage=stage, transmitter=transmitter
        )
        comparison = fill_in(book, job, comparison, runs, baselines)
    passing = () if kept or is_stand_in else (IN_PASSING.format(type_name=job.type_name),)
    known = {
        **read_floor_evidence(comparison.findings),
        **_gather_flex(book, job.job, stage),
        **_gather_coil(book, job, stage),
        **_name_results(results),
    }
    hints = rank_hints(
        comparison, runs, baselines, extra=known, answers=book.count_causes(),
        trials=find_newest(read_trials(book, job), stage),
    )  # fmt: skip
    return dataclasses.replace(
        comparison,
        hints=hints,
        notes=(*comparison.notes, *passing),
        simulated=any(baselines[path].simulated for path in runs.keys() & baselines.keys()),
    )


def _find_reference(book: JobBook, against: str, job: int) -> tuple[int, str, Against]:
    """Job, stage and name of "before", "left" or "JOB:STAGE"."""
    if against == "before":
        return job, "before", Against(kind="before", name="before")
    if against == "left":
        stay = find_left(book, job)
        if stay is None:
            raise InputError(
                f"job {job}: its set has no earlier job that was swept; "
                "`voicecheck job open LABEL --set N` says which set came back"
            )
        return stay.job, stay.left_at, Against(kind="left", name=say_left(stay))
    number, separator, stage = against.partition(":")
    if not separator or not number.isdigit() or not stage:
        raise InputError(
            f"against: need baseline, before, left, mask:FILE or JOB:STAGE, got {against!r}"
        )
    name = stage if int(number) == job else f"job {number}, {stage}"
    return int(number), stage, Against(kind="run", name=name)


def describe_masks() -> dict[str, str]:
    """Masks that come with the program, each with its source."""
    return {name: load_mask(name).source for name in list_masks()}


def open_mask(name: str) -> Mask:
    """
    A mask from a CSV file, or one that comes with the program.

    Raises
    ------
    InputError
        Neither a readable file nor a known name.
    """
    file = Path(name)
    if not file.is_file():
        return load_mask(name)
    try:
        content = read_ordinary(file, MOST_MASK_BYTES)
        if len(content) > MOST_MASK_BYTES:
            raise InputError(f"mask {name}: need a CSV file of at most {MOST_MASK_BYTES} bytes")
        text = decode_text(content)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"mask {name}: cannot be read ({error}); give a UTF-8 CSV file") from error
    return load_mask_text(text, file.stem)
