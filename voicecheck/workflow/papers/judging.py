"""What a new run says, held at once against everything that it can be held against."""

from __future__ import annotations

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import Comparison
from voicecheck.workflow.papers.comparing import compare
from voicecheck.workflow.papers.lookup import REFERENCE

BEFORE, AFTER, LEFT = "before", "after", "left"


def judge_stage(book: JobBook, job: int, stage: str) -> tuple[Comparison, ...]:
    """
    Compare a stage that has a new run, and keep what is found.

    Parameters
    ----------
    book : JobBook
    job : int
    stage : str
        Held against the baseline of the type where there is one, and against the set as it was
        found. A new run as found is what the set after the work is held against from then on, and
        is itself held against the set as it left its last job.

    Returns
    -------
    tuple of Comparison
        Empty for a reference, and where there is nothing to hold the stage against.

    Raises
    ------
    JobBookError
        The book cannot be read or written.
    """
    if stage == REFERENCE:
        return ()
    pairs = [(stage, "baseline"), (AFTER if stage == BEFORE else stage, BEFORE), (stage, LEFT)]
    found = []
    for one, against in pairs:
        try:
            found.append(compare(book, job, stage=one, against=against))
        except InputError:
            # No baseline yet, or nothing swept at the other stage: no verdict, and no fault.
            continue
    return tuple(found)
