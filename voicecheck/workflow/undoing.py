"""The last thing done to a job, and how it is taken back; nothing is deleted by that."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Event
from voicecheck.words import load_words
from voicecheck.workflow.checks.kinds import list_kinds
from voicecheck.workflow.checks.run import name_document
from voicecheck.workflow.takes import KeptTake, list_takes
from voicecheck.workflow.trials import load_trials, name_trial_file
from voicecheck.workflow.worklog import say_event

REASON = "taken back"
FOLLOWS = ("compared",)
"""Lines that come of the one before them."""
MOVED = re.compile(r"(run-\d+) \(\w+, (.+?)\) to ")
PIECE = re.compile(r"((?:run|check)-\d+) ")
TRIALS = {name_trial_file(name): f"trial {name}" for name in load_trials()}
DOCUMENTS = {name_document(kind.name): kind.name for kind in list_kinds()} | TRIALS


@dataclass(frozen=True, slots=True, kw_only=True)
class Undo:
    """
    What would be taken back.

    Parameters
    ----------
    told : str
        What was done, as the work log has it.
    act : callable
        Takes it back in the book.
    """

    told: str
    act: Callable[[JobBook], None]


def find_undo(book: JobBook, job: int, takes: Sequence[KeptTake] | None = None) -> Undo | None:
    """
    How the last thing done to a job is taken back; `None` where it cannot be, as a note.

    Parameters
    ----------
    book : JobBook
    job : int
    takes : sequence of KeptTake, optional
        Of the job, where they were listed already.

    Raises
    ------
    InputError
        No such job.
    """
    events = [one for one in book.list_events(job) if one.kind not in FOLLOWS]
    if not events:
        return None
    last = events[-1]
    act = _find_act(book, job, last, takes)
    told = " ".join(say_event(last, load_words())).strip()
    if last.text in DOCUMENTS:
        told = DOCUMENTS[last.text] if last.text in TRIALS else f"check {DOCUMENTS[last.text]}"
    return None if act is None else Undo(told=told, act=act)


def undo(book: JobBook, job: int) -> str:
    """
    Take the last thing back, and say what it was.

    Raises
    ------
    InputError
        No such job, or it cannot be taken back.
    """
    found = find_undo(book, job)
    if found is None:
        message = f"job {job}: the last thing done cannot be taken back; nothing was changed"
        raise InputError(message)
    found.act(book)
    return found.told


def _find_act(
    book: JobBook, job: int, event: Event, takes: Sequence[KeptTake] | None
) -> Callable[[JobBook], None] | None:
    if event.kind == "stage":
        stage = book.load_job(job).stage
        return lambda book: book.set_stage(job, "before" if stage == "after" else "after")
    if event.kind == "closed":
        return lambda book: _reopen(book, job)
    if event.kind == "moved" and (moved := MOVED.match(event.text)):
        key, was = moved.groups()
        return lambda book: book.move(job, key, was, REASON)
    if event.kind in ("put aside", "brought back") and (piece := PIECE.match(event.text)):
        key = piece[1]
        if event.kind == "put aside":
            return lambda book: book.bring_back(job, key, REASON)
        return lambda book: book.put_aside(job, key, REASON)
    return _find_take(job, event, list_takes(book, job) if takes is None else takes)


def _find_take(
    job: int, event: Event, takes: Sequence[KeptTake]
) -> Callable[[JobBook], None] | None:
    """The run or check that an event tells of is put aside."""
    if event.kind == "run":
        name = event.text.partition(",")[0]
    elif event.kind == "file" and event.text in DOCUMENTS:
        name = DOCUMENTS[event.text]
    else:
        return None
    of_name = [one for one in takes if name in (one.name, one.name.split(" ")[0])]
    if not of_name or of_name[-1].aside:
        return None
    key = of_name[-1].key
    return lambda book: book.put_aside(job, key, REASON)


def _reopen(book: JobBook, job: int) -> None:
    book.reopen_job(job)
