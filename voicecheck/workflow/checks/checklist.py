"""The check list of a job: filled in from what the book holds, and kept with the job."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from voicecheck.checkout.steps import (
    FINALS,
    Found,
    conclude,
    fill_steps,
    is_filled_by,
    parse_steps,
    read_template,
)
from voicecheck.checkout.words import describe_list
from voicecheck.errors import InputError, JobBookError
from voicecheck.incoming import decode_text, read_ordinary
from voicecheck.jobbook import JobBook
from voicecheck.jobbook.traces import Traces
from voicecheck.records import CheckList, CheckStep, JackConversion, Job, to_document
from voicecheck.records.terms import check_word
from voicecheck.records.times import get_now_utc
from voicecheck.records.verdicts import rank_verdict
from voicecheck.workflow.checks.kinds import get_kind
from voicecheck.workflow.checks.run import (
    StoredCheck,
    list_checks,
    read_checks,
    read_documents,
    save_document,
)
from voicecheck.workflow.strip import judge_check
from voicecheck.writing import DOOR, Door

NAME = "check-list.json"
BENCH_CHECK = "bench-check"
MOST_LETTERS = 500
MOST_BYTES = 2**18
"""A list of 150 steps with long words; anything larger is another kind of file (PROP)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What the user said; what was measured is looked up anew each time."""

    variant: str = "desk"
    done: dict[int, str] = field(default_factory=dict)
    skipped: dict[int, str] = field(default_factory=dict)
    jack: JackConversion | None = None
    template: str | None = None
    final: str = "not ready"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """The part of a kept document that is read back."""

    entry: Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Holdings:
    """
    What the book holds of one job, read once for all that asks.

    `bench_day` is the day of the newest daily check of a bench, "" without any.
    """

    job: Job
    traces: Traces
    checks: tuple[StoredCheck, ...]
    is_carbon: bool
    bench_day: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A check list as it stands, with what was said and how often it was kept."""

    entry: Entry
    checked: CheckList
    n_kept: int


def write_template(path: str | Path, door: Door = DOOR) -> Path:
    """
    Write the check list that comes with the product, to be edited.

    Raises
    ------
    InputError
        There is such a file already, or it cannot be written.
    """
    return door.write(path, read_template().encode("utf-8"), keep=True)


def load_list(path: str | Path) -> str:
    """
    Text of a check list that the user has edited.

    Raises
    ------
    InputError
        It cannot be read as text, is empty, or is too long.
    """
    path = Path(path)
    try:
        content = read_ordinary(path, MOST_BYTES)
        if len(content) > MOST_BYTES:
            raise InputError(f"{path.name}: need a check list of at most {MOST_BYTES} bytes")
        text = decode_text(content)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name}: cannot be read as a check list ({error})") from error
    if not text.strip():
        raise InputError(f"{path.name}: is empty; need a check list")
    return text


def read_holdings(book: JobBook, jobs: Sequence[Job]) -> dict[int, Holdings]:
    """
    What the book holds of jobs, by their numbers, with few questions for many jobs.

    Raises
    ------
    JobBookError
        A document is damaged.
    """
    if not jobs:
        return {}
    traces = book.read_traces([job.job for job in jobs])
    carbon = {one.name for one in book.list_types() if one.transmitter == "carbon"}
    checked = book.list_bench_records(kind="check")
    bench_day = checked[-1].saved_utc[:10] if checked else ""
    return {
        job.job: Holdings(
            job=job,
            traces=traces[job.job],
            checks=tuple(read_checks(book, job)),
            is_carbon=job.type_name in carbon,
            bench_day=bench_day,
        )
        for job in jobs
    }


def update_list(
    book: JobBook,
    job: int,
    *,
    variant: str = "",
    done: Mapping[int, str] | None = None,
    skipped: Mapping[int, str] | None = None,
    reopened: tuple[int, ...] = (),
    jack: JackConversion | None = None,
    final: str = "",
    template: str | None = None,
) -> CheckList:
    """
    Add to the check list of a job what is given, fill in what was measured, and keep it.

    Parameters
    ----------
    book : JobBook
    job : int
    variant : str
        "desk" or "wall"; "" as before, "desk" at first.
    done, skipped : mapping of int to str, optional
        Steps ticked, with what was found; steps not tested, with the reason.
    reopened : tuple of int
        Steps to be open again.
    jack : JackConversion, optional
        One that says nothing takes the old one away.
    final : str
        "ready" or "not ready".
    template : str, optional
        Text of another list, kept with the job from now on; "" is the product's own again.

    Returns
    -------
    CheckList

    Raises
    ------
    InputError
        No such job or step, a skipped step without a reason, or "ready" while a step is open;
        nothing is changed then.
    """
    holdings = read_holdings(book, [book.load_job(job)])[job]
    kept = _load_entry(book, holdings.job)
    done, skipped = dict(done or {}), dict(skipped or {})
    for step, words in (*done.items(), *skipped.items()):
        if len(words) > MOST_LETTERS:
            raise InputError(f"step {step}: need {MOST_LETTERS} letters or fewer")
    said = (jack.fitted, jack.removed, jack.kept) if jack is not None else ()
    if any(len(words) > MOST_LETTERS for words in said):
        raise InputError(f"jack conversion: need {MOST_LETTERS} letters or fewer for each")
    if final:
        check_word(final, FINALS, "final")
    # What is said last about a step counts.
    entry = Entry(
        variant=variant or kept.variant,
        done=_merge(kept.done, done, {*skipped, *reopened}),
        skipped=_merge(kept.skipped, skipped, {*done, *reopened}),
        jack=kept.jack if jack is None else (jack if any(said) else None),
        template=kept.template if template is None else template,
        final=final or "not ready",
    )
    is_new = bool(variant or done or skipped or reopened or jack or final) or template is not None
    if not is_new:
        return _build(holdings, kept)
    checked = _build(holdings, entry, is_asked=True)
    document = {"entry": to_document(entry), "list": to_document(checked)}
    save_document(book, job, NAME, {**document, "saved_utc": get_now_utc()})
    return checked


def _merge(
    kept: Mapping[int, str], new: Mapping[int, str], gone: Collection[int]
) -> dict[int, str]:
    return {step: told for step, told in {**kept, **new}.items() if step not in gone}


def load_sheet(book: JobBook, job: int) -> Sheet:
    """
    The check list of a job as it stands, whether or not one was begun; nothing is changed.

    Raises
    ------
    InputError
        No such job.
    """
    return build_sheet(book, read_holdings(book, [book.load_job(job)])[job])


def build_sheet(book: JobBook, holdings: Holdings) -> Sheet:
    """The check list of a job from what the book holds of it."""
    entry = _load_entry(book, holdings.job)
    n_kept = sum(one.name == NAME for one in holdings.job.attachments)
    return Sheet(entry=entry, checked=_build(holdings, entry), n_kept=n_kept)


def get_template(entry: Entry) -> str:
    """Text of the list in use: that of the job, else the product's own."""
    return entry.template or read_template()


def find_filled(checked: CheckList, kind: str, stage: str, part: str = "") -> tuple[CheckStep, ...]:
    """
    Steps of a list that a check of this kind and stage fills in.

    Parameters
    ----------
    checked : CheckList
    kind, stage, part : str
        As of a `StoredCheck`.
    """
    key = make_key(kind, stage, part)
    return tuple(step for step in checked.steps if is_filled_by(step.filled_by, key))


def make_key(kind: str, stage: str, part: str = "") -> str:
    """
    Key of a check, as the column `filled_by` names it.

    Examples
    --------
    >>> make_key("flex", "after", "hook")
    'flex:after:hook'
    """
    return f"{kind}:{stage}" + (f":{part}" if part else "")


def find_list(book: JobBook, job: int) -> CheckList | None:
    """The check list of a job, filled in anew; `None` where none was ever begun."""
    sheet = load_sheet(book, job)
    return sheet.checked if sheet.n_kept else None


def _load_entry(book: JobBook, job: Job) -> Entry:
    texts = read_documents(book, job, NAME)
    if not texts:
        return Entry()
    try:
        return msgspec.json.decode(texts[-1], type=_Kept).entry
    except msgspec.MsgspecError as error:
        raise JobBookError(
            f"job {job.job}: its check list cannot be read ({error}); the rest is untouched"
        ) from error


def _build(holdings: Holdings, entry: Entry, *, is_asked: bool = False) -> CheckList:
    steps = fill_steps(
        parse_steps(get_template(entry), entry.variant),
        measured=_collect(holdings, entry.jack),
        done=entry.done,
        skipped=entry.skipped,
    )
    job = holdings.job.job
    checked = conclude(job, entry.variant, steps, jack=entry.jack)
    # A list that was ready stays so only as long as nothing is open; asking for it is refused.
    if entry.final == "ready" and (is_asked or not checked.open_steps):
        return conclude(job, entry.variant, steps, jack=entry.jack, final="ready")
    return checked


def collect_measured(
    book: JobBook, job: int, jack: JackConversion | None = None
) -> dict[str, Found]:
    """
    What the book holds of a job, by the keys of the check list's column `filled_by`.

    Parameters
    ----------
    book : JobBook
    job : int
    jack : JackConversion, optional

    Returns
    -------
    dict
        As "dial:before" or "sweep:after:transmit" to what was found; not what was put aside.
    """
    return _collect(read_holdings(book, [book.load_job(job)])[job], jack)


def _collect(holdings: Holdings, jack: JackConversion | None) -> dict[str, Found]:
    measured = _collect_sweeps(holdings)
    for one in holdings.checks:
        key = make_key(one.kind, one.stage, one.part)
        earlier = measured[key].digits if key in measured else ""
        state = judge_check(one.check)
        measured[key] = Found(
            words=describe_stored(one),
            verdict="" if state == "not tested" else state,
            digits=earlier + getattr(one.check, "number", ""),
        )
    if holdings.bench_day >= holdings.job.opened_utc[:10]:
        measured[BENCH_CHECK] = Found(words=f"done on {holdings.bench_day}")
    if jack is not None:
        told = f"fitted {jack.fitted or 'nothing'}; kept {jack.kept or 'nothing'}"
        measured["jack"] = Found(words=told)
    return measured


def _collect_sweeps(holdings: Holdings) -> dict[str, Found]:
    """Seats count for carbon alone: only there a seat is a conditioning."""
    traces = holdings.traces
    verdicts = {
        (held.comparison.stage, finding.path): finding.verdict
        for held in traces.compared
        if held.comparison.against.kind == "baseline" and not held.is_overtaken
        for finding in sorted(
            held.comparison.findings, key=lambda one: rank_verdict(one.verdict), reverse=True
        )
    }
    measured = {}
    for run in traces.runs:
        if not run.aside:
            n = run.n_seats
            measured[f"sweep:{run.stage}:{run.path}"] = Found(
                words=f"{run.path} swept" + (f", {n} seat{'s' if n > 1 else ''}" if n else ""),
                verdict=verdicts.get((run.stage, run.path), ""),
                seats=n if holdings.is_carbon else None,
            )
    return measured


def describe_stored(stored: StoredCheck) -> str:
    """In one line, and said of a made scene that it is one."""
    made = " (simulated)" if stored.bench == "simulated" else ""
    return get_kind(stored.kind).describe(stored.check) + made


def collect_results(book: JobBook, job: int) -> dict[str, str]:
    """
    Results of the checks beside the sweep, and the check list, for the report.

    Parameters
    ----------
    book : JobBook
    job : int

    Returns
    -------
    dict
        By the names of the report's table of checks; the latest of each counts, with the one
        before it where there are two stages.
    """
    told: dict[str, dict[str, str]] = {}
    for one in list_checks(book, job):
        name = one.part or one.kind
        names = get_kind(one.kind).report_names
        told.setdefault(names.get(name, name), {})[one.stage] = describe_stored(one)
        beside = get_kind(one.kind).beside
        for other, words in (beside(one.check) if beside else {}).items():
            told.setdefault(other, {})[one.stage] = words
    results = {
        name: next(iter(stages.values()))
        if len(stages) == 1
        else "; ".join(f"{stage}: {words}" for stage, words in stages.items())
        for name, stages in told.items()
    }
    checked = find_list(book, job)
    return {**results, **(describe_list(checked) if checked else {})}
