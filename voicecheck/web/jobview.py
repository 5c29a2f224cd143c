"""A job as its page shows it: the panel of one mark, its takes, the work log."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicecheck.errors import InputError
from voicecheck.records import Comparison, Event, Finding, Fit, Hint, Job
from voicecheck.records.lines import LineProfile
from voicecheck.records.quantities import family_of
from voicecheck.records.standing import Mark, Standing
from voicecheck.records.verdicts import rank_verdict
from voicecheck.words import load_words
from voicecheck.workflow.checks.kinds import list_kinds
from voicecheck.workflow.fits import fit_line, list_lines, tell_line
from voicecheck.workflow.separating import CHECKED_BY, ON_THE_BENCH, SWEPT_AGAIN, TRIED_BY
from voicecheck.workflow.strip import CHECKS, NOISY, PATHS
from voicecheck.workflow.takes import KeptTake
from voicecheck.workflow.trials import StoredTrial, read_trials
from voicecheck.workflow.wording import say_comparison
from voicecheck.workflow.worklog import say_event

if TYPE_CHECKING:
    from voicecheck.jobbook import JobBook
    from voicecheck.jobbook.traces import Compared

CRACKLE, LINE, STAND_IN = "crackle", "line", "stand-in"
KINDS = {kind.name for kind in list_kinds()}
MOST_HINTS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """
    What a comparison says about one mark.

    Parameters
    ----------
    index : int
        Among those of the panel, from 1.
    comparison : Comparison
    findings : tuple of Finding
        Of the mark, the worst first.
    """

    index: int
    comparison: Comparison
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """
    The set on a line by name.

    Parameters
    ----------
    lines : tuple of LineProfile
        All that may be chosen.
    fit : Fit or None
        `None` where no line is chosen.
    about : str
        What the chosen line asks, in a few words.
    refused : str
        Why what was asked for cannot be told.
    """

    lines: tuple[LineProfile, ...]
    fit: Fit | None = None
    about: str = ""
    refused: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """
    What is shown of the chosen mark.

    Parameters
    ----------
    mark : Mark
    path : str
        Whose curves are drawn; "" for a check.
    kind : str
        Of the check; "" for what is swept.
    held : tuple of Held
    hints : tuple of Hint
        Likely causes; none for a stage that is within.
    besides : tuple of Hint
        Of what the first of them leaves unexplained.
    hints_stage : str
        Stage that they explain.
    takes : tuple of KeptTake
        Newest first, those put aside too.
    told : tuple of str
        What can be said without good sets of the type.
    tried : tuple of StoredTrial
        Trials of the path, newest first.
    fitted : Fitted or None
        Of the mark `line` alone.
    """

    mark: Mark
    path: str = ""
    kind: str = ""
    held: tuple[Held, ...] = ()
    hints: tuple[Hint, ...] = ()
    besides: tuple[Hint, ...] = ()
    hints_stage: str = ""
    takes: tuple[KeptTake, ...] = ()
    told: tuple[str, ...] = ()
    tried: tuple[StoredTrial, ...] = ()
    fitted: Fitted | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLine:
    """One line of the work log, with the file that it speaks of."""

    at_utc: str
    kind: str
    text: str
    sha256: str = ""


def choose_mark(standing: Standing, wanted: str) -> Mark:
    """The mark that is asked for, else the one that is worst, else the first."""
    named = [mark for mark in standing.marks if mark.key == wanted]
    tested = [mark for mark in standing.marks if mark.state != "not tested"]
    worst = sorted(tested, key=lambda mark: rank_verdict(mark.state))
    return (named or worst or list(standing.marks))[0]


def find_test(job: int, test: str) -> str:
    """
    Address where a separating test is done; "" for one that is done by hand.

    Examples
    --------
    >>> find_test(3, "flex"), find_test(3, "recondition"), find_test(3, "continuity")
    ('/jobs/3?mark=cord#next', '/jobs/3/trials#rap', '')
    """
    if test in CHECKED_BY:
        return f"/jobs/{job}?mark={CHECKED_BY[test][0]}#next"
    if test in TRIED_BY:
        return f"/jobs/{job}/trials#{TRIED_BY[test]}"
    if test in ON_THE_BENCH:
        return "/benches"
    return f"/jobs/{job}?stage={test}#sweep" if test in SWEPT_AGAIN else ""


def make_panel(
    book: JobBook, job: Job, mark: Mark, takes: Sequence[KeptTake], line: str = ""
) -> Panel:
    """
    The panel of a mark.

    Parameters
    ----------
    book : JobBook
    job : Job
    mark : Mark
    takes : sequence of KeptTake
        Of the job, the oldest first.
    line : str
        Name of the line that the set is to be held against; "" for none.
    """
    if mark.key in CHECKS:
        kind = CHECKS[mark.key]
        fitted = _fit(book, job, line) if kind == LINE else None
        return Panel(mark=mark, kind=kind, takes=_choose_takes(takes, kind), fitted=fitted)
    path = "transmit" if mark.key == CRACKLE else PATHS[mark.key]
    traces = book.read_traces([job.job])[job.job]
    held = tuple(
        Held(index=index, comparison=one.comparison, findings=_choose(mark, one.comparison))
        for index, one in enumerate(_order(traces.compared), 1)
    )
    explained = _find_explained(held)
    hints = explained.hints if explained else ()
    return Panel(
        mark=mark,
        path=path,
        held=held,
        hints=tuple(hint for hint in hints if not hint.beside)[:MOST_HINTS],
        besides=tuple(hint for hint in hints if hint.beside),
        hints_stage=explained.stage if explained else "",
        takes=_choose_takes(takes, path),
        told=_tell_stand_in(held),
        tried=_choose_tried(book, job, path),
    )


def _fit(book: JobBook, job: Job, name: str) -> Fitted:
    lines = list_lines(book)
    if not name.strip():
        return Fitted(lines=lines)
    try:
        fit = fit_line(book, job.job, name)
    except InputError as error:
        return Fitted(lines=lines, refused=str(error))
    chosen = next(one for one in lines if one.name == fit.line)
    return Fitted(lines=lines, fit=fit, about=tell_line(chosen))


def list_log(job: Job, events: Sequence[Event], documents: Mapping[str, str]) -> list[LogLine]:
    """
    The work log, newest first; files that can be opened are found by their name.

    Parameters
    ----------
    job : Job
    events : sequence of Event
        The oldest first.
    documents : mapping of str to str
        Files that the program itself keeps, and what their coming means.
    """
    files = {file.name: file.sha256 for file in job.attachments}
    told = [event for event in reversed(events) if not _is_of_other(event)]
    return [_make_line(event, files, documents) for event in told]


def _is_of_other(event: Event) -> bool:
    """
    Whether another line tells of it.

    That of a check or trial tells of its recordings, and the strip of what was compared.
    """
    if event.kind == "compared":
        return True
    stem, _, ending = event.text.rpartition(".")
    kind, _, stage = stem.partition("-")
    is_ours = kind == "trial" or (kind in KINDS and stage in ("before", "after"))
    return event.kind == "file" and is_ours and ending == "flac"


def _make_line(event: Event, files: Mapping[str, str], documents: Mapping[str, str]) -> LogLine:
    if event.kind == "file" and event.text in documents:
        return LogLine(at_utc=event.at_utc, kind=documents[event.text], text="")
    sha256 = files.get(event.text, "") if event.kind == "file" else ""
    kind, text = say_event(event, load_words())
    return LogLine(at_utc=event.at_utc, kind=kind, text=text, sha256=sha256)


def _order(compared: Collection[Compared]) -> list[Compared]:
    """The newest first: what was compared last is what is asked for first."""
    return sorted(compared, key=lambda one: one.made_utc, reverse=True)


def _choose(mark: Mark, comparison: Comparison) -> tuple[Finding, ...]:
    """Findings that a mark speaks of, the worst first."""
    is_noise = mark.key == CRACKLE
    chosen = [
        one
        for one in comparison.findings
        if (family_of(one.quantity) in NOISY) == is_noise
        and (is_noise or one.path == PATHS[mark.key])
    ]
    return tuple(sorted(chosen, key=lambda one: rank_verdict(one.verdict)))


def _find_explained(held: Sequence[Held]) -> Comparison | None:
    """The comparison whose causes are told: after the work if that is amiss, else as found."""
    kinds = ("baseline", STAND_IN)
    against_type = [one.comparison for one in held if one.comparison.against.kind in kinds]
    for stage in ("after", "before"):
        for one in against_type:
            if one.stage == stage and one.overall != "within" and one.hints:
                return one
    return None


def _tell_stand_in(held: Sequence[Held]) -> tuple[str, ...]:
    """What the first day offers: wide limits, and what would make them narrow."""
    found = [one.comparison for one in held if one.comparison.against.kind == STAND_IN]
    if not found or any(one.comparison.against.kind == "baseline" for one in held):
        return ()
    masks = (one for one in found[0].beside if one.against.kind == "mask")
    told = (f"{one.against.name}: {line}" for one in masks for line in say_comparison(one))
    return (*say_comparison(found[0]), *told)


def _choose_tried(book: JobBook, job: Job, path: str) -> tuple[StoredTrial, ...]:
    """Trials along a path, the newest first; what the element sends is crackle's, too."""
    return tuple(one for one in reversed(read_trials(book, job)) if one.kind.path == path)


def _choose_takes(takes: Sequence[KeptTake], name: str) -> tuple[KeptTake, ...]:
    """Of a path or a kind of check, whatever part of the set it was; the newest first."""
    return tuple(take for take in reversed(takes) if take.name.split(" ")[0] == name)
