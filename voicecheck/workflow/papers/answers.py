"""What the user says in the end: it was this."""

from __future__ import annotations

import re

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.verdicts import load_fault_table
from voicecheck.verdicts.hints import OTHER

LIKE_A_CODE = re.compile(r"^[A-Za-z]\d{1,3}$")


def keep_cause(book: JobBook, job: int, said: str) -> str:
    """
    Keep with a job what its cause turned out to be; from then on it weighs in this book's causes.

    Parameters
    ----------
    book : JobBook
    job : int
    said : str
        A code of the fault table, as the likely causes give it, or the cause in words.

    Returns
    -------
    str
        What was kept, in words.

    Raises
    ------
    InputError
        No such job, nothing was said, or a code that the table does not have.
    """
    said = said.strip()
    words = {row.code: "; ".join(row.causes) for row in load_fault_table().rows}
    code = said.upper()
    if code not in words and LIKE_A_CODE.match(said):
        message = f"cause: the fault table has no {said}; give one of its codes, or say it in words"
        raise InputError(message)
    if code in words:
        book.keep_cause(job, code, words[code])
        return words[code]
    book.keep_cause(job, OTHER, said)
    return said
